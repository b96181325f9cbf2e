"""The whole advice: all steps in order, the polish, and the final prediction."""

from __future__ import annotations

from dataclasses import dataclass, replace

from roomtune.advisor.aims import Aims, problem_for
from roomtune.advisor.alignment import (
    aligned_to_latest,
    arrivals_aligned,
    arriving_together,
    channels_trimmed,
    levels_aligned,
)
from roomtune.advisor.arrangement import Arrangement, arranged, arrangement, subwoofer_places
from roomtune.advisor.bands import band_proposals, usable_bands
from roomtune.advisor.bass_crossover import bass_choices, with_bass_crossover
from roomtune.advisor.boosts import within_boost
from roomtune.advisor.cautions import caution_proposals
from roomtune.advisor.channel_filters import with_channel_filters
from roomtune.advisor.drivers import join_drivers
from roomtune.advisor.energy import energy_model
from roomtune.advisor.equalising import equalised, polished, rounded_in_turn, rules_of, without_idle
from roomtune.advisor.explaining import (
    alignment_proposals,
    bass_proposals,
    equaliser_proposals,
    result_proposals,
)
from roomtune.advisor.fir_filters import with_fir
from roomtune.advisor.held_filters import format_proposals, held_better
from roomtune.advisor.layout import bass_crossover_hz
from roomtune.advisor.limit_explaining import limit_proposals, loudness_proposals
from roomtune.advisor.limits import back_within_headroom, limited, within_headroom
from roomtune.advisor.maximum_level import maximum_levels, pressure_of_unity_pa
from roomtune.advisor.measured import Measured
from roomtune.advisor.pinning import (
    channels_within_headroom,
    has_pins,
    pin_proposals,
    pinned,
    with_pinned_polarities,
)
from roomtune.advisor.polarity import correct_polarities, signs
from roomtune.advisor.prediction import predict
from roomtune.advisor.proposal import Advice, Proposal
from roomtune.advisor.refusals import mode_proposals, refusal_proposals
from roomtune.advisor.seat_measures import cost_proposals
from roomtune.advisor.settings import moved, on_whole_samples, with_state
from roomtune.advisor.shared_bass import shared_bass, shared_proposals, with_shared_gains
from roomtune.advisor.sounds import DirectSoundTable, direct_sound_table
from roomtune.advisor.starting import STARTING_BASS_HZ, starting_tuning
from roomtune.advisor.state import neutral
from roomtune.advisor.stepping import stepped
from roomtune.advisor.subwoofers import Junction, bass_gain_db, joined, junction, together_ms
from roomtune.advisor.worth import Case, with_effects
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Tuning
from roomtune.system.model import System
from roomtune.system.permitting import permitted

ARRIVAL_GOAL_MS, ALIGNMENTS = 0.04, 3


def plan(system: System, measured: Measured, previous: Tuning | None = None) -> Advice:
    """Turn measured responses into one complete tuning with its reasons.

    `before` in the result is the prediction of `previous`, or of the textbook
    tuning without one. Raises ValueError when the main seat was not measured.
    """
    starting = rounded(previous or starting_tuning(system), system.processor)
    system = permitted(system)
    bass_hz = bass_crossover_hz(system, STARTING_BASS_HZ)
    tuning = starting_tuning(system, bass_hz)
    aims = Aims(system, measured, energy_model(measured, tuning))
    bands = usable_bands(aims)
    table = direct_sound_table(measured, aims.main_seat)
    tuning, polarity_notes = correct_polarities(system, measured, tuning, table)
    natural = signs(tuning)
    tuning = with_pinned_polarities(system, tuning)
    polarity_notes = [p for p in polarity_notes if p.subject not in system.wishes.polarities]
    tuning, crossover_notes = join_drivers(aims, tuning, table, bands)
    tuning, arrival_ms = arrivals_aligned(system, measured, levels_aligned(aims, tuning))
    shared = shared_bass(aims, tuning, table, bass_hz)
    tuning = with_shared_gains(aims, tuning, shared)
    choices = bass_choices(aims, tuning, table, arrival_ms, bands)
    if choices and not system.wishes.bass_crossover_hz:
        bass_hz = choices[0].frequency_hz
        tuning = with_bass_crossover(system, tuning, bass_hz)
    tuning, bass = _with_bass(aims, tuning, table, bass_hz, arrival_ms)
    tuning = pinned(system, tuning)
    own = replace(neutral(len(measured.outputs)), sections=bass.arrangement.sections)
    state = equalised(aims, tuning, bass_hz, own)
    problem = problem_for(aims, tuning)
    state = without_idle(polished(aims, problem, state))
    state = rounded_in_turn(aims, problem, state)
    tuning, finishing_notes = _finished(aims, with_state(tuning, state, measured.outputs))
    before, prediction = predict(starting, measured), predict(tuning, measured)
    unity_pa = pressure_of_unity_pa(system, measured.responses.unit)
    loudest = maximum_levels(system, tuning, prediction, unity_pa)
    proposals = [
        *band_proposals(bands),
        *polarity_notes,
        *pin_proposals(system, tuning, natural),
        *crossover_notes,
        *bass_proposals(aims, tuning, bass_hz, bass.arrangement, bass.junction, choices),
        *shared_proposals(shared, tuning),
        *alignment_proposals(aims, tuning),
        *equaliser_proposals(aims, tuning, state),
        *mode_proposals(aims, state),
        *refusal_proposals(aims, tuning),
        *finishing_notes,
        *limit_proposals(system, tuning),
        *loudness_proposals(loudest),
        *caution_proposals(system, tuning, loudest),
        *cost_proposals(system, before, prediction),
        *result_proposals(system, before, prediction),
    ]
    proposals = with_effects(
        Case(aims, tuning, starting_tuning(system), bass_hz, bass.junction), proposals
    )
    return Advice(tuning, tuple(proposals), prediction, before, starting)


@dataclass(frozen=True)
class _Bass:
    arrangement: Arrangement
    junction: Junction


def _with_bass(
    aims: Aims, tuning: Tuning, table: DirectSoundTable, bass_hz: float, arrival_ms: float
) -> tuple[Tuning, _Bass]:
    """Subwoofers arranged, levelled and joined to the main loudspeakers.

    Their own sections are judged along but not put into the tuning: they stay
    free for the equaliser.
    """
    subs = [aims.model.outputs[place] for place in subwoofer_places(aims)]
    start = together_ms(aims, table, arrival_ms)
    rules = rules_of(aims, aims.system.processor.filters_per_output // 3)
    alone = {aims.system.output(name).loudspeaker for name in subs}
    may_filter = not alone & set(aims.system.wishes.leave_alone)
    top_hz = max(1.25 * bass_hz, 60.0)
    found = arrangement(aims, tuning, start, top_hz, rules if may_filter else None)
    tuning = arranged(aims, tuning, found)
    own = replace(neutral(len(aims.model.outputs)), sections=found.sections)
    names = aims.model.outputs
    change = bass_gain_db(aims, with_state(tuning, own, names), bass_hz)
    tuning = moved(tuning, gains_db=dict.fromkeys(subs, change))
    meeting = junction(aims, with_state(tuning, own, names), bass_hz)
    return joined(aims, tuning, meeting), _Bass(found, meeting)


def _finished(aims: Aims, tuning: Tuning) -> tuple[Tuning, list[Proposal]]:
    """Arrivals and levels set finally, headroom made, everything on the processor's steps."""
    system = aims.system

    def aligned(held: Tuning, arrivals_ms: dict[str, float]) -> Tuning:
        return rounded(aligned_to_latest(system, held, arrivals_ms), system.processor)

    tuning, _ = arrivals_aligned(system, aims.measured, on_whole_samples(tuning))
    tuning = within_headroom(system, channels_trimmed(aims, tuning))
    tuning = within_boost(system, rounded(limited(system, tuning), system.processor))
    wanted = rounded(stepped(aims, tuning), system.processor)
    wanted, notes = with_channel_filters(aims, wanted)
    held = held_better(system, wanted)
    notes += format_proposals(wanted, held)
    held, fir_notes = with_fir(aims, held)
    notes += fir_notes
    tuning = arriving_together(system, aims.measured, held, aligned, ALIGNMENTS, ARRIVAL_GOAL_MS)
    if has_pins(system):
        tuning = rounded(pinned(system, tuning), system.processor)
    tuning = rounded(channels_trimmed(aims, tuning), system.processor)
    if system.wishes.gains_db:
        tuning = limited(system, channels_within_headroom(system, tuning))
    return rounded(back_within_headroom(system, tuning), system.processor), notes
