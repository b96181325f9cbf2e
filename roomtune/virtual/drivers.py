"""Drivers as filters: sealed low end, resonances, upper roll-off, sensitivity."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from roomtune.virtual.scenario import Driver, Resonance, TrueMicrophone

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
REFERENCE_PRESSURE_PA = 20e-6


def high_pass(frequencies_hz: Floats, corner_hz: float, q: float) -> Complex:
    """Sealed box of second order: s^2 / (s^2 + s/Q + 1), s = jf/fc (Small, JAES 1972)."""
    s = 1j * frequencies_hz / corner_hz
    response: Complex = s**2 / (s**2 + s / q + 1)
    return response


def low_pass(frequencies_hz: Floats, corner_hz: float, order: int) -> Complex:
    """Butterworth roll-off of the given order."""
    s = 1j * frequencies_hz / corner_hz
    response = np.ones_like(s)
    for place in range(order // 2):
        angle = math.pi * (2 * place + 1) / (2 * order)
        response /= s**2 + 2 * math.sin(angle) * s + 1
    return response / (s + 1) if order % 2 else response


def resonance(frequencies_hz: Floats, item: Resonance) -> Complex:
    """A peak (or dip) of `gain_db` at its frequency; minimum phase, 1 far away."""
    s = 1j * frequencies_hz / item.frequency_hz
    root = 10 ** (item.gain_db / 40)
    response: Complex = (s**2 + s * root / item.q + 1) / (s**2 + s / (root * item.q) + 1)
    return response


def resonances(frequencies_hz: Floats, items: tuple[Resonance, ...]) -> Complex:
    """Several resonances in a row."""
    response = np.ones(len(frequencies_hz), dtype=complex)
    for item in items:
        response *= resonance(frequencies_hz, item)
    return response


def driver_response(driver: Driver, frequencies_hz: Floats) -> Complex:
    """Response relative to the middle of the driver's band, without sensitivity."""
    return (
        high_pass(frequencies_hz, driver.low_corner_hz, driver.low_q)
        * low_pass(frequencies_hz, driver.upper_corner_hz, driver.upper_order)
        * resonances(frequencies_hz, driver.resonances)
    )


def pressure_per_full_scale_pa(sensitivity_db: float, full_scale_v: float) -> float:
    """Peak pressure in Pa at 1 m for a digital peak of 1, in the middle of the band.

    sensitivity_db: level at 1 m for 2.83 V; full_scale_v: rms voltage of a sine
    of digital full scale.
    """
    level_db = sensitivity_db + 20 * math.log10(full_scale_v / math.sqrt(8))
    return float(math.sqrt(2) * REFERENCE_PRESSURE_PA * 10 ** (level_db / 20))


def microphone_response(microphone: TrueMicrophone, frequencies_hz: Floats) -> Complex:
    """Response relative to the microphone's sensitivity; minimum phase."""
    return (
        high_pass(frequencies_hz, microphone.low_corner_hz, 0.6)
        * low_pass(frequencies_hz, microphone.upper_corner_hz, 2)
        * resonances(frequencies_hz, microphone.resonances)
    )


def converter_response(frequencies_hz: Floats, sample_rate_hz: float) -> Floats:
    """Linear-phase band limit of converters: 1 to 20 kHz or 0.42 of the rate, 0 from 0.49."""
    start = max(0.42, min(20000 / sample_rate_hz, 0.46))
    place = (frequencies_hz / sample_rate_hz - start) / (0.49 - start)
    limit: Floats = 0.5 + 0.5 * np.cos(np.pi * np.clip(place, 0, 1))
    return limit
