"""All views of a session by name: what each shows, what it can be told, who makes it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from roomtune.report.subject import Subject
    from roomtune.report.view import View

SMOOTHING, WINDOW, UNTIL, THIRDS, NEAR = "smoothing", "window", "until", "thirds", "near"


@dataclass(frozen=True)
class Entry:
    """One view: a line of help, the module and function, what else it can be told.

    seats: which are looked at when none is chosen; options: names of the
    choices that change it; smoothing: the usual fraction of an octave; picture:
    one figure, one for each output at each seat, or none.
    """

    line: str
    where: str
    seats: Literal["main", "all"] = "main"
    options: tuple[str, ...] = ()
    smoothing: float | None = 12.0
    picture: Literal["one", "each", "none"] = "one"

    def look(self, subject: Subject) -> View:
        """Make the view; RoomtuneError where the session cannot tell it."""
        module, name = self.where.split(":")
        maker: Callable[[Subject], View] = getattr(
            import_module(f"roomtune.report.view_{module}"), name
        )
        return maker(subject)


VIEWS: dict[str, Entry] = {
    "overview": Entry("every output in a line, decay, modes", "overview:overview", "all"),
    "response": Entry("level against frequency", "level:response", options=(SMOOTHING, WINDOW)),
    "pressure": Entry(
        "levels with A and C weighting, level at 1 m", "level:pressure", picture="none"
    ),
    "direct": Entry(
        "the loudspeaker without the room", "direct:direct", options=(SMOOTHING, WINDOW, NEAR)
    ),
    "phase": Entry(
        "phase, excess phase, group delay", "phase:phase", "main", (SMOOTHING, WINDOW), None
    ),
    "time": Entry("impulse, step, energy over time", "time:time", options=(UNTIL,)),
    "fading": Entry(
        "spectrum of what is left after each time", "time:fading", options=(UNTIL,), picture="each"
    ),
    "spectrogram": Entry(
        "level over time and frequency, fixed window",
        "time:windowed_spectrum",
        options=(UNTIL,),
        picture="each",
    ),
    "wavelets": Entry(
        "the same, a constant number of cycles", "time:wavelets", options=(UNTIL,), picture="each"
    ),
    "decay": Entry("EDT, T20, T30, C50, C80, D50, Ts per band", "decay:decays", options=(THIRDS,)),
    "modes": Entry("the room's modes and what drives them", "modes:modes", "all"),
    "reflections": Entry("early reflections and their surfaces", "reflections:reflections"),
    "noise": Entry("background noise against NC and NR", "noise:noise", "all"),
    "distortion": Entry(
        "harmonics 2 to 9 against frequency", "distortion:harmonics", picture="each"
    ),
    "range": Entry(
        "how low, how high and how loud each output plays", "range:reach", "all", picture="none"
    ),
    "box": Entry("sealed boxes against their drivers' data", "box:box", options=(NEAR,)),
    "seats": Entry(
        "averages, spread, what seats have in common", "seats:seats", "all", (SMOOTHING,)
    ),
    "correctable": Entry("what an equaliser can correct", "seats:correctable", "all"),
}
