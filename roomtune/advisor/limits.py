"""Headroom: what reaches each output at worst, and what keeps it within its limits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.proposal import Proposal
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Limiter, Tuning
from roomtune.system.model import Output, System

Array = NDArray[np.float64]
BLOCK = 1 << 15


@dataclass(frozen=True)
class Headroom:
    """Peak levels of an output, dB re digital full scale.

    sine_dbfs: the loudest single channel at full scale, any sine;
    worst_dbfs: all channels at full scale in the worst possible signals;
    typical_dbfs: all channels at full scale with unrelated pink signals.
    """

    output: str
    sine_dbfs: float
    worst_dbfs: float
    typical_dbfs: float


def headrooms(tuning: Tuning) -> tuple[Headroom, ...]:
    """Peaks through the whole matrix.

    The worst case is the sum of the channels' impulse-response magnitudes,
    which bounds the peak of any input that stays within full scale.
    """
    import scipy.fft

    frequencies = np.arange(BLOCK // 2 + 1) * tuning.sample_rate_hz / BLOCK
    response = tuning_response(without_delays(tuning), frequencies)
    audible = (frequencies >= 10) & (frequencies <= 20e3)
    magnitude = np.abs(response[..., audible])
    pink = 1 / frequencies[audible]
    found = []
    for place, setting in enumerate(tuning.outputs):
        played = np.flatnonzero(np.any(response[:, place] != 0, axis=-1))
        samples = scipy.fft.irfft(response[played, place], BLOCK)
        worst = float(np.abs(samples).sum())
        sine = float(magnitude[played, place].max(initial=0.0))
        power = np.sum(magnitude[played, place] ** 2 * pink, axis=-1) / pink.sum()
        found.append(
            Headroom(setting.name, _db(sine), _db(worst), _db(np.sqrt(float(power.sum()))))
        )
    return tuple(found)


def without_delays(tuning: Tuning) -> Tuning:
    """The tuning without delays, which change no peak of a single channel."""
    return replace(
        tuning,
        routes=tuple(replace(r, delay_ms=0.0) for r in tuning.routes),
        outputs=tuple(replace(o, delay_ms=0.0) for o in tuning.outputs),
    )


def within_headroom(system: System, tuning: Tuning) -> Tuning:
    """Shift all outputs together so that no single channel at full scale clips one.

    Without limiters the worst case of all channels together stays below every
    output's level limit instead.
    """
    found = headrooms(tuning)
    if system.processor.limiters:
        over = max(item.sine_dbfs for item in found)
    else:
        over = max(h.worst_dbfs - system.output(h.output).maximum_level_dbfs for h in found)
    step = system.processor.gain_db.step or 0.1
    over = float(np.ceil(over / step - 1e-9) * step)
    room = min(system.processor.gain_db.maximum - o.gain_db for o in tuning.outputs)
    shift = min(-over, room)
    outputs = tuple(replace(o, gain_db=o.gain_db + shift) for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def peak_limiter(output: Output) -> Limiter:
    """A limiter at the output's stated level that lets no peak pass (no attack time)."""
    return Limiter(output.maximum_level_dbfs, attack_ms=0.0)


def limited(system: System, tuning: Tuning) -> Tuning:
    """The tuning with a limiter at every output's stated level, where there are limiters."""
    if not system.processor.limiters:
        return tuning
    outputs = tuple(replace(o, limiter=peak_limiter(system.output(o.name))) for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def limit_proposals(system: System, tuning: Tuning) -> list[Proposal]:
    """What each output must bear, and what guards it."""
    proposals = []
    for item in headrooms(tuning):
        output = system.output(item.output)
        setting = tuning.output(item.output)
        margin = output.maximum_level_dbfs - item.worst_dbfs
        guard = (
            f"limiter at {output.maximum_level_dbfs:g} dBFS"
            if setting.limiter
            else f"gain {setting.gain_db:.1f} dB keeps it below {output.maximum_level_dbfs:g} dBFS"
        )
        proposals.append(
            Proposal(
                step="limits",
                subject=item.output,
                change=guard,
                evidence=f"one channel at full scale reaches {item.sine_dbfs:.1f} dBFS, all "
                f"together {item.typical_dbfs:.1f} dBFS rms with unrelated pink signals and "
                f"{item.worst_dbfs:.1f} dBFS at the very worst",
                effect="the driver never gets more than its stated limit"
                + ("" if margin >= 0 else "; the limiter works in the loudest passages only"),
                effect_db=round(margin, 1),
            )
        )
    return proposals


def _db(value: float) -> float:
    return float(20 * np.log10(max(value, 1e-9)))
