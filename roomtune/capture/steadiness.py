"""Whether the recorder kept its hands off: gain control, noise suppression, movement.

Four equal markers went through the same room; what the microphone heard must be
four times the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.evidence import Evidence
from roomtune.capture.noise import smoothed_density
from roomtune.capture.take import Finding

LEVEL_STEP_DB = 0.25
SLIGHT_STEP_DB = 0.04
GATE_DB = 5.0
LEAST_LIKENESS = 0.97
LEAKAGE = 10 ** (-75 / 10)
BENT_DB = 1.5
MEDIAN_OF_TWO = 0.839
AGC_ADVICE = (
    "Switch automatic gain control, noise suppression and every other enhancement of the "
    "microphone off."
)


def steadiness(evidence: Evidence) -> tuple[Finding, ...]:
    """Compare the four markers at the microphone with each other."""
    if evidence.heard is None:
        return ()
    return movement(evidence) or _suppression(evidence) or _gain(evidence)


def _gain(evidence: Evidence) -> tuple[Finding, ...]:
    """A level that changes once and then stays was turned; else the recorder does it.

    A drop right after the first sound is the recorder's too.
    """
    heard = evidence.heard
    assert heard is not None
    steps = np.diff(heard.levels_db)
    noise_db = 8.7 * np.sqrt(heard.pattern_noise / heard.patterns.shape[1])
    if np.max(np.abs(steps)) < LEVEL_STEP_DB + 6 * noise_db:
        return ()
    listed = ", ".join(f"{step:+.1f}" for step in steps)
    once = np.count_nonzero(np.abs(steps) > SLIGHT_STEP_DB + 6 * noise_db) == 1
    if once and steps[0] > -LEVEL_STEP_DB:
        text = (
            f"The level jumped during the take: from marker to marker it changed by {listed} dB. "
            f"Leave volume and gain alone while it measures."
        )
        return (Finding("level jumped", "repeat", text),)
    text = (
        f"The recorder changes its gain by itself: from marker to marker the level changed by "
        f"{listed} dB. {AGC_ADVICE}"
    )
    return (Finding("automatic gain control", "repeat", text),)


def _suppression(evidence: Evidence) -> tuple[Finding, ...]:
    """Noise below the markers' band is there while they sound but not in the silence.

    Distortion of the markers does the same, but far more above their band.
    """
    pairs = [noise_beside_markers_db(evidence, pair) for pair in ((0, 1), (2, 3))]
    below_db = min(below for below, _ in pairs)
    above_db = float(np.mean([above for _, above in pairs]))
    if below_db < GATE_DB or above_db > float(np.mean([below for below, _ in pairs])) + BENT_DB:
        return ()
    text = (
        f"The recorder suppresses noise: it lets {below_db:.0f} dB more of it through while "
        f"something sounds than in silence, so decays are cut short. {AGC_ADVICE}"
    )
    return (Finding("noise suppression", "repeat", text),)


def noise_beside_markers_db(evidence: Evidence, places: tuple[int, ...]) -> tuple[float, float]:
    """Noise below and above the band of some markers while they sound, against silence, dB.

    The median over frequency of the ratio of densities, so that no hum dominates.
    -inf where no band is left, or where it is so weak that it may be leakage.
    """
    import scipy.fft

    marker, heard = evidence.request.reference.marker, evidence.heard
    assert marker is not None
    assert heard is not None
    rate = evidence.recording.sample_rate_hz
    count = round(marker.duration_s * rate)
    taper = np.hanning(count)
    frequencies = scipy.fft.rfftfreq(count, 1 / rate)
    sounding: NDArray[np.float64] = np.zeros(frequencies.size)
    for instant in heard.instants_s[list(places)]:
        begin = round(float(instant) * rate)
        piece = evidence.microphone[begin : begin + count]
        if piece.size == count:
            sounding += np.abs(scipy.fft.rfft(piece * taper)) ** 2
    sounding /= len(places) * np.sum(taper**2) * rate
    silent = smoothed_density(evidence.noise, frequencies) + 1e-30
    inside = (frequencies > marker.start_hz) & (frequencies < marker.stop_hz)
    leakage = LEAKAGE * float(np.median(sounding[inside]))
    bands = (
        (frequencies > 150) & (frequencies < 0.6 * marker.start_hz),
        (frequencies > 1.25 * marker.stop_hz) & (frequencies < 0.4 * rate),
    )
    levels = [
        10 * float(np.log10(np.median((sounding / silent)[band]) / MEDIAN_OF_TWO + 1e-30))
        if np.count_nonzero(band) >= 8 and np.median(sounding[band]) > leakage
        else -np.inf
        for band in bands
    ]
    return levels[0], levels[1]


def movement(evidence: Evidence) -> tuple[Finding, ...]:
    """The markers of each pair agree, but not the pairs with each other.

    Samples lost between the pairs leave the pattern as it was; a recorder that
    rides its gain changes it within the pairs too.
    """
    heard = evidence.heard
    if heard is None:
        return ()
    noise_db = 8.7 * np.sqrt(heard.pattern_noise / heard.patterns.shape[1])
    steps = np.abs(np.diff(heard.levels_db))[[0, 2]]
    before = heard.patterns[0] + heard.patterns[1]
    after = heard.patterns[2] + heard.patterns[3]
    alike = likeness(before, after)
    unsteady = steps.max() > SLIGHT_STEP_DB + 6 * noise_db
    if unsteady or alike > LEAST_LIKENESS - 3 * heard.pattern_noise:
        return ()
    text = (
        f"The markers before and after the sweep sound different (likeness {alike:.2f}, 1 is "
        f"the same): the microphone or something near it moved during the take."
    )
    return (Finding("microphone moved", "repeat", text),)


def likeness(one: NDArray[np.complex128], two: NDArray[np.complex128]) -> float:
    """Magnitude of the normalised product of two patterns, 0 to 1, blind to gain."""
    size = np.linalg.norm(one) * np.linalg.norm(two)
    return float(abs(np.vdot(one, two)) / size) if size > 0 else 0.0
