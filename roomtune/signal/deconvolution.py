"""From recordings of a sweep to impulse responses.

Regularised spectral division, then windows around the linear response and around
those of the distortion orders, which lead it (Novak et al., JAES 63(10), 2015).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.sweeps import (
    BELOW_BAND,
    HIGHEST_ORDER,
    Sweep,
    inverse_spectrum,
    pre_time_s,
    raised_cosine,
)
from roomtune.signal.values import ImpulseResponse

HELD_S = 0.02
EDGE_RINGS = 2.35
LONGEST_HELD = 0.75
ROWS_TOGETHER = 4
SHORTEST_ORDER_S = 0.005


@dataclass(frozen=True, eq=False)
class Deconvolution:
    """What a recorded sweep says about the system that it passed.

    linear: the impulse response (..., n). harmonics: the responses of distortion
    orders 2, 3 ... (index 0 is order 2), time zero as for the linear one; only
    orders that fall into the swept band are there. Both per unit sweep amplitude
    (order n of a unit sine). valid_band_hz: where `linear` is exact.
    time_zero_s: where in the samples time zero was taken, shape (...,).
    """

    linear: ImpulseResponse
    harmonics: tuple[ImpulseResponse, ...]
    valid_band_hz: tuple[float, float]
    time_zero_s: NDArray[np.float64]


def deconvolve(
    samples: ArrayLike,
    sweep: Sweep,
    time_zero_s: ArrayLike | None = None,
    start_s: float = -0.3,
    tail_s: float = 1.0,
    highest_order: int = HIGHEST_ORDER,
) -> Deconvolution:
    """Recover impulse responses from recordings of one sweep, shape (..., m).

    `time_zero_s` is the instant in `samples` at which the sweep would have begun
    with no delay at all, to any fraction of a sample; None takes the strongest
    point of each response as time zero. The responses run from `start_s` (at
    most zero) to `tail_s`; before the arrival a fade keeps only what the ringing
    of the band edge and early arrivals need (`pre_time_s`). In the valid band the error is
    below -75 dB of the response's energy (15 Hz sweep of 3 s;
    lower for higher bands) plus noise. Raises ValueError for fewer samples than the sweep has.
    """
    data = np.asarray(samples, dtype=float)
    if data.shape[-1] < sweep.sample_count:
        raise ValueError(f"{data.shape[-1]} samples cannot hold a sweep of {sweep.sample_count}")
    rows = data.reshape(-1, data.shape[-1])
    zeros: list[float | None] = [None] * len(rows)
    if time_zero_s is not None:
        zeros = np.broadcast_to(time_zero_s, data.shape[:-1]).ravel().tolist()
    windows = _windows(sweep, start_s, tail_s, highest_order)
    stretch_s = (-start_s, -start_s + sweep.true_duration_s + tail_s)
    pieces = [np.empty((len(rows), window.gain.size)) for window in windows]
    least = max(sweep.sample_count, *(w.gain.size for w in windows))
    found = []
    for first in range(0, len(rows), ROWS_TOGETHER):
        some = slice(first, first + ROWS_TOGETHER)
        circles = _circles(rows[some], sweep, zeros[some], stretch_s, least)
        for place, (circle, whole, found_s) in enumerate(circles, first):
            found.append(found_s)
            for piece, window in zip(pieces, windows, strict=True):
                window.cut(circle, whole, piece[place])
    responses = [
        ImpulseResponse(piece.reshape(*data.shape[:-1], -1), sweep.sample_rate_hz, window.start_s)
        for piece, window in zip(pieces, windows, strict=True)
    ]
    return Deconvolution(
        responses[0],
        tuple(_unemphasised(r, sweep, order) for order, r in enumerate(responses[1:], 2)),
        sweep.valid_band_hz,
        np.reshape(found, data.shape[:-1]),
    )


def _unemphasised(response: ImpulseResponse, sweep: Sweep, order: int) -> ImpulseResponse:
    """The response of a distortion order as a sweep without emphasis would have given it."""
    if not sweep.emphasis:
        return response
    import scipy.fft

    count = response.samples.shape[-1]
    length = scipy.fft.next_fast_len(2 * count, real=True)
    spectrum = scipy.fft.rfft(response.samples, length)
    spectrum *= sweep.order_gain(order, scipy.fft.rfftfreq(length, 1 / response.sample_rate_hz))
    return replace(response, samples=scipy.fft.irfft(spectrum, length)[..., :count])


def _circles(
    rows: NDArray[np.float64],
    sweep: Sweep,
    zeros_s: list[float | None],
    stretch_s: tuple[float, float],
    least: int,
) -> Iterator[tuple[NDArray[np.float64], int, float]]:
    """Of each row the circular response, the sample of it at time zero, and time zero in the row.

    With a known time zero only a stretch is looked at (from how long before it, how
    long in all); the rest of the recording holds nothing but noise. A circle has at
    `least` so many samples: room for the sweep and every window. A few rows go
    through the FFT together, one in each lane of the processor's vector unit.
    """
    import scipy.fft

    rate = sweep.sample_rate_hz
    places = [_place(zero_s, rate, stretch_s[0]) for zero_s in zeros_s]
    longest = max(rows.shape[1] - begin for begin, _, _ in places)
    if None not in zeros_s:
        longest = min(longest, math.ceil(stretch_s[1] * rate) + 1)
    length = scipy.fft.next_fast_len(max(longest, least), real=True)
    spectra = scipy.fft.rfft(_stretches(rows, [begin for begin, _, _ in places], length), length)
    for spectrum, (_, _, fraction) in zip(spectra, places, strict=True):
        spectrum *= _turned_inverse(sweep, length, fraction)
    circles = scipy.fft.irfft(spectra, length, overwrite_x=True)
    for circle, (_, whole, _), zero_s in zip(circles, places, zeros_s, strict=True):
        if zero_s is None:
            whole = int(np.argmax(np.abs(circle)))
            yield circle, whole, whole / rate
        else:
            yield circle, whole, zero_s


def _place(zero_s: float | None, rate: float, before_s: float) -> tuple[int, int, float]:
    """Where the stretch of a row begins, and its sample zero there, in whole and fraction."""
    if zero_s is None:
        return 0, 0, 0.0
    whole = math.floor(zero_s * rate)
    begin = max(0, whole - math.ceil(before_s * rate))
    return begin, whole - begin, zero_s * rate - whole


def _stretches(rows: NDArray[np.float64], begins: list[int], length: int) -> NDArray[np.float64]:
    """At most `length` samples of each row from its own beginning, zeros after its end."""
    if len(set(begins)) == 1:
        return rows[:, begins[0] : begins[0] + length]
    stretches = np.zeros((len(rows), length))
    for stretch, row, begin in zip(stretches, rows, begins, strict=True):
        inside = row[begin : begin + length]
        stretch[: inside.size] = inside
    return stretches


@lru_cache(maxsize=2)
def _turned_inverse(sweep: Sweep, length: int, fraction: float) -> NDArray[np.complex128]:
    """The inverse spectrum that also moves everything ahead by a fraction of a sample."""
    inverse = inverse_spectrum(sweep, length)
    if fraction == 0:
        return inverse
    return np.asarray(inverse * np.exp(2j * np.pi * fraction / length * np.arange(inverse.size)))


@dataclass(frozen=True, eq=False)
class _Window:
    """A stretch of the circular response: where it lies and how it is faded.

    `first`: its first sample on the circle; `start_s`: when that was after the
    window's own time zero; `gain`: the fade, one value per sample.
    """

    first: int
    start_s: float
    gain: NDArray[np.float64]

    def cut(self, circle: NDArray[np.float64], zero: int, target: NDArray[np.float64]) -> None:
        """Write the faded stretch of a circle whose time zero is at sample `zero`."""
        begin = (self.first + zero) % circle.size
        here = min(self.gain.size, circle.size - begin)
        np.multiply(circle[begin : begin + here], self.gain[:here], out=target[:here])
        np.multiply(circle[: self.gain.size - here], self.gain[here:], out=target[here:])


@lru_cache(maxsize=8)
def _windows(
    sweep: Sweep, start_s: float, tail_s: float, highest_order: int
) -> tuple[_Window, ...]:
    """The windows of the linear response and of each distortion order.

    Those above the fifth end where the next lower order begins; short sweeps
    leave no room for the highest.

    The linear one opens before the ringing of the steeper edge of the band begins.
    """
    rate = sweep.sample_rate_hz
    pre = pre_time_s(sweep)
    low, high = sweep.valid_band_hz
    edge_hz = min(low - BELOW_BAND * sweep.start_hz, sweep.top_hz - high)
    held = min(max(EDGE_RINGS / edge_hz, HELD_S), LONGEST_HELD * pre)
    windows = [_window(rate, 0.0, (start_s, tail_s), (pre, held), 0.1 * tail_s)]
    room = sweep.lead_s(2) - pre
    for order in range(2, highest_order + 1):
        if order * sweep.start_hz >= sweep.stop_hz:
            break
        least = 0.3 * sweep.lead_s(2) if order <= HIGHEST_ORDER else 0.0
        length = min(tail_s, max(room, least))
        if length < SHORTEST_ORDER_S:
            break
        windows.append(
            _window(rate, sweep.lead_s(order), (-0.01, length), (0.01, 0.005), 0.2 * length)
        )
        room = sweep.lead_s(order + 1) - sweep.lead_s(order) - 0.01
    return tuple(windows)


def _window(
    rate: float,
    advance_s: float,
    reach_s: tuple[float, float],
    pre_s: tuple[float, float],
    fade_s: float,
) -> _Window:
    """A window from the beginning to the end of `reach_s` around a response.

    It rises between the two instants of `pre_s` before time zero and falls in the
    last `fade_s`; the response leads the linear one by `advance_s`.
    """
    advance = round(advance_s * rate)
    first, last = (round(end_s * rate) for end_s in reach_s)
    times = np.arange(first, last) / rate
    opened_s, whole_s = pre_s
    rise = raised_cosine((times + opened_s) / (opened_s - whole_s))
    gain = rise * raised_cosine((reach_s[1] - times) / fade_s)
    return _Window(first - advance, (first - advance) / rate + advance_s, gain)
