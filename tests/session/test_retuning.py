"""What a retuning says: the way to take, and why a smaller one will not do."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from roomtune.session.entries import Entry
from roomtune.session.retuning import Retune, Retuning, missed

WANTED = (0.46, 0.05, 0.02, 0.41)
NOTHING = ("nothing", 0, (1.01, 2.15, 1.25, 2.11))
DELAYS = ("delays", 9, (0.98, 2.14, 0.012, 2.11))
BOTH = ("levels and delays", 24, (0.94, 0.06, 0.012, 2.79))
FILTERS = ("levels, delays and 46 filters", 148, (0.47, 0.04, 0.011, 0.76))


def figures(values):
    names = ("deviation_db", "level_spread_db", "arrival_spread_ms", "left_right_mismatch_db")
    return SimpleNamespace(**dict(zip(names, values, strict=True)))


def retuning(*ways, chosen) -> Retuning:
    tried = []
    for name, count, values in ways:
        typed = tuple(Entry("Output 1: a", f"filter {i} gain", "0", "1") for i in range(count))
        found = figures(values)
        restores = not missed(found, figures(WANTED))
        tried.append(Retune(name, None, typed, found, restores))  # type: ignore[arg-type]
    return Retuning(figures(WANTED), tried[0].scores, tuple(tried), tried[chosen])  # type: ignore[arg-type]


def test_filters_are_asked_for_only_with_what_less_would_leave():
    told = retuning(NOTHING, DELAYS, BOTH, FILTERS, chosen=3).summary
    assert told.startswith("Change levels, delays and 46 filters: 148 values to type")
    assert "Changing levels and delays alone (24 values, way 3) would leave" in told
    assert "the deviation from the target 0.94 dB (it was 0.46)" in told
    assert "the left/right difference 2.79 dB (it was 0.41)" in told


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ((0.47, 0.05, 0.02, 0.41), "24 values to type, and it sounds as before."),
        ((0.60, 0.05, 0.02, 0.41), "It leaves the deviation from the target 0.60 dB"),
    ],
)
def test_a_way_without_filters_says_nothing_of_filters(values, sentence):
    told = retuning(NOTHING, ("levels and delays", 24, values), chosen=1).summary
    assert sentence in told
    assert "alone" not in told


def test_where_nothing_is_needed_nothing_is_typed():
    found = retuning(("nothing", 0, WANTED), chosen=0)
    assert not found.needed
    assert found.summary.startswith("Nothing has to be typed")


@pytest.mark.parametrize(
    ("values", "keys"),
    [
        # What nobody hears counts as reached: see FLOORS; else 10 %.
        ((0.506, 0.29, 0.09, 0.99), ()),
        ((0.507, 0.05, 0.02, 0.41), ("deviation_db",)),
        ((0.46, 0.31, 0.11, 1.01), ("level_spread_db", "arrival_spread_ms",
                                    "left_right_mismatch_db")),
    ],
)  # fmt: skip
def test_within_ten_percent_or_below_hearing_is_restored(values, keys):
    assert missed(figures(values), figures(WANTED)) == keys
