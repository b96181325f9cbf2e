"""Several takes of one thing, aligned and averaged, the disturbed one left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.quality import grade_of
from roomtune.capture.take import Finding, Take, Verdict
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

REJECTED_ABOVE = 4.0
EARLY_S = (-0.05, 0.4)


def averaged(takes: Sequence[Take]) -> Take:
    """Average takes of one source at one seat; the result is a take of less noise.

    Takes to be repeated are left out unless there are no others. The rest are
    shifted onto the first by their mean delay against it; of three or more, one
    whose energy of deviation from their median is over 4 times the usual is left
    out. Noise falls by the number kept. Raises ValueError for takes of different
    things.
    """
    _check(takes)
    sound = [take for take in takes if take.verdict.grade != "repeat"] or list(takes)[-1:]
    if len(sound) == 1:
        return sound[0]
    delays_s = [_delay_s(take, sound[0]) for take in sound]
    stack = np.stack(
        [_shifted(t.impulse_response, d) for t, d in zip(sound, delays_s, strict=True)]
    )
    kept = _kept(stack, sound[0].impulse_response.times_s)
    used = [take for take, keep in zip(sound, kept, strict=True) if keep]
    first = used[0]
    return replace(
        first,
        impulse_response=replace(first.impulse_response, samples=stack[kept].mean(axis=0)),
        noise=_mean_noise([take.noise for take in used]),
        harmonics=_mean_harmonics(used),
        verdict=_verdict(used, len(takes)),
        clock_drift_ppm=float(np.mean([take.clock_drift_ppm for take in used])),
        octave_snr_db=tuple(
            (centre, ratio + 10 * float(np.log10(len(used))))
            for centre, ratio in first.octave_snr_db
        ),
    )


def _check(takes: Sequence[Take]) -> None:
    if not takes:
        raise ValueError("there are no takes to average")
    same = {
        (t.source, t.kind, t.seat, t.stimulus, t.level_dbfs, t.impulse_response.samples.shape)
        for t in takes
    }
    if len(same) > 1:
        raise ValueError("only takes of one source, seat, sweep and level can be averaged")


def _delay_s(take: Take, reference: Take) -> float:
    """Mean delay of a response against another: slope of the phase between them.

    Weighted by their common energy; good to a fraction of a sample when they lie
    within half a period of the highest frequency, else whole samples go first.
    """
    import scipy.fft

    one, two = take.impulse_response.samples, reference.impulse_response.samples
    rate = take.impulse_response.sample_rate_hz
    length = scipy.fft.next_fast_len(2 * one.size, real=True)
    cross = scipy.fft.rfft(one, length) * np.conj(scipy.fft.rfft(two, length))
    peak = int(np.argmax(scipy.fft.irfft(cross, length)))
    whole = peak if peak < length // 2 else peak - length
    turns = 2 * np.pi * np.arange(cross.size) / length
    cross *= np.exp(1j * turns * whole)
    weight = np.abs(cross)
    slope = float(np.sum(weight * turns * np.angle(cross)) / (np.sum(weight * turns**2) + 1e-300))
    return (whole - slope) / rate


def _shifted(response: ImpulseResponse, delay_s: float) -> NDArray[np.float64]:
    """The samples of a response, earlier by a delay."""
    import scipy.fft

    if abs(delay_s) * response.sample_rate_hz < 1e-3:
        return response.samples
    count = response.samples.size
    length = scipy.fft.next_fast_len(2 * count, real=True)
    spectrum = scipy.fft.rfft(response.samples, length)
    turn = np.exp(
        2j * np.pi * np.arange(spectrum.size) * delay_s * response.sample_rate_hz / length
    )
    return np.asarray(scipy.fft.irfft(spectrum * turn, length)[:count])


def moved_later(response: ImpulseResponse, delay_s: float) -> ImpulseResponse:
    """The response with everything later by a delay, on the same time axis."""
    return replace(response, samples=_shifted(response, -delay_s))


def _kept(stack: NDArray[np.float64], times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which of the responses (n, m) agree with their median."""
    if stack.shape[0] < 3:
        return np.ones(stack.shape[0], dtype=bool)
    early = stack[:, (times_s >= EARLY_S[0]) & (times_s < EARLY_S[1])]
    deviation = np.sum((early - np.median(early, axis=0)) ** 2, axis=1)
    return np.asarray(deviation <= REJECTED_ABOVE * np.median(deviation) + 1e-30)


def _mean_noise(spectra: Sequence[NoiseSpectrum]) -> NoiseSpectrum:
    """Density of the noise in a mean of recordings with independent noise."""
    grid = spectra[0].frequencies_hz
    mean = np.mean([spectrum.at(grid) for spectrum in spectra], axis=0)
    return NoiseSpectrum(grid, mean / len(spectra))


def _mean_harmonics(takes: Sequence[Take]) -> tuple[ImpulseResponse, ...]:
    return tuple(
        replace(orders[0], samples=np.mean([order.samples for order in orders], axis=0))
        for orders in zip(*(take.harmonics for take in takes), strict=True)
    )


def _verdict(used: Sequence[Take], made: int) -> Verdict:
    """Findings that most of the takes share, and how many were left out."""
    counts: dict[str, list[Finding]] = {}
    for take in used:
        for finding in take.verdict.findings:
            counts.setdefault(finding.code, []).append(finding)
    shared = [found[0] for found in counts.values() if 2 * len(found) > len(used)]
    if len(used) < made:
        text = f"{len(used)} of {made} repeats were averaged; the others differed or failed."
        shared.append(Finding("repeats left out", "good", text))
    return Verdict(grade_of(tuple(shared)), tuple(shared))
