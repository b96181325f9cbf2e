"""Crossovers that the system needs or the user pins, held against the drivers' safe bands."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from roomtune.system.draft import Check, Draft, band_is_sound, quoted
from roomtune.system.faults import Fault
from roomtune.system.model import Output

Place = tuple[int, Output]


def ways(draft: Draft, loudspeaker: str) -> list[list[Place]]:
    """Outputs of a loudspeaker by kind of driver, lowest band first; empty if one is unsound."""
    kinds: dict[str, list[Place]] = {}
    for place, output in enumerate(draft.outputs):
        if output.loudspeaker != loudspeaker:
            continue
        if output.driver is None or not band_is_sound(output.safe_band_hz):
            return []
        kinds.setdefault(output.driver, []).append((place, output))
    return sorted(kinds.values(), key=_centre)


def _centre(way: list[Place]) -> float:
    """Centre of the safe band, on a logarithmic scale (squared)."""
    low, high = way[0][1].safe_band_hz
    return low * high


def _needed(draft: Draft) -> Iterator[Fault]:
    """Loudspeakers of several ways need a crossover that the processor has and that is safe."""
    for name in dict.fromkeys(s.name for s in draft.loudspeakers if s.name is not None):
        found = ways(draft, name)
        offered = {
            family: orders
            for family, orders in (draft.processor.crossovers or {}).items()
            if family not in (draft.wishes.forbid or ())
        }
        given = draft.processor.crossovers is not None
        ruled_out = " but those under [wishes] forbid" if draft.wishes.forbid else ""
        if len(found) > 1 and given and not any(offered.values()):
            yield Fault(
                ("processor", "crossovers"),
                f"none are offered{ruled_out}, but {quoted(name)} has {len(found)} kinds of "
                "driver; say which families and orders the processor has",
            )
        for lower, upper in pairwise(found):
            top_hz = min(output.safe_band_hz[1] for _, output in lower)
            bottom_hz = max(output.safe_band_hz[0] for _, output in upper)
            if bottom_hz > top_hz:
                yield Fault(
                    ("outputs", upper[0][0], "safe_band_hz"),
                    f"begins at {bottom_hz:g} Hz, but that of {quoted(lower[0][1].name)} ends at "
                    f"{top_hz:g} Hz: no crossover is safe for both; widen the one that can bear it",
                )


def _pinned(draft: Draft) -> Iterator[Fault]:
    """The right number of pinned frequencies, each within both neighbours' safe bands."""
    for name, values in (draft.wishes.crossovers_hz or {}).items():
        found = ways(draft, name)
        path = ("wishes", "crossovers_hz", name)
        if found and len(values) != len(found) - 1:
            yield Fault(
                path,
                f"got {len(values)} frequencies, expected {len(found) - 1}: "
                f"one between each two kinds of driver ({len(found)} here)",
            )
            continue
        for number, (value, (lower, upper)) in enumerate(
            zip(values, pairwise(found), strict=False)
        ):
            for _, output in (*lower, *upper):
                low, high = output.safe_band_hz
                if value >= 8 and not low <= value <= high:
                    yield Fault(
                        (*path, number),
                        f"{value:g} Hz lies outside the safe band of {quoted(output.name)}, "
                        f"{low:g} to {high:g} Hz",
                    )


CROSSOVER_CHECKS: tuple[Check, ...] = (_needed, _pinned)
