"""Synchronized exponential sweeps and their exact inverse.

A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application,
and Implementation", JAES 63(10), 786-798 (2015).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sweep:
    """An exponential sweep: x(t) = sin(2 pi f1 L exp(t / L)), faded at both ends.

    `duration_s` is the requested length; the true one follows from rounding
    f1 L to an integer (Novak et al. 2015, Eq. 49).
    """

    start_hz: float
    stop_hz: float
    duration_s: float
    sample_rate_hz: float
