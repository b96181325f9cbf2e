"""FIR filters serve, are held, predicted and rendered alike, and ring before the sound hardly."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.effects import levels_of, off_target
from roomtune.advisor.energy import energy_model
from roomtune.advisor.fir_filters import PRE_RINGING_DB, early_db, with_fir
from roomtune.advisor.prediction import predict
from roomtune.advisor.settings import moved, with_outputs
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.filters import filter_taps
from roomtune.processor.fitting import misfits
from roomtune.processor.rendering import render
from roomtune.processor.response import tuning_response
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Filter
from roomtune.system.model import Processor, Wishes
from roomtune.system.permitting import permitted

ECHOES = ((2.3, 0.4), (4.9, -0.35), (11.3, 0.25))
MAINS = ("left low", "left high", "right low", "right high")


def aims_of(workshop, taps=1024, echoes=ECHOES, style="float32", **wishes):
    processor = Processor(fir_taps_per_output=taps, number_format=style)
    system = workshop.system(processor=processor, wishes=Wishes(**wishes))
    drivers = {n: replace(d, echoes=echoes) for n, d in workshop.drivers().items()}
    measured = workshop.measured(system, drivers)
    tuning = starting_tuning(system)
    # The drivers of one loudspeaker made to arrive together
    tuning = moved(tuning, delays_ms={"left high": 0.08, "right high": 0.08})
    tuning, system = rounded(tuning, processor), permitted(system)
    return Aims(system, measured, energy_model(measured, tuning)), tuning


def fir_of(tuning, output):
    return next((f for f in tuning.output(output).filters if f.type == "fir"), None)


@pytest.fixture(scope="module", params=["minimum phase", "mixed phase"])
def fitted(request, workshop):
    aims, tuning = aims_of(workshop, fir=request.param)
    return aims, tuning, *with_fir(aims, tuning), request.param


def test_the_same_taps_stand_on_all_drivers_of_the_pair(fitted):
    aims, _, tuning, told, kind = fitted
    (taps,) = {fir_of(tuning, name).taps for name in MAINS}
    assert len(taps) == 1024
    assert fir_of(tuning, "sub one") is None
    assert misfits(tuning, aims.system.processor) == ()
    assert [p.subject for p in told] == ["L, R"]
    assert kind in told[0].change


def test_the_channels_come_nearer_to_the_target(fitted):
    aims, before, after, _, _ = fitted
    away = [off_target(("L", "R"))(levels_of(aims, t)) for t in (before, after)]
    assert away[1] < away[0] - 0.1


def test_prediction_and_rendering_are_one(fitted):
    _, _, tuning, _, _ = fitted
    length = 1 << 16
    impulse = np.zeros((length, 3))
    impulse[0, 0] = 1.0
    frequencies = np.fft.rfftfreq(length, 1 / 48000)[200:20000]
    heard = np.fft.rfft(render(tuning, impulse, limiters=False), axis=0)[200:20000].T
    np.testing.assert_allclose(heard, tuning_response(tuning, frequencies)[0], atol=1e-9)


def test_what_has_no_taps_waits_for_them(fitted):
    aims, before, after, _, kind = fitted
    lead = int(np.argmax(np.abs(fir_of(after, "left low").taps)))
    later = after.output("sub one").delay_ms - after.output("left low").delay_ms
    later -= before.output("sub one").delay_ms - before.output("left low").delay_ms
    assert later == pytest.approx(lead / 48.0, abs=0.011)
    assert (lead == 0) == (kind == "minimum phase")
    apart = [off_target(("L", "R"), 40, 160)(levels_of(aims, t)) for t in (before, after)]
    assert apart[1] < apart[0] + 0.3


def test_mixed_phase_makes_the_pulse_a_pulse_again(workshop):
    # Two drivers without any limits through a crossover are an all-pass, which spreads a pulse.
    # No pulse of a given level over frequency has more in its peak than that without phase.
    processor = Processor(fir_taps_per_output=1024)
    system = workshop.system(processor=processor, wishes=Wishes(fir="mixed phase"))
    plain = {n: workshop.driver(delays_ms=(5.0, 5.2)) for n in workshop.drivers()}
    measured = workshop.measured(system, plain)
    before = rounded(starting_tuning(system), processor)
    aims = Aims(system, measured, energy_model(measured, before))
    after, told = with_fir(aims, before)
    share = []
    for tuning in (before, after):
        samples = predict(tuning, measured).impulse_responses.samples[0, 0]
        most = np.fft.irfft(np.abs(np.fft.rfft(samples)))
        share.append(np.max(samples**2) / np.max(most**2))
    assert share[0] < 0.7
    assert share[1] > 0.95  # the rest is the minimum phase of the ends of the band
    assert "degrees rms" in told[0].effect


def test_nothing_is_heard_long_before_the_sound(fitted):
    aims, _, tuning, _, _ = fitted
    assert early_db(aims, tuning, ("L", "R")).max() <= PRE_RINGING_DB


def test_what_comes_early_is_noticed(workshop):
    aims, tuning = aims_of(workshop, echoes=())
    taps = np.zeros(400)
    taps[300], taps[60] = 1.0, 0.1
    item = Filter("fir", taps=tuple(taps))
    early = {n: replace(tuning.output(n), filters=(*tuning.output(n).filters, item)) for n in MAINS}
    found = early_db(aims, with_outputs(tuning, early), ("L", "R"))
    np.testing.assert_allclose(found, -20, atol=0.5)


def test_taps_are_as_the_format_holds_them(workshop):
    aims, tuning = aims_of(workshop, style="2.14")
    found, _ = with_fir(aims, tuning)
    item = fir_of(found, "left low")
    assert np.all(np.array(item.taps) * 2**14 == np.rint(np.array(item.taps) * 2**14))
    np.testing.assert_array_equal(filter_taps(item, "2.14"), item.taps)


@pytest.mark.parametrize(
    ("taps", "wishes"),
    [(0, {}), (1024, {"forbid": ("FIR",)}), (1024, {"leave_alone": ("left",)})],
)
def test_without_use_there_are_no_taps(workshop, taps, wishes):
    aims, tuning = aims_of(workshop, taps=taps, **wishes)
    assert with_fir(aims, tuning) == (tuning, [])


@pytest.mark.parametrize(("taps", "echoes"), [(8, ECHOES), (1024, ())])
def test_taps_that_stay_unused_are_told(workshop, taps, echoes):
    aims, tuning = aims_of(workshop, taps=taps, echoes=echoes)
    ideal = tuning if taps == 8 else with_fir(aims, tuning)[0]
    found, told = with_fir(aims, ideal)
    assert found == ideal
    assert [p.step for p in told] == ["FIR unused"]
    assert f"the {taps} taps" in told[0].change


def test_where_others_cannot_wait_only_the_level_is_corrected(workshop):
    aims, tuning = aims_of(workshop, fir="mixed phase")
    delay = aims.system.processor.delay_ms.model_copy(update={"maximum": 1.0})
    processor = aims.system.processor.model_copy(update={"delay_ms": delay})
    short = replace(aims, system=aims.system.model_copy(update={"processor": processor}))
    found, told = with_fir(short, tuning)
    assert int(np.argmax(np.abs(fir_of(found, "left low").taps))) == 0
    assert "mixed phase" in told[0].refused[0]
