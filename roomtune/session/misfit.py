"""How badly a set of parts explains a measurement, and what one part would need to be.

The response of channel c at seat s is the sum over outputs o of
parts[c, o, s] = (tuning's response c to o) x (measured response o to s).
A mistake at one place multiplies some of the parts by a common factor x(f).
Because the misfit J is quadratic in x, the best x and the J of any other x
follow from sums made once:  J(x) = rest + sum W |x - best|^2.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.bands import band_edges_hz, third_octave_centres_hz

RELATIVE_ERROR = 0.05
MOVED_MICROPHONE_S = 10e-6
BAND_ERROR_DB = 0.4
INAUDIBLE = 10**-2.2
UNKNOWN_SHARE = 0.2
MOSTLY_KNOWN = 0.25

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Evidence:
    """Measured channels and the parts that should explain them, on one grid.

    measured (channels, seats, k); parts (channels, outputs, seats, k);
    weight (channels, seats, k): 1 / variance, 0 where nothing is heard;
    electrical (channels, outputs, k) and acoustical (outputs, seats, k): what
    the parts are made of. coverage (outputs, k): 1 where an output was
    measured, 0 where its response is not known.
    """

    frequencies_hz: Real
    measured: Complex
    parts: Complex
    weight: Real
    electrical: Complex
    acoustical: Complex
    coverage: Real

    @property
    def predicted(self) -> Complex:
        """Sum of the parts, (channels, seats, k)."""
        return np.asarray(self.parts.sum(axis=1), dtype=complex)

    @property
    def misfit(self) -> float:
        """J: weighted squared difference of measured and predicted, one per third octave."""
        return float(np.sum(self.weight * np.abs(self.measured - self.predicted) ** 2))

    def total(self, parts: Complex, known: NDArray[np.bool_] | None = None) -> float:
        """Misfit of responses and of band levels together, if the parts were these.

        Where a mistake would make outputs play what they were not measured at
        (`known` false, (channels, k)), a fifth of the present misfit is put
        down instead, or of all that is heard there: what fits now would hardly
        fit by chance.
        """
        predicted = parts.sum(axis=1)
        points = self.weight * np.abs(self.measured - predicted) ** 2
        bands = self._band_errors(predicted) ** 2
        if known is None:
            return float(points.sum() + bands.sum())
        now = np.maximum(np.abs(self.measured - self.predicted), np.abs(self.measured))
        points = np.where(known[:, None], points, UNKNOWN_SHARE * self.weight * now**2)
        belongs = band_membership(self.frequencies_hz).astype(float)
        whole = (known @ belongs.T) >= 0.7 * belongs.sum(axis=1)
        now_bands = self._band_errors(self.predicted) ** 2
        bands = np.where(whole[:, None], bands, UNKNOWN_SHARE * now_bands)
        return float(points.sum() + bands.sum())

    def known(self, electrical: Complex, order: NDArray[np.int_]) -> NDArray[np.bool_]:
        """Where responses are known if output o were driven by electrical[:, o], (channels, k).

        `order`: which measured output stands in each place. Unknown is what
        sounds mostly where the output was not measured.
        """
        covered = self.coverage[order]
        inside = np.sum(covered, axis=-1)
        power = np.sum(np.mean(np.abs(self.acoustical) ** 2, axis=1)[order] * covered, axis=-1)
        typical = power / np.maximum(inside, 1e-9)
        drive = np.abs(electrical) ** 2 * typical[:, None]
        sure = np.einsum("cok,ok->ck", drive, covered)
        unsure = np.einsum("cok,ok->ck", drive, 1 - covered)
        return np.asarray(unsure < MOSTLY_KNOWN * sure, dtype=bool)

    def with_parts(self, parts: Complex) -> Evidence:
        """The same measurement, held against other parts."""
        return replace(self, parts=parts)

    def only(self, known: NDArray[np.bool_] | None) -> Evidence:
        """The evidence without what is not known, (channels, k)."""
        return self if known is None else replace(self, weight=self.weight * known[:, None])

    def later_by(self, delay_s: Real) -> Evidence:
        """The measurement with a time per seat (seats,) taken out."""
        turn = np.exp(2j * np.pi * self.frequencies_hz * np.asarray(delay_s)[:, None])
        return replace(self, measured=self.measured * turn)

    def _band_errors(self, predicted: Complex) -> Real:
        """Level differences per band; what is 22 dB below the loudest counts no more."""
        belongs = band_membership(self.frequencies_hz).astype(float)
        heard = (self.weight > 0) @ belongs.T > 0
        powers = [np.abs(values) ** 2 @ belongs.T for values in (self.measured, predicted)]
        loudest = np.max(powers[0] * heard, axis=-1, keepdims=True)
        floor = np.maximum(loudest * INAUDIBLE, 1e-300)
        difference = 10 * np.log10((powers[0] + floor) / (powers[1] + floor))
        return np.where(heard, np.clip(difference, -15, 15) / BAND_ERROR_DB, 0.0)


def band_membership(frequencies_hz: Real) -> NDArray[np.bool_]:
    """Which frequency lies in which third-octave band, (bands, k)."""
    edges = band_edges_hz(third_octave_centres_hz(20.0, 20e3))
    return (frequencies_hz >= edges[:, :1]) & (frequencies_hz < edges[:, 1:])


def variance_weight(
    frequencies_hz: Real, measured: Complex, predicted: Complex, heard: Real
) -> Real:
    """1 / variance of the difference expected without any mistake, (channels, seats, k).

    The variance follows the mean power of predicted and measured in the third
    octave: 5 % of the amplitude, and more towards high frequencies, where the
    microphone is never quite where it was (10 us, some 3 mm). Shared by the
    grid points of a band, so that each band counts once.
    """
    belongs = band_membership(frequencies_hz).astype(float)
    count = np.maximum(belongs.sum(axis=1), 1)
    power = np.maximum(np.abs(predicted) ** 2, np.abs(measured) ** 2)
    of_band = power @ belongs.T / count
    smooth = of_band @ belongs
    error = np.hypot(RELATIVE_ERROR, 2 * np.pi * frequencies_hz * MOVED_MICROPHONE_S)
    share = (belongs / count[:, None]).sum(axis=0)
    return np.asarray(heard * share / np.maximum(smooth * error**2, 1e-300), dtype=float)


@dataclass(frozen=True, eq=False)
class Place:
    """A place where a mistake can be: which parts it multiplies, and what would be best.

    `touched`: (channels, outputs) truth values. `best` (k,) is the factor that
    explains the measurement best, `pull` (k,) how much that is worth, `rest`
    the misfit that no factor here can remove.
    """

    touched: NDArray[np.bool_]
    best: Complex
    pull: Real
    rest: float

    def misfit(self, factors: Complex) -> NDArray[np.float64]:
        """J for factors (..., k): shape (...)."""
        return np.asarray(
            self.rest + np.sum(self.pull * np.abs(factors - self.best) ** 2, axis=-1), dtype=float
        )


def place(evidence: Evidence, touched: NDArray[np.bool_]) -> Place:
    """Work out what the parts marked in `touched` (channels, outputs) would need."""
    own = np.einsum("co,cosk->csk", touched, evidence.parts)
    wanted = evidence.measured - evidence.predicted + own
    pull = np.sum(evidence.weight * np.abs(own) ** 2, axis=(0, 1))
    reach = np.sum(evidence.weight * np.conj(own) * wanted, axis=(0, 1))
    best = np.where(pull > 0, reach / np.maximum(pull, 1e-300), 1.0)
    total = float(np.sum(evidence.weight * np.abs(wanted) ** 2))
    return Place(touched, best, pull, total - float(np.sum(pull * np.abs(best) ** 2)))


TIMES_S = np.arange(-15e-3, 15e-3, 20e-6)
FINE_S = np.arange(-20e-6, 20.5e-6, 1e-6)


def common_delays_s(evidence: Evidence, parts: Complex) -> Real:
    """Per seat, how much later all channels together arrive than these parts say, (seats,)."""
    predicted = parts.sum(axis=1)
    cross = np.sum(evidence.weight * evidence.measured * np.conj(predicted), axis=0)
    coarse = _latest_peak(evidence.frequencies_hz, cross, TIMES_S)
    turned = cross * np.exp(2j * np.pi * evidence.frequencies_hz * coarse[:, None])
    return coarse + _latest_peak(evidence.frequencies_hz, turned, FINE_S)


def _latest_peak(frequencies_hz: Real, cross: Complex, times_s: Real) -> Real:
    turns = _turns(frequencies_hz.tobytes(), times_s.tobytes())
    return np.asarray(times_s[np.argmax((turns @ cross.T).real, axis=0)], dtype=float)


@lru_cache(maxsize=4)
def _turns(frequencies_hz: bytes, times_s: bytes) -> Complex:
    """Phase factors (times, k) that take a delay out, made once per grid."""
    turn = np.outer(np.frombuffer(times_s), np.frombuffer(frequencies_hz))
    return np.asarray(np.exp(2j * np.pi * turn), dtype=complex)
