"""The verdict on a take: good, usable or repeat, with reasons for people."""

from __future__ import annotations

import numpy as np

from roomtune.capture.clipping import flat_crests, gaps
from roomtune.capture.distortion import loudspeaker_distortion, soft_clipping
from roomtune.capture.evidence import Evidence
from roomtune.capture.interface import Recording
from roomtune.capture.requests import TakeRequest
from roomtune.capture.steadiness import movement, steadiness
from roomtune.capture.take import Finding, Grade, Verdict
from roomtune.capture.timing import USUAL_RATES_HZ
from roomtune.signal.bands import band_name

GOOD_SNR_DB = 20.0
LEAST_SNR_DB = 6.0
LARGEST_DRIFT_PPM = 500.0
STRONG_BURST_DB = -35.0
FLEETING = ("impulsive noise", "reported blocks")


def grade_of(findings: tuple[Finding, ...]) -> Grade:
    """The worst grade among findings; good when there are none."""
    grades = [finding.grade for finding in findings]
    if "repeat" in grades:
        return "repeat"
    return "usable" if "usable" in grades else "good"


def worth_repeating(verdict: Verdict) -> bool:
    """Whether another attempt is likely to be better: bad, or spoilt by what passes."""
    fleeting = any(finding.code in FLEETING for finding in verdict.findings)
    return verdict.grade == "repeat" or fleeting


def judge(evidence: Evidence) -> Verdict:
    """Run the checks and sum up.

    They go from cause to consequence, and what explains the rest ends the search:
    a lost block leaves a click behind, a changing gain distorts, a click looks
    like distortion.
    """
    causes = (_stream, steadiness, _overdrive, disturbances, interruptions, _driver)
    loudness = signal_to_noise(evidence)
    found: tuple[Finding, ...] = _stream(evidence)
    if not any(finding.code == "no sweep" for finding in loudness):
        found = next((found for cause in causes if (found := cause(evidence))), ())
    findings = (*(found or reported_blocks(evidence)), *loudness)
    return Verdict(grade_of(findings), findings)


def _stream(evidence: Evidence) -> tuple[Finding, ...]:
    return (*clipping(evidence), *missing_blocks(evidence), *time_reference(evidence))


def _overdrive(evidence: Evidence) -> tuple[Finding, ...]:
    return soft_clipping(evidence.distortion)


def _driver(evidence: Evidence) -> tuple[Finding, ...]:
    return loudspeaker_distortion(evidence.distortion)


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


def clipping(evidence: Evidence) -> tuple[Finding, ...]:
    """Crests cut off at the microphone or at the loopback."""
    recording = evidence.recording
    for samples, name in zip(recording.samples.T, ("microphone", "loopback"), strict=False):
        begins, lengths = flat_crests(samples)
        if begins.size == 0:
            continue
        peak_db = 20 * np.log10(np.abs(samples).max())
        text = (
            f"The {name} input clipped: {int(lengths.sum())} samples in {begins.size} places held "
            f"at {peak_db:.1f} dB re full scale, first at "
            f"{begins[0] / recording.sample_rate_hz:.2f} s. Turn its gain down."
        )
        return (Finding("clipping", "repeat", text),)
    return ()


def missing_blocks(evidence: Evidence) -> tuple[Finding, ...]:
    """Stretches of exact zeros amid sound."""
    begins, lengths = gaps(evidence.microphone)
    if begins.size == 0:
        return ()
    text = (
        f"{begins.size} blocks arrived empty, {int(lengths.max())} samples at most, first at "
        f"{begins[0] / evidence.recording.sample_rate_hz:.2f} s. Close other programs or choose a "
        f"larger latency."
    )
    return (Finding("lost samples", "repeat", text),)


def reported_blocks(evidence: Evidence) -> tuple[Finding, ...]:
    """Blocks that the sound system itself reported as spoilt while the sweep or its tail played."""
    clock, plan = evidence.clock, evidence.plan
    if clock is None:
        begin_s, end_s = 0.0, float("inf")
    else:
        end_s = clock.recorded_s(plan.sweep_end_s + evidence.request.settings.tail_s)
        begin_s = clock.recorded_s(plan.sweep_s)
    inside = [moment for moment in evidence.recording.flagged_s if begin_s <= moment <= end_s]
    if not inside:
        return ()
    text = (
        f"The sound system reported {len(inside)} spoilt blocks during the sweep, first at "
        f"{inside[0]:.2f} s ({'; '.join(evidence.recording.events)}), though nothing is missing. "
        f"Close other programs if that comes again."
    )
    return (Finding("reported blocks", "usable", text),)


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
    if evidence.mistaken_rate_hz is not None:
        return (_sample_rate(evidence.mistaken_rate_hz, evidence.recording.sample_rate_hz),)
    if clock.jump_samples:
        moved = movement(evidence)
        if moved:
            return moved
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


def _sample_rate(true_hz: float, stated_hz: float) -> Finding:
    if true_hz in USUAL_RATES_HZ:
        text = (
            f"The recording was made at {true_hz:g} Hz but states {stated_hz:g} Hz; it was "
            f"converted. Set playback and recording to the same rate."
        )
        return Finding("sample rate", "usable", text)
    text = (
        f"Playback ran at {stated_hz**2 / true_hz:g} Hz instead of {stated_hz:g} Hz, so the sweep "
        f"had other frequencies. Set playback and recording to the same rate."
    )
    return Finding("sample rate", "repeat", text)


def disturbances(evidence: Evidence) -> tuple[Finding, ...]:
    """Bangs, barks and clicks during the sweep, with their moments."""
    if not evidence.bursts:
        return ()
    strongest = evidence.bursts[0]
    moment_s = evidence.moment_s(strongest.time_s)
    passing_hz = evidence.request.sweep.frequency_at_hz(strongest.time_s - evidence.stretch.zero_s)
    others = f" and at {len(evidence.bursts) - 1} more moments" if evidence.bursts[1:] else ""
    text = (
        f"Something disturbed the sweep {moment_s:.2f} s into the recording{others}, "
        f"{-strongest.strength_db:.0f} dB under it, while it passed {float(passing_hz):.0f} Hz."
    )
    strong = strongest.strength_db > STRONG_BURST_DB or evidence.interruption_s is not None
    return (Finding("impulsive noise", "repeat" if strong else "usable", text),)


def interruptions(evidence: Evidence) -> tuple[Finding, ...]:
    """A block of the sweep that was not played, or a sound of its own pitch, with its moment."""
    into_s = evidence.interruption_s
    if into_s is None:
        return ()
    passing_hz = evidence.request.sweep.frequency_at_hz(into_s - evidence.stretch.zero_s)
    text = (
        f"Something disturbed the sweep {evidence.moment_s(into_s):.2f} s into the recording, at "
        f"the very {float(passing_hz):.0f} Hz that it passed: a sound of that pitch, or a block "
        f"that was not played."
    )
    return (Finding("impulsive noise", "repeat", text),)


def signal_to_noise(evidence: Evidence) -> tuple[Finding, ...]:
    """Octaves in which the noise would show, and takes without any sweep."""
    centres, ratios = evidence.octave_snr_db
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
        f"{band_name(centre, 1)}: {ratio:.0f} dB"
        for centre, ratio in zip(centres[weak], ratios[weak], strict=True)
    )
    grade: Grade = "repeat" if np.median(ratios) < LEAST_SNR_DB else "usable"
    text = (
        f"Little above the noise ({bands}; wanted {GOOD_SNR_DB:.0f} dB): play louder, use a longer "
        f"sweep or wait for quiet."
    )
    return (Finding("low signal-to-noise", grade, text),)
