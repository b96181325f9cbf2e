"""What a report is made of, gathered from the other rooms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

from roomtune.advisor.measured import Measured
from roomtune.advisor.proposal import Advice
from roomtune.advisor.scores import Scores, scores
from roomtune.capture.take import Take
from roomtune.session.comparison import Comparison
from roomtune.session.verification import Verification
from roomtune.system.model import System


@dataclass(frozen=True, eq=False)
class Content:
    """Everything that a report can tell; whatever is missing is left out of it."""

    system: System
    session_name: str = ""
    created_at: str = ""
    state: str = ""
    notes: tuple[str, ...] = ()
    measured: Measured | None = None
    advice: Advice | None = None
    verification: Verification | None = None
    comparison: Comparison | None = None
    takes: Sequence[Take] = field(default=())
    alone: Verification | None = None  # of single outputs, all others muted

    @cached_property
    def scores_before(self) -> Scores | None:
        """Figures of merit of the starting tuning."""
        return None if self.advice is None else _scores(self.system, self.advice.before)

    @cached_property
    def scores_after(self) -> Scores | None:
        """Figures of merit predicted for the new tuning."""
        return None if self.advice is None else _scores(self.system, self.advice.prediction)


def _scores(system: System, prediction) -> Scores | None:  # type: ignore[no-untyped-def]
    """Scores, arrivals included where the prediction is on its whole grid."""
    if system.main_seat.name not in prediction.seats:
        return None
    try:
        responses = prediction.impulse_responses
    except ValueError:
        responses = prediction.response
    return scores(system, prediction.channels, prediction.seats, responses)
