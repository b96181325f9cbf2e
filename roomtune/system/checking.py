"""What no single part of a system can know: references, doubles, contradictions.

Each check takes the parts as far as they are sound by themselves (see `Draft`)
and yields faults, so that one wrong value does not hide what else is wrong.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence

from roomtune.system.crossing import CROSSOVER_CHECKS
from roomtune.system.draft import Check, Draft, quoted
from roomtune.system.faults import Fault, Path
from roomtune.system.model import System
from roomtune.system.values import VALUE_CHECKS


def cross_faults(draft: Draft) -> list[Fault]:
    """All contradictions between the parts."""
    return [
        fault for check in (*_CHECKS, *VALUE_CHECKS, *CROSSOVER_CHECKS) for fault in check(draft)
    ]


def system_faults(system: System) -> list[Fault]:
    """All contradictions between the parts of a whole system."""
    lists = {k: getattr(system, k) for k in ("channels", "loudspeakers", "outputs", "seats")}
    tables = {
        k: getattr(system, k) for k in ("microphone", "audio", "processor", "target", "wishes")
    }
    names = {kind: [part.name for part in parts] for kind, parts in lists.items()}
    return cross_faults(Draft(**lists, **tables, names=names, complete=dict.fromkeys(lists, True)))


def _enough(draft: Draft) -> Iterator[Fault]:
    for kind, one in (("channels", "channel"), ("outputs", "output"), ("seats", "seat")):
        if draft.complete[kind] and not getattr(draft, kind):
            yield Fault((kind,), f"there is none; describe at least one {one} in [[{kind}]]")


def _doubles(draft: Draft) -> Iterator[Fault]:
    for kind in ("channels", "loudspeakers", "outputs", "seats"):
        yield from _unique(kind, "name", [part.name for part in getattr(draft, kind)])
    yield from _unique("outputs", "number", [output.number for output in draft.outputs])
    yield from _unique("loudspeakers", "channel", [s.channel for s in draft.loudspeakers])


def _unique(kind: str, key: str, values: Sequence[str | int | None]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for place, value in enumerate(values):
        same = str(value).casefold()
        if value is not None and same in first:
            yield Fault(
                (kind, place, key),
                f"{quoted(value)} is already the {key} of {kind}[{first[same] + 1}]; "
                "each must have its own",
            )
        first.setdefault(same, place)


def _references(draft: Draft) -> Iterator[Fault]:
    for place, output in enumerate(draft.outputs):
        path = ("outputs", place, "loudspeaker")
        yield from _known(draft, "loudspeakers", output.loudspeaker, path)
    for place, speaker in enumerate(draft.loudspeakers):
        yield from _known(draft, "channels", speaker.channel, ("loudspeakers", place, "channel"))
    yield from _known(draft, "outputs", draft.audio.reference_output, ("audio", "reference_output"))
    for name in draft.wishes.crossovers_hz or ():
        yield from _known(draft, "loudspeakers", name, ("wishes", "crossovers_hz", name))
    for place, name in enumerate(draft.wishes.leave_alone or ()):
        yield from _known(draft, "loudspeakers", name, ("wishes", "leave_alone", place))
    for key in ("gains_db", "delays_ms", "polarities"):
        for name in getattr(draft.wishes, key) or ():
            yield from _known(draft, "outputs", name, ("wishes", key, name))


def _pins(draft: Draft) -> Iterator[Fault]:
    """Pinned gains and delays within what the processor has."""
    knobs = {"gains_db": draft.processor.gain_db, "delays_ms": draft.processor.delay_ms}
    for key, knob in knobs.items():
        for name, value in (getattr(draft.wishes, key) or {}).items():
            if knob is not None and not knob.minimum <= value <= knob.maximum:
                yield Fault(
                    ("wishes", key, name),
                    f"got {value:g}, expected {knob.minimum:g} to {knob.maximum:g}: "
                    "the processor has no more",
                )


def _known(draft: Draft, kind: str, name: str | None, path: Path) -> Iterator[Fault]:
    names = draft.names.get(kind, [])
    if name is None or name in names:
        return
    close = difflib.get_close_matches(name.casefold(), [n.casefold() for n in names], 1)
    hint = next((f'did you mean "{n}"?' for n in names if close and n.casefold() == close[0]), "")
    hint = hint or (f"known are {', '.join(names)}" if names else f"there are no {kind}")
    yield Fault(path, f'"{name}" is none of the {kind}; {hint}')


def _idle(draft: Draft) -> Iterator[Fault]:
    """Loudspeakers without outputs, main channels without a loudspeaker."""
    if not all(draft.complete.values()) or any(_references(draft)):
        return
    used = {output.loudspeaker for output in draft.outputs}
    for place, speaker in enumerate(draft.loudspeakers):
        if speaker.name not in used:
            yield Fault(
                ("loudspeakers", place),
                f"no output drives it; give an output loudspeaker = {quoted(speaker.name)}",
            )
    served = {speaker.channel for speaker in draft.loudspeakers}
    for place, channel in enumerate(draft.channels):
        if channel.kind == "main" and channel.name not in served:
            yield Fault(
                ("channels", place),
                f"no loudspeaker reproduces it; give one channel = {quoted(channel.name)}",
            )


def _subwoofers(draft: Draft) -> Iterator[Fault]:
    lfe = {c.name for c in draft.channels if c.kind == "low frequency effects"}
    drivers: dict[str, set[str]] = {}
    for output in draft.outputs:
        if output.loudspeaker is not None and output.driver is not None:
            drivers.setdefault(output.loudspeaker, set()).add(output.driver)
    for place, speaker in enumerate(draft.loudspeakers):
        if speaker.channel is None:
            continue
        path = ("loudspeakers", place, "channel")
        if speaker.channel in lfe:
            yield Fault(
                path,
                f"{quoted(speaker.channel)} is a low frequency effects channel, which all that "
                "can play it share; leave the key out",
            )
        elif drivers.get(speaker.name) == {"subwoofer"} and draft.complete["outputs"]:
            yield Fault(
                path,
                f"it has only subwoofers, yet should reproduce {quoted(speaker.channel)} whole; "
                "leave the key out: it takes redirected bass",
            )


def _seats(draft: Draft) -> Iterator[Fault]:
    mains = [place for place, seat in enumerate(draft.seats) if seat.main]
    for place in mains[1:]:
        yield Fault(
            ("seats", place, "main"),
            f"seats[{mains[0] + 1}] is already the main seat; only one can be",
        )
    if not draft.complete["seats"]:
        return
    if len(draft.seats) > 1 and not mains:
        first = draft.seats[0].name
        yield Fault(
            ("seats",),
            f"none of {len(draft.seats)} is the main seat; write main = true at one, "
            f"such as {quoted(first)}",
        )
    if draft.seats and not sum(seat.weight for seat in draft.seats) > 0:
        yield Fault(("seats",), "all weights are 0; give at least one seat a weight above 0")


def _playback(draft: Draft) -> Iterator[Fault]:
    direct: dict[int, int] = {}
    for place, output in enumerate(draft.outputs):
        if output.playback is None:
            continue
        number = output.playback.interface_output
        path = ("outputs", place, "playback")
        if output.playback.by_hand and not output.playback.instruction.strip():
            yield Fault(
                path,
                "by_hand needs an instruction; add instruction = "
                f'"switch ... so that only {output.name} plays"',
            )
        if output.playback.by_hand:
            continue
        if number in direct:
            yield Fault(
                (*path, "interface_output"),
                f"{number} already plays outputs[{direct[number] + 1}]; each needs its own, "
                "or by_hand = true with an instruction where the amplifier is switched by hand",
            )
        direct.setdefault(number, place)


def _channel_outputs(draft: Draft) -> Iterator[Fault]:
    if not draft.complete["channels"]:
        return
    taken: dict[int, int] = {}
    for place, channel in enumerate(draft.channels):
        number = channel.interface_output or place + 1
        if number in taken:
            yield Fault(
                ("channels", place, "interface_output"),
                f"{number} already carries channels[{taken[number] + 1}]; each needs its own "
                "(without the key it is the channel's place in the list)",
            )
        taken.setdefault(number, place)


def _loopback(draft: Draft) -> Iterator[Fault]:
    output, entry = draft.audio.loopback_output, draft.audio.loopback_input
    if (output is None) != (entry is None):
        missing = "loopback_input" if entry is None else "loopback_output"
        yield Fault(("audio",), f"a loopback has two ends; add {missing} or leave both out")
    if entry is not None and entry == draft.microphone.interface_input:
        yield Fault(("audio", "loopback_input"), f"{entry} is already the microphone's input")
    for place, item in enumerate(draft.outputs):
        if item.playback is None or output is None:
            continue
        if item.playback.interface_output == output:
            yield Fault(
                ("outputs", place, "playback", "interface_output"),
                f"{output} is the loopback_output under [audio]; use another one",
            )


_CHECKS: tuple[Check, ...] = (
    _enough,
    _doubles,
    _references,
    _pins,
    _idle,
    _subwoofers,
    _seats,
    _playback,
    _channel_outputs,
    _loopback,
)
