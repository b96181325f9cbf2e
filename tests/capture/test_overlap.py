"""Packed sweeps: nothing may touch a linear response, and time must be saved."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.capture.expected_room import even_room
from roomtune.capture.overlap import Packing, Place, at_rate, pack, readable_order
from roomtune.capture.packed_signals import (
    loudest_together_dbfs,
    most_at_once,
    passage,
    passage_signals,
)
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.stimulus import schedule
from roomtune.signal.sweeps import Sweep, pre_time_s

RATE = 48000
ROOM = even_room(0.4)


def request(number, band_hz, duration_s, rate=RATE, settings=None):
    return TakeRequest(
        source=f"output {number}",
        kind="output",
        seat="middle",
        interface_output=number,
        sweep=Sweep(*band_hz, duration_s, rate),
        level_dbfs=-20.0,
        reference=Reference("acoustic", Marker(1500, 8000, 0.1, -20.0), 1),
        settings=settings or CaptureSettings(sweep_duration_s=duration_s),
    )


def touching(packing, room):
    """Pairs and orders that reach into a linear response, by brute force over frequency."""
    found = []
    decay_s = room.decay_above_s(100.0)
    for victim in packing.places:
        low, high = victim.request.sweep.start_hz * 0.6, victim.request.sweep.stop_hz
        for source in packing.places:
            for order in range(1, room.highest_order + 1):
                if source is victim:
                    continue
                sweep = source.request.sweep
                grid = np.geomspace(low, high, 60)
                grid = grid[(grid >= order * sweep.start_hz) & (grid <= order * sweep.stop_hz)]
                begins = source.begin_s + sweep.time_of_s(grid / order)
                lag = begins - victim.begin_s - victim.request.sweep.time_of_s(grid)
                after = lag + decay_s * (70 if order == 1 else 30) / 60
                clear = (lag >= decay_s * 70 / 60) | (after <= -pre_time_s(victim.request.sweep))
                if not clear.all():
                    found.append((source.request.source, order, victim.request.source))
    return found


@given(
    bands=st.lists(
        st.sampled_from([(15, 250), (60, 4000), (100, 16000), (1500, 20000)]),
        min_size=1,
        max_size=8,
    ),
    decay_s=st.floats(0.1, 0.8),
    duration_s=st.floats(1.5, 5),
)
@settings(max_examples=25, derandomize=True, deadline=None)
def test_no_order_touches_a_linear_response(bands, decay_s, duration_s):
    room = even_room(decay_s)
    requests = [request(n + 1, band, duration_s) for n, band in enumerate(bands)]
    packing = pack(requests, room)
    assert touching(packing, room) == []
    assert {p.request.source for p in packing.places} == {r.source for r in requests}
    # No response is measured with less energy per frequency than was asked for.
    slowest = max(r.sweep.rate_s for r in requests)
    assert all(p.request.sweep.rate_s >= slowest - 1e-9 for p in packing.places)
    for place in packing.places:
        original = next(r for r in requests if r.source == place.request.source)
        assert place.request.sweep.start_hz >= original.sweep.start_hz - 1e-9
        assert place.request.sweep.stop_hz == original.sweep.stop_hz


def test_the_check_itself_can_fail():
    one, two = request(1, (100, 16000), 3), request(2, (100, 16000), 3)
    colliding = Packing((Place(one, 0.0), Place(two, 0.3)), 0, 0)
    assert touching(colliding, ROOM)


@pytest.mark.parametrize(("duration_s", "quiet_db"), [(3, 79.0), (5, 79.0), (6, 88.0), (10, 88.0)])
def test_twelve_equal_outputs_take_a_quarter_of_the_time(duration_s, quiet_db):
    # Wanted: twelve outputs, same sweep length and band, reverberation 0.4 s,
    # second and third harmonics at -40 dB: at most a quarter of the sequential time,
    # all that is played counted on both sides.
    requests = [request(n, (100, 18000), duration_s) for n in range(1, 13)]
    room = replace(ROOM, quiet_db=quiet_db)
    packing = pack(requests, room)
    together_s = passage(packing, room).plan.total_s
    alone_s = sum(schedule(item).total_s for item in requests)
    print(
        f"sweeps of {duration_s} s, decays of {quiet_db:g} dB: {together_s:.1f} s of "
        f"{alone_s:.1f} s, {together_s / alone_s:.3f}; without lead, markers and end "
        f"{packing.packed_s / packing.sequential_s:.3f}"
    )
    assert together_s <= alone_s / 4


def test_schedule_agrees_with_the_published_rule_for_two_interleaved_sweeps():
    # Majdak et al. 2007: interleaving two sweeps needs L ln 2 >= L1 + L2; then the
    # second starts L1 after the first.
    requests = [request(n, (100, 16000), 8) for n in (1, 2)]
    room = replace(even_room(0.3), highest_order=2)
    packing = pack(requests, room)
    first, second = packing.places
    spacing = second.begin_s - first.begin_s
    linear_s = room.length_s(100) + pre_time_s(second.request.sweep)
    assert second.request.sweep.lead_s(2) > linear_s + room.length_s(100, -40)
    assert spacing == pytest.approx(linear_s, abs=0.04)


def test_bands_that_never_meet_sound_together():
    packing = pack([request(1, (15, 200), 3), request(2, (1500, 20000), 3)], ROOM)
    assert [place.begin_s for place in packing.places] == [0, 0]


def test_the_common_rate_is_exact_and_synchronized():
    changed = at_rate(request(1, (63, 7000), 3), 1.17)
    assert changed.sweep.rate_s == pytest.approx(1.17, abs=1e-12)
    cycles = changed.sweep.start_hz * 1.17
    assert cycles == pytest.approx(round(cycles), abs=1e-9)
    assert 63 <= changed.sweep.start_hz < 63 + 1 / 1.17


def test_what_cannot_be_packed_is_refused():
    one = request(1, (100, 16000), 3)
    with pytest.raises(ValueError, match="nothing to pack"):
        pack([], ROOM)
    with pytest.raises(ValueError, match="none by hand"):
        pack([one, replace(one, by_hand=True)], ROOM)
    with pytest.raises(ValueError, match="one seat"):
        pack([one, replace(one, seat="other")], ROOM)


def test_levels_and_silence_of_a_passage():
    packing = pack([request(1, (15, 200), 2), request(2, (1500, 20000), 2)], ROOM)
    whole = passage(packing, ROOM)
    signals = passage_signals(whole)
    assert np.abs(signals).max() <= 10 ** (-20 / 20) * (1 + 1e-12)
    assert not signals[: round(0.69 * RATE)].any()
    assert not signals[-round(0.4 * RATE) :].any()


def test_nothing_is_louder_than_was_stated():
    packing = pack([request(n, (60, 16000), 2) for n in range(1, 5)], ROOM)
    whole = passage(packing, ROOM)
    signals = np.abs(passage_signals(whole))
    stated = 10 ** (loudest_together_dbfs(whole.packing) / 20)
    assert signals.max() <= 0.1 * (1 + 1e-12)
    assert 0.1 < signals.sum(axis=1).max() <= stated * (1 + 1e-12)
    sounding = (signals > 0.01).sum(axis=1).max()
    assert most_at_once(whole.packing) >= sounding > 1


def test_all_is_played_lower_where_the_sum_would_reach_the_microphones_limit():
    # Each arrives with -14 + 8 - 20 dB at most; four of them would sum to -14 dB.
    packing = pack([request(n, (60, 16000), 2) for n in range(1, 5)], ROOM)
    names = [place.request.source for place in packing.places]

    def played(level_db):
        levels = tuple((name, (level_db,) * 11) for name in names)
        return passage(packing, replace(ROOM, levels_db=levels)).first.level_dbfs

    assert played(-14.0) == -20.0
    assert played(3.0) < -20.0
    at_once = most_at_once(packing)
    sum_db = played(3.0) + 3.0 + 8.0 + 20 * math.log10(at_once)
    assert sum_db == pytest.approx(-3.0, abs=0.01)


def test_harmonics_are_readable_where_no_other_covers_them():
    single = pack([request(1, (100, 16000), 3)], ROOM)
    assert readable_order(single, 0, ROOM) == 3
    # The second order of one begins where the third of another does.
    one, two = (request(n, (100, 16000), 3) for n in (1, 2))
    lag_s = one.sweep.lead_s(3) - one.sweep.lead_s(2)
    covered = Packing((Place(one, 0.0), Place(two, lag_s)), 0, 0)
    assert readable_order(covered, 0, ROOM) == 1
    apart = Packing((Place(one, 0.0), Place(two, 10.0)), 0, 0)
    assert readable_order(apart, 0, ROOM) == 3


def test_longer_decay_in_the_bass_costs_time_only_there():
    tweeters = [request(n, (1500, 20000), 3) for n in (1, 2, 3)]
    woofers = [request(n, (30, 2000), 3) for n in (4, 5, 6)]
    live = replace(ROOM, decays=((20.0, 1.5), (400.0, 0.4)))
    assert pack(tweeters, live).packed_s == pack(tweeters, ROOM).packed_s
    assert pack(woofers, live).packed_s > pack(woofers, ROOM).packed_s + 2
