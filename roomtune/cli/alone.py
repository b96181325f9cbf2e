"""Measuring single outputs through the tuned amplifier, all others muted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from roomtune.cli.rounds import channel_level_dbfs, run_round, within_what_passes
from roomtune.cli.show import say

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.capture.requests import CaptureSettings, TakeRequest
    from roomtune.cli.stage import Stage
    from roomtune.processor.tuning import Tuning
    from roomtune.session.folder import Session
    from roomtune.session.verification import Verification
    from roomtune.system.model import System


ALONE = "output-verification"


def chosen_outputs(tuning: Tuning, names: Sequence[str]) -> tuple[str, ...]:
    """The outputs of these names, all for "all"; RoomtuneError for one that plays nothing."""
    from roomtune.errors import RoomtuneError
    from roomtune.session.alone import driving_channels

    driven = tuple(driving_channels(tuning))
    if "all" in names:
        return driven
    for name in names:
        if name not in driven:
            raise RoomtuneError(
                f"No channel of the tuning plays the output {name!r}; it plays {', '.join(driven)}."
            )
    return tuple(dict.fromkeys(names))


def request_alone(
    system: System, settings: CaptureSettings, tuning: Tuning, output: str, seat: str
) -> TakeRequest:
    """The take of one output: the channel that drives it loudest, in its own band.

    No louder than all outputs allow, should somebody forget to mute them. Without a
    loopback there is no time reference: the driver that plays the markers is muted.
    """
    from roomtune.capture.requests import Reference, channel_requests
    from roomtune.session.alone import driving_channels, only

    channel = driving_channels(tuning)[output]
    level_dbfs = channel_level_dbfs(system, tuning)
    requests = channel_requests(system, settings, seat, level_dbfs, {channel: (output,)})
    request = next(r for r in requests if r.source == channel)
    request = within_what_passes(request, only(tuning, output, channel))
    if request.reference.kind == "loopback":
        return request
    return replace(request, reference=Reference("none"))


def measure_alone(
    stage: Stage,
    session: Session,
    tuning: Tuning,
    requests: Sequence[tuple[str, TakeRequest]],
    through: str,
) -> None:
    """Make and keep the takes of (output, request), muting all other outputs before each."""
    from roomtune.session.alone import only

    for output, request in requests:
        stage.mute_all_but(only(tuning, output, request.source), output)
        found = run_round(stage, session, [request], output, through_alone(through, output))
        for sentence in found:
            say(f"Not usable: {sentence}")
    say("Unmute all outputs again.")


def through_alone(through: str, output: str) -> str:
    """How takes of one output through a tuning are marked."""
    return f"{through}, only {output}"


def verification_alone(
    session: Session,
    system: System,
    measured: Measured,
    tuning: Tuning,
    outputs: Sequence[str],
    through: str,
) -> Verification:
    """Hold the takes of these outputs against the prediction, and keep the result."""
    from roomtune.cli.responses import channel_takes, correction_of
    from roomtune.session.alone import driving_channels, verify_alone

    takes = {
        name: channel_takes(session, through_alone(through, name)) if name in outputs else ()
        for name in driving_channels(tuning)
    }
    result = verify_alone(system, tuning, measured, takes, correction_of(session, system))
    result = replace(result, through=through)
    session.save_verification(result, ALONE)
    return result
