"""Whether every output reaches the driver that system.toml names: by its sound.

A tweeter in a woofer's place plays no bass, a woofer in a tweeter's place no treble;
two outputs that sound exactly alike reach the same driver.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from roomtune.capture.consistency import SAME_SOUND, agreement
from roomtune.capture.take import Finding, Take
from roomtune.system.model import DriverKind, System

TREBLE_MISSING_DB = -18.0
BASS_MISSING_DB = -20.0
CLEAR_SNR_DB = 12.0


def sounds_like(take: Take, driver: DriverKind) -> str | None:
    """Return "a larger driver" or "a smaller driver" where the sound does not fit the kind.

    Compares the lowest octave of the swept band with the highest: a tweeter that
    loses 18 dB to the top is none; any other driver that has 20 dB less at the
    bottom than at the top is too small (common practice, no source). None when it
    fits, or is too faint to tell.
    """
    ratios = [ratio for _, ratio in take.octave_snr_db]
    if not ratios or np.median(ratios) < CLEAR_SNR_DB:
        return None
    rise_db = _rise_db(take)
    if driver == "tweeter":
        return "a larger driver" if rise_db < TREBLE_MISSING_DB else None
    return "a smaller driver" if rise_db > -BASS_MISSING_DB else None


def _rise_db(take: Take) -> float:
    """Level of the highest octave of the swept band over the lowest, dB."""
    low, high = take.stimulus.valid_band_hz
    spectrum = take.impulse_response.response()
    grid, power = spectrum.frequencies_hz, np.abs(spectrum.values) ** 2
    bottom, top = (
        np.mean(power[(grid >= begin) & (grid <= end)])
        for begin, end in ((low, 2 * low), (high / 2, high))
    )
    return 10 * float(np.log10((top + 1e-30) / (bottom + 1e-30)))


def misplaced(takes: Sequence[Take], system: System) -> tuple[Finding, ...]:
    """Say which outputs reach another kind of driver, and which pairs changed places."""
    odd = {
        take.source: sound
        for take in takes
        if (sound := sounds_like(take, system.output(take.source).driver)) is not None
    }
    findings = []
    for name, partner in _exchanged(odd, system):
        odd.pop(name)
        odd.pop(partner)
        text = (
            f"{name} and {partner} are swapped: the {system.output(name).driver} output plays a "
            f"smaller driver, the {system.output(partner).driver} output a larger one. Change the "
            f"wires or the numbers in system.toml before anything loud is played."
        )
        findings.append(Finding("swapped", "repeat", text))
    for name, sound in odd.items():
        text = (
            f"Output {name} should feed a {system.output(name).driver} but sounds like {sound}. "
            f"Check its wiring and its number before anything loud is played."
        )
        findings.append(Finding("wrong driver", "repeat", text))
    return (*findings, *_doubled(takes))


def _exchanged(odd: dict[str, str], system: System) -> list[tuple[str, str]]:
    """Outputs of one loudspeaker, one of which sounds too small and the other too large."""
    pairs = []
    for name, sound in odd.items():
        for other, other_sound in odd.items():
            same = system.output(name).loudspeaker == system.output(other).loudspeaker
            if same and sound == "a smaller driver" and other_sound == "a larger driver":
                pairs.append((name, other))
    return pairs[:1] if len({name for pair in pairs for name in pair}) < 2 * len(pairs) else pairs


def _doubled(takes: Sequence[Take]) -> list[Finding]:
    """Pairs of outputs whose responses are the same, time included."""
    findings = []
    for place, one in enumerate(takes):
        for two in takes[place + 1 :]:
            same = agreement(one, two)
            if same is not None and same > SAME_SOUND:
                text = (
                    f"{one.source} and {two.source} sound exactly alike (agreement {same:.3f}): "
                    f"both signals reach the same driver. Check the routing and the wiring."
                )
                findings.append(Finding("same driver", "repeat", text))
    return findings
