"""Drivers wired in reverse: found by the direct sound itself and by comparison."""

from __future__ import annotations

from dataclasses import dataclass, replace

from roomtune.advisor.measured import Measured
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import main_index
from roomtune.advisor.sounds import DirectSoundTable, direct_sound_of
from roomtune.processor.tuning import Tuning
from roomtune.system.model import Output, System

SURE, ENOUGH = 0.5, 0.7


@dataclass(frozen=True)
class DriverPolarity:
    """Sign of an output: +1 or -1, its confidence (0 to 1), and how many seats agree."""

    output: str
    sign: int
    confidence: float
    agreeing: int
    seats: int


def driver_polarities(
    system: System, measured: Measured, table: DirectSoundTable
) -> tuple[DriverPolarity, ...]:
    """Polarity of every output: from the main seat, from all seats when negative or in doubt."""
    main = main_index(system, measured.seats)
    others = [seat for seat in range(len(measured.seats)) if seat != main]
    found = []
    for place, name in enumerate(measured.outputs):
        votes = [int(table.sign[place]) * float(table.confidence[place])]
        if votes[0] < ENOUGH:
            for seat in others:
                _, sign, confidence = direct_sound_of(measured, place, seat)
                votes.append(sign * confidence)
        found.append(_counted(name, votes))
    return tuple(found)


def _counted(output: str, votes: list[float]) -> DriverPolarity:
    """The sign that most confidence speaks for; doubtful when the seats disagree."""
    total = sum(abs(vote) for vote in votes)
    balance = sum(votes) / total if total else 0.0
    sign = 1 if balance >= 0 else -1
    sure = max(abs(vote) for vote in votes) * abs(balance)
    agreeing = sum(1 for vote in votes if vote * sign > 0)
    return DriverPolarity(output, sign, sure, agreeing, len(votes))


def correct_polarities(
    system: System, measured: Measured, tuning: Tuning, table: DirectSoundTable
) -> tuple[Tuning, list[Proposal]]:
    """Turn over the outputs that are surely reversed; name the ones in doubt."""
    proposals = []
    outputs = {setting.name: setting for setting in tuning.outputs}
    for found in driver_polarities(system, measured, table):
        output = system.output(found.output)
        if found.sign > 0:
            continue
        if found.confidence < SURE:
            # A subwoofer's polarity is chosen by how it adds up, whatever its wiring.
            summed = output.driver == "subwoofer"
            proposals.append(_doubt(found, "set by how it sums" if summed else "left as it is"))
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


def _doubt(found: DriverPolarity, change: str) -> Proposal:
    return Proposal(
        step="polarity",
        subject=found.output,
        change=change,
        evidence=f"its direct sound may be reversed, but the confidence is only "
        f"{found.confidence:.2f}",
        effect="",
        refused=("inverting it on such weak evidence; check the wiring by eye",),
    )


def signs(tuning: Tuning) -> dict[str, bool]:
    """Which outputs a tuning inverts."""
    return {setting.name: setting.inverted for setting in tuning.outputs}
