"""Room modes: frequencies, decay times, and strength at every output and seat.

All responses of a room share its modes, whatever output plays and whatever
seat listens. So the poles are fitted to all of them in one go, which resolves
modes that lie closer than their bandwidth (see `common_poles`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.common_poles import (
    PoleFit,
    apart,
    fit_poles,
    hankel_covariance,
    subspace_poles,
)
from roomtune.analysis.modal_band import Bass, bass_of
from roomtune.signal.values import ImpulseResponse

_DECAY = 3 * np.log(10)
_LEAST_DECAY_S = 0.08
_LEAST_QUALITY = 3.0
_SETTLING_S = 0.015
_UNTOLD = 1.2  # what neighbours that cannot be told apart add to the uncertainties, seen in trials
_BELOW = 0.5  # of the band: where a response begins of which nothing is told
_SEARCHES = 4
_ABOVE_NOISE = 3.0
_SPLITS = 16
_UNEXPLAINED = 1.3
_NEXT_TO_NOTHING = 1e-4  # of a pole's energy
_HIDES = 300.0  # times the energy of a pole within a mode's bandwidth
_PRUNINGS = 12
_OPEN, _OPEN_HALF = 1.0, 0.5  # relative uncertainty of a decay, of one split, that tells nothing
_LEAST_FALL = 0.6  # nepers over the fitted length


@dataclass(frozen=True, eq=False)
class Modes:
    """Modes in rising frequency.

    frequencies_hz, decay_s (time for 60 dB) with their standard uncertainties,
    shape (m,); amplitudes: (..., m) complex, as y = Re a e^{(-d + j w)(t - t0)}
    with t0 the arrival; level_db: (..., m), level of the mode's resonance at
    its peak in the frequency response; explained: share of the energy after
    the direct sound that the modes explain, (...).
    """

    frequencies_hz: NDArray[np.float64]
    decay_s: NDArray[np.float64]
    frequency_uncertainty_hz: NDArray[np.float64]
    decay_uncertainty_s: NDArray[np.float64]
    amplitudes: NDArray[np.complex128]
    level_db: NDArray[np.float64]
    explained: NDArray[np.float64]

    @property
    def quality(self) -> NDArray[np.float64]:
        """Q = pi f T60 / ln 1000, shape (m,)."""
        return np.pi * self.frequencies_hz * self.decay_s / _DECAY


def fit_modes(
    response: ImpulseResponse,
    band_hz: tuple[float, float] = (15.0, 120.0),
    arrival_s: ArrayLike | None = None,
    least_db: float = 2.0,
    lowest_hz: ArrayLike | None = None,
) -> Modes:
    """Fit the modes that all responses (..., n) share within a band.

    `arrival_s` (broadcast over the leading axes) is when the direct sound
    arrives; the latest one plus 15 ms starts the fit. `lowest_hz` (broadcast
    likewise) is where the band begins that was played: a sharp edge there rings
    on as a mode would, so the response counts in full only from an octave above,
    and its levels close to the edge are NaN. A mode is kept when it explains
    more than noise would by `least_db`; poles with a Q below 3 (the loudspeakers'
    own), such that do not decay (hum) and small corrections to the shape of a
    strong mode are fitted, but left out. Raises ValueError when the responses
    are shorter than 0.3 s after that.

    Rooms with 20 modes below 120 Hz, white noise 40 dB below the peak, against the Cramer-Rao
    bound (tests/benchmarks/modes_trial.py). Masonry, five pairs closer than their bandwidth (0.67
    of it at least), 12 outputs at 9 seats: all found, none invented, frequencies within 0.02 %,
    decays within 4.2 % (bound: a standard error of 1.5 %). Damped, six pairs closer, down to 0.31
    of it, same places: frequencies 1.06, decays 1.22 times the bound, which itself is beyond
    what 5 % would need for one mode in eleven. The truth lies within two stated deviations
    for 94 to 96 %. With three outputs at three seats the bound passes 5 % for most modes.
    """
    leading = response.samples.shape[:-1]
    arrivals = _arrivals(response, arrival_s)
    lowest = _BELOW * band_hz[0] if lowest_hz is None else np.asarray(lowest_hz, dtype=float)
    start_s = float(np.max(arrivals)) + _SETTLING_S
    bass = bass_of(response, band_hz[1], np.broadcast_to(lowest, leading), start_s)
    scale = _noise_scale(bass.signals)
    signals = bass.signals / scale[:, None]
    fit = _converged(signals, bass.known, least_db)
    keep = np.argsort(fit.turn)
    inside = _inside(fit, band_hz, bass.rate_hz) & np.any(bass.told(fit.turn), axis=0)
    keep = keep[_seen(fit, inside)[keep]]
    return _modes(fit, keep, bass, scale, arrivals, response.sample_rate_hz)


def _modes(
    fit: PoleFit,
    keep: NDArray[np.int_],
    bass: Bass,
    scale: NDArray[np.float64],
    arrivals: NDArray[np.float64],
    sample_rate_hz: float,
) -> Modes:
    """The poles to keep, in Hz and seconds, as they were at each arrival, before any filter."""
    rate, leading = bass.rate_hz, arrivals.shape
    turn, loss = fit.turn[keep], fit.loss[keep]
    ahead = np.exp((loss - 1j * turn) * ((bass.start_s - arrivals) * rate).reshape(-1, 1))
    amplitudes = fit.amplitudes[:, keep] * scale[:, None] * ahead / bass.gain(turn, loss)
    amplitudes = np.where(bass.told(turn), amplitudes, np.nan)
    spread = _UNTOLD * np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    turn_spread, loss_spread = spread[: len(fit.turn)][keep], spread[len(fit.turn) :][keep]
    decay_s = _DECAY / loss / rate
    peak = np.abs(amplitudes) / (2 * loss * rate) * sample_rate_hz
    whole = np.sum((bass.signals / scale[:, None]) ** 2, axis=1)
    explained = 1 - np.sum(fit.residual**2, axis=1) / np.maximum(whole, 1e-300)
    return Modes(
        turn * rate / (2 * np.pi),
        decay_s,
        turn_spread * rate / (2 * np.pi),
        decay_s * loss_spread / loss,
        amplitudes.reshape(*leading, len(turn)),
        20 * np.log10(np.maximum(peak, 1e-300)).reshape(*leading, len(turn)),
        explained.reshape(leading),
    )


def _arrivals(response: ImpulseResponse, arrival_s: ArrayLike | None) -> NDArray[np.float64]:
    leading = response.samples.shape[:-1]
    if arrival_s is None:
        loudest = np.argmax(np.abs(response.samples), axis=-1)
        return np.asarray(response.times_s[loudest])
    return np.broadcast_to(np.asarray(arrival_s, dtype=float), leading)


def _noise_scale(signals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise or, at least, a hundredth of the signal, for equal weight: (c,)."""
    tail = signals[:, -signals.shape[1] // 6 :]
    strength = np.sqrt(np.mean(signals**2, axis=1))
    noise = np.sqrt(np.mean(tail**2, axis=1))
    return np.maximum(np.hypot(noise, 0.003 * strength), 1e-300)


def _inside(fit: PoleFit, band_hz: tuple[float, float], rate: float) -> NDArray[np.bool_]:
    frequencies = fit.turn * rate / (2 * np.pi)
    decay_s = _DECAY / fit.loss / rate
    quality = 0.5 * fit.turn / fit.loss
    inside = (frequencies >= band_hz[0]) & (frequencies <= band_hz[1])
    falls = fit.loss * fit.residual.shape[1] > _LEAST_FALL
    return inside & falls & (decay_s > _LEAST_DECAY_S) & (quality > _LEAST_QUALITY)


def _seen(fit: PoleFit, modes: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those modes that are no small correction to the shape of a far stronger one close by."""
    energy = np.sum(np.abs(fit.amplitudes) ** 2, axis=0) / fit.loss
    close = np.abs(fit.turn - fit.turn[:, None]) < 2 * fit.loss
    hidden = np.any(modes & close & (energy > _HIDES * energy[:, None]), axis=1)
    return modes & ~hidden


def _converged(
    signals: NDArray[np.float64], known: NDArray[np.float64], least_db: float
) -> PoleFit:
    """Stable poles of the subspace, refined; then what the residual still holds."""
    turn, loss = _stable_poles(signals, known)
    fit = _pruned(signals, fit_poles(signals, turn, loss, known), known, least_db)
    for _ in range(_SEARCHES):
        more_turn, more_loss = _stable_poles(fit.residual, known)
        turn, loss = np.append(fit.turn, more_turn), np.append(fit.loss, more_loss)
        if len(turn) == len(fit.turn) or 4 * len(turn) > signals.shape[1]:
            break
        richer = _pruned(signals, fit_poles(signals, turn, loss, known), known, least_db)
        if len(richer.turn) <= len(fit.turn):
            break
        fit = richer
    return _split(signals, fit, known, least_db)


def _split(
    signals: NDArray[np.float64], fit: PoleFit, known: NDArray[np.float64], least_db: float
) -> PoleFit:
    """The fit with poles split in two where one cannot explain what is there."""
    tried: list[float] = []
    for _ in range(_SPLITS if len(fit.turn) else 0):
        excess = _excess(fit)
        for old in tried:
            excess[np.abs(fit.turn - old) < 1e-3] = 0.0
        worst = int(np.argmax(excess))
        if excess[worst] < _UNEXPLAINED:
            break
        tried.append(float(fit.turn[worst]))
        apart = 0.5 * fit.loss[worst]
        turn = np.append(np.delete(fit.turn, worst), fit.turn[worst] + apart * np.array([-1, 1]))
        loss = np.append(np.delete(fit.loss, worst), fit.loss[[worst, worst]])
        richer = fit_poles(signals, turn, loss, known)
        richer = _pruned(signals, richer, known, least_db, _OPEN_HALF)
        if len(richer.turn) > len(fit.turn):
            fit = richer
    return fit


def _excess(fit: PoleFit) -> NDArray[np.float64]:
    """Power of the residual within each pole's bandwidth over its usual power.

    Nothing where it is next to nothing of the pole's own energy.
    """
    count = fit.residual.shape[1]
    power = np.mean(np.abs(np.fft.rfft(fit.residual, axis=1)) ** 2, axis=0)
    usual = float(np.median(power))
    reach = np.maximum(fit.loss, np.pi / count)
    place = 2 * np.pi * np.arange(len(power)) / count
    near = np.abs(place - fit.turn[:, None]) <= reach[:, None] + 2 * np.pi / count
    left = near @ power
    excess = left / np.maximum(near.sum(axis=1), 1) / max(usual, 1e-300)
    own = 2 * left * len(fit.residual) / count
    return np.where(own > _NEXT_TO_NOTHING * fit.worth, excess, 0.0)


def _pruned(
    signals: NDArray[np.float64],
    fit: PoleFit,
    known: NDArray[np.float64],
    least_db: float,
    open_share: float = _OPEN,
) -> PoleFit:
    """The fit without poles that do no work or whose decay stays open, refitted until all do."""
    for _ in range(_PRUNINGS):
        working = _working(fit, len(signals), least_db)
        if np.all(working):
            spread = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))[len(fit.turn) :]
            spread /= np.maximum(fit.loss, _LEAST_FALL / signals.shape[1])
            if not len(spread) or spread.max() < open_share:
                break
            working[np.argmax(spread)] = False
        fit = fit_poles(signals, fit.turn[working], fit.loss[working], known)
    return fit


def _stable_poles(
    signals: NDArray[np.float64], known: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Poles that most model orders agree on, without those that are known."""
    rows = min(signals.shape[1] // 2, 260)
    values, vectors = np.linalg.eigh(hankel_covariance(signals, rows))
    columns = (signals.shape[1] - rows + 1) * len(signals)
    noise = np.mean(signals[:, -signals.shape[1] // 6 :] ** 2)
    order = int(np.count_nonzero(values > _ABOVE_NOISE * noise * columns))
    order = min(max(order, 8), rows - 40)
    orders = range(max(order - 8, 4), order + 26, 4)
    found = [subspace_poles(vectors, number) for number in orders]
    turns = np.concatenate([turn for turn, _ in found])
    losses = np.concatenate([loss for _, loss in found])
    turn, loss = _clusters(turns, losses, len(orders))
    foreign = apart(turn, loss, known)
    return turn[foreign], loss[foreign]


def _clusters(
    turns: NDArray[np.float64], losses: NDArray[np.float64], orders: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Medians of poles that lie together in at least half of the orders."""
    poles = -losses + 1j * turns
    free = np.ones(len(poles), dtype=bool)
    turn, loss = [], []
    for place in np.argsort(losses):
        if not free[place]:
            continue
        near = free & (np.abs(poles - poles[place]) < 0.35 * losses[place] + 0.003)
        free[near] = False
        if np.count_nonzero(near) >= orders / 2:
            turn.append(float(np.median(turns[near])))
            loss.append(float(np.median(losses[near])))
    return np.array(turn), np.array(loss)


def _working(fit: PoleFit, signals: int, least_db: float) -> NDArray[np.bool_]:
    """Poles without which the misfit would grow beyond what noise explains.

    A pole fitted to noise wins the chi-square of its 2 c amplitudes, at its
    best place in the band; `least_db` is asked on top of that.
    """
    chance = 2 * signals + 8 * np.sqrt(signals) + 12
    noise = float(np.mean(fit.residual**2))
    return np.asarray(fit.worth / noise > chance * 10 ** (least_db / 10))
