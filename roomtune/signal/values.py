"""The central values: impulse responses, frequency responses and noise spectra.

Conventions: last axis is time or frequency, leading axes (output, seat ...)
broadcast; the time convention is e^{+j w t}, so a delay of t multiplies a
response by e^{-j w t}. Values are immutable: operations return new ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Unit = Literal["full scale", "Pa"]


def read_only(values: ArrayLike, dtype: type) -> NDArray[Any]:
    """Return a read-only array of the given type, without copying where it can."""
    array: NDArray[Any] = np.array(values, dtype=dtype, copy=None)
    view = array.view()
    view.flags.writeable = False
    return view


@dataclass(frozen=True, eq=False)
class ImpulseResponse:
    """One or many impulse responses on a common time axis.

    samples: shape (..., n), float64; samples[..., 0] happened at `start_s`
    after the reference event (the stimulus leaving the interface, or the
    acoustic reference). `unit` tells what a played digital full scale became:
    "full scale" of the recorder, or "Pa" when the microphone is calibrated.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: float
    start_s: float = 0.0
    unit: Unit = "full scale"

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples, np.float64))
        if self.samples.ndim < 1 or self.samples.shape[-1] < 1:
            raise ValueError("an impulse response needs at least one sample")
        if not self.sample_rate_hz > 0:
            raise ValueError(f"sample rate must be positive, got {self.sample_rate_hz}")

    def __repr__(self) -> str:
        shape = "x".join(map(str, self.samples.shape[:-1])) or "1"
        return (
            f"<ImpulseResponse {shape}, {self.duration_s * 1e3:.1f} ms from "
            f"{self.start_s * 1e3:.3f} ms at {self.sample_rate_hz:g} Hz, {self.unit}>"
        )

    def __getitem__(self, index: Any) -> ImpulseResponse:
        """Select along the leading axes; the time axis stays whole."""
        leading = index if isinstance(index, tuple) else (index,)
        return replace(self, samples=self.samples[(*leading, Ellipsis, slice(None))])

    @property
    def duration_s(self) -> float:
        """Length of the time axis in seconds."""
        return float(self.samples.shape[-1] / self.sample_rate_hz)

    @property
    def times_s(self) -> NDArray[np.float64]:
        """Time of every sample after the reference event, shape (n,)."""
        return self.start_s + np.arange(self.samples.shape[-1]) / self.sample_rate_hz

    def response(self, fft_length: int | None = None) -> FrequencyResponse:
        """Return the spectrum on the linear grid of a (zero-padded) FFT.

        `start_s` is honoured in the phase. Raises ValueError when `fft_length`
        would cut samples off.
        """
        import scipy.fft

        length = fft_length or scipy.fft.next_fast_len(self.samples.shape[-1], real=True)
        if length < self.samples.shape[-1]:
            raise ValueError(f"FFT of {length} cuts {self.samples.shape[-1]} samples")
        frequencies_hz = scipy.fft.rfftfreq(length, 1 / self.sample_rate_hz)
        values = scipy.fft.rfft(self.samples, length, workers=-1)
        return FrequencyResponse(frequencies_hz, values).delayed(self.start_s)

    def response_at(self, frequencies_hz: ArrayLike) -> FrequencyResponse:
        """Return the spectrum at any frequencies, shape (..., k).

        Linear interpolation between the bins of an FFT padded eightfold, with
        the bulk delay taken out meanwhile so that the phase turns slowly
        (error below -60 dB of the peak for responses that have decayed).
        """
        import scipy.fft

        from roomtune.signal.interpolation import interpolate_spectrum

        frequencies = np.asarray(frequencies_hz, dtype=float)
        length = scipy.fft.next_fast_len(8 * self.samples.shape[-1], real=True)
        energy = (self.samples**2).reshape(-1, self.samples.shape[-1]).sum(axis=0)
        centre = int(np.searchsorted(np.cumsum(energy), energy.sum() / 2))
        spectrum = scipy.fft.rfft(self.samples, length, workers=-1)
        values = interpolate_spectrum(
            spectrum, frequencies * length / self.sample_rate_hz, centre / length
        )
        return FrequencyResponse(frequencies, values).delayed(self.start_s)


@dataclass(frozen=True, eq=False)
class FrequencyResponse:
    """One or many complex transfer functions on a common frequency grid.

    frequencies_hz: shape (k,), rising; values: shape (..., k), complex.
    """

    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequencies_hz", read_only(self.frequencies_hz, np.float64))
        object.__setattr__(self, "values", read_only(self.values, np.complex128))
        if self.values.shape[-1:] != self.frequencies_hz.shape:
            raise ValueError(
                f"{self.values.shape[-1:]} values do not fit "
                f"{self.frequencies_hz.shape} frequencies"
            )

    def __repr__(self) -> str:
        shape = "x".join(map(str, self.values.shape[:-1])) or "1"
        low, high = self.frequencies_hz[[0, -1]]
        return (
            f"<FrequencyResponse {shape}, {len(self.frequencies_hz)} points "
            f"from {low:g} to {high:g} Hz>"
        )

    def __getitem__(self, index: Any) -> FrequencyResponse:
        """Select along the leading axes; the frequency axis stays whole."""
        leading = index if isinstance(index, tuple) else (index,)
        return replace(self, values=self.values[(*leading, Ellipsis, slice(None))])

    @property
    def magnitude_db(self) -> NDArray[np.float64]:
        """Level in dB (20 lg of the magnitude), shape of `values`."""
        return 20 * np.log10(np.maximum(np.abs(self.values), 1e-300))

    def delayed(self, delay_s: ArrayLike) -> FrequencyResponse:
        """Return the response after a further delay (broadcast over leading axes)."""
        delay = np.asarray(delay_s, dtype=float)[..., None]
        turn = np.exp(-2j * np.pi * self.frequencies_hz * delay)
        return replace(self, values=self.values * turn)


@dataclass(frozen=True, eq=False)
class NoiseSpectrum:
    """Two-sided power spectral density of noise, unit^2 per Hz.

    frequencies_hz: shape (k,); density: shape (..., k), real, not negative.
    """

    frequencies_hz: NDArray[np.float64]
    density: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequencies_hz", read_only(self.frequencies_hz, np.float64))
        object.__setattr__(self, "density", read_only(self.density, np.float64))

    def at(self, frequencies_hz: ArrayLike) -> NDArray[np.float64]:
        """Density interpolated at the given frequencies (held at the ends)."""
        return np.interp(np.asarray(frequencies_hz, dtype=float), self.frequencies_hz, self.density)
