"""Outputs whose polarity is the opposite of what it was."""

from __future__ import annotations

from roomtune.advisor.measured import Measured

LEAST_CONFIDENCE = 0.7


def reversals(first: Measured, second: Measured) -> dict[str, float]:
    """Outputs with the opposite polarity in the second round, and how sure that is (0 to 1).

    An output counts only when every seat that is sure of it in both rounds agrees,
    and at least half of the common seats are sure.
    """
    from roomtune.analysis.polarity import polarity

    outputs = [name for name in first.outputs if name in second.outputs]
    seats = [name for name in first.seats if name in second.seats]
    found = {}
    for output in outputs:
        turned, sure = [], []
        for seat in seats:
            pair = [
                polarity(
                    measured.responses[measured.outputs.index(output), measured.seats.index(seat)],
                    tuple(measured.bands_hz[measured.outputs.index(output)]),
                )
                for measured in (first, second)
            ]
            confidence = min(float(one.confidence) for one in pair)
            if confidence >= LEAST_CONFIDENCE:
                turned.append(float(pair[0].sign) != float(pair[1].sign))
                sure.append(confidence)
        if len(sure) >= len(seats) / 2 and turned and all(turned):
            found[output] = min(sure)
    return found
