"""What could harm a driver or an ear, and where noise is likely.

Hearing: NIOSH 98-126 (85 dB(A) for 8 hours, half the time for every 3 dB more).
Hiss: electronics with 105 dB of range behind the processor's gain make a
full-scale sine's level less 105 dB, heard in a quiet room from about 10 dB at
1 m on (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from roomtune.advisor.driver_limits import SENSITIVITY_V, DriverLimit
from roomtune.advisor.limits import Headroom, driver_limits, headrooms
from roomtune.advisor.maximum_level import MaximumLevel
from roomtune.advisor.proposal import Proposal
from roomtune.processor.tuning import OutputSetting, Tuning
from roomtune.system.model import Output, System

UNUSED_DB, LIFTED_DB = 15.0, 6.0
ELECTRONICS_DB, HEARD_DB = 105.0, 10.0
LOUD_DB, EXPOSURE_DB, EXPOSURE_MINUTES = 100.0, 85.0, 480.0


def caution_proposals(
    system: System, tuning: Tuning, loudest: tuple[MaximumLevel, ...]
) -> list[Proposal]:
    """Every caution that a tuning calls for."""
    limits = driver_limits(system, tuning)
    found = [*_unused(tuning), *_lifted(tuning)]
    for setting in tuning.outputs:
        output = system.output(setting.name)
        found += _knob_at_end(system, setting) + _hiss(output) + _short_peaks(setting)
        found += _heat(setting, limits[setting.name]) + _tweeter(output, setting)
    return found + _hearing(loudest)


def _unused(tuning: Tuning) -> list[Proposal]:
    """Outputs that never come near full scale: the amplifier's gain behind them is too high."""
    rest: list[Headroom] = [h for h in headrooms(tuning) if -120 < h.sine_dbfs < -UNUSED_DB]
    if not rest:
        return []
    each = "; ".join(f"{item.output} by {-item.sine_dbfs:.0f} dB" for item in rest)
    return [
        _caution(
            ", ".join(item.output for item in rest),
            f"turn the amplifier's own gains down, if it can, and measure again: {each}",
            "no channel brings these outputs nearer to full scale; the gain behind the processor "
            "lifts its hiss and hum by as much for nothing",
        )
    ]


def _lifted(tuning: Tuning) -> list[Proposal]:
    """Ways on which the gains alone lift the source, and its noise with it."""
    found = []
    for setting in tuning.outputs:
        ways = [
            tuning.channel(route.channel).gain_db + route.gain_db + setting.gain_db
            for route in tuning.routes
            if route.output == setting.name
        ]
        if ways and max(ways) > LIFTED_DB:
            found.append(
                _caution(
                    setting.name,
                    f"the gains on its way add up to {max(ways):+.1f} dB and lift the noise of "
                    "the source alike",
                    f"more than {LIFTED_DB:g} dB makes hiss likely; give the amplifier more gain",
                )
            )
    return found


def _knob_at_end(system: System, setting: OutputSetting) -> list[Proposal]:
    found, most = [], system.processor.gain_db.maximum
    if setting.gain_db >= most - 1e-6:
        found.append(
            _caution(
                setting.name,
                "turn the amplifier's own gain for it up, if it can, and measure again",
                f"its gain stands at {most:+g} dB, the end of the processor's range, so the whole "
                "system plays no louder than it allows",
            )
        )
    longest = system.processor.delay_ms.maximum
    if setting.delay_ms >= longest - 1e-6:
        found.append(
            _caution(
                setting.name,
                "move it away from the seats, if it can be, or the last to arrive nearer",
                f"its delay stands at {longest:g} ms, the end of the processor's range: it may "
                "still arrive before the others",
            )
        )
    return found


def _hiss(output: Output) -> list[Proposal]:
    """A sensitive driver behind a strong amplifier: its noise is heard at rest."""
    volts, level = output.full_scale_v, output.data.sensitivity_db
    if volts is None or level is None or output.driver in ("subwoofer", "woofer"):
        return []
    hiss_db = level + 20 * float(np.log10(volts / SENSITIVITY_V)) - ELECTRONICS_DB
    if hiss_db <= HEARD_DB:
        return []
    return [
        _caution(
            output.name,
            "listen for hiss at rest; less gain behind the processor lowers it",
            f"electronics with {ELECTRONICS_DB:g} dB of range would make about {hiss_db:.0f} dB "
            "at 1 m, whatever the tuning (common practice, no source)",
        )
    ]


def _short_peaks(setting: OutputSetting) -> list[Proposal]:
    if setting.limiter is None or setting.limiter.attack_ms <= 0:
        return []
    return [
        _caution(
            setting.name,
            f"peaks shorter than about {setting.limiter.attack_ms:g} ms pass its limiter",
            "the processor's limiters take that long to act",
        )
    ]


def _heat(setting: OutputSetting, limit: DriverLimit) -> list[Proposal]:
    """A steady tone at the limiter's threshold that is more than the coil's rated power."""
    if setting.limiter is None or limit.thermal_dbfs is None:
        return []
    excess = setting.limiter.threshold_dbfs - limit.thermal_dbfs
    if excess <= 0.05:
        return []
    return [
        _caution(
            setting.name,
            "play no long test tones at full level",
            f"a steady tone at the limiter's threshold is {excess:.1f} dB more than its rated "
            "power; programme with peaks 6 dB over its rms stays within it",
        )
    ]


def _tweeter(output: Output, setting: OutputSetting) -> list[Proposal]:
    """A tweeter whose high pass lies near its resonance."""
    resonance = output.data.resonance_hz
    passes = [f.frequency_hz for f in setting.filters if f.type == "high pass"]
    if output.driver != "tweeter" or resonance is None or not passes or passes[0] is None:
        return []
    if passes[0] >= 2 * resonance:
        return []
    return [
        _caution(
            setting.name,
            "keep the level moderate, or pin a higher crossover",
            f"its high pass at {passes[0]:.0f} Hz is less than an octave above its resonance of "
            f"{resonance:.0f} Hz, where it moves most (common practice, no source)",
        )
    ]


def _hearing(loudest: tuple[MaximumLevel, ...]) -> list[Proposal]:
    """How long the loudest that the system can do is safe for an ear at the main seat."""
    levels = [max(item.level_db) for item in loudest if item.calibrated]
    if not levels:
        return []
    one = max(levels)
    together = 10 * float(np.log10(sum(10 ** (level / 10) for level in levels)))
    if together <= LOUD_DB:
        return []
    minutes = EXPOSURE_MINUTES / 2 ** ((together - EXPOSURE_DB) / 3)
    told = f"{minutes:.0f} minutes" if minutes >= 2 else f"{60 * minutes:.0f} seconds"
    return [
        _caution(
            "listeners",
            f"one channel alone can reach {one:.0f} dB at the main seat, all together about "
            f"{together:.0f} dB",
            f"at that level hearing is safe for {told} a day (NIOSH 98-126: "
            "85 dB(A) for 8 hours, half the time for every 3 dB more)",
        )
    ]


def _caution(subject: str, change: str, evidence: str) -> Proposal:
    return Proposal(step="caution", subject=subject, change=change, evidence=evidence, effect="")
