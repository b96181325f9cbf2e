"""Drivers wired in reverse: found by the direct sound itself and by comparison."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from roomtune.advisor.measured import Measured
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import main_index
from roomtune.processor.tuning import Tuning
from roomtune.system.model import Output, System

SURE, ENOUGH = 0.4, 0.7


@dataclass(frozen=True)
class DriverPolarity:
    """Sign of an output: +1 or -1, how sure, and how many seats agree."""

    output: str
    sign: int
    confidence: float
    agreeing: int
    seats: int


def driver_polarities(system: System, measured: Measured) -> tuple[DriverPolarity, ...]:
    """Polarity of every output, from the main seat; from all seats where that is in doubt."""
    main = main_index(system, measured.seats)
    everywhere = [main, *(seat for seat in range(len(measured.seats)) if seat != main)]
    found = []
    for place in range(len(measured.outputs)):
        first = _judged(measured, place, [main])
        doubtful = first.sign < 0 or first.confidence < ENOUGH
        found.append(_judged(measured, place, everywhere) if doubtful else first)
    return tuple(found)


def _judged(measured: Measured, place: int, seats: list[int]) -> DriverPolarity:
    """Polarity of an output by the votes of some seats, each as strong as it is sure."""
    from roomtune.analysis.polarity import polarity

    low, high = measured.bands_hz[place]
    estimate = polarity(measured.responses[place, seats], (float(low), float(high)))
    votes = np.asarray(estimate.sign) * np.asarray(estimate.confidence)
    balance = float(votes.sum() / max(float(np.abs(votes).sum()), 1e-12))
    sign = 1 if balance >= 0 else -1
    sure = float(np.max(np.abs(votes))) * abs(balance)
    agreeing = int(np.sum(np.asarray(estimate.sign) == sign))
    return DriverPolarity(measured.outputs[place], sign, sure, agreeing, len(seats))


def correct_polarities(
    system: System, measured: Measured, tuning: Tuning
) -> tuple[Tuning, list[Proposal]]:
    """Turn over the outputs that are surely reversed; name the ones in doubt."""
    proposals = []
    outputs = {setting.name: setting for setting in tuning.outputs}
    for found in driver_polarities(system, measured):
        output = system.output(found.output)
        if found.sign > 0:
            continue
        if found.confidence < SURE:
            proposals.append(_doubt(found))
            continue
        outputs[output.name] = replace(outputs[output.name], inverted=True)
        proposals.append(_reversed(output, found))
    settings = tuple(outputs[setting.name] for setting in tuning.outputs)
    return replace(tuning, outputs=settings), proposals


def _reversed(output: Output, found: DriverPolarity) -> Proposal:
    return Proposal(
        step="polarity",
        subject=output.name,
        change="invert the output: the driver is wired in reverse "
        "(better: swap its two wires and measure again)",
        evidence=f"its direct sound begins with negative pressure at {found.agreeing} of "
        f"{found.seats} seats, confidence {found.confidence:.2f}",
        effect="it works with its neighbours instead of against them",
    )


def _doubt(found: DriverPolarity) -> Proposal:
    return Proposal(
        step="polarity",
        subject=found.output,
        change="left as it is",
        evidence=f"its direct sound may be reversed, but the confidence is only "
        f"{found.confidence:.2f}",
        effect="",
        refused=("inverting it on such weak evidence; check the wiring by eye",),
    )


def signs(tuning: Tuning) -> dict[str, bool]:
    """Which outputs a tuning inverts."""
    return {setting.name: setting.inverted for setting in tuning.outputs}
