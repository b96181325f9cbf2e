"""Responses of the direct sound: late reflections gated off before a spectrum is taken."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

LEAD_S = 1.5e-3


def gated(
    measured: Measured,
    outputs: list[int],
    seat: int,
    gate_s: float,
    frequencies_hz: NDArray[np.float64],
    band_hz: tuple[float, float],
) -> FrequencyResponse:
    """Responses (outputs, k) of some outputs at a seat within one common gate.

    The gate opens before the earliest arrival and closes, with a half cosine
    over its last half, `gate_s` after the latest. Time zero stays that of the
    measurement, so that the outputs' delays can be compared.
    """
    responses = measured.responses
    arrivals = onsets_s(responses[outputs, seat], band_hz)
    times = responses.times_s
    opening = np.clip((times - arrivals.min() + 2 * LEAD_S) / LEAD_S, 0, 1)
    closing = np.clip((arrivals.max() + gate_s - times) / (gate_s / 2), 0, 1)
    window = (0.5 - 0.5 * np.cos(np.pi * opening)) * (0.5 - 0.5 * np.cos(np.pi * closing))
    inside = np.flatnonzero(window > 0)
    first, last = int(inside[0]), int(inside[-1]) + 1
    samples = responses.samples[outputs, seat, first:last] * window[first:last]
    part = ImpulseResponse(samples, responses.sample_rate_hz, float(times[first]))
    values = part.response_at(frequencies_hz).values
    weight = measured.band_weight(frequencies_hz)[outputs]
    return FrequencyResponse(frequencies_hz, values * weight)


def onsets_s(responses: ImpulseResponse, band_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Rough onset of each response (n of them) in a band: where a third of its peak is reached.

    Good to a period of the band, enough to place a gate.
    """
    import scipy.fft

    samples = responses.samples
    length = scipy.fft.next_fast_len(samples.shape[-1], real=True)
    frequencies = scipy.fft.rfftfreq(length, 1 / responses.sample_rate_hz)
    inside = (frequencies >= band_hz[0]) & (frequencies <= band_hz[1])
    band = np.abs(scipy.fft.irfft(scipy.fft.rfft(samples, length) * inside, length))
    first = np.argmax(band >= band.max(axis=-1, keepdims=True) / 3, axis=-1)
    return np.asarray(responses.start_s + first / responses.sample_rate_hz)
