"""The peak limiter of an output.

Feed-forward, hard knee, infinite ratio, with the smooth decoupled peak
detector of D. Giannoulis, M. Massberg, J. Reiss, "Digital dynamic range
compressor design", JAES 60(6), 399-408 (2012): the wanted reduction in dB is
held and released exponentially, then smoothed by the attack.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.processor.tuning import Limiter


def limited(
    samples: NDArray[np.float64], limiter: Limiter, sample_rate_hz: float
) -> NDArray[np.float64]:
    """The limited signal, shape (n,). An attack longer than 0 lets peaks pass meanwhile."""
    return samples * 10 ** (-reduction_db(samples, limiter, sample_rate_hz) / 20)


def reduction_db(
    samples: NDArray[np.float64], limiter: Limiter, sample_rate_hz: float
) -> NDArray[np.float64]:
    """By how much the limiter turns down at every sample, dB, not negative, shape (n,)."""
    from scipy.signal import lfilter

    level_db = 20 * np.log10(np.maximum(np.abs(samples), 1e-30))
    wanted = np.maximum(level_db - limiter.threshold_dbfs, 0.0)
    if not wanted.any():
        return wanted
    held = (
        wanted
        if limiter.release_ms <= 0
        else _released(wanted, _decay(limiter.release_ms, sample_rate_hz))
    )
    if limiter.attack_ms <= 0:
        return held
    keep = np.exp(-_decay(limiter.attack_ms, sample_rate_hz))
    smoothed: NDArray[np.float64] = lfilter([1 - keep], [1, -keep], held)
    return smoothed


def _decay(time_ms: float, sample_rate_hz: float) -> float:
    """Nepers per sample of a time constant."""
    return 1000 / (time_ms * sample_rate_hz)


def _released(wanted: NDArray[np.float64], decay: float) -> NDArray[np.float64]:
    """y[n] = max(x[n], e^-decay y[n-1]), as a running maximum of ln x[n] + n decay."""
    rise = np.arange(len(wanted)) * decay
    with np.errstate(divide="ignore"):
        logarithm = np.log(wanted) + rise
    held: NDArray[np.float64] = np.exp(np.maximum.accumulate(logarithm) - rise)
    return held
