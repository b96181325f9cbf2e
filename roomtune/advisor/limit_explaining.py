"""What is told about limits, headroom and loudness."""

from __future__ import annotations

from itertools import groupby

import numpy as np

from roomtune.advisor.driver_limits import STROKE, DriverLimit
from roomtune.advisor.limits import Headroom, driver_limits, headrooms
from roomtune.advisor.maximum_level import MaximumLevel
from roomtune.advisor.proposal import Proposal
from roomtune.processor.tuning import OutputSetting, Tuning
from roomtune.system.model import Output, System

WEAK_DB = 20.0


def limit_proposals(system: System, tuning: Tuning) -> list[Proposal]:
    """What each output must bear, and what guards it; then what that asks of the input."""
    limits, found = driver_limits(system, tuning), headrooms(tuning)
    told = [
        _limit_proposal(
            system.output(item.output), tuning.output(item.output), limits[item.output], item
        )
        for item in found
    ]
    ceilings = [ceiling_dbfs(tuning.output(i.output), limits[i.output]) for i in found]
    return [*told, _trim_proposal(found, ceilings, system.processor.limiters)]


def ceiling_dbfs(setting: OutputSetting, limit: DriverLimit) -> float:
    """The peak that an output never exceeds: its limiter's threshold, else its own limit."""
    return setting.limiter.threshold_dbfs if setting.limiter else limit.peak_dbfs


def _limit_proposal(
    output: Output, setting: OutputSetting, limit: DriverLimit, item: Headroom
) -> Proposal:
    ceiling = ceiling_dbfs(setting, limit)
    margin = ceiling - item.worst_dbfs
    if setting.limiter:
        guard = (
            f"limiter at {ceiling:.1f} dBFS, attack {setting.limiter.attack_ms:g} ms, "
            f"release {setting.limiter.release_ms:g} ms"
        )
    else:
        guard = f"gain {setting.gain_db:.1f} dB keeps it below {ceiling:.1f} dBFS"
    least = limit.least(output.safe_band_hz)
    first = min(least, key=lambda cause: least[cause][0])
    effect = f"never more than its {first} allows"
    effect += "" if margin >= 0 else "; the limiter works in the loudest passages only"
    unknown = (f"limits by excursion and heat: {', '.join(limit.unknown)} not known",)
    return Proposal(
        step="limits",
        subject=item.output,
        change=guard,
        evidence=f"one channel at full scale reaches {item.sine_dbfs:.1f} dBFS, unrelated "
        f"programmes in all {item.typical_dbfs:.1f} dBFS at their peaks, "
        f"{item.worst_dbfs:.1f} dBFS at the very worst; a sine may reach "
        + ", ".join(f"{_allowed(cause, *least[cause])} by {cause}" for cause in least),
        effect=effect,
        effect_db=round(margin, 1),
        uncertainty_db=0.0,
        refused=unknown if limit.unknown else (),
    )


def _allowed(cause: str, level_dbfs: float, frequency_hz: float) -> str:
    """A level that a cause allows where it allows least; beyond full scale it never limits."""
    if level_dbfs > -0.05:
        return "full scale"
    return f"{level_dbfs:.1f} dBFS" + (f" at {frequency_hz:.0f} Hz" if cause == STROKE else "")


def _trim_proposal(found: tuple[Headroom, ...], ceilings: list[float], limiters: bool) -> Proposal:
    """By how much the input would have to be turned down for no limiter ever to work."""
    typical = [item.typical_dbfs - c for item, c in zip(found, ceilings, strict=True)]
    worst = [item.worst_dbfs - c for item, c in zip(found, ceilings, strict=True)]
    first, last = int(np.argmax(typical)), int(np.argmax(worst))
    if worst[last] <= 0:
        change, effect = "no input trim is needed", "even the very worst stays within every limit"
    elif typical[first] <= 0:
        change = "no input trim is needed for programmes"
        effect = "limiters work only where channels peak together"
    else:
        change = f"turn the input down by {typical[first]:.1f} dB if limiters are to rest"
        effect = f"else that of {found[first].output} works first when all channels play fully"
    return Proposal(
        step="headroom",
        subject="whole system",
        change=change,
        evidence=f"{found[first].output} would go {_beyond(typical[first])} its limit with "
        f"unrelated programmes in all channels at full scale; {found[last].output} "
        f"{_beyond(worst[last])} it at the very worst"
        + ("" if limiters else "; there are no limiters, so the outputs' gains make this room"),
        effect=effect,
        effect_db=round(-typical[first], 1),
        uncertainty_db=0.0,
        figures={
            "output": tuple(item.output for item in found),
            "limit_dbfs": tuple(round(c, 2) for c in ceilings),
            "sine_dbfs": tuple(round(item.sine_dbfs, 2) for item in found),
            "typical_dbfs": tuple(round(item.typical_dbfs, 2) for item in found),
            "worst_dbfs": tuple(round(item.worst_dbfs, 2) for item in found),
        },
    )


def _beyond(over_db: float) -> str:
    return f"{over_db:.1f} dB beyond" if over_db > 0 else f"as far as {-over_db:.1f} dB below"


def loudness_proposals(found: tuple[MaximumLevel, ...]) -> list[Proposal]:
    """How loud every channel gets at the main seat, with the whole table in the figures."""
    proposals = []
    for item in found:
        level, hz = np.array(item.level_db), np.array(item.frequencies_hz)
        unit = "dB SPL" if item.calibrated else "dB re full scale, the takes are not calibrated"
        shown = [
            int(np.argmin(np.abs(np.log(hz / f)))) for f in (31.5, 63.0, 250.0, 1000.0, 4000.0)
        ]
        bass = [f"{level[row]:.0f} at {hz[row]:.0f} Hz" for row in dict.fromkeys(shown)]
        inner = (hz > 35) & (hz < 12e3) & (level > level.max() - WEAK_DB)
        least = int(np.argmin(np.where(inner, level, np.inf)))
        proposals.append(
            Proposal(
                step="maximum level",
                subject=item.channel,
                change=f"up to {', '.join(bass)} ({unit}, sine at the main seat)",
                evidence="what the outputs may get, through the tuning and the measured "
                f"responses; it ends {_ends(item)}",
                effect=f"least where it plays, 40 Hz to 12 kHz: {level[least]:.0f} dB at "
                f"{hz[least]:.0f} Hz, limited by {item.limited_by[least]}",
                uncertainty_db=item.uncertainty_db,
                figures={
                    "frequency_hz": tuple(float(f) for f in hz),
                    "maximum_level_db": item.level_db,
                    "limited_by": item.limited_by,
                },
            )
        )
    return proposals


def _ends(item: MaximumLevel) -> str:
    """What limits a channel from where to where, in words."""
    rows = zip(item.limited_by, item.frequencies_hz, strict=True)
    runs = [(cause, [hz for _, hz in run]) for cause, run in groupby(rows, key=lambda row: row[0])]
    return "; ".join(
        f"at {run[0]:.0f} Hz by {cause}"
        if len(run) == 1
        else f"from {run[0]:.0f} to {run[-1]:.0f} Hz by {cause}"
        for cause, run in runs
    )
