import numpy as np
import pytest

from roomtune.advisor.layout import bass_outputs, gives_bass_away, shared_crossover_hz
from roomtune.advisor.preparing import prepared
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.fitting import misfits
from roomtune.processor.response import tuning_response
from roomtune.processor.rounding import rounded
from roomtune.system.model import Processor, Wishes


def test_every_channel_has_its_own_outputs_and_the_subwoofers(workshop):
    tuning = starting_tuning(workshop.system())
    ways = {c: {r.output for r in tuning.routes if r.channel == c} for c in ("L", "R", "LFE")}
    subs = {"sub one", "sub two"}
    assert ways == {
        "L": {"left low", "left high"} | subs,
        "R": {"right low", "right high"} | subs,
        "LFE": subs,
    }


def test_lfe_plays_10_db_louder_than_redirected_bass(workshop):
    # ITU-R BS.775: 10 dB in-band gain of LFE
    tuning = starting_tuning(workshop.system())
    response = np.abs(tuning_response(tuning, [40.0]))[:, 4, 0]
    assert 20 * np.log10(response[2] / response[0]) == pytest.approx(10.0, abs=1e-9)


def test_crossovers_are_linkwitz_riley_in_the_middle_of_the_overlap(workshop):
    tuning = starting_tuning(workshop.system())
    low, high = tuning.output("left low").filters, tuning.output("left high").filters
    middle = np.sqrt(900 * 6000)
    assert [(f.type, f.family, f.order) for f in low] == [
        ("high pass", "Linkwitz-Riley", 4),
        ("low pass", "Linkwitz-Riley", 4),
    ]
    assert low[0].frequency_hz == 80.0
    assert low[1].frequency_hz == high[0].frequency_hz == pytest.approx(middle, abs=0.06)


def test_electrical_sum_of_the_crossover_is_flat(workshop):
    tuning = starting_tuning(workshop.system())
    frequencies = np.geomspace(300, 15000, 200)
    response = tuning_response(tuning, frequencies)[0]
    level = 20 * np.log10(np.abs(response[0] + response[1]))
    assert np.ptp(level) < 0.01 + 0.05  # the bass high pass still rises by 0.04 dB at 300 Hz
    from roomtune.processor.filters import filter_response

    pair = (tuning.output("left low").filters[1], tuning.output("left high").filters[0])
    total = sum(filter_response(f, 48000, frequencies) for f in pair)
    assert np.ptp(20 * np.log10(np.abs(total))) < 0.01


def test_no_delay_no_equaliser_no_inversion(workshop):
    tuning = starting_tuning(workshop.system())
    assert all(o.delay_ms == 0 and not o.inverted and o.gain_db == 0 for o in tuning.outputs)
    assert all(f.type in ("low pass", "high pass") for o in tuning.outputs for f in o.filters)


def test_pinned_crossovers_are_kept(workshop):
    wishes = Wishes(bass_crossover_hz=95.0, crossovers_hz={"left": (2000.0,)})
    tuning = starting_tuning(workshop.system(wishes=wishes))
    assert tuning.output("left high").filters[0].frequency_hz == 2000.0
    assert tuning.output("right high").filters[0].frequency_hz != 2000.0
    assert tuning.output("sub one").filters[-1].frequency_hz == 95.0


def test_without_linkwitz_riley_the_nearest_slope_is_taken(workshop):
    processor = Processor(crossovers={"Butterworth": (1, 2, 3)})
    tuning = starting_tuning(workshop.system(processor=processor))
    slope = tuning.output("left high").filters[0]
    assert (slope.family, slope.order) == ("Butterworth", 3)
    assert misfits(rounded(tuning, processor), processor) == ()


def test_without_subwoofers_the_deep_woofers_carry_the_bass(workshop):
    system = three_full_range(workshop)
    assert [o.name for o in bass_outputs(system)] == ["left", "right"]
    assert not gives_bass_away(system, system.loudspeaker("centre"))
    assert not gives_bass_away(system, system.loudspeaker("left"))


def three_full_range(workshop, filters_per_route=0):
    return workshop.system_of_three(
        workshop.output(1, "left", "left", "full range", 35, 20000),
        workshop.output(2, "right", "right", "full range", 35, 20000),
        workshop.output(3, "centre", "centre", "full range", 90, 20000),
        processor=Processor(filters_per_route=filters_per_route),
    )


def test_shared_woofers_get_only_the_bass_of_others(workshop):
    tuning = starting_tuning(three_full_range(workshop, 2))
    response = np.abs(tuning_response(tuning, [40.0, 1000.0]))
    own, redirected = response[0, 0], response[2, 0]
    assert redirected[0] / own[0] == pytest.approx(0.5, abs=0.06)  # two woofers in phase
    assert redirected[1] / own[1] < 1e-3


def test_without_route_filters_nobody_gives_bass_away_to_others_woofers(workshop):
    tuning = starting_tuning(three_full_range(workshop, 0))
    assert {r.output for r in tuning.routes if r.channel == "C"} == {"centre"}
    assert all(not r.filters for r in tuning.routes)
    high_pass = tuning.output("centre").filters[0]
    assert (high_pass.type, high_pass.frequency_hz) == ("high pass", 90.0)


def with_three_ways(workshop, lowest_middle_hz=100, route_gains=True, **wishes):
    """A small centre between three-way loudspeakers, no filters on routes."""
    ways = (("low", "woofer", 30, 3000), ("middle", "midrange", lowest_middle_hz, 8000))
    ways = (*ways, ("high", "tweeter", 900, 20000))
    return workshop.system_of_three(
        *(
            workshop.output(3 * side + way, f"{name} {part}", name, kind, low, high)
            for side, name in enumerate(("left", "right"))
            for way, (part, kind, low, high) in enumerate(ways, start=1)
        ),
        workshop.output(7, "centre", "centre", "full range", 80, 20000),
        processor=Processor(route_gains=route_gains),
        wishes=Wishes(**wishes),
    )


def test_woofers_with_a_low_crossover_play_the_bass_of_others_without_route_filters(workshop):
    system = with_three_ways(workshop)
    tuning = starting_tuning(system)
    assert {r.output for r in tuning.routes if r.channel == "C"} == {
        "left low",
        "right low",
        "centre",
    }
    low_pass = tuning.output("left low").filters[-1]
    high_pass = tuning.output("centre").filters[0]
    assert low_pass.frequency_hz == high_pass.frequency_hz == 160.0
    assert (low_pass.family, low_pass.order) == (high_pass.family, high_pass.order)
    response = np.abs(tuning_response(tuning, [60.0, 1000.0]))
    woofer, centre = response[2, 0], response[2, 6]
    # Fourth order from 160 Hz: hardly anything at 1 kHz; half of it at 60 Hz for two woofers
    assert woofer[1] < 1e-3 * centre[1]
    own = response[0, 0, 0]
    assert woofer[0] == pytest.approx(0.5 * own, rel=0.02)


@pytest.mark.parametrize(
    "changes",
    [
        {"lowest_middle_hz": 300},
        {"route_gains": False},
        {"crossovers_hz": {"left": (400.0, 3000.0), "right": (400.0, 3000.0)}},
        {"bass_crossover_hz": 90.0},
        {"forbid": ("bass redirection",)},
    ],
)
def test_woofers_keep_to_their_own_bass_where_no_low_pass_would_hold_them(workshop, changes):
    tuning = starting_tuning(with_three_ways(workshop, **changes))
    assert {r.output for r in tuning.routes if r.channel == "C"} == {"centre"}


def test_without_small_loudspeakers_woofers_cross_over_where_they_like(workshop):
    whole = with_three_ways(workshop)
    stereo = whole.model_copy(
        update={
            "channels": whole.channels[:2],
            "loudspeakers": whole.loudspeakers[:2],
            "outputs": whole.outputs[:6],
        }
    )
    assert shared_crossover_hz(whole) == 160.0
    assert shared_crossover_hz(stereo) is None
    # The middle of where both may play: the square root of 100 times 3000
    low_pass = starting_tuning(stereo).output("left low").filters[-1]
    assert low_pass.frequency_hz == pytest.approx(547.7)


def test_small_loudspeakers_begin_where_the_woofers_were_found_to_end_best(workshop):
    system = with_three_ways(workshop)
    band = {"low": (35, 2, 4000, 2), "middle": (90, 2, 9000, 2), "high": (700, 2, None, 2)}
    drivers = {
        f"{side} {part}": workshop.driver(*shape, 0.0, (4.0, 4.3))
        for side in ("left", "right")
        for part, shape in band.items()
    }
    drivers["centre"] = workshop.driver(80, 2, None, 2, 0.0, (3.8, 4.1))
    ready = prepared(system, workshop.measured(system, drivers))
    (low_pass,) = (f for f in ready.tuning.output("left low").filters if f.type == "low pass")
    (high_pass,) = (f for f in ready.tuning.output("centre").filters if f.type == "high pass")
    assert 120.0 <= ready.bass_hz <= 160.0
    assert low_pass.frequency_hz == high_pass.frequency_hz == ready.bass_hz
    assert (low_pass.family, low_pass.order) == (high_pass.family, high_pass.order)
