"""Time without trust in latency: markers give time zero, clock drift and lost blocks.

Each take carries four equal chirps, two before and two after the sweep. A matched
filter finds them; the distance within a pair tells the ratio of the two clocks,
the distance between the pairs tells whether samples were lost or repeated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.requests import Marker
from roomtune.capture.stimulus import marker_signal

FAINTEST_MATCH = 16.0
SEARCH_S = 0.06
SAME_PATTERN_S = 0.015
STRONG = 0.1
PATTERN_S = (0.004, 0.04)
SMALLEST_JUMP_SAMPLES = 3.0
GUARD = 1.3
USUAL_RATES_HZ = (44100.0, 48000.0, 96000.0, 88200.0, 32000.0, 192000.0)


@dataclass(frozen=True, eq=False)
class MatchedFilter:
    """A recording seen through a marker's matched filter, in its own band.

    `amplitude`: complex output at `rate_hz`, whose magnitude peaks where a marker
    begins. `match`: share (0 to 1) of the energy there that is the marker's.
    """

    amplitude: NDArray[np.complex128]
    match: NDArray[np.float64]
    rate_hz: float


def matched_filter(
    samples: NDArray[np.float64], sample_rate_hz: float, marker: Marker
) -> MatchedFilter:
    """Filter a recording (m,) with the marker's template, band-limited and decimated."""
    import scipy.fft

    template = marker_signal(marker, sample_rate_hz)
    length = scipy.fft.next_fast_len(samples.size + template.size, real=True)
    low = int(marker.start_hz * length / sample_rate_hz)
    high = int(marker.stop_hz * length / sample_rate_hz) + 1
    spectrum = scipy.fft.rfft(samples, length)[low:high]
    wanted = scipy.fft.rfft(template, length)[low:high]
    short = scipy.fft.next_fast_len(int(GUARD * (high - low)))
    scale = short / length
    amplitude = scipy.fft.ifft(_centred(spectrum * np.conj(wanted), short)) * scale
    band = scipy.fft.ifft(_centred(spectrum, short)) * scale
    rate = sample_rate_hz * short / length
    span = round(marker.duration_s * rate)
    energy = np.concatenate(([0.0], np.cumsum(np.abs(np.append(band, band[:span])) ** 2)))
    local = (energy[span:] - energy[:-span])[: amplitude.size] / scale
    template_energy = float(np.sum(np.abs(wanted) ** 2)) / length
    floor = 1e-9 * float(np.max(local, initial=0.0)) + 1e-30
    match = np.abs(amplitude) ** 2 / (template_energy * np.maximum(local, floor))
    kept = int(samples.size * scale)
    return MatchedFilter(amplitude[:kept], np.minimum(match[:kept], 1.0), rate)


def _centred(band: NDArray[np.complex128], length: int) -> NDArray[np.complex128]:
    """The bins of a band laid around zero frequency in an otherwise empty spectrum."""
    half = band.size // 2
    spectrum = np.zeros(length, dtype=complex)
    spectrum[: band.size - half] = band[half:]
    spectrum[length - half :] = band[:half]
    return spectrum


@dataclass(frozen=True, eq=False)
class MarkerTimes:
    """The four markers as found: instants in the recording (s), levels in dB.

    `uncertainty_s` is the standard deviation of one instant from the noise;
    `match` the weakest of the four matches (0 to 1). `patterns` (4, p): the
    room's answer to each marker from 4 ms before to 40 ms after its instant,
    complex in the marker's own band; `pattern_noise`: expected share of noise
    in a pattern's energy.
    """

    instants_s: NDArray[np.float64]
    levels_db: NDArray[np.float64]
    uncertainty_s: float
    match: float
    patterns: NDArray[np.complex128]
    pattern_noise: float


def find_markers(
    samples: NDArray[np.float64],
    sample_rate_hz: float,
    marker: Marker,
    scheduled_s: tuple[float, ...],
) -> MarkerTimes | None:
    """Find four markers scheduled at the given instants; None when they are not there.

    The whole recording is searched; each marker may be up to 60 ms off its place.
    Standard deviation of an instant: about 25 ns at 40 dB signal-to-noise for a
    100 ms marker from 1.5 to 8 kHz.
    """
    filtered = matched_filter(samples, sample_rate_hz, marker)
    faintest = FAINTEST_MATCH / (marker.duration_s * (marker.stop_hz - marker.start_hz))
    places = _coarse_places(filtered, np.asarray(scheduled_s), faintest)
    if places is None:
        return None
    places = _same_reflection(filtered, places)
    power = np.abs(filtered.amplitude) ** 2
    peaks = [_refined_peak(filtered.amplitude, place) for place in places]
    positions = np.array([position for position, _ in peaks])
    strengths = np.array([strength for _, strength in peaks])
    patterns = _in_phase(
        np.stack([_pattern(filtered, p, pattern_step_s(marker)) for p in positions])
    )
    energies = np.sum(np.abs(patterns) ** 2, axis=1)
    quiet = power[: max(1, places[0] - round(0.02 * filtered.rate_hz))]
    noise = float(np.mean(quiet)) + 1e-30
    spread_hz = (marker.stop_hz - marker.start_hz) / np.sqrt(12)
    ratio = float(np.min(strengths)) / noise
    return MarkerTimes(
        instants_s=positions / filtered.rate_hz,
        levels_db=10 * np.log10(energies),
        uncertainty_s=float(1 / (2 * np.pi * spread_hz * np.sqrt(2 * ratio))),
        match=float(np.min(filtered.match[places])),
        patterns=patterns,
        pattern_noise=float(noise * patterns.shape[1] / np.min(energies)),
    )


def pattern_step_s(marker: Marker) -> float:
    """Spacing of the values of a pattern: 1.3 per second and hertz of the marker's band."""
    return 1 / (GUARD * (marker.stop_hz - marker.start_hz))


def true_rate_hz(
    samples: NDArray[np.float64],
    stated_rate_hz: float,
    marker: Marker,
    scheduled_s: tuple[float, ...],
) -> float | None:
    """Sample rate at which the markers appear in a recording that states another.

    Tries the usual rates, then those that would result if playback had run at a
    usual rate; None when the markers are at none of them.
    """
    import soxr

    played = (stated_rate_hz**2 / rate for rate in USUAL_RATES_HZ)
    for rate in (*USUAL_RATES_HZ, *played):
        if abs(rate / stated_rate_hz - 1) < 1e-3:
            continue
        restored = soxr.resample(np.array(samples), rate, stated_rate_hz, quality="HQ")
        if find_markers(restored, stated_rate_hz, marker, scheduled_s) is not None:
            return rate
    return None


def _coarse_places(
    filtered: MatchedFilter, scheduled_s: NDArray[np.float64], faintest: float
) -> NDArray[np.int_] | None:
    """The samples of the matched filter where the four markers match best together.

    None below `faintest`: noise alone matches by about 8, a sweep without markers
    by less than 8, a marker in a room by more than 50 (each over bandwidth times
    length, which is 650 for 100 ms from 1.5 to 8 kHz).
    """
    from scipy.ndimage import maximum_filter1d

    rate = filtered.rate_hz
    offsets = np.round((scheduled_s - scheduled_s[0]) * rate).astype(int)
    reach = round(SEARCH_S * rate)
    best = maximum_filter1d(filtered.match, 2 * reach + 1, mode="constant")
    count = filtered.match.size - offsets[-1]
    if count < 1:
        return None
    together = np.minimum(filtered.match[:count], best[offsets[1] : offsets[1] + count])
    for offset in offsets[2:]:
        together = np.minimum(together, best[offset : offset + count])
    first = int(np.argmax(together))
    if together[first] < faintest:
        return None
    places = [first]
    for offset in offsets[1:]:
        begin = max(first + offset - reach, 0)
        places.append(begin + int(np.argmax(filtered.match[begin : first + offset + reach + 1])))
    return np.array(places)


def _same_reflection(filtered: MatchedFilter, places: NDArray[np.int_]) -> NDArray[np.int_]:
    """Move each place to the same peak of the room's pattern, on average the first strong one.

    The first within 10 dB of the strongest is the direct sound nearly always;
    the strongest may be a reflection that wins in one take and loses in the next.
    """
    reach = round(SAME_PATTERN_S * filtered.rate_hz)
    padded = np.pad(np.abs(filtered.amplitude) ** 2, 3 * reach)
    patterns = [padded[p + 2 * reach : p + 4 * reach + 1] for p in places]
    first = patterns[0]
    shifts = [
        int(np.argmax(np.correlate(pattern, first, "full"))) - (first.size - 1)
        for pattern in patterns
    ]
    aligned = np.array(places) + np.array(shifts)
    mean = np.zeros(first.size)
    for place in aligned:
        pattern = padded[place + 2 * reach : place + 4 * reach + 1]
        if pattern.size == mean.size:
            mean += pattern / max(float(np.max(pattern)), 1e-30)
    peak = aligned + _first_strong_peak(mean) - reach
    return np.asarray(np.clip(peak, 0, filtered.amplitude.size - 1))


def _first_strong_peak(power: NDArray[np.float64]) -> int:
    """Index of the first local maximum that is not far below the largest value."""
    inner = power[1:-1]
    peaks = (inner >= power[:-2]) & (inner > power[2:]) & (inner > STRONG * np.max(power))
    return int(np.argmax(peaks)) + 1 if peaks.any() else int(np.argmax(power))


def _refined_peak(amplitude: NDArray[np.complex128], place: int) -> tuple[float, float]:
    """Position (fractional samples) and squared magnitude of the peak next to a place.

    Band-limited interpolation on a grid of 1/16 sample, then on one of 1/256 around the
    highest, and a parabola through the three highest points.
    """
    position = float(place)
    for steps in (np.arange(-32, 33) / 16, np.arange(-16, 17) / 256):
        fine = np.abs(_between(amplitude, place, position - place + steps)) ** 2
        top = int(np.clip(np.argmax(fine), 1, fine.size - 2))
        position += float(steps[top])
    before, peak, after = fine[top - 1 : top + 2]
    bend = before - 2 * peak + after
    shift = 0.0 if bend == 0 else float(np.clip(0.5 * (before - after) / bend, -1, 1))
    return position + shift / 256, float(peak - 0.25 * (before - after) * shift)


def _between(
    amplitude: NDArray[np.complex128], place: int, steps: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Values at `place + steps`, |steps| < 3: windowed sinc of 49 taps."""
    half = 24
    taps = np.arange(-half, half + 1)
    source = np.take(amplitude, taps + place, mode="clip")
    return np.asarray(_sinc(steps[:, None] - taps, half) @ source)


def _pattern(filtered: MatchedFilter, position: float, step_s: float) -> NDArray[np.complex128]:
    """The matched filter's output around a fractional position, a value every `step_s`."""
    steps_s = np.arange(-PATTERN_S[0], PATTERN_S[1], step_s)
    places = position + steps_s * filtered.rate_hz
    whole = np.floor(places).astype(int)
    half = 24
    taps = np.arange(-half, half + 1)
    source = np.take(filtered.amplitude, whole[:, None] + taps, mode="clip")
    return np.asarray((source * _sinc((places - whole)[:, None] - taps, half)).sum(axis=1))


def _sinc(distance: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Blackman-windowed sinc for band-limited interpolation."""
    turn = np.pi / (half + 2) * np.clip(distance, -half - 2, half + 2)
    shape = 0.42 + 0.5 * np.cos(turn) + 0.08 * np.cos(2 * turn)
    return np.asarray(np.sinc(distance) * shape)


def _in_phase(patterns: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Turn every pattern to the phase of the first, which its fraction of a sample took away."""
    turns = np.array([np.vdot(pattern, patterns[0]) for pattern in patterns])
    return np.asarray(patterns * (turns / np.maximum(np.abs(turns), 1e-300))[:, None])


@dataclass(frozen=True)
class Clock:
    """How the recorder's time follows the player's: instant = origin + (1 + drift) t.

    `origin_s`: where the first played sample would lie in the recording (with
    the marker's own travel, when acoustic). `jump_samples`: samples inserted
    (positive) or lost (negative) between the markers, 0 when none can be told;
    `jump_inside_pair` when it happened within a pair of markers.
    """

    origin_s: float
    drift_ppm: float
    drift_uncertainty_ppm: float
    jump_samples: float = 0.0
    jump_inside_pair: bool = False

    def recorded_s(self, played_s: float) -> float:
        """Instant in the recording of something played at an instant."""
        return self.origin_s + (1 + self.drift_ppm * 1e-6) * played_s


def fit_clock(
    found: MarkerTimes, scheduled_s: tuple[float, ...], marker: Marker, sample_rate_hz: float
) -> Clock:
    """Fit the recorder's clock to markers.

    Drift stretches a chirp and lowers its frequencies, so its matched filter
    answers late by drift times T f2 / (f2 - f1); that is taken out.
    Without a jump a straight line through all four; with one, the pairs alone
    give the drift and the step between them gives the samples lost or repeated.
    A jump counts from 3 samples and six standard deviations up.
    """
    lever_s = marker.duration_s * marker.stop_hz / (marker.stop_hz - marker.start_hz)
    played = np.asarray(scheduled_s) + lever_s
    instants = found.instants_s + lever_s
    sigma = found.uncertainty_s
    within = instants[[1, 3]] - instants[[0, 2]]
    spacing = played[[1, 3]] - played[[0, 2]]
    between_s = played[2] - played[1]
    smallest_s = SMALLEST_JUMP_SAMPLES / sample_rate_hz
    pair_error = sigma / float(spacing[0])
    if abs(within[1] - within[0]) > max(smallest_s, 12 * sigma):
        broken = int(np.argmax(np.abs(within - spacing)))
        sound = 1 - broken
        anchor = 2 * sound
        return _clock(
            instants[anchor],
            played[anchor],
            within[sound] / spacing[sound] - 1,
            1.5 * pair_error,
            jump_samples=(within[broken] - within[sound]) * sample_rate_hz,
            jump_inside_pair=True,
        )
    drift = float(np.mean(within / spacing)) - 1
    jump_s = instants[2] - instants[1] - (1 + drift) * between_s
    if abs(jump_s) > max(smallest_s, 6 * sigma * (1.5 + between_s / spacing[0])):
        jump = jump_s * sample_rate_hz
        return _clock(instants[0], played[0], drift, pair_error, jump_samples=jump)
    centred = played - played.mean()
    slope = float(centred @ instants / (centred @ centred))
    line_error = sigma / float(np.sqrt(centred @ centred))
    return _clock(instants.mean(), played.mean(), slope - 1, line_error)


def _clock(
    instant_s: float,
    played_s: float,
    drift: float,
    drift_error: float,
    jump_samples: float = 0.0,
    jump_inside_pair: bool = False,
) -> Clock:
    """The clock that passes one point with a given drift."""
    return Clock(
        origin_s=float(instant_s - (1 + drift) * played_s),
        drift_ppm=float(drift) * 1e6,
        drift_uncertainty_ppm=float(drift_error) * 1e6,
        jump_samples=float(jump_samples),
        jump_inside_pair=jump_inside_pair,
    )


def without_drift(
    samples: NDArray[np.float64], sample_rate_hz: float, drift_ppm: float
) -> NDArray[np.float64]:
    """Return samples (m,) or (m, inputs) as the player's clock would have taken them.

    Sample 0 stays where it is. Below 0.02 ppm the samples come back untouched.
    Error of the resampler (soxr, very high quality) below -120 dB up to 0.45 of the rate.
    """
    if abs(drift_ppm) < 0.02:
        return samples
    import soxr

    recorded_rate = sample_rate_hz * (1 + drift_ppm * 1e-6)
    result: NDArray[np.float64] = soxr.resample(
        samples, recorded_rate, sample_rate_hz, quality="VHQ"
    )
    return result
