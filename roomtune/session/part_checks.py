"""Each output on its own, inside what a programme channel plays.

Where one output is at least 6 dB above all others together, for an octave or
more in all, the measured channel tells that output's polarity, arrival and
level by itself, even where its reversal would hardly change the sum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Tuning
from roomtune.session.likeness import likeness
from roomtune.signal.bands import band_edges_hz, mean_over_bands, third_octave_centres_hz

AHEAD_DB = 6.0
HEARD_DB = 25.0
LEAST_THIRDS = 3
SURELY_ALIKE = 0.5
UNLIKE = 0.25
WITHIN_S = 0.012
FEWEST_PERIODS = 0.08


@dataclass(frozen=True)
class PartCheck:
    """One output inside a channel at a seat, measured against predicted.

    `arrival_ms` and `polarity` hold in the band where the output dominates, of
    which `middle_hz` is the middle; `likeness` is the correlation there, 0 to 1.
    """

    output: str
    arrival_ms: float
    polarity: int
    likeness: float
    middle_hz: float

    @property
    def sure(self) -> bool:
        """Whether measured and predicted are alike enough to tell."""
        return self.likeness > SURELY_ALIKE

    @property
    def unlike(self) -> bool:
        """Whether measured and predicted have next to nothing in common."""
        return self.likeness < UNLIKE

    @property
    def arrival_bound_ms(self) -> float:
        """What the arrival may differ by, from the width of a period in the band."""
        return max(0.1, 1000 * FEWEST_PERIODS / self.middle_hz)


class PartChecker:
    """Works out the shares of all outputs once, then checks channel after channel."""

    def __init__(self, tuning: Tuning, measured: Measured) -> None:
        """Take the tuning that was loaded and the responses it was advised from."""
        self._tuning = tuning
        self._measured = measured
        spectrum = measured.spectrum
        self._frequencies = spectrum.frequencies_hz
        inside = self._frequencies <= tuning.sample_rate_hz / 2
        self._electrical = np.zeros(
            (len(tuning.channels), len(tuning.outputs), len(inside)), dtype=np.complex64
        )
        self._electrical[..., inside] = tuning_response(tuning, self._frequencies[inside])
        self._order = [measured.outputs.index(o.name) for o in tuning.outputs]
        self._centres = third_octave_centres_hz(20.0, 16e3)

    def fits(self, frequencies_hz: NDArray[np.float64]) -> bool:
        """Whether responses on this grid can be checked."""
        return frequencies_hz.shape == self._frequencies.shape and bool(
            np.allclose(frequencies_hz, self._frequencies)
        )

    def check(
        self, channel: str, seat: str, response: NDArray[np.complex128]
    ) -> tuple[PartCheck, ...]:
        """Check a channel's measured response (k,), its time offset taken out."""
        row = [c.name for c in self._tuning.channels].index(channel)
        column = self._measured.seats.index(seat)
        used = [i for i in range(len(self._order)) if np.any(self._electrical[row, i])]
        if len(used) < 2:
            return ()
        values = self._measured.spectrum.values
        parts = [self._electrical[row, i] * values[self._order[i], column] for i in used]
        found = []
        for place, band in enumerate(self._dominated(np.array(parts))):
            if band.sum() >= LEAST_THIRDS:
                name = self._tuning.outputs[used[place]].name
                found.append(self._checked(name, np.sum(parts, axis=0), response, band))
        return tuple(found)

    def _dominated(self, parts: NDArray[np.complex128]) -> NDArray[np.bool_]:
        """Third-octave bands in which each part outweighs all others, (parts, bands)."""
        power = mean_over_bands(
            self._frequencies[1:], np.abs(parts[:, 1:]) ** 2, band_edges_hz(self._centres)
        )
        power = np.nan_to_num(power)
        total = power.sum(axis=0)
        heard = total > total.max() * 10 ** (-HEARD_DB / 10)
        return np.asarray(heard & (power > (total - power) * 10 ** (AHEAD_DB / 10)))

    def _checked(
        self,
        output: str,
        predicted: NDArray[np.complex128],
        response: NDArray[np.complex128],
        band: NDArray[np.bool_],
    ) -> PartCheck:
        edges = band_edges_hz(self._centres[band])
        frequencies = self._frequencies
        weight = np.zeros(len(frequencies))
        for low, high in edges:
            weight[(frequencies >= low) & (frequencies < high)] = 1.0
        found = likeness(predicted, response, frequencies, weight, WITHIN_S)
        middle = float(np.exp(np.mean(np.log(self._centres[band]))))
        return PartCheck(output, 1000 * found.delay_s, found.polarity, found.likeness, middle)
