"""The one function that says what a tuning will do at every seat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.advisor.measured import Measured
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Tuning
from roomtune.signal.values import FrequencyResponse, ImpulseResponse


@dataclass(frozen=True, eq=False)
class Prediction:
    """Response of every programme channel at every seat under a tuning.

    response: (channels, seats, k); uncertainty_db: one standard deviation of
    its level that the noise of the takes explains, same shape (inf where
    nothing was measured).
    """

    channels: tuple[str, ...]
    seats: tuple[str, ...]
    response: FrequencyResponse
    uncertainty_db: NDArray[np.float64]
    sample_rate_hz: float
    start_s: float = 0.0

    def __repr__(self) -> str:
        return f"<Prediction {len(self.channels)} channels at {len(self.seats)} seats>"

    @property
    def impulse_responses(self) -> ImpulseResponse:
        """The same in time, (channels, seats, n), when on a whole FFT grid.

        Raises ValueError for predictions on other grids.
        """
        import scipy.fft

        frequencies = self.response.frequencies_hz
        step = frequencies[1] - frequencies[0]
        length = round(self.sample_rate_hz / step)
        if frequencies[0] != 0 or len(frequencies) != length // 2 + 1:
            raise ValueError("only a prediction on the whole FFT grid has impulse responses")
        values = self.response.delayed(-self.start_s).values
        samples = scipy.fft.irfft(values, length)
        return ImpulseResponse(samples, self.sample_rate_hz, self.start_s)


def predict(
    tuning: Tuning, measured: Measured, frequencies_hz: ArrayLike | None = None
) -> Prediction:
    """Sum over outputs of the tuning's response times the measured one.

    At `frequencies_hz` (k,), or on the FFT grid of the measurement, from which
    impulse responses can be had. Raises ValueError when the tuning has an
    output that was not measured.
    """
    names = [setting.name for setting in tuning.outputs]
    missing = sorted(set(names) - set(measured.outputs))
    if missing:
        raise ValueError(f"outputs {missing} were not measured")
    order = [measured.outputs.index(name) for name in names]
    whole = measured.spectrum if frequencies_hz is None else measured.at(frequencies_hz)
    electrical = tuning_response(tuning, whole.frequencies_hz)
    values, variance = _summed(electrical, whole, measured, order)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(variance / 2) / np.abs(values)
    uncertainty = 20 / np.log(10) * np.where(np.isfinite(relative), relative, np.inf)
    channels = tuple(channel.name for channel in tuning.channels)
    return Prediction(
        channels,
        measured.seats,
        FrequencyResponse(whole.frequencies_hz, values),
        uncertainty,
        measured.responses.sample_rate_hz,
        measured.responses.start_s,
    )


def _summed(
    electrical: NDArray[np.complex128],
    acoustical: FrequencyResponse,
    measured: Measured,
    order: list[int],
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Channel responses (channels, seats, k) and their variance, output by output."""
    shape = (electrical.shape[0], *acoustical.values.shape[1:])
    values, variance = np.zeros(shape, dtype=complex), np.zeros(shape)
    deviation = measured.deviation_at(acoustical.frequencies_hz) ** 2
    for column, output in enumerate(order):
        for row in np.flatnonzero(np.any(electrical[:, column] != 0, axis=-1)):
            gain = electrical[row, column]
            values[row] += gain * acoustical.values[output]
            variance[row] += np.abs(gain) ** 2 * deviation[output]
    return values, variance
