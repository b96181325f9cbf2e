"""Contract: the advice, applied to what was measured, improves every stated score."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.explaining import prediction_scores
from roomtune.advisor.limits import headrooms
from roomtune.advisor.measured import measured_from_responses
from roomtune.advisor.planning import plan
from roomtune.advisor.prediction import predict
from roomtune.advisor.scores import target_deviation_db
from roomtune.advisor.settings import CROSSOVER_TYPES, with_outputs
from roomtune.processor.fitting import misfits
from roomtune.processor.rounding import rounded
from roomtune.processor.storage import tuning_from_json, tuning_to_json
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import Processor, Wishes
from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom, load_scenario

ECHOES = ((2.3, 0.35), (4.9, -0.3), (11.3, 0.25), (17.0, 0.2))


def small(workshop, **changes):
    """Ideal drivers with a few echoes; the right woofer reversed."""
    system = workshop.system(**changes)
    drivers = {n: replace(d, echoes=ECHOES) for n, d in workshop.drivers().items()}
    drivers["right low"] = replace(drivers["right low"], reversed=True)
    return system, workshop.measured(system, drivers)


@pytest.fixture(scope="module")
def advised(workshop):
    system, measured = small(workshop)
    return system, measured, plan(system, measured)


def test_every_score_improves(advised):
    system, _, advice = advised
    before = prediction_scores(system, advice.before)
    after = prediction_scores(system, advice.prediction)
    assert after.level_spread_db < min(0.3, before.level_spread_db)
    assert after.arrival_spread_ms < min(0.1, before.arrival_spread_ms)
    assert after.left_right_mismatch_db < min(1.5, before.left_right_mismatch_db)
    assert after.deviation_db < 0.5 * before.deviation_db


def test_the_tuning_is_on_the_processors_steps(advised):
    system, _, advice = advised
    assert rounded(advice.tuning, system.processor) == advice.tuning
    assert misfits(advice.tuning, system.processor) == ()


def test_the_same_input_gives_the_same_advice(advised, workshop):
    system, measured = small(workshop)
    again = plan(system, measured)
    assert again.tuning == advised[2].tuning
    assert again.proposals == advised[2].proposals
    np.testing.assert_array_equal(
        again.prediction.response.values, advised[2].prediction.response.values
    )


def test_every_step_is_explained(advised):
    steps = {proposal.step for proposal in advised[2].proposals}
    assert {
        "usable band",
        "polarity",
        "crossover",
        "bass routing",
        "subwoofers",
        "bass crossover",
        "alignment",
        "equaliser",
        "limits",
        "result",
    } <= steps
    assert all(p.change and p.evidence for p in advised[2].proposals)


def test_every_step_that_changes_something_tells_its_effect(advised):
    told = {
        "polarity",
        "crossover",
        "bass routing",
        "subwoofers",
        "bass crossover",
        "alignment",
        "equaliser",
        "limits",
        "headroom",
        "result",
    }
    for proposal in advised[2].proposals:
        if proposal.step in told and not proposal.change.startswith("left"):
            assert proposal.effect_db is not None, proposal
            assert proposal.uncertainty_db is not None, proposal
    assert told <= {proposal.step for proposal in advised[2].proposals}


def test_the_worth_of_an_equaliser_is_what_the_whole_prediction_says(advised):
    system, measured, advice = advised
    proposal = next(
        p for p in advice.proposals if p.step == "equaliser" and p.subject == "left low"
    )
    setting = advice.tuning.output("left low")
    bare = replace(setting, filters=tuple(f for f in setting.filters if f.type in CROSSOVER_TYPES))
    without = predict(with_outputs(advice.tuning, {"left low": bare}), measured)
    distances = [
        target_deviation_db(system, measured.seats, prediction.response)[0]
        for prediction in (without, advice.prediction)
    ]
    assert proposal.effect_db == pytest.approx(distances[0] - distances[1], abs=0.1)
    assert f"{proposal.effect_db:+.2f} dB" in proposal.effect


def test_a_reversed_driver_is_worth_turning_over(advised):
    proposal = next(p for p in advised[2].proposals if p.step == "polarity")
    assert proposal.subject == "right low"
    assert proposal.effect_db > 0.3


def test_wishes_are_honoured(workshop):
    wishes = Wishes(
        maximum_boost_db=2.0,
        bass_crossover_hz=110.0,
        crossovers_hz={"left": (2500.0,), "right": (2500.0,)},
        leave_alone=("left", "sub one"),
        gains_db={"right low": -7.0},
        delays_ms={"right low": 6.5},
        polarities={"sub two": "inverted"},
    )
    system, measured = small(workshop, wishes=wishes)
    advice = plan(system, measured)
    tuning = advice.tuning
    pinned = tuning.output("right low")
    assert (pinned.gain_db, pinned.delay_ms) == (-7.0, 6.5)
    assert tuning.output("sub two").inverted
    after = prediction_scores(system, advice.prediction)
    assert after.arrival_spread_ms < 0.1
    assert after.level_spread_db < 0.3
    told = {p.subject for p in advice.proposals if p.step == "pinned"}
    assert told == {"right low", "sub two", "left, sub one"}
    assert max(item.sine_dbfs for item in headrooms(tuning)) <= 1e-6
    assert tuning.output("sub one").filters[-1].frequency_hz == 110.0
    high_passes = [f for f in tuning.output("right high").filters if f.type == "high pass"]
    assert [f.frequency_hz for f in high_passes] == [2500.0]
    for name in ("left low", "left high", "sub one"):
        assert all(f.type in ("low pass", "high pass") for f in tuning.output(name).filters)
    gains = [f.gain_db for o in tuning.outputs for f in o.filters if f.gain_db is not None]
    assert max(gains, default=0.0) <= 2.0


@pytest.mark.slow
def test_taps_that_undo_phase_are_part_of_a_whole_tuning(workshop):
    processor = Processor(fir_taps_per_output=512, filters_per_output=4)
    system, measured = small(workshop, processor=processor, wishes=Wishes(fir="mixed phase"))
    advice = plan(system, measured)
    after = prediction_scores(system, advice.prediction)
    assert after.arrival_spread_ms < 0.1
    assert after.level_spread_db < 0.3
    assert after.deviation_db < 0.5 * prediction_scores(system, advice.before).deviation_db
    assert misfits(advice.tuning, system.processor) == ()
    assert {len(f.taps) for o in advice.tuning.outputs[:4] for f in o.filters if f.taps} == {512}
    told = next(p for p in advice.proposals if p.step == "FIR")
    assert told.effect_db is not None
    assert told.uncertainty_db is not None
    assert tuning_from_json(tuning_to_json(advice.tuning)) == advice.tuning


def test_noise_that_could_explain_it_is_not_acted_on(workshop):
    system, measured = small(workshop)
    noisy = replace(measured, deviation=measured.deviation * 0 + 10.0)
    tuning = plan(system, noisy).tuning
    assert all(f.type in ("low pass", "high pass") for o in tuning.outputs for f in o.filters)


def truth_measured(system, room):
    """The true responses of a virtual room, as if measured without any fault."""
    truth = [[room.truth(o.name, s.name) for s in system.seats] for o in system.outputs]
    samples = np.array([[item.samples for item in row] for row in truth])
    first = truth[0][0]
    return measured_from_responses(
        system, ImpulseResponse(samples, first.sample_rate_hz, first.start_s, "Pa")
    )


@pytest.fixture(scope="module", params=["garden-studio"])
def room_advised(request):
    import roomtune.virtual.scenario as scenarios

    system = read_system(scenarios.SHIPPED / request.param / "system.toml")
    scenario = load_scenario(request.param)
    room = VirtualRoom(scenario, system).quiet()
    reversed_ones = {item.name for item in scenario.output if item.reversed}
    return system, reversed_ones, plan(system, truth_measured(system, room))


@pytest.mark.slow
def test_the_virtual_rooms_reach_their_goals(room_advised):
    system, reversed_ones, advice = room_advised
    before = prediction_scores(system, advice.before)
    after = prediction_scores(system, advice.prediction)
    assert after.level_spread_db <= 0.3
    assert after.arrival_spread_ms <= 0.1
    assert after.left_right_mismatch_db <= 1.5
    assert after.deviation_db <= 0.5 * before.deviation_db
    named = {p.subject for p in advice.proposals if p.step == "polarity"}
    assert named == reversed_ones
    assert misfits(advice.tuning, system.processor) == ()


@pytest.mark.slow
def test_modes_that_are_told_to_ring_for_a_shorter_time_do(room_advised):
    from roomtune.advisor.room_modes import strongest_modes

    _, _, advice = room_advised
    told = [
        float(text.rsplit(maxsplit=1)[-1])
        for p in advice.proposals
        if p.subject.startswith("sub") and p.change.startswith("cuts made for room modes")
        for text in p.change.split(" Hz:")[:-1]
    ]
    assert told
    channel = advice.prediction.channels.index("L")
    before, after = (
        strongest_modes(p.impulse_responses[channel]) for p in (advice.before, advice.prediction)
    )
    for frequency in told:
        # Poles found again within 3 %: gone, or decaying in less than 0.8 of the time.
        was, now = (
            [m.decay_s for m in modes if abs(m.frequency_hz / frequency - 1) < 0.03]
            for modes in (before, after)
        )
        assert not was or max(now, default=0.0) < 0.8 * max(was)
