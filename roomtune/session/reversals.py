"""Outputs whose polarity is the opposite of what it was."""

from __future__ import annotations

import numpy as np

from roomtune.session.changes import Differences


def reversals(found: Differences) -> dict[str, float]:
    """Outputs with the opposite polarity in the second round, and how sure that is (0 to 1).

    An output counts only when every seat that tells agrees, and at least half
    of the common seats tell.
    """
    reversed_: dict[str, float] = {}
    for name, polarity, sure in zip(
        found.outputs, found.polarity, found.polarity_sure, strict=True
    ):
        tells = polarity != 0
        if 2 * np.count_nonzero(tells) >= len(polarity) and np.all(polarity[tells] < 0):
            reversed_[name] = float(np.min(sure[tells]))
    return reversed_
