"""What was measured: every output at every seat, corrected, with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.advisor.clean_levels import CleanLevels, clean_levels
from roomtune.capture.take import Take
from roomtune.errors import MeasurementError
from roomtune.signal.values import FrequencyResponse, ImpulseResponse, read_only
from roomtune.system.model import System

if TYPE_CHECKING:
    from roomtune.analysis.microphone import MicrophoneCorrection

TAPER_OCTAVES = 1 / 12


@dataclass(frozen=True, eq=False)
class Measured:
    """Responses of all outputs at all seats, on one time axis.

    responses: impulse responses (outputs, seats, n), microphone corrected.
    bands_hz: (outputs, 2), the band each output was excited in; beyond it a
    response counts as zero and its uncertainty as the level at the band's edge.
    deviation: (outputs, seats, k), standard deviation of the complex response
    that the noise explains, at deviation_hz (k,).
    timed: whether arrivals share one reference, so that delays may be compared.
    absolute: whether time zero is the electrical instant (a loopback), so that arrivals
    may be compared with those of another day too.
    clean: at what level each output plays without much distortion, where takes tell.
    """

    outputs: tuple[str, ...]
    seats: tuple[str, ...]
    responses: ImpulseResponse
    bands_hz: NDArray[np.float64]
    deviation_hz: NDArray[np.float64]
    deviation: NDArray[np.float64]
    timed: bool = True
    absolute: bool = False
    clean: CleanLevels | None = None

    def __post_init__(self) -> None:
        for name in ("bands_hz", "deviation_hz", "deviation"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))
        shape = (len(self.outputs), len(self.seats))
        if self.responses.samples.shape[:-1] != shape:
            raise ValueError(f"{shape} outputs x seats, got {self.responses.samples.shape}")
        if self.deviation.shape != (*shape, len(self.deviation_hz)):
            raise ValueError(f"deviation {self.deviation.shape} does not fit {shape}")
        if self.bands_hz.shape != (shape[0], 2):
            raise ValueError(f"bands {self.bands_hz.shape} do not fit {shape[0]} outputs")

    def __repr__(self) -> str:
        return f"<Measured {len(self.outputs)} outputs at {len(self.seats)} seats>"

    @cached_property
    def spectrum(self) -> FrequencyResponse:
        """Band-limited responses (outputs, seats, k) on an FFT grid.

        The grid is fine enough for the lowest bands (0.4 Hz or less) and the
        block long enough for delays and filter tails to be turned back into
        impulse responses.
        """
        import scipy.fft

        rate = self.responses.sample_rate_hz
        count = self.responses.samples.shape[-1] + int(0.3 * rate)
        length = scipy.fft.next_fast_len(max(count, int(rate / 0.4)), real=True)
        whole = self.responses.response(length)
        weight = self.band_weight(whole.frequencies_hz)
        return FrequencyResponse(whole.frequencies_hz, whole.values * weight[:, None, :])

    def band_weight(self, frequencies_hz: ArrayLike) -> NDArray[np.float64]:
        """Share of a response that counts, (outputs, k): 1 inside the band, 0 beyond.

        The change takes a twelfth of an octave (raised cosine in log frequency).
        """
        frequencies = np.maximum(np.asarray(frequencies_hz, dtype=float), 1e-3)
        low, high = self.bands_hz[:, :1], self.bands_hz[:, 1:]
        inside = np.minimum(np.log2(frequencies / low), np.log2(high / frequencies))
        return 0.5 - 0.5 * np.cos(np.pi * np.clip(1 + inside / TAPER_OCTAVES, 0, 1))

    def at(self, frequencies_hz: ArrayLike) -> FrequencyResponse:
        """Band-limited responses (outputs, seats, k) at any frequencies."""
        response = self.responses.response_at(frequencies_hz)
        weight = self.band_weight(response.frequencies_hz)
        return FrequencyResponse(response.frequencies_hz, response.values * weight[:, None, :])

    def noise_at(self, frequencies_hz: ArrayLike) -> NDArray[np.float64]:
        """Standard deviation that the noise alone explains, (outputs, seats, k)."""
        frequencies = np.asarray(frequencies_hz, dtype=float)
        within = np.stack([np.interp(frequencies, self.deviation_hz, d) for d in self._flat])
        return within.reshape(*self.deviation.shape[:-1], len(frequencies))

    def deviation_at(self, frequencies_hz: ArrayLike) -> NDArray[np.float64]:
        """Standard deviation of the complex responses, (outputs, seats, k)."""
        frequencies = np.asarray(frequencies_hz, dtype=float)
        within = self.noise_at(frequencies)
        beyond = 1 - self.band_weight(frequencies)[:, None, :]
        nearest = (frequencies < np.sqrt(self.bands_hz.prod(axis=1))[:, None]).astype(int)
        level = np.where(nearest[:, None, :], self._edges[..., :1], self._edges[..., 1:])
        return np.hypot(within, beyond * level)

    @property
    def _flat(self) -> NDArray[np.float64]:
        return self.deviation.reshape(-1, self.deviation.shape[-1])

    @cached_property
    def _edges(self) -> NDArray[np.float64]:
        """Magnitude just inside each end of the measured band, (outputs, seats, 2)."""
        frequencies, values = self.spectrum.frequencies_hz, np.abs(self.spectrum.values) ** 2
        ends = np.empty((*values.shape[:-1], 2))
        for index, (low, high) in enumerate(self.bands_hz):
            lower = (frequencies >= low) & (frequencies <= low * 1.15)
            upper = (frequencies >= high / 1.15) & (frequencies <= high)
            for end, chosen in enumerate((lower, upper)):
                part = values[index][:, chosen] if chosen.any() else np.zeros((1, 1))
                ends[index, :, end] = np.sqrt(part.mean(axis=-1))
        return ends

    def arrivals_s(self, band_hz: tuple[float, float] | None = None) -> NDArray[np.float64]:
        """Arrival time of each output at each seat, (outputs, seats)."""
        from roomtune.analysis.arrival import arrival

        return np.asarray(arrival(self.responses, band_hz, finely=False).time_s)

    def selected(self, seats: Sequence[str]) -> Measured:
        """The same, at some of the seats."""
        index = [self.seats.index(name) for name in seats]
        samples = self.responses.samples[:, index]
        return Measured(
            self.outputs,
            tuple(seats),
            ImpulseResponse(
                samples, self.responses.sample_rate_hz, self.responses.start_s, self.responses.unit
            ),
            self.bands_hz,
            self.deviation_hz,
            self.deviation[:, index],
            self.timed,
            self.absolute,
            self.clean,
        )


def measured_from_responses(
    system: System,
    responses: ImpulseResponse,
    seats: Sequence[str] | None = None,
    range_db: float = 90.0,
) -> Measured:
    """Known responses (outputs, seats, n) in the system's order, as if measured.

    Every output counts as measured in its safe band, with a noise `range_db`
    below the mean power of its response there.
    Raises ValueError when the responses are of other outputs and seats.
    """
    names = tuple(seats) if seats is not None else tuple(seat.name for seat in system.seats)
    outputs = tuple(output.name for output in system.outputs)
    if responses.samples.shape[:-1] != (len(outputs), len(names)):
        raise ValueError(
            f"{len(outputs)} outputs x seats {names}, got {responses.samples.shape[:-1]}"
        )
    bands = np.array([output.safe_band_hz for output in system.outputs], dtype=float)
    grid = np.array([10.0, 30e3])
    whole = responses.response()
    inside = (whole.frequencies_hz >= bands[:, :1]) & (whole.frequencies_hz <= bands[:, 1:])
    share = inside / np.maximum(inside.sum(axis=1, keepdims=True), 1)
    power = np.sum(np.abs(whole.values) ** 2 * share[:, None], axis=-1, keepdims=True)
    noise = np.sqrt(power) * 10 ** (-range_db / 20)
    deviation = np.broadcast_to(noise, (*noise.shape[:-1], 2))
    return Measured(outputs, names, responses, bands, grid, deviation)


def measured_from_takes(
    system: System, takes: Sequence[Take], correction: MicrophoneCorrection | None = None
) -> Measured:
    """Gather the takes of single outputs; the last trusted take of each pair counts.

    Takes graded "repeat" are left out, seats without any take too. Raises
    MeasurementError naming every missing output and seat.
    """
    trusted = {
        (take.source, take.seat): take
        for take in takes
        if take.kind == "output" and take.verdict.grade != "repeat"
    }
    outputs = tuple(output.name for output in system.outputs)
    seats = tuple(s.name for s in system.seats if any(key[1] == s.name for key in trusted))
    _require_all(trusted, outputs, seats)
    chosen = [[trusted[output, seat] for seat in seats] for output in outputs]
    responses = _stacked(chosen, correction)
    bands = np.array([[row[0].stimulus.start_hz, row[0].stimulus.stop_hz] for row in chosen])
    grid = np.geomspace(10.0, 24e3, 120)
    deviation = np.array([[_deviation(take, grid, correction) for take in row] for row in chosen])
    references = {take.reference for row in chosen for take in row}
    timed, absolute = "none" not in references, references == {"loopback"}
    clean = clean_levels(chosen)
    return Measured(outputs, seats, responses, bands, grid, deviation, timed, absolute, clean)


def channels_from_takes(
    system: System, takes: Sequence[Take], correction: MicrophoneCorrection | None = None
) -> tuple[tuple[str, ...], tuple[str, ...], ImpulseResponse]:
    """Gather takes of programme channels: names, seats, responses (channels, seats, n).

    The last trusted take of each pair counts; channels that were not measured
    at every seat of the others are left out. Raises MeasurementError when no
    channel is left.
    """
    trusted = {
        (take.source, take.seat): take
        for take in takes
        if take.kind == "channel" and take.verdict.grade != "repeat"
    }
    seats = tuple(s.name for s in system.seats if any(key[1] == s.name for key in trusted))
    names = tuple(c.name for c in system.channels if all((c.name, s) in trusted for s in seats))
    if not seats or not names:
        raise MeasurementError("no programme channel was measured at all seats")
    chosen = [[trusted[name, seat] for seat in seats] for name in names]
    return names, seats, _stacked(chosen, correction)


def _require_all(
    trusted: dict[tuple[str, str], Take], outputs: Sequence[str], seats: Sequence[str]
) -> None:
    if not seats:
        raise MeasurementError("no usable take of any single output: run `roomtune measure` first")
    missing = [f"{o} at {s}" for o in outputs for s in seats if (o, s) not in trusted]
    if missing:
        shown = ", ".join(missing[:6]) + (f" and {len(missing) - 6} more" if missing[6:] else "")
        raise MeasurementError(
            f"{len(missing)} takes are missing or must be repeated: {shown}; "
            "run `roomtune measure --resume`, it takes only what is missing"
        )


def _stacked(
    chosen: Sequence[Sequence[Take]], correction: MicrophoneCorrection | None
) -> ImpulseResponse:
    """All responses on one time axis, corrected; (outputs, seats, n)."""
    rows = [[_corrected(take.impulse_response, correction) for take in row] for row in chosen]
    flat = [response for row in rows for response in row]
    rates = {response.sample_rate_hz for response in flat}
    if len(rates) > 1:
        raise MeasurementError(f"takes of different sample rates cannot be joined: {rates}")
    rate = rates.pop()
    start = min(response.start_s for response in flat)
    shifts = [(response.start_s - start) * rate for response in flat]
    ends = [int(np.ceil(s)) + r.samples.shape[-1] for s, r in zip(shifts, flat, strict=True)]
    samples = np.array([_moved(r, s, max(ends)) for r, s in zip(flat, shifts, strict=True)])
    samples = samples.reshape(len(rows), len(rows[0]), -1)
    return ImpulseResponse(samples, rate, start, flat[0].unit)


def _moved(response: ImpulseResponse, shift: float, length: int) -> NDArray[np.float64]:
    """The samples `shift` samples later on an axis of `length`; fractions by phase."""
    import scipy.fft

    whole = int(np.floor(shift + 1e-6))
    fraction = shift - whole
    samples = response.samples.reshape(-1)
    if fraction > 1e-6:
        size = scipy.fft.next_fast_len(2 * len(samples), real=True)
        turn = np.exp(-2j * np.pi * fraction * np.arange(size // 2 + 1) / size)
        samples = scipy.fft.irfft(scipy.fft.rfft(samples, size) * turn, size)[: len(samples)]
    moved = np.zeros(length)
    moved[whole : whole + len(samples)] = samples[: length - whole]
    return moved


def _corrected(
    response: ImpulseResponse, correction: MicrophoneCorrection | None
) -> ImpulseResponse:
    if correction is None:
        return response
    from roomtune.analysis.microphone import correct_impulse_response

    return correct_impulse_response(response, correction)


def _deviation(
    take: Take, frequencies_hz: NDArray[np.float64], correction: MicrophoneCorrection | None
) -> NDArray[np.float64]:
    """Standard deviation of the complex response that the noise explains, (k,).

    The noise S(f) of the recording, divided by the sweep's |X|^2 = L / (4 f)
    (Novak et al. 2015, Eq. 42) and seen through the response's time window T:
    variance = T S / |X|^2. The correction's own gain is left out when none is
    given.
    """
    sweep = take.stimulus
    ratio = np.log(sweep.stop_hz / sweep.start_hz)
    energy = 10 ** (take.level_dbfs / 10) * sweep.duration_s / ratio / (4 * frequencies_hz)
    density = take.noise.at(frequencies_hz)
    deviation = np.sqrt(take.impulse_response.duration_s * density / energy)
    if correction is None:
        return deviation
    from roomtune.analysis.microphone import correct_response

    flat = FrequencyResponse(frequencies_hz, np.ones(len(frequencies_hz), dtype=np.complex128))
    return deviation * np.abs(correct_response(flat, correction).values)
