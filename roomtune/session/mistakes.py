"""The mistakes people make when they type in a tuning, each as a change of the parts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roomtune.processor.filters import filter_response
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Filter, OutputSetting, Tuning
from roomtune.session.misfit import Complex, Evidence, Place, common_delays_s, place

SAMPLE_RATES_HZ = (44100.0, 48000.0, 88200.0, 96000.0, 192000.0)
DELAY_REACH_MS = 12.0
VALUES = (("frequency_hz", "frequency", "Hz"), ("q", "Q", ""), ("gain_db", "gain", "dB"))
_SLIPS = (0.1, 10.0)


@dataclass(frozen=True, eq=False)
class Mistake:
    """One possible mistake: what it would be, how it misfits, what it makes of the parts.

    `freedom` counts the values that were fitted to suit the measurement; a mistake
    without any is preferred to one that fits hardly better. `known`: where
    its parts are known at all; `later_s`: the time per seat that suits it.
    """

    kind: str
    subject: str
    text: str
    freedom: int
    misfit: float
    make_parts: Callable[[], Complex]
    known: NDArray[np.bool_] | None = None
    later_s: NDArray[np.float64] | None = None

    @cached_property
    def parts(self) -> Complex:
        """The parts as they would be, (channels, outputs, seats, k); made when asked for."""
        return self.make_parts()


def mistakes(evidence: Evidence, tuning: Tuning) -> Iterator[Mistake]:
    """Every mistake considered, with its misfit (complex term only)."""
    for column, output in enumerate(tuning.outputs):
        touched = np.zeros(evidence.parts.shape[:2], dtype=bool)
        touched[:, column] = True
        where = place(evidence, touched)
        if where.pull.max() > 0:
            yield from _at_output(evidence, tuning, output, where)
    for row, channel in enumerate(tuning.channels):
        touched = np.zeros(evidence.parts.shape[:2], dtype=bool)
        touched[row] = True
        where = place(evidence, touched)
        subject = f"channel {channel.name}"
        yield from _gain_and_polarity(evidence, where, subject, channel.gain_db, False)
        for number, item in enumerate(channel.filters, start=1):
            yield from _filter(evidence, tuning, where, subject, number, item)
    yield from _routes(evidence, tuning)
    yield from _exchanges(evidence, tuning)
    yield from _sample_rates(evidence, tuning)


def _made(
    evidence: Evidence,
    where: Place,
    kind: str,
    subject: str,
    text: str,
    freedom: int,
    factor: Complex,
) -> Mistake:
    def parts() -> Complex:
        touched = where.touched[:, :, None, None]
        return np.where(touched, evidence.parts * factor, evidence.parts)

    return Mistake(kind, subject, text, freedom, float(where.misfit(factor)), parts)


def _at_output(
    evidence: Evidence, tuning: Tuning, output: OutputSetting, where: Place
) -> Iterator[Mistake]:
    subject = f"output {output.number} ({output.name})"
    yield from _gain_and_polarity(evidence, where, subject, output.gain_db, output.inverted)
    yield from _delay(evidence, where, subject, output.delay_ms)
    for number, item in enumerate(output.filters, start=1):
        yield from _filter(evidence, tuning, where, subject, number, item)


def _gain_and_polarity(
    evidence: Evidence, where: Place, subject: str, gain_db: float, inverted: bool
) -> Iterator[Mistake]:
    ones: Complex = np.ones(len(evidence.frequencies_hz), dtype=complex)
    said = "inverted" if inverted else "normal"
    yield _made(evidence, where, "polarity", subject,
        f"{subject}: the polarity is flipped (the tuning says {said}); "
        "check the setting and the wires.", 0, -ones)  # fmt: skip
    yield _made(evidence, where, "silent", subject,
        f"{subject}: nothing is heard of it; check that it is not muted, and its wires.",
        0, 0 * ones)  # fmt: skip
    best = float(np.sum(where.pull * where.best.real) / max(np.sum(where.pull), 1e-300))
    if best == 0:
        return
    change_db = float(20 * np.log10(abs(best)))
    yield _made(evidence, where, "gain", subject,
        f"{subject}: the gain is {_amount(change_db, 'dB', 'too high', 'too low')} "
        f"(the tuning says {gain_db:+.1f} dB).", 1, abs(best) * ones)  # fmt: skip
    if best < 0 and abs(change_db) > 0.5:
        yield _made(evidence, where, "polarity and gain", subject,
            f"{subject}: the polarity is flipped and the gain is "
            f"{_amount(change_db, 'dB', 'too high', 'too low')}.", 2, best * ones)  # fmt: skip


def _delay(evidence: Evidence, where: Place, subject: str, delay_ms: float) -> Iterator[Mistake]:
    turn = -2j * np.pi * evidence.frequencies_hz / 1000
    if delay_ms:
        yield _made(evidence, where, "delay", subject,
            f"{subject}: the delay of {delay_ms:.2f} ms is missing.", 0,
            np.exp(-turn * delay_ms))  # fmt: skip
    coarse = np.arange(-min(delay_ms, DELAY_REACH_MS), DELAY_REACH_MS, 0.05)
    found = float(coarse[np.argmin(where.misfit(np.exp(turn * coarse[:, None])))])
    fine = found + np.arange(-0.05, 0.0501, 0.0025)
    found = float(fine[np.argmin(where.misfit(np.exp(turn * fine[:, None])))])
    yield _made(evidence, where, "delay", subject,
        f"{subject}: the delay is {delay_ms + found:.2f} ms instead of {delay_ms:.2f} ms.", 1,
        np.exp(turn * found))  # fmt: skip


def _filter(
    evidence: Evidence, tuning: Tuning, where: Place, subject: str, number: int, item: Filter
) -> Iterator[Mistake]:
    """Missing, with one value slipped, or with one value fitted to the measurement."""
    name = f"{subject}, filter {number} ({describe_filter(item)})"
    swap = _Swap(evidence, tuning, where, item)

    def made(text: str, freedom: int, factor: Complex) -> Mistake:
        return _made(evidence, where, "filter", name, f"{name}: {text}", freedom, factor)

    yield made("it is missing.", 0, swap.without)
    for wrong, text in _slips(item, tuning):
        yield made(text, 0, swap.factor(wrong))
    for field, what, unit in VALUES:
        if getattr(item, field) is not None:
            value = swap.fitted(field)
            text = f"the {what} seems to be {value:.4g} {unit}".strip() + " instead."
            yield made(text, 1, swap.factor(_changed(item, field, value)))


class _Swap:
    """What happens to the parts when one filter is exchanged for another."""

    def __init__(self, evidence: Evidence, tuning: Tuning, where: Place, item: Filter) -> None:
        self._evidence, self._tuning, self._where, self._item = evidence, tuning, where, item
        right = _response(item, tuning, evidence)
        usable = np.abs(right) > 1e-4
        self.without = np.where(usable, 1 / np.where(usable, right, 1), 1.0 + 0j)

    def factor(self, wrong: Filter) -> Complex:
        """Response of the wrong filter over the right one's (1 where that is nothing)."""
        response = _response(wrong, self._tuning, self._evidence)
        unusable = self.without == 1.0
        return np.where(unusable, 1.0 + 0j, response * self.without)

    def cost(self, field: str, value: float) -> float:
        """Misfit if the filter had that value."""
        factor = self.factor(_changed(self._item, field, value))
        return float(self._where.misfit(factor))

    def fitted(self, field: str) -> float:
        """The value that fits best: a coarse scan, then a bounded search about the best."""
        from scipy.optimize import minimize_scalar

        values = _candidates(field, getattr(self._item, field), self._tuning)
        costs = [self.cost(field, value) for value in values]
        best = int(np.argmin(costs))
        bounds = values[max(best - 1, 0)], values[min(best + 1, len(values) - 1)]
        found = minimize_scalar(
            lambda value: self.cost(field, value),
            bounds=bounds,
            method="bounded",
            options={"maxiter": 20},
        )
        return float(found.x) if found.fun < costs[best] else values[best]


def _changed(item: Filter, field: str, value: float) -> Filter:
    return replace(item, **{field: value})  # type: ignore[arg-type]


def _slips(item: Filter, tuning: Tuning) -> Iterator[tuple[Filter, str]]:
    """Wrong signs, decimal points, orders and families."""
    if item.gain_db:
        yield replace(item, gain_db=-item.gain_db), "its gain has the wrong sign."
    if item.frequency_hz:
        for factor in _SLIPS:
            wrong = item.frequency_hz * factor
            if 5 < wrong < 0.49 * tuning.sample_rate_hz:
                text = f"the decimal point slipped: {wrong:g} Hz was set."
                yield replace(item, frequency_hz=wrong), text
    if item.q:
        for factor in _SLIPS:
            yield (
                replace(item, q=item.q * factor),
                f"the decimal point slipped: Q {item.q * factor:g} was set.",
            )
    if item.family and item.order:
        for order in {1, 2, 3, 4, 6, 8} - {item.order}:
            if item.family != "Linkwitz-Riley" or order % 2 == 0:
                yield replace(item, order=order), f"it has order {order} instead."
        for family in ("Butterworth", "Linkwitz-Riley", "Bessel"):
            if family != item.family and (family != "Linkwitz-Riley" or item.order % 2 == 0):
                yield replace(item, family=family), f"it is {family} instead."


def _candidates(field: str, value: float, tuning: Tuning) -> list[float]:
    if field == "gain_db":
        return list(value + np.arange(-15, 15.1, 1.5))
    factors = 2.0 ** np.arange(-3.5, 3.51, 0.125 if field == "frequency_hz" else 0.5)
    limit = 0.49 * tuning.sample_rate_hz if field == "frequency_hz" else 50.0
    return [float(v) for v in value * factors if v < limit]


def _response(item: Filter, tuning: Tuning, evidence: Evidence) -> Complex:
    return filter_response(
        item, tuning.sample_rate_hz, evidence.frequencies_hz, tuning.number_format
    )


def _routes(evidence: Evidence, tuning: Tuning) -> Iterator[Mistake]:
    outputs = [o.name for o in tuning.outputs]
    channels = [c.name for c in tuning.channels]
    for route in tuning.routes:
        touched = np.zeros(evidence.parts.shape[:2], dtype=bool)
        touched[channels.index(route.channel), outputs.index(route.output)] = True
        where = place(evidence, touched)
        subject = f"route {route.channel} to {route.output}"
        if where.pull.max() > 0:
            yield from _gain_and_polarity(evidence, where, subject, route.gain_db, route.inverted)


def _exchanges(evidence: Evidence, tuning: Tuning) -> Iterator[Mistake]:
    outputs, channels = tuning.outputs, tuning.channels
    for order in _swaps(len(outputs)):
        names = " and ".join(
            f"{outputs[i].number} ({outputs[i].name})"
            for i in np.flatnonzero(order != _plain(order))
        )
        text = f"outputs {names} are exchanged: check wires and what was typed where."
        electrical = evidence.electrical[:, order]
        yield _whole(evidence, "exchanged outputs", f"outputs {names}", text, electrical)
    for order in _swaps(len(channels)):
        names = " and ".join(channels[i].name for i in np.flatnonzero(order != _plain(order)))
        text = f"channels {names} are exchanged: check the cables into the amplifier, and routes."
        electrical = evidence.electrical[order]
        yield _whole(evidence, "exchanged channels", f"channels {names}", text, electrical)


def _swaps(count: int) -> Iterator[NDArray[np.int_]]:
    """Every order of `count` things in which two have changed places."""
    for first in range(count):
        for second in range(first + 1, count):
            order = np.arange(count)
            order[[first, second]] = second, first
            yield order


def _plain(order: NDArray[np.int_]) -> NDArray[np.int_]:
    return np.arange(len(order))


def _sample_rates(evidence: Evidence, tuning: Tuning) -> Iterator[Mistake]:
    """Coefficients and delays made for one rate, clocked at another: all frequencies scale."""
    for rate in SAMPLE_RATES_HZ:
        if rate == tuning.sample_rate_hz:
            continue
        scaled = evidence.frequencies_hz * tuning.sample_rate_hz / rate
        inside = scaled <= tuning.sample_rate_hz / 2
        electrical = np.zeros_like(evidence.electrical)
        electrical[..., inside] = tuning_response(tuning, scaled[inside])
        text = (
            f"The processor runs at {rate:g} Hz, but the tuning was made for "
            f"{tuning.sample_rate_hz:g} Hz: set the rate, or advise for that rate."
        )
        yield _whole(evidence, "sample rate", "the processor", text, electrical)


def _whole(evidence: Evidence, kind: str, subject: str, text: str, electrical: Complex) -> Mistake:
    """A mistake that concerns many parts: with its own time offset, and what is not known."""
    parts = electrical[:, :, None, :] * evidence.acoustical
    known = evidence.known(electrical, np.arange(electrical.shape[1]))
    later_s = common_delays_s(evidence, parts)
    aligned = evidence.later_by(later_s)
    misfit = aligned.total(parts, known)
    return Mistake(kind, subject, text, 0, misfit, lambda: parts, known, later_s)


def describe_filter(item: Filter) -> str:
    """A filter in words: "peaking 412 Hz, Q 4.0, -6.0 dB"."""
    if item.type in ("biquad", "fir"):
        return item.type if item.type == "biquad" else f"fir of {len(item.taps or ())} taps"
    parts = [f"{item.type} {item.frequency_hz:g} Hz"]
    if item.family:
        parts.append(f"{item.family} order {item.order}")
    if item.q is not None:
        parts.append(f"Q {item.q:g}")
    if item.gain_db is not None:
        parts.append(f"{item.gain_db:+g} dB")
    return ", ".join(parts)


def _amount(value: float, unit: str, above: str, below: str) -> str:
    return f"{abs(value):.1f} {unit} {above if value > 0 else below}"
