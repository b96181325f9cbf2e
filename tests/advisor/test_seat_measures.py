import numpy as np
import pytest

from roomtune.advisor.prediction import Prediction
from roomtune.advisor.seat_measures import cost_proposals, seat_measures, worsened
from roomtune.signal.values import FrequencyResponse

FREQUENCIES = np.fft.rfftfreq(1 << 16, 1 / 48000)


def predicted(levels_db):
    """Flat left and right channels at two seats: levels (2, 2) in dB."""
    gains = 10 ** (np.asarray(levels_db, float) / 20)
    values = gains[..., None] * np.ones(len(FREQUENCIES), dtype=complex)
    return Prediction(
        ("L", "R"),
        ("seat 0", "seat 1"),
        FrequencyResponse(FREQUENCIES, values),
        np.zeros(values.shape),
        48000.0,
    )


def tilted(prediction, seat, octave_db):
    """The left channel tilted at one seat."""
    values = prediction.response.values.copy()
    turn = octave_db / 20 * np.log2(np.maximum(FREQUENCIES, 1.0) / 1000)
    values[0, seat] *= 10**turn
    return Prediction(
        prediction.channels,
        prediction.seats,
        FrequencyResponse(FREQUENCIES, values),
        prediction.uncertainty_db,
        48000.0,
    )


def test_every_measure_of_flat_channels_is_known(workshop):
    found = seat_measures(workshop.system(), predicted([[0, 0], [0, -3]]))
    values = {(m.seat, m.kind, m.subject): m.value_db for m in found}
    assert values["seat 1", "levels", "all"] == pytest.approx(3.0, abs=1e-9)
    assert values["seat 1", "pair", "L and R"] == pytest.approx(3.0, abs=1e-9)
    assert values["seat 0", "levels", "all"] == pytest.approx(0.0, abs=1e-9)
    assert values["seat 0", "target", "L"] == pytest.approx(0.0, abs=1e-9)
    assert len(found) == 2 * 2 + 2 + 2


def test_what_gets_worse_at_one_seat_is_found_and_told(workshop):
    system = workshop.system()
    before = predicted([[0, 0], [0, 0]])
    after = tilted(before, 1, -1.0)
    found = worsened(seat_measures(system, before), seat_measures(system, after))
    assert {(item.measure.seat, item.measure.kind) for item in found} == {
        ("seat 1", "target"),
        ("seat 1", "pair"),
    }
    (told,) = cost_proposals(system, before, after)
    assert told.subject == "seat 1"
    assert all(str(item) in told.change for item in found)


def test_nothing_is_told_where_nothing_gets_worse(workshop):
    system = workshop.system()
    before = predicted([[0, 0], [0, -3]])
    assert cost_proposals(system, before, predicted([[0, 0], [0, -1]])) == []
    assert cost_proposals(system, before, before) == []
