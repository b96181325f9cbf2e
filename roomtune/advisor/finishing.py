"""The last steps: arrivals and levels set finally, headroom made, everything on its steps."""

from __future__ import annotations

from roomtune.advisor.aims import Aims
from roomtune.advisor.alignment import (
    aligned_to_latest,
    arrivals_aligned,
    arriving_together,
    channels_trimmed,
)
from roomtune.advisor.channel_filters import with_channel_filters
from roomtune.advisor.fir_filters import with_fir
from roomtune.advisor.held_filters import format_proposals, held_better
from roomtune.advisor.lfe_level import lfe_levelled
from roomtune.advisor.limits import back_within_headroom, limited, within_headroom
from roomtune.advisor.pinning import channels_within_headroom, has_pins, pinned
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.settings import on_whole_samples
from roomtune.advisor.settling import settled_within_boost
from roomtune.advisor.shared_bass import with_woofers_alike
from roomtune.advisor.stepping import stepped
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Tuning

ARRIVAL_GOAL_MS, ALIGNMENTS = 0.04, 3


def finished(aims: Aims, tuning: Tuning) -> tuple[Tuning, list[Proposal]]:
    """Arrivals and levels set finally, headroom made, everything on the processor's steps."""
    system = aims.system

    def aligned(held: Tuning, arrivals_ms: dict[str, float]) -> Tuning:
        return rounded(aligned_to_latest(system, held, arrivals_ms), system.processor)

    tuning = with_woofers_alike(aims, tuning)
    tuning, _ = arrivals_aligned(system, aims.measured, on_whole_samples(tuning))
    tuning = within_headroom(system, lfe_levelled(aims, channels_trimmed(aims, tuning)))
    tuning = settled_within_boost(aims, limited(system, tuning))
    wanted = rounded(stepped(aims, tuning), system.processor)
    wanted, notes = with_channel_filters(aims, wanted)
    held = held_better(system, wanted)
    notes += format_proposals(wanted, held)
    held, fir_notes = with_fir(aims, held)
    notes += fir_notes
    tuning = arriving_together(system, aims.measured, held, aligned, ALIGNMENTS, ARRIVAL_GOAL_MS)
    if has_pins(system):
        tuning = rounded(pinned(system, tuning), system.processor)
    tuning = with_woofers_alike(aims, tuning)
    tuning = rounded(lfe_levelled(aims, channels_trimmed(aims, tuning)), system.processor)
    if system.wishes.gains_db:
        tuning = limited(system, channels_within_headroom(system, tuning))
    return rounded(back_within_headroom(system, tuning), system.processor), notes
