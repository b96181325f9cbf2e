"""What no single part of a system can know: references, doubles, contradictions.

Each check takes the parts as far as they are sound by themselves (see `Draft`)
and yields faults, so that one wrong value does not hide what else is wrong.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from roomtune.system.faults import Fault, Path
from roomtune.system.model import (
    AudioSettings,
    Channel,
    Loudspeaker,
    Microphone,
    Output,
    Processor,
    Range,
    Seat,
    Target,
    Wishes,
)

_FIXED_POINT = re.compile(r"\d{1,2}\.\d{1,2}")


@dataclass(frozen=True)
class Draft:
    """The parts of a system before they are known to fit together.

    A key that is not sound by itself holds None, whatever its type says.
    `names` holds every name given; `complete` tells for each list whether all
    of its parts are sound.
    """

    microphone: Microphone
    audio: AudioSettings
    processor: Processor
    target: Target
    wishes: Wishes
    channels: tuple[Channel, ...] = ()
    loudspeakers: tuple[Loudspeaker, ...] = ()
    outputs: tuple[Output, ...] = ()
    seats: tuple[Seat, ...] = ()
    names: dict[str, list[str]] = field(default_factory=dict)
    complete: dict[str, bool] = field(default_factory=dict)


def cross_faults(draft: Draft) -> list[Fault]:
    """All contradictions between the parts."""
    return [fault for check in _CHECKS for fault in check(draft)]


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
                f"{_quoted(value)} is already the {key} of {kind}[{first[same] + 1}]; "
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
                f"no output drives it; give an output loudspeaker = {_quoted(speaker.name)}",
            )
    served = {speaker.channel for speaker in draft.loudspeakers}
    for place, channel in enumerate(draft.channels):
        if channel.kind == "main" and channel.name not in served:
            yield Fault(
                ("channels", place),
                f"no loudspeaker reproduces it; give one channel = {_quoted(channel.name)}",
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
                f"{_quoted(speaker.channel)} is a low frequency effects channel, which all that "
                "can play it share; leave the key out",
            )
        elif drivers.get(speaker.name) == {"subwoofer"} and draft.complete["outputs"]:
            yield Fault(
                path,
                f"it has only subwoofers, yet should reproduce {_quoted(speaker.channel)} whole; "
                "leave the key out: it takes redirected bass",
            )


def _bands(draft: Draft) -> Iterator[Fault]:
    nyquist_hz = (draft.audio.sample_rate_hz or 192000) / 2
    for place, output in enumerate(draft.outputs):
        path = ("outputs", place, "safe_band_hz")
        if output.safe_band_hz is None:
            continue
        low, high = output.safe_band_hz
        got = f"got [{low:g}, {high:g}] Hz"
        if low <= 0:
            yield Fault(path, f"{got}, expected a lower end above 0")
        elif high < low:
            yield Fault(path, f"{got}, expected the lower end first: [{high:g}, {low:g}]")
        elif high <= 1.1 * low:
            yield Fault(path, f"{got}, expected an upper end well above the lower one")
        elif high < 30:
            yield Fault(path, f"{got}: is that kHz? Write [{low * 1000:g}, {high * 1000:g}]")
        elif high > nyquist_hz:
            yield Fault(
                path,
                f"{got}, expected at most {nyquist_hz:g}, half of sample_rate_hz under [audio]",
            )


def _frequencies(draft: Draft) -> Iterator[Fault]:
    """Values that are possible but surely in another unit."""
    named: list[tuple[Path, float | None]] = []
    named.append((("wishes", "bass_crossover_hz"), draft.wishes.bass_crossover_hz))
    for name, values in (draft.wishes.crossovers_hz or {}).items():
        path: Path = ("wishes", "crossovers_hz", name)
        named += [((*path, place), value) for place, value in enumerate(values)]
        if list(values) != sorted(set(values)):
            yield Fault(path, f"got {list(values)}, expected rising frequencies, lowest first")
    named.append((("target", "bass_lift_below_hz"), draft.target.bass_lift_below_hz))
    for place, output in enumerate(draft.outputs):
        if output.data is not None:
            named.append((("outputs", place, "data", "resonance_hz"), output.data.resonance_hz))
    for key, value in named:
        if value is not None and value < 8:
            yield Fault(key, f"got {value:g} Hz, expected at least 8; is that kHz? {_kilo(value)}")


def _kilo(value: float) -> str:
    return f"Write {value * 1000:g}" if value > 0 else "Write it in Hz"


def _crossover_count(draft: Draft) -> Iterator[Fault]:
    if not draft.complete["outputs"] or any(_references(draft)):
        return
    for name, values in (draft.wishes.crossovers_hz or {}).items():
        drivers = {o.driver for o in draft.outputs if o.loudspeaker == name}
        if len(values) != len(drivers) - 1:
            yield Fault(
                ("wishes", "crossovers_hz", name),
                f"got {len(values)} frequencies, expected {max(len(drivers) - 1, 0)}: "
                f"one between each two kinds of driver ({len(drivers)} here)",
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
            f"such as {_quoted(first)}",
        )
    if draft.seats and not sum(seat.weight for seat in draft.seats) > 0:
        yield Fault(("seats",), "all weights are 0; give at least one seat a weight above 0")


def _positions(draft: Draft) -> Iterator[Fault]:
    placed: list[tuple[Path, tuple[float, float, float] | None]] = []
    for place, speaker in enumerate(draft.loudspeakers):
        placed.append((("loudspeakers", place, "position_m"), speaker.position_m))
    for place, seat in enumerate(draft.seats):
        placed.append((("seats", place, "position_m"), seat.position_m))
    for path, position in placed:
        if position is not None and max(map(abs, position)) > 50:
            got = ", ".join(f"{value:g}" for value in position)
            yield Fault(path, f"got [{got}] m, expected within 50 m; is that cm or mm?")


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


def _ranges(draft: Draft) -> Iterator[Fault]:
    for key in ("delay_ms", "gain_db", "filter_gain_db", "filter_q", "filter_frequency_hz"):
        allowed: Range | None = getattr(draft.processor, key)
        if allowed is None:
            continue
        if not allowed.minimum <= allowed.maximum:
            yield Fault(
                ("processor", key),
                f"got minimum {allowed.minimum:g} above maximum {allowed.maximum:g}",
            )
        elif key in ("filter_q", "filter_frequency_hz") and allowed.minimum <= 0:
            yield Fault(("processor", key, "minimum"), "expected more than 0")
        elif key == "delay_ms" and allowed.minimum < 0:
            yield Fault(("processor", key, "minimum"), "a delay cannot be negative")


def _number_format(draft: Draft) -> Iterator[Fault]:
    style = draft.processor.number_format
    if style is None or style in ("float32", "float64"):
        return
    bits = [int(part) for part in style.split(".")] if _FIXED_POINT.fullmatch(style) else []
    if not (bits and min(bits) >= 1 and sum(bits) <= 64):
        yield Fault(
            ("processor", "number_format"),
            f'got {_quoted(style)}, expected "float32", "float64", or integer and fraction bits '
            'of a fixed-point format such as "5.23", at most 64 in all',
        )


def _orders(draft: Draft) -> Iterator[Fault]:
    for family, orders in (draft.processor.crossovers or {}).items():
        kind = "an even order" if family == "Linkwitz-Riley" else "an order"
        for place, order in enumerate(orders):
            if not 1 <= order <= 24 or (family == "Linkwitz-Riley" and order % 2):
                yield Fault(
                    ("processor", "crossovers", family, place),
                    f"got {order}, expected {kind} from 1 to 24 (order 4 falls 24 dB per octave)",
                )


def _target(draft: Draft) -> Iterator[Fault]:
    if (draft.target.shape == "file") != (draft.target.curve_file is not None):
        yield Fault(
            ("target",), 'shape = "file" and curve_file = "..." go together: add the other one'
        )


def _quoted(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


_CHECKS: tuple[Callable[[Draft], Iterator[Fault]], ...] = (
    _enough,
    _doubles,
    _references,
    _idle,
    _subwoofers,
    _bands,
    _frequencies,
    _crossover_count,
    _seats,
    _positions,
    _playback,
    _channel_outputs,
    _loopback,
    _ranges,
    _number_format,
    _orders,
    _target,
)
