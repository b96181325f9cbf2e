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

Samples = NDArray[np.float64]


class RunningLimiter:
    """A limiter that goes on from block to block."""

    def __init__(self, limiter: Limiter, sample_rate_hz: float) -> None:
        self._threshold_dbfs = limiter.threshold_dbfs
        self._release = _decay(limiter.release_ms, sample_rate_hz)
        self._attack = _decay(limiter.attack_ms, sample_rate_hz)
        self._held = 0.0
        self._smoothed = 0.0

    def __call__(self, samples: Samples) -> Samples:
        """The next block, limited. An attack longer than 0 lets peaks pass meanwhile."""
        limited: Samples = samples * 10 ** (-self.reduction_db(samples) / 20)
        return limited

    def reduction_db(self, samples: Samples) -> Samples:
        """By how much it turns down at every sample of the next block, dB, shape (n,)."""
        level_db = 20 * np.log10(np.maximum(np.abs(samples), 1e-30))
        wanted = np.maximum(level_db - self._threshold_dbfs, 0.0)
        if not len(wanted):
            return wanted
        return self._attacked(self._released(wanted))

    def _released(self, wanted: Samples) -> Samples:
        """y[n] = max(x[n], e^-decay y[n-1]), as a running maximum of ln x[n] + n decay."""
        if self._release is None:
            return wanted
        wanted[0] = max(wanted[0], self._held * np.exp(-self._release))
        if not wanted.any():
            return wanted
        rise = np.arange(len(wanted)) * self._release
        with np.errstate(divide="ignore"):
            logarithm = np.log(wanted) + rise
        held: Samples = np.exp(np.maximum.accumulate(logarithm) - rise)
        self._held = float(held[-1])
        return held

    def _attacked(self, held: Samples) -> Samples:
        from scipy.signal import lfilter

        if self._attack is None or not (held.any() or self._smoothed):
            return held
        keep = np.exp(-self._attack)
        smoothed, _ = lfilter([1 - keep], [1, -keep], held, zi=[keep * self._smoothed])
        self._smoothed = float(smoothed[-1])
        return np.asarray(smoothed)


def _decay(time_ms: float, sample_rate_hz: float) -> float | None:
    """Nepers per sample of a time constant; None for none."""
    return 1000 / (time_ms * sample_rate_hz) if time_ms > 0 else None
