"""The whole advice: all steps in order, the polish, and the final prediction."""

from __future__ import annotations

from roomtune.advisor.bands import band_proposals
from roomtune.advisor.bass_crossover import BassChoice
from roomtune.advisor.bass_explaining import bass_proposals
from roomtune.advisor.cautions import caution_proposals
from roomtune.advisor.explaining import (
    alignment_proposals,
    equaliser_proposals,
    result_proposals,
)
from roomtune.advisor.finishing import finished
from roomtune.advisor.lfe_level import lfe_proposals
from roomtune.advisor.limit_explaining import limit_proposals, loudness_proposals
from roomtune.advisor.low_end import low_end_proposals
from roomtune.advisor.maximum_level import maximum_levels, pressure_of_unity_pa
from roomtune.advisor.measured import Measured
from roomtune.advisor.pinning import pin_proposals
from roomtune.advisor.prediction import Prediction, predict
from roomtune.advisor.preparing import Prepared, prepared
from roomtune.advisor.proposal import Advice, Proposal
from roomtune.advisor.refusals import mode_proposals, refusal_proposals
from roomtune.advisor.seat_measures import cost_proposals
from roomtune.advisor.settings import with_state
from roomtune.advisor.shared_bass import shared_bass, shared_proposals
from roomtune.advisor.starting import starting_tuning
from roomtune.advisor.ways import Way, ways
from roomtune.advisor.worth import Case, with_effects
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Tuning
from roomtune.system.model import System
from roomtune.system.permitting import permitted


def plan(system: System, measured: Measured, previous: Tuning | None = None) -> Advice:
    """Turn measured responses into one complete tuning with its reasons.

    `before` in the result is the prediction of `previous`, or of the textbook
    tuning without one. Raises ValueError when the main seat was not measured.
    """
    starting = rounded(previous or starting_tuning(system), system.processor)
    system = permitted(system)
    ready = prepared(system, measured)
    gone, choices = ways(ready)
    way = gone[0]
    tuning, notes = finished(ready.aims, with_state(way.tuning, way.state, measured.outputs))
    before, prediction = predict(starting, measured), predict(tuning, measured)
    proposals = [
        *_of_tuning(ready, gone, choices, tuning),
        *notes,
        *_of_result(system, measured, tuning, (before, prediction)),
    ]
    case = Case(ready.aims, tuning, starting_tuning(system), way.bass_hz, way.junction)
    return Advice(tuning, tuple(with_effects(case, proposals)), prediction, before, starting)


def _of_tuning(
    ready: Prepared, gone: tuple[Way, ...], choices: tuple[BassChoice, ...], tuning: Tuning
) -> list[Proposal]:
    """What is told about the steps in their order."""
    aims = ready.aims
    return [
        *band_proposals(ready.bands),
        *ready.polarity_notes,
        *pin_proposals(aims.system, tuning, ready.natural),
        *ready.crossover_notes,
        *bass_proposals(aims, tuning, gone, choices),
        *shared_proposals(shared_bass(aims, tuning, ready.table, gone[0].bass_hz), tuning),
        *alignment_proposals(aims, tuning),
        *lfe_proposals(aims, tuning),
        *equaliser_proposals(tuning),
        *mode_proposals(aims, gone[0].state),
        *refusal_proposals(aims, tuning),
        *low_end_proposals(aims, tuning),
    ]


def _of_result(
    system: System,
    measured: Measured,
    tuning: Tuning,
    predictions: tuple[Prediction, Prediction],
) -> list[Proposal]:
    """What is told about the finished tuning: limits, loudness, costs and gains."""
    before, after = predictions
    unity_pa = pressure_of_unity_pa(system, measured.responses.unit)
    loudest = maximum_levels(system, tuning, after, unity_pa)
    return [
        *limit_proposals(system, tuning),
        *loudness_proposals(loudest),
        *caution_proposals(system, tuning, loudest),
        *cost_proposals(system, before, after),
        *result_proposals(system, before, after),
    ]
