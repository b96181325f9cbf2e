"""A round of takes: every request at every seat, kept as soon as it is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from roomtune.cli.show import progress, say

if TYPE_CHECKING:
    from roomtune.capture.measure import CapturedTake
    from roomtune.capture.requests import CaptureSettings, TakeRequest
    from roomtune.capture.take import Take
    from roomtune.capture.ways import Way
    from roomtune.cli.stage import Stage
    from roomtune.processor.tuning import Tuning
    from roomtune.session.folder import Session
    from roomtune.system.model import System


def run_round(
    stage: Stage,
    session: Session,
    requests: Sequence[TakeRequest],
    what: str,
    through: str | None = None,
    way: Way = "one by one",
) -> tuple[str, ...]:
    """Make and keep all takes, and the means of repeats; a sentence for each that stayed bad.

    `through` names the tuning that the amplifier ran meanwhile; `way` how the
    outputs at a seat follow each other (`roomtune.capture.ways`).
    """
    from roomtune.capture.ways import Learner

    learner = Learner(way, () if way == "one by one" else session.takes(kind="output"))
    bad: dict[tuple[str, str], str] = {}
    doubts: dict[tuple[str, str], str] = {}
    begun: set[tuple[str, str]] = set()
    with session.measuring(), progress(len(requests), what) as advance:

        def keep(captured: CapturedTake) -> None:
            take = captured.take
            session.add(captured, through=through)
            place = (take.source, take.seat)
            bad.pop(place, None)
            doubts.pop(place, None)
            if take.verdict.grade != "good":
                told = bad if take.verdict.grade == "repeat" else doubts
                told[place] = _reasons(take)

        def announce(request: TakeRequest, attempt: int) -> None:
            again = f", attempt {attempt}" if attempt > 1 else ""
            place = (request.source, request.seat)
            advance(f"{request.source} at {request.seat}{again}", place not in begun)
            begun.add(place)

        for seat in dict.fromkeys(request.seat for request in requests):
            stage.go_to(seat)
            at_seat = [request for request in requests if request.seat == seat]
            made = learner.capture(
                stage.interface,
                at_seat,
                on_captured=keep,
                on_progress=announce,
                before_by_hand=stage.switch_to,
            )
            for mean in (item for item in made if item.request.settings.repeats > 1):
                session.add(mean, through=through)
            if any(request.by_hand for request in at_seat):
                stage.switch_back()
    for doubt in doubts.values():
        say(f"Usable, but {doubt}")
    return tuple(bad.values())


def _reasons(take: Take) -> str:
    """What was found in a take, in one sentence."""
    findings = "; ".join(finding.text for finding in take.verdict.findings)
    return f"{take.source} at {take.seat}: {findings}"


PASSED_WITHIN_DB, BELOW_LIMITER_DB = 24.0, 1.0


def channel_round(
    system: System, settings: CaptureSettings, tuning: Tuning, seats: Sequence[str]
) -> list[TakeRequest]:
    """One request per channel and seat, no louder than any output's limit allows.

    Each sweep covers what the tuning lets through: nobody waits for the LFE channel at 1 kHz.
    """
    from roomtune.capture.requests import channel_requests

    level = channel_level_dbfs(system, tuning)
    players = {
        channel.name: tuple(r.output for r in tuning.routes if r.channel == channel.name)
        for channel in system.channels
    }
    return [
        within_what_passes(request, tuning)
        for seat in seats
        for request in channel_requests(system, settings, seat, level, players)
    ]


def within_what_passes(request: TakeRequest, tuning: Tuning) -> TakeRequest:
    """The request, its sweep no wider than where the tuning is within 24 dB of its most.

    Left as it is where less than an octave would be left.
    """
    import numpy as np

    from roomtune.processor.response import tuning_response

    sweep = request.sweep
    frequencies_hz = np.geomspace(sweep.start_hz, sweep.stop_hz, 400)
    row = [channel.name for channel in tuning.channels].index(request.source)
    gains = np.abs(tuning_response(tuning, frequencies_hz)[row]).max(axis=0)
    passed = frequencies_hz[gains >= gains.max() * 10 ** (-PASSED_WITHIN_DB / 20)]
    low_hz, high_hz = float(passed[0]), float(passed[-1])
    if high_hz < 2 * low_hz:
        return request
    return replace(request, sweep=replace(sweep, start_hz=low_hz, stop_hz=high_hz))


def channel_level_dbfs(system: System, tuning: Tuning) -> float:
    """Highest channel level at which no output passes its own limit, in dB re full scale.

    Nor its limiter, with a decibel to spare: a limiter at work is no part of the prediction.
    """
    import numpy as np

    from roomtune.processor.response import tuning_response

    frequencies_hz = np.geomspace(10, 0.45 * tuning.sample_rate_hz, 500)
    peaks = np.abs(tuning_response(tuning, frequencies_hz)).max(axis=(0, 2))
    gains_db = 20 * np.log10(np.maximum(peaks, 1e-6))
    allowed = [
        min(
            system.output(o.name).maximum_level_dbfs,
            o.limiter.threshold_dbfs - BELOW_LIMITER_DB if o.limiter else 0.0,
        )
        for o in tuning.outputs
    ]
    return float(min(0.0, *(limit - gain for limit, gain in zip(allowed, gains_db, strict=True))))
