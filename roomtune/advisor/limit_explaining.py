"""What is told about limits, headroom and loudness, and what to be careful with."""

from __future__ import annotations

import numpy as np

from roomtune.advisor.driver_limits import DriverLimit
from roomtune.advisor.limits import Headroom, driver_limits, headrooms
from roomtune.advisor.maximum_level import MaximumLevel
from roomtune.advisor.proposal import Proposal
from roomtune.processor.tuning import OutputSetting, Tuning
from roomtune.system.model import Output, System

QUIET_GAIN_DB, LOUD_GAIN_DB = -15.0, 6.0
WEAK_DB = 20.0
LOUD_DB, EXPOSURE_DB, EXPOSURE_MINUTES = 100.0, 85.0, 480.0


def limit_proposals(system: System, tuning: Tuning) -> list[Proposal]:
    """What each output must bear, and what guards it."""
    limits = driver_limits(system, tuning)
    return [
        _limit_proposal(tuning.output(item.output), limits[item.output], item)
        for item in headrooms(tuning)
    ]


def _limit_proposal(setting: OutputSetting, limit: DriverLimit, item: Headroom) -> Proposal:
    ceiling = setting.limiter.threshold_dbfs if setting.limiter else limit.peak_dbfs
    margin = ceiling - item.worst_dbfs
    if setting.limiter:
        guard = (
            f"limiter at {ceiling:.1f} dBFS, attack {setting.limiter.attack_ms:g} ms, "
            f"release {setting.limiter.release_ms:g} ms"
        )
    else:
        guard = f"gain {setting.gain_db:.1f} dB keeps it below {ceiling:.1f} dBFS"
    causes = [limit.causes[int(np.argmin(limit.level_dbfs))]]
    effect = f"never more than its {' and '.join(causes)} allows"
    effect += "" if margin >= 0 else "; the limiter works in the loudest passages only"
    unknown = (f"limits by excursion and heat: {', '.join(limit.unknown)} not known",)
    return Proposal(
        step="limits",
        subject=item.output,
        change=guard,
        evidence=f"one channel at full scale reaches {item.sine_dbfs:.1f} dBFS, unrelated "
        f"programmes in all {item.typical_dbfs:.1f} dBFS at their peaks, "
        f"{item.worst_dbfs:.1f} dBFS at the very worst",
        effect=effect,
        effect_db=round(margin, 1),
        refused=unknown if limit.unknown else (),
    )


def loudness_proposals(found: tuple[MaximumLevel, ...]) -> list[Proposal]:
    """How loud every channel gets at the main seat, with the whole table in the figures."""
    proposals = []
    for item in found:
        level, hz = np.array(item.level_db), np.array(item.frequencies_hz)
        unit = "dB" if item.calibrated else "dB re full scale (the takes are not calibrated)"
        shown = [int(np.argmin(np.abs(np.log(hz / f)))) for f in (31.5, 63.0, 1000.0)]
        bass = [f"{level[row]:.0f} at {hz[row]:.0f} Hz" for row in dict.fromkeys(shown)]
        inner = (hz > 35) & (hz < 12e3) & (level > level.max() - WEAK_DB)
        least = int(np.argmin(np.where(inner, level, np.inf)))
        proposals.append(
            Proposal(
                step="maximum level",
                subject=item.channel,
                change=f"up to {', '.join(bass)} ({unit}, sine at the main seat)",
                evidence="what the outputs may get, through the tuning and the measured responses",
                effect=f"least where it plays, 40 Hz to 12 kHz: {level[least]:.0f} dB at "
                f"{hz[least]:.0f} Hz, limited by {item.limited_by[least]}",
                figures={
                    "frequency_hz": tuple(float(f) for f in hz),
                    "maximum_level_db": item.level_db,
                    "limited_by": item.limited_by,
                },
            )
        )
    return proposals


def caution_proposals(
    system: System, tuning: Tuning, loudest: tuple[MaximumLevel, ...]
) -> list[Proposal]:
    """What could harm a driver or an ear, and where noise is likely."""
    limits = driver_limits(system, tuning)
    found = [item for o in tuning.outputs for item in _cautions(system, o, limits[o.name])]
    levels = [max(item.level_db) for item in loudest if item.calibrated]
    if levels and max(levels) > LOUD_DB:
        minutes = EXPOSURE_MINUTES / 2 ** ((max(levels) - EXPOSURE_DB) / 3)
        found.append(
            _caution(
                "listeners",
                f"one channel alone can reach {max(levels):.0f} dB at the main seat",
                f"at that level hearing is safe for {minutes:.1f} minutes a day (NIOSH 98-126: "
                "85 dB(A) for 8 hours, half the time for every 3 dB more)",
            )
        )
    return found


def _cautions(system: System, setting: OutputSetting, limit: DriverLimit) -> list[Proposal]:
    output = system.output(setting.name)
    found = []
    if setting.gain_db < QUIET_GAIN_DB:
        found.append(
            _caution(
                setting.name,
                f"turn the amplifier's own gain for it down by {-setting.gain_db:.0f} dB if it can",
                f"{setting.gain_db:.1f} dB in the processor leave the amplifier's hiss as loud as "
                "it is; less gain behind the processor lowers both",
            )
        )
    if setting.gain_db > LOUD_GAIN_DB:
        found.append(
            _caution(
                setting.name,
                f"its gain of {setting.gain_db:+.1f} dB lifts the noise of the source alike",
                f"gains above {LOUD_GAIN_DB:g} dB make hiss likely; give the amplifier more gain",
            )
        )
    if setting.limiter and setting.limiter.attack_ms > 0:
        found.append(
            _caution(
                setting.name,
                f"peaks shorter than about {setting.limiter.attack_ms:g} ms pass its limiter",
                "the processor's limiters take that long to act",
            )
        )
    found += _heat(setting, limit) + _tweeter(output, setting)
    return found


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


def _caution(subject: str, change: str, evidence: str) -> Proposal:
    return Proposal(step="caution", subject=subject, change=change, evidence=evidence, effect="")
