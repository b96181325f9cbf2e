"""What a crossover asks of its two drivers beyond summing well.

Beaming: a round piston of radius a is 2 J1(x) / x down at an angle, x = k a sin(angle)
(the piston in a baffle, L. L. Beranek, "Acoustics", 1954); what the lower driver has
lost 45 degrees off at the crossover, more than it has at k a = 2, is a step in directivity
to the upper one. Power: a pink programme at full scale with peaks 12 dB over its mean
brings the upper driver its share of the octaves from 20 Hz to 20 kHz; and a sine of full
scale at the crossover, 6 dB down there, its stroke. Of heat and stroke a tenth of what is
too much counts against a crossover; beaming is told alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomtune.advisor.driver_limits import stroke_limit_dbfs, thermal_limit_dbfs
from roomtune.analysis.driver_data import SPEED_M_S
from roomtune.system.model import Output

WEIGHT = 0.1
BEAM_ANGLE, BEAM_KA, DEEPEST_DB = np.pi / 4, 2.0, 12.0
FIRST_ZERO = 3.8317  # of J1
PROGRAMME_HZ, CREST_DB, SINE_CREST_DB, AT_CROSSOVER_DB = (20.0, 20e3), 12.0, 3.0103, -6.02


@dataclass(frozen=True)
class Burden:
    """Too much at a crossover, dB: beaming of the lower driver, heat and stroke of the upper.

    0: nothing, or data that would tell are missing.
    """

    beaming_db: float = 0.0
    heat_db: float = 0.0
    stroke_db: float = 0.0

    @property
    def cost_db(self) -> float:
        """What it counts against a crossover."""
        return WEIGHT * (self.beaming_db + self.heat_db + self.stroke_db)

    def __str__(self) -> str:
        parts = (
            (
                self.beaming_db,
                "the lower driver beams: {:.1f} dB more lost 45 degrees off axis than at ka = 2",
            ),
            (self.heat_db, "{:.1f} dB too much heat in the upper driver"),
            (self.stroke_db, "{:.1f} dB too much stroke in the upper driver"),
        )
        return ", ".join(text.format(value) for value, text in parts if value > 0.05)


NO_BURDEN = Burden()


def burden(lower: Output, upper: Output, frequency_hz: float, gain_db: float) -> Burden:
    """The burden of two drivers that cross over there, the upper one's gain against the lower's."""
    at_full_scale_db = min(gain_db, 0.0)
    heat, stroke = thermal_limit_dbfs(upper), stroke_limit_dbfs(upper, np.array([frequency_hz]))
    programme_db = at_full_scale_db + programme_dbfs(frequency_hz)
    tone_db = at_full_scale_db + AT_CROSSOVER_DB
    return Burden(
        0.0 if lower.driver == "subwoofer" else beaming_db(lower, frequency_hz),
        0.0 if heat is None else max(programme_db - heat, 0.0),
        0.0 if stroke is None else max(tone_db - float(stroke[0]), 0.0),
    )


def programme_dbfs(frequency_hz: float) -> float:
    """Level of a full-scale pink programme above a frequency, dB re a full-scale sine."""
    low, high = PROGRAMME_HZ
    share = np.log(high / frequency_hz) / np.log(high / low)
    return float(SINE_CREST_DB - CREST_DB + 10 * np.log10(np.clip(share, 1e-9, 1.0)))


def beaming_db(lower: Output, frequency_hz: float) -> float:
    """How much more a driver has lost 45 degrees off than at k a = 2; 0 without its area."""
    area_cm2 = lower.data.piston_area_cm2
    if area_cm2 is None:
        return 0.0
    ka = 2 * np.pi * frequency_hz / SPEED_M_S * np.sqrt(area_cm2 * 1e-4 / np.pi)
    return max(off_axis_loss_db(ka) - off_axis_loss_db(BEAM_KA), 0.0)


def off_axis_loss_db(ka: float) -> float:
    """Loss of a piston 45 degrees off its axis, no more than 12 dB, and never less again above.

    `ka` is wave number times radius, a pure number; the formula stands in the module.
    """
    from scipy.special import j1

    x = ka * np.sin(BEAM_ANGLE)
    if x >= FIRST_ZERO:
        return DEEPEST_DB
    return float(min(-20 * np.log10(2 * j1(x) / x), DEEPEST_DB)) if x > 0 else 0.0
