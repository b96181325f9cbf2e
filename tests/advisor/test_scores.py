import numpy as np
import pytest

from roomtune.advisor.scores import channel_pairs, scores
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

FREQUENCIES = np.arange(0.0, 24000.5, 1.0)


def responses(levels_db):
    """Flat channels (channels, seats) at the given levels."""
    levels = np.asarray(levels_db, dtype=float)
    values = 10 ** (levels / 20)[..., None] * np.ones(len(FREQUENCIES))
    return FrequencyResponse(FREQUENCIES, values)


def test_equal_flat_channels_are_perfect(workshop):
    found = scores(
        workshop.system(),
        ["L", "R", "LFE"],
        ["seat 0", "seat 1"],
        responses([[0, 0], [0, 0], [10, 10]]),
    )
    assert found.channels == ("L", "R")
    assert found.level_spread_db == pytest.approx(0, abs=1e-9)
    assert found.left_right_mismatch_db == pytest.approx(0, abs=1e-9)
    assert found.deviation_db == pytest.approx(0, abs=1e-9)
    assert np.isnan(found.arrivals_ms).all()


def test_levels_count_at_the_main_seat_only(workshop):
    found = scores(
        workshop.system(), ["L", "R"], ["seat 0", "seat 1"], responses([[1.0, 9.0], [-0.5, 0]])
    )
    assert found.level_spread_db == pytest.approx(1.5, abs=1e-9)
    np.testing.assert_allclose(found.match_db["L", "R"], 1.5, atol=1e-9)


def test_a_tilted_channel_deviates_by_its_tilt(workshop):
    tilt = 2.0 * np.log2(np.maximum(FREQUENCIES, 1.0) / 1000)
    values = np.stack([10 ** (tilt / 20), np.ones(len(tilt))])[:, None]
    found = scores(
        workshop.system(seats=1), ["L", "R"], ["seat 0"], FrequencyResponse(FREQUENCIES, values)
    )
    thirds = 2.0 / 3 * np.log2(10**0.3) / np.log2(2) / 1  # dB per third, exact ratio 10^0.1
    expected = thirds / (np.log2(10**0.3)) * np.log2(10**0.1) * 3 * np.std(np.arange(27))
    assert found.channel_deviations_db[0] == pytest.approx(expected, rel=0.01)
    assert found.channel_deviations_db[1] == pytest.approx(0, abs=1e-9)


def test_arrivals_are_those_of_the_impulses(workshop):
    samples = np.zeros((2, 1, 9600))
    samples[0, 0, 480], samples[1, 0, 528] = 1.0, 0.5
    found = scores(
        workshop.system(seats=1), ["L", "R"], ["seat 0"], ImpulseResponse(samples, 48000.0)
    )
    assert found.arrival_spread_ms == pytest.approx(1.0, abs=0.003)


def test_a_missing_main_seat_is_refused(workshop):
    with pytest.raises(ValueError, match="seat 0"):
        scores(workshop.system(), ["L"], ["seat 1"], responses([[0]]))


def test_pairs_are_found_by_name(workshop):
    from roomtune.system.model import Channel, Loudspeaker

    names = ["Ls", "C", "R", "Rs", "L"]
    system = workshop.system(
        channels=tuple(Channel(name=n) for n in names),
        loudspeakers=tuple(Loudspeaker(name=f"box {n}", channel=n) for n in names),
        outputs=(),
    )
    assert channel_pairs(system) == (("L", "R"), ("Ls", "Rs"))
