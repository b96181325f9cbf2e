"""How the outputs of many seats are measured: one by one, together, or learning first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from roomtune.capture.expected_room import CAUTIOUS_ROOM, Room, expected_room
from roomtune.capture.interface import AudioInterface
from roomtune.capture.measure import CapturedTake, capture_many
from roomtune.capture.packed_signals import loudest_together_dbfs, most_at_once
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import schedule
from roomtune.capture.take import Take
from roomtune.capture.together import OnCaptured, OnProgress, SeatPlan, capture_seat, plan_seat

Way = Literal["one by one", "learning", "together"]


class Learner:
    """Captures seat after seat, and learns from each what the next may be packed by.

    "learning": one by one until every output was measured alone once, at whatever
    seat, then together; "together": from the first seat on, by cautious guesses
    where nothing is known; "one by one": never together.
    """

    def __init__(self, way: Way, earlier: Iterable[Take] = ()) -> None:
        self.way = way
        self.known = [take for take in earlier if take.verdict.grade != "repeat"]
        self._room: Room | None = None

    @property
    def room(self) -> Room:
        """What is known of room and drivers so far."""
        if self._room is None:
            self._room = expected_room(self.known) if self.known else CAUTIOUS_ROOM
        return self._room

    def packs(self, requests: Sequence[TakeRequest]) -> bool:
        """Whether requests of one seat may be made together now."""
        heard = {take.source for take in self.known}
        learned = all(request.source in heard for request in requests if not request.by_hand)
        return self.way == "together" or (self.way == "learning" and learned)

    def plan(self, requests: Sequence[TakeRequest]) -> SeatPlan:
        """How the takes of one seat would be made now."""
        if self.packs(requests):
            return plan_seat(requests, self.room)
        return one_by_one(requests)

    def capture(
        self,
        interface: AudioInterface,
        requests: Sequence[TakeRequest],
        on_captured: OnCaptured | None = None,
        on_progress: OnProgress | None = None,
        before_by_hand: Callable[[TakeRequest], None] | None = None,
    ) -> tuple[CapturedTake, ...]:
        """Capture the requests of one seat as `capture_seat` or `capture_many` does."""
        talk = (on_captured, on_progress, before_by_hand)
        if self.packs(requests):
            return capture_seat(interface, requests, self.room, *talk)
        made = capture_many(interface, requests, *talk)
        if self.way != "one by one":
            self.known += [item.take for item in made if item.take.verdict.grade != "repeat"]
            self._room = None
        return made


def one_by_one(requests: Sequence[TakeRequest]) -> SeatPlan:
    """The plan that makes every take alone."""
    whole_s = sum(schedule(request).total_s for request in requests)
    return SeatPlan(None, tuple(requests), (), whole_s, whole_s)


def foreseen(requests: Sequence[TakeRequest], learner: Learner) -> tuple[SeatPlan, ...]:
    """The plans of all seats as far as they can be told now.

    What will be learned on the way is foreseen as the cautious guess, so that it
    rather takes less time.
    """
    plans = []
    guess = Learner(learner.way, learner.known)
    for seat in dict.fromkeys(request.seat for request in requests):
        at_seat = [request for request in requests if request.seat == seat]
        plans.append(guess.plan(at_seat))
        if not guess.packs(at_seat) and guess.way == "learning":
            guess = Learner("together")
    return tuple(plans)


def told(plans: Sequence[SeatPlan]) -> tuple[str, ...]:
    """What to say of plans before the sound: times, gain, sounds at once, reasons."""
    passages = [plan.together for plan in plans if plan.together is not None]
    reasons = tuple(dict.fromkeys(reason for plan in plans for reason in plan.reasons))
    if not passages:
        return reasons
    time_s, alone_s = (sum(getattr(p, name) for p in plans) for name in ("time_s", "one_by_one_s"))
    at_once = max(most_at_once(whole.packing) for whole in passages)
    loudest_db = max(loudest_together_dbfs(whole.packing) for whole in passages)
    return (
        f"Overlapping sweeps at {len(passages)} of {len(plans)} seats: about {time_s:.0f} s of "
        f"sound instead of {alone_s:.0f} s.",
        f"Up to {at_once} outputs sound at once there, each under its own limit, all together "
        f"at most {loudest_db:.1f} dB re digital full scale.",
        *reasons,
    )
