"""The verdict on a take: good, usable or repeat, with reasons for people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.interface import Recording
from roomtune.capture.noise import smoothed_density
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import Schedule
from roomtune.capture.take import Finding, Grade, Verdict
from roomtune.capture.timing import Clock, MarkerTimes
from roomtune.signal.decibels import power
from roomtune.signal.sweeps import Deconvolution, sweep_energy_density
from roomtune.signal.values import NoiseSpectrum

GOOD_SNR_DB = 20.0
LEAST_SNR_DB = 6.0
SNR_WINDOW_S = 0.3
FULL_SCALE = 0.999
LARGEST_DRIFT_PPM = 500.0


@dataclass(frozen=True, eq=False)
class Evidence:
    """All that the checks look at."""

    recording: Recording
    request: TakeRequest
    plan: Schedule
    markers: MarkerTimes | None
    clock: Clock | None
    response: Deconvolution
    noise: NoiseSpectrum


def grade_of(findings: tuple[Finding, ...]) -> Grade:
    """The worst grade among findings; good when there are none."""
    grades = [finding.grade for finding in findings]
    if "repeat" in grades:
        return "repeat"
    return "usable" if "usable" in grades else "good"


def judge(evidence: Evidence) -> Verdict:
    """Run every check and sum up."""
    findings = (
        *clipping(evidence.recording),
        *time_reference(evidence),
        *signal_to_noise(evidence),
    )
    return Verdict(grade_of(findings), findings)


def unusable(recording: Recording, request: TakeRequest) -> Verdict | None:
    """The verdict on a recording that holds nothing to analyse, else None."""
    samples = recording.samples
    broken = np.abs(samples) < 1e6
    if not broken.all():
        count = int(samples.size - np.count_nonzero(broken))
        text = f"{count} samples are not numbers: the driver of the input device misbehaves."
        return _only("not finite", text)
    if samples.shape[0] < request.sweep.sample_count:
        got, need = samples.shape[0], request.sweep.sample_count
        text = f"The recording ended early: {got} samples, the sweep alone has {need}."
        return _only("recording too short", text)
    if not samples[:, 0].any():
        text = (
            "The microphone delivered digital silence: allow this program to use the microphone "
            "in the system's privacy settings, and check that the right input is chosen."
        )
        return _only("digital silence", text)
    return None


def _only(code: str, text: str) -> Verdict:
    return Verdict("repeat", (Finding(code, "repeat", text),))


def clipping(recording: Recording) -> tuple[Finding, ...]:
    """Samples at full scale, or crests cut flat below it."""
    for column, name in enumerate(("microphone", "loopback")[: recording.samples.shape[1]]):
        samples = np.abs(recording.samples[:, column])
        peak = float(samples.max())
        begins, lengths = _flat_crests(samples, peak)
        if begins.size == 0:
            continue
        text = (
            f"The {name} input clipped: {int(lengths.sum())} samples in {begins.size} places held "
            f"at {20 * np.log10(peak):.1f} dB re full scale, first at "
            f"{begins[0] / recording.sample_rate_hz:.2f} s. Turn its gain down."
        )
        return (Finding("clipping", "repeat", text),)
    return ()


def _flat_crests(
    samples: NDArray[np.float64], peak: float
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Where crests (of absolute samples) are cut off, and for how many samples each.

    At full scale any two neighbours count. Below it three equal samples with a
    steep fall on both sides do, in at least five places: the rounded crest of a
    slow sine in few bits falls by less than 0.0003 of its height.
    """
    if peak >= FULL_SCALE:
        begins, lengths = _runs(samples >= FULL_SCALE)
        return begins[lengths >= 2], lengths[lengths >= 2]
    begins, lengths = _runs(samples >= peak * (1 - 1e-7))
    inside = (begins > 0) & (begins + lengths < samples.size) & (lengths >= 3)
    begins, lengths = begins[inside], lengths[inside]
    step = 3e-4 * peak
    steep = (peak - samples[begins - 1] > step) & (peak - samples[begins + lengths] > step)
    if np.count_nonzero(steep) < 5:
        return begins[:0], lengths[:0]
    return begins[steep], lengths[steep]


def _runs(flags: NDArray[np.bool_]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """First places and lengths of the runs of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return edges[::2], edges[1::2] - edges[::2]


def time_reference(evidence: Evidence) -> tuple[Finding, ...]:
    """Markers missing, samples lost or repeated, clocks too far apart."""
    if evidence.request.reference.marker is None:
        return ()
    clock = evidence.clock
    if clock is None:
        text = (
            "The timing markers were not heard: the arrival time of this take is unknown. "
            "Check the reference output and the level."
        )
        return (Finding("no marker", "repeat", text),)
    if clock.jump_samples:
        count = abs(clock.jump_samples)
        lost = clock.jump_samples < 0
        where = "between two markers" if clock.jump_inside_pair else "during the sweep"
        text = (
            f"About {count:.0f} samples were {'lost' if lost else 'repeated'} {where}. "
            f"Close other programs or choose a larger latency."
        )
        return (Finding("lost samples" if lost else "repeated samples", "repeat", text),)
    if abs(clock.drift_ppm) > LARGEST_DRIFT_PPM:
        text = (
            f"The clocks of playback and recording differ by {clock.drift_ppm:.0f} ppm, far more "
            f"than two healthy devices do: something in between resamples."
        )
        return (Finding("clock drift", "usable", text),)
    return ()


def octave_snr_db(evidence: Evidence) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres (Hz) of the octaves in the valid band and the response's SNR in each, dB.

    The noise is what a response from a window of 0.3 s would carry.
    """
    low, high = evidence.response.valid_band_hz
    first = int(np.ceil(np.log2(low * np.sqrt(2) / 1000) - 1e-9))
    last = int(np.floor(np.log2(high / np.sqrt(2) / 1000) + 1e-9))
    centres = 1000 * 2.0 ** np.arange(first, last + 1)
    if centres.size == 0:
        centres = np.array([np.sqrt(low * high)])
    spectrum = evidence.response.linear.response()
    grid = spectrum.frequencies_hz
    used = (grid >= low) & (grid <= high)
    grid, level = grid[used], np.abs(spectrum.values[used]) ** 2
    played = sweep_energy_density(evidence.request.sweep, grid) * power(evidence.request.level_dbfs)
    variance = SNR_WINDOW_S * smoothed_density(evidence.noise, grid) / played
    ratios = []
    for centre in centres:
        inside = (grid >= centre / np.sqrt(2)) & (grid < centre * np.sqrt(2))
        ratios.append(
            10 * np.log10((level[inside].sum() + 1e-30) / (variance[inside].sum() + 1e-30))
        )
    return centres, np.array(ratios)


def signal_to_noise(evidence: Evidence) -> tuple[Finding, ...]:
    """Octaves in which the noise would show, and takes without any sweep."""
    centres, ratios = octave_snr_db(evidence)
    if ratios.max() < LEAST_SNR_DB:
        text = (
            f"No sweep was found: at best {ratios.max():.0f} dB above the noise. Is output "
            f"{evidence.request.source} connected and the microphone listening?"
        )
        return (Finding("no sweep", "repeat", text),)
    weak = ratios < GOOD_SNR_DB
    if not weak.any():
        return ()
    bands = ", ".join(
        f"{centre:.3g} Hz: {ratio:.0f} dB"
        for centre, ratio in zip(centres[weak], ratios[weak], strict=True)
    )
    grade: Grade = "repeat" if np.median(ratios) < LEAST_SNR_DB else "usable"
    text = (
        f"Little above the noise ({bands}; wanted {GOOD_SNR_DB:.0f} dB): play louder, use a longer "
        f"sweep or wait for quiet."
    )
    return (Finding("low signal-to-noise", grade, text),)
