"""The room's strongest modes, as a filter needs them: frequency, decay, Q.

A cut whose zeros lie on a mode's poles takes the mode away and puts poles of
its own in the place, which decay faster (A. Mäkivirta, P. Antsalo, M.
Karjalainen, V. Välimäki, "Modal Equalization of Loudspeaker-Room Responses at
Low Frequencies", JAES 51(5), 324-343, 2003). For a cut of gain g in dB on a
mode of quality Q that is a peaking section of quality Q 10^(g/40), and what
remains rings with the quality Q 10^(g/20).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.values import ImpulseResponse

Array = NDArray[np.float64]
BAND_HZ = (20.0, 150.0)
SETTLING_S, LONGEST_S, SHORTEST_S = 0.04, 1.0, 0.25
ROWS, ORDERS = 110, (24, 32, 40)
LOWEST_Q, HIGHEST_Q = 4.0, 60.0
BELOW_STRONGEST_DB, MOST = 20.0, 12
AGREEING = 0.3


@dataclass(frozen=True)
class Mode:
    """A mode: its frequency, and the time in which it decays by 60 dB."""

    frequency_hz: float
    decay_s: float

    @property
    def quality(self) -> float:
        """Q = pi f T60 / ln 1000."""
        return float(np.pi * self.frequency_hz * self.decay_s / np.log(1000))

    def after_cut_s(self, gain_db: float) -> float:
        """Decay time under the section of that gain made for this mode."""
        return self.decay_s * float(10 ** (gain_db / 20))


def strongest_modes(responses: ImpulseResponse) -> tuple[Mode, ...]:
    """The strongest modes, in rising frequency, that the responses (..., n) share.

    Poles of the common signal subspace (see `roomtune.analysis.common_poles`)
    that three model orders agree on; for all details `analysis.modes.fit_modes`
    takes a hundred times longer. None from less than 0.25 s of decay.
    """
    signals, rate_hz = _decays(responses)
    if signals.shape[1] < max(2 * ROWS, SHORTEST_S * rate_hz):
        return ()
    turn, loss = _stable_poles(signals)
    quality = 0.5 * turn / loss
    kept = (quality > LOWEST_Q) & (quality < HIGHEST_Q)
    kept &= (turn * rate_hz / (2 * np.pi) > BAND_HZ[0]) & (
        turn * rate_hz / (2 * np.pi) < BAND_HZ[1]
    )
    turn, loss = turn[kept], loss[kept]
    if not len(turn):
        return ()
    level = 20 * np.log10(np.maximum(_amplitudes(signals, turn, loss) / loss, 1e-300))
    strong = [p for p in np.argsort(-level) if level[p] > level.max() - BELOW_STRONGEST_DB][:MOST]
    frequency, decay_s = turn * rate_hz / (2 * np.pi), np.log(1000) / loss / rate_hz
    return tuple(Mode(float(frequency[p]), float(decay_s[p])) for p in sorted(strong))


def _decays(responses: ImpulseResponse) -> tuple[Array, float]:
    """The low end of all responses (c, n) after the latest arrival, decimated, and its rate."""
    samples = responses.samples.reshape(-1, responses.samples.shape[-1])
    count, rate = samples.shape[1], responses.sample_rate_hz
    first = int(np.argmax(np.abs(samples), axis=1).max() + SETTLING_S * rate)
    bins = int(np.ceil(2.4 * BAND_HZ[1] * 2 * count / rate / 2)) * 2
    frequencies = np.fft.rfftfreq(2 * count, 1 / rate)[: bins // 2 + 1]
    fall = np.clip((frequencies[-1] - frequencies) / (frequencies[-1] - 1.05 * BAND_HZ[1]), 0, 1)
    rise = np.clip(frequencies / BAND_HZ[0] * 2 - 1, 0, 1)
    shape = np.sin(np.pi / 2 * fall) ** 4 * np.sin(np.pi / 2 * rise) ** 2
    spectrum = np.fft.rfft(samples, 2 * count)[:, : len(frequencies)] * shape
    small_hz = bins * rate / (2 * count)
    start, end = first / rate * small_hz, min(first / rate + LONGEST_S, count / rate) * small_hz
    return np.fft.irfft(spectrum, bins)[:, int(np.ceil(start)) : int(end)], small_hz


def _stable_poles(signals: Array) -> tuple[Array, Array]:
    """Turn and loss per sample of the poles that all orders agree on, in rising turn."""
    from roomtune.analysis.common_poles import hankel_covariance, subspace_poles

    strength = np.sqrt(np.mean(signals**2, axis=1, keepdims=True))
    _, vectors = np.linalg.eigh(hankel_covariance(signals / np.maximum(strength, 1e-300), ROWS))
    found = [-loss + 1j * turn for turn, loss in (subspace_poles(vectors, n) for n in ORDERS)]
    stable = []
    for pole in found[0]:
        near = [other[np.argmin(np.abs(other - pole))] for other in found if len(other)]
        agree = np.ptp(np.real(near)) < -2 * AGREEING * pole.real
        agree = agree and np.ptp(np.imag(near)) < -AGREEING * pole.real
        if agree and len(near) == len(ORDERS):
            stable.append(np.median(np.real(near)) + 1j * np.median(np.imag(near)))
    poles = np.array(sorted(stable, key=lambda pole: pole.imag), dtype=complex)
    return poles.imag, -poles.real


def _amplitudes(signals: Array, turn: Array, loss: Array) -> Array:
    """Root mean square amplitude of every mode over the signals."""
    moments = np.arange(signals.shape[1])[:, None]
    waves = np.exp(moments * (1j * turn - loss))
    basis = np.concatenate([waves.real, waves.imag], axis=1)
    both = np.linalg.lstsq(basis, signals.T, rcond=None)[0].reshape(2, len(turn), -1)
    return np.asarray(np.sqrt(np.mean(both[0] ** 2 + both[1] ** 2, axis=1)))
