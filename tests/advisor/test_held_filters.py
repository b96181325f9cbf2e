from dataclasses import replace

import numpy as np

from roomtune.advisor.held_filters import format_proposals, held_better
from roomtune.processor.precision import format_effect
from roomtune.processor.response import output_response
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.system.model import Processor


def tuning_in(style):
    """One output with a low filter that coarse formats spoil, and one that none does."""
    filters = (Filter("peaking", 40.0, 5.0, -6.0), Filter("peaking", 3000.0, 1.0, -3.0))
    return Tuning(
        48000,
        (ChannelSetting("C"),),
        (Route("C", "sub"),),
        (OutputSetting("sub", 1, filters=filters),),
        style,
    )


def test_a_spoiled_filter_gives_way_to_one_that_is_held_better(workshop):
    system = workshop.system(processor=Processor(number_format="2.22"))
    wanted = tuning_in("2.22")
    held = held_better(system, wanted)
    first, other = held.outputs[0].filters
    assert other == wanted.outputs[0].filters[1]
    assert first != wanted.outputs[0].filters[0]
    # Outcome, not intention: against the exact filter in double precision
    frequencies = np.geomspace(10, 200, 300)
    exact = output_response(replace(wanted, number_format="float64"), "sub", frequencies)
    errors = [
        np.max(np.abs(20 * np.log10(np.abs(output_response(t, "sub", frequencies) / exact))))
        for t in (wanted, held)
    ]
    assert errors[1] < 0.5 * errors[0]


def test_what_was_moved_and_what_is_left_is_told(workshop):
    system = workshop.system(processor=Processor(number_format="2.22"))
    wanted = tuning_in("2.22")
    (told,) = format_proposals(wanted, held_better(system, wanted))
    assert (told.step, told.subject) == ("number format", "sub")
    assert "Q 5.05 instead of 5" in told.change
    assert "2.22" in told.evidence
    assert told.effect.startswith("all within 0.1 dB")
    worst = format_effect(wanted.outputs[0].filters[0], 48000, "2.22").error_db
    assert f"{worst:.2g} dB" in told.evidence


def test_a_fine_format_changes_and_tells_nothing(workshop):
    system = workshop.system(processor=Processor(number_format="2.30"))
    wanted = tuning_in("2.30")
    assert held_better(system, wanted) == wanted
    assert format_proposals(wanted, wanted) == []
