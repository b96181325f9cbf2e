"""Fit of a textbook driver and a time of flight to the spectrum of a direct sound.

A driver in its box falls off at both ends like a filter of second order or so
(R. H. Small, JAES 20(10), 798-808, 1972, for the low end). The model is

    H(s) = +-g [ (s/wl)^2 / P(s/wl, Ql) ]^(nl/2) [ 1 / P(s/wh, Qh) ]^(nh/2) e^(-s t)

with P(x, Q) = 1 + x/Q + x^2: minimum phase whatever its orders. Weak prior
knowledge of the orders and Qs stands in for what lies outside the band, so
that the uncertainty of the arrival t counts what cannot be seen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.bands import mean_over_bands

POINTS_PER_OCTAVE = 24
_STEP = np.log(2) / POINTS_PER_OCTAVE
_FREE = 1e3
# parameters: ln g, t, ln fl, ln Ql, nl, ln fh, ln Qh, nh
PRIOR_SPREAD = np.array([_FREE, _FREE, 1.2, 0.4, 0.8, 1.0, 0.4, 1.2])
_MISFIT = (0.08, 0.1, 1.0)
_LARGEST_RATIO = 1e10
_CLEAR = 25.0
_UNLIKE = 0.06  # of the shortest period: what roll-offs unlike the model cost


@dataclass(frozen=True, eq=False)
class EarlySpectrum:
    """Spectrum of a direct sound seen through a window e^(-t / decay_s).

    frequencies_hz (k,): even log grid of POINTS_PER_OCTAVE; values (k,) complex
    with time zero at the window's start; noise (k,): expected noise power;
    correlated_hz: bandwidth over which noise is correlated by the window.
    """

    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    noise: NDArray[np.float64]
    decay_s: float
    correlated_hz: float

    @property
    def laplace(self) -> NDArray[np.complex128]:
        """Points s = j 2 pi f + 1 / decay at which the window shows the system."""
        return np.asarray(2j * np.pi * self.frequencies_hz + 1 / self.decay_s, dtype=complex)

    @property
    def together(self) -> NDArray[np.float64]:
        """How many neighbouring points share the same noise, shape (k,)."""
        return np.maximum(1.0, self.correlated_hz / (self.frequencies_hz * _STEP))


@dataclass(frozen=True, eq=False)
class DriverFit:
    """A fitted driver: see the module for the model.

    delay_s after the window's start with its standard uncertainty; sign +-1;
    confidence of the sign 0 to 1; low_hz, low_q, low_order and high_hz, high_q,
    high_order are the driver's ends; misfit is the relative deviation beyond noise;
    opposite: the best driver of the other sign, where the spectrum leaves a doubt.
    """

    delay_s: float
    uncertainty_s: float
    sign: int
    confidence: float
    low_hz: float
    low_q: float
    low_order: float
    high_hz: float
    high_q: float
    high_order: float
    misfit: float
    opposite: DriverFit | None = None


def fit_driver(spectrum: EarlySpectrum, between_s: tuple[float, float]) -> DriverFit | None:
    """Fit driver, delay and polarity; None when the sound drowns in noise.

    The delay is sought in `between_s`: first the magnitude alone gives a
    template, then a matched filter gives delay and sign, then all parameters
    are fitted to the complex spectrum.
    """
    start = _fit_magnitude(spectrum)
    pieces = float(np.sum(1 / spectrum.together))
    if _signal_to_noise(spectrum) < 12 + 1.5 * np.sqrt(2 * pieces):
        return None
    candidates = _match(spectrum, start, between_s)
    best, other, lead = _better_sign(spectrum, start, candidates)
    misfit = _relative_misfit(spectrum, best.parameters, best.sign)
    best = _fit_complex(spectrum, best.parameters, best.sign, misfit)
    confidence = float(np.tanh(lead / 2))
    opposite = None if other is None else _as_driver(spectrum, other, confidence)
    return replace(_as_driver(spectrum, best, confidence), opposite=opposite)


def _as_driver(spectrum: EarlySpectrum, fit: _Fit, confidence: float) -> DriverFit:
    found = fit.parameters
    low, low_q, high, high_q = np.exp(found[[2, 3, 5, 6]])
    return DriverFit(
        float(found[1]),
        float(np.hypot(fit.uncertainty_s, _UNLIKE / spectrum.frequencies_hz[-1])),
        fit.sign,
        confidence,
        float(low),
        float(low_q),
        float(found[4]),
        float(high),
        float(high_q),
        float(found[7]),
        _relative_misfit(spectrum, found, fit.sign),
    )


def _better_sign(
    spectrum: EarlySpectrum, start: NDArray[np.float64], candidates: list[_Candidate]
) -> tuple[_Fit, _Fit | None, float]:
    """The likelier of two polarities, the other, and by how much in log likelihood.

    What the model cannot explain counts as noise. The second is only fitted
    when the matched filter leaves a doubt.
    """
    first, second = candidates
    best = _fit_complex(spectrum, _placed(start, first, spectrum), first.sign, _MISFIT[1])
    lead = (first.evidence - second.evidence) / best.excess
    if lead > _CLEAR:
        return best, None, lead
    other = _fit_complex(spectrum, _placed(start, second, spectrum), second.sign, _MISFIT[1])
    best, other = sorted((best, other), key=lambda fit: fit.cost)
    return best, other, (other.cost - best.cost) / best.excess


def driver_log_response(
    parameters: NDArray[np.float64], s: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Logarithm of the model at complex frequencies s (positive sign)."""
    return driver_log_model(parameters, s)[0]


def _driver_log_slopes(
    parameters: NDArray[np.float64], s: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Derivatives of `driver_log_response` by its parameters, shape (k, 8)."""
    return driver_log_model(parameters, s)[1]


def driver_log_model(
    parameters: NDArray[np.float64], s: NDArray[np.complex128]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """`driver_log_response` (k,) and `_driver_log_slopes` (k, 8) in one go."""
    gain, delay, low, low_q, low_order, high, high_q, high_order = parameters
    below = s / (2 * np.pi * np.exp(low))
    above = s / (2 * np.pi * np.exp(high))
    slopes = np.empty((len(s), 8), dtype=complex)
    slopes[:, 0], slopes[:, 1] = 1.0, -s
    for first, x, q, order in ((2, below, low_q, low_order), (5, above, high_q, high_order)):
        damping = x * np.exp(-q)
        polynomial = 1 + damping + x**2
        slopes[:, first] = order / 2 * (damping + 2 * x**2) / polynomial
        slopes[:, first + 1] = order / 2 * damping / polynomial
        slopes[:, first + 2] = -np.log(polynomial) / 2  # in the upper half plane as s is
    slopes[:, 2] -= low_order
    slopes[:, 4] += np.log(below)
    skirts = low_order * slopes[:, 4] + high_order * slopes[:, 7]
    return gain + skirts - s * delay, slopes


def prior_parameters(frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """What is thought of a driver before it is heard, from the band (its ends) it plays."""
    low, high = frequencies_hz[[0, -1]]
    ends = [np.log(1.5 * low), np.log(0.75), 2.0, np.log(1.2 * high), np.log(0.7), 2.0]
    return np.array([0.0, 0.0, *ends])


def _scales(frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    period = 1 / np.sqrt(frequencies_hz[0] * frequencies_hz[-1])
    return np.array([0.1, 0.05 * period, 0.1, 0.1, 0.2, 0.1, 0.1, 0.2])


def _fit_magnitude(spectrum: EarlySpectrum) -> NDArray[np.float64]:
    """Parameters, without delay, that fit the third-octave magnitude."""
    from scipy.optimize import least_squares

    frequencies = spectrum.frequencies_hz
    reach = np.exp(np.log(2) / 6)
    bands = np.stack([frequencies / reach, frequencies * reach], axis=-1)
    power = mean_over_bands(frequencies, np.abs(spectrum.values) ** 2, bands)
    signal = np.maximum(power - spectrum.noise, 0.02 * power)
    ratio = np.clip(signal / np.maximum(spectrum.noise, 1e-300), 1e-3, _LARGEST_RATIO)
    level = 0.5 * np.log(np.maximum(signal, 1e-300))
    spread = np.sqrt((1 / ratio + 1 / ratio**2) / 2 * spectrum.together + 3 * _MISFIT[1] ** 2)
    prior = prior_parameters(frequencies)
    prior[0] = level.max()
    at = spectrum.laplace

    def misfits(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        model = driver_log_response(parameters, at).real + parameters[1] * at.real
        return np.concatenate([(model - level) / spread, (parameters - prior) / PRIOR_SPREAD])

    def slopes(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        table = _driver_log_slopes(parameters, at).real / spread[:, None]
        table[:, 1] = 0.0
        return np.concatenate([table, np.diag(1 / PRIOR_SPREAD)])

    found = least_squares(
        misfits, prior, slopes, method="lm", x_scale=_scales(frequencies), max_nfev=60, ftol=1e-7
    ).x
    found[1] = 0.0
    return np.asarray(found, dtype=float)


@dataclass(frozen=True)
class _Candidate:
    """A delay and sign with the logarithm of their likelihood ratio to silence."""

    delay_s: float
    sign: int
    evidence: float


@dataclass(frozen=True, eq=False)
class _Fit:
    """Result of a complex fit.

    cost: minus its log likelihood; excess: misfit over what noise and the
    assumed relative misfit explain (at least 1).
    """

    parameters: NDArray[np.float64]
    sign: int
    uncertainty_s: float
    cost: float
    excess: float


def _signal_to_noise(spectrum: EarlySpectrum) -> float:
    """Twice the energy above noise, in independent pieces of noise."""
    noise = np.maximum(spectrum.noise * spectrum.together, 1e-300)
    return 2 * float(np.sum(np.abs(spectrum.values) ** 2 / noise - 1 / spectrum.together))


def _match(
    spectrum: EarlySpectrum, start: NDArray[np.float64], between_s: tuple[float, float]
) -> list[_Candidate]:
    """The best delay of either polarity by a matched filter, the likelier first."""
    frequencies = spectrum.frequencies_hz
    template = np.exp(driver_log_response(start, spectrum.laplace))
    power = np.abs(template) ** 2
    floor = (spectrum.noise + _MISFIT[1] ** 2 * power) * spectrum.together
    delays = np.arange(*between_s, 1 / (24 * frequencies[-1]))
    turns = np.exp(2j * np.pi * delays[:, None] * frequencies)
    matched = np.real(turns @ (spectrum.values * template.conj() / floor))
    candidates = []
    for sign in (1, -1):
        place = int(np.argmax(sign * matched))
        height = max(sign * float(matched[place]), 0.0)
        evidence = height**2 / float(np.sum(power / floor))
        candidates.append(_Candidate(float(delays[place]), sign, evidence))
    return sorted(candidates, key=lambda candidate: -candidate.evidence)


def _placed(
    start: NDArray[np.float64], candidate: _Candidate, spectrum: EarlySpectrum
) -> NDArray[np.float64]:
    """Start parameters with the candidate's delay, and what the window takes for it."""
    placed = start.copy()
    placed[0] += candidate.delay_s / spectrum.decay_s
    placed[1] = candidate.delay_s
    return placed


def _fit_complex(
    spectrum: EarlySpectrum, start: NDArray[np.float64], sign: int, misfit: float
) -> _Fit:
    """All parameters from the complex spectrum, and the delay's uncertainty.

    The delay stays within about a period of where the matched filter found it.
    """
    from scipy.optimize import least_squares

    at, values = spectrum.laplace, spectrum.values
    model_power = np.exp(2 * driver_log_response(start, at).real)
    relative = misfit**2 * (np.abs(values) ** 2 + model_power) / 2
    spread = np.sqrt((spectrum.noise + relative) * spectrum.together / 2)
    prior, widths = prior_parameters(spectrum.frequencies_hz), PRIOR_SPREAD.copy()
    prior[:2] = start[:2]
    widths[1] = 1 / np.sqrt(spectrum.frequencies_hz[0] * spectrum.frequencies_hz[-1])

    def misfits(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        exponent = driver_log_response(parameters, at)
        exponent = np.minimum(exponent.real, 200.0) + 1j * exponent.imag
        rest = (sign * np.exp(exponent) - values) / spread
        return np.concatenate([rest.real, rest.imag, (parameters - prior) / widths])

    def slopes(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        exponent = driver_log_response(parameters, at)
        model = np.exp(np.minimum(exponent.real, 200.0) + 1j * exponent.imag)
        table = (sign * model / spread)[:, None] * _driver_log_slopes(parameters, at)
        return np.concatenate([table.real, table.imag, np.diag(1 / widths)])

    scales = _scales(spectrum.frequencies_hz)
    result = least_squares(
        misfits, start, slopes, method="lm", x_scale=scales, max_nfev=80, ftol=1e-7
    )
    covariance = np.linalg.inv(result.jac.T @ result.jac)
    freedom = max(2 * float(np.sum(1 / spectrum.together)) - 6, 4.0)
    excess = max(1.0, 2 * float(result.cost) / freedom)
    spread_s = float(np.sqrt(covariance[1, 1] * excess))
    return _Fit(np.asarray(result.x), sign, spread_s, float(result.cost), excess)


def _relative_misfit(spectrum: EarlySpectrum, parameters: NDArray[np.float64], sign: int) -> float:
    """Root mean square deviation of the data from the model, beyond noise."""
    model = sign * np.exp(driver_log_response(parameters, spectrum.laplace))
    power = np.abs(model) ** 2
    weight = power / (power + 10 * spectrum.noise)
    beyond = (np.abs(model - spectrum.values) ** 2 - spectrum.noise) / np.maximum(power, 1e-300)
    mean = float(np.sum(weight * beyond) / max(float(np.sum(weight)), 1e-300))
    return float(np.sqrt(np.clip(mean, _MISFIT[0] ** 2, _MISFIT[2] ** 2)))
