"""Listening without playing: noise per third-octave, hum by name, calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.clipping import runs
from roomtune.capture.interface import AudioInterface
from roomtune.capture.noise import noise_density
from roomtune.errors import MeasurementError
from roomtune.signal.values import NoiseSpectrum

MAINS_HZ = (50.0, 60.0)
LINE_ABOVE_FLOOR_DB = 10.0
CALIBRATOR_HZ = 1000.0
CALIBRATOR_SPL_DB = 94.0
PUREST_DB = 20.0
BLOCK_S = 0.1
SOUNDING_DB = 12.0
CLEAREST_DB = 15.0
STEADIEST_DB = 0.3


@dataclass(frozen=True)
class Hum:
    """A line in the noise: frequency, level (dB re full scale, rms), and what it is."""

    frequency_hz: float
    level_dbfs: float
    name: str


@dataclass(frozen=True, eq=False)
class NoiseReport:
    """Noise of the room as the microphone delivers it.

    levels_dbfs (k,): rms per third-octave around centres_hz (k,), IEC 61260-1
    exact; total_dbfs: 20 Hz to 20 kHz; hums: lines above their surroundings.
    """

    centres_hz: NDArray[np.float64]
    levels_dbfs: NDArray[np.float64]
    total_dbfs: float
    hums: tuple[Hum, ...]


def listen(
    interface: AudioInterface, interface_input: int, duration_s: float
) -> NDArray[np.float64]:
    """Record one input while nothing is played, shape (m,).

    Raises MeasurementError for digital silence: the microphone is not listening.
    """
    silence = np.zeros((round(duration_s * interface.sample_rate_hz), 1))
    samples = interface.play_and_record(silence, (interface_input,)).samples[:, 0]
    if not samples.any():
        raise MeasurementError(
            f"Input {interface_input} delivers digital silence: allow this program to use the "
            f"microphone in the system's privacy settings, and check the number of the input."
        )
    return np.array(samples)


def noise_report(samples: NDArray[np.float64], sample_rate_hz: float) -> NoiseReport:
    """Measure noise per third-octave and name the hum in a recording of silence (m,)."""
    spectrum = noise_density(samples, sample_rate_hz)
    step = float(spectrum.frequencies_hz[1])
    centres = 1000 * 10 ** (np.arange(-17, 14) / 10)
    centres = centres[centres * 10**0.05 <= sample_rate_hz / 2]
    levels = [_power(spectrum, centre * 10**-0.05, centre * 10**0.05, step) for centre in centres]
    total = _power(spectrum, 20.0, min(20000.0, sample_rate_hz / 2), step)
    return NoiseReport(
        centres_hz=centres,
        levels_dbfs=10 * np.log10(np.maximum(levels, 1e-30)),
        total_dbfs=10 * float(np.log10(max(total, 1e-30))),
        hums=_hums(spectrum, step),
    )


def _power(spectrum: NoiseSpectrum, low_hz: float, high_hz: float, step_hz: float) -> float:
    """Mean square between two frequencies; the bins at the edges count in part."""
    edges = spectrum.frequencies_hz
    share = np.clip(
        np.minimum(edges + step_hz / 2, high_hz) - np.maximum(edges - step_hz / 2, low_hz),
        0,
        step_hz,
    )
    return 2 * float(np.sum(spectrum.density * share))


def _hums(spectrum: NoiseSpectrum, step_hz: float) -> tuple[Hum, ...]:
    """Lines at multiples of the mains frequency that fits better, up to the tenth."""
    families = []
    for mains in MAINS_HZ:
        lines = [
            line
            for order in range(1, 11)
            if (line := _line(spectrum, mains * order, step_hz, order, mains)) is not None
        ]
        families.append(lines)
    return tuple(max(families, key=lambda lines: sum(10 ** (x.level_dbfs / 10) for x in lines)))


def _line(
    spectrum: NoiseSpectrum, frequency_hz: float, step_hz: float, order: int, mains_hz: float
) -> Hum | None:
    """A line at a frequency that stands 10 dB above the noise around it."""
    width = max(6 * step_hz, 0.01 * frequency_hz)
    distance = np.abs(spectrum.frequencies_hz - frequency_hz)
    near = distance <= width
    around = (distance > 1.5 * width) & (distance <= max(4 * width, 20.0))
    if not near.any() or not around.any():
        return None
    floor = float(np.median(spectrum.density[around]))
    top = float(np.max(spectrum.density[near]))
    if top < 10 ** (LINE_ABOVE_FLOOR_DB / 10) * floor or floor <= 0:
        return None
    power = 2 * step_hz * float(np.sum(spectrum.density[near] - floor))
    name = f"mains hum, {mains_hz:g} Hz" + (f" x {order}" if order > 1 else "")
    return Hum(frequency_hz, 10 * float(np.log10(max(power, 1e-30))), name)


def sensitivity_from_calibrator(
    samples: NDArray[np.float64], sample_rate_hz: float, level_db: float = CALIBRATOR_SPL_DB
) -> float:
    """Level in dB re full scale that 94 dB of sound pressure gives, from a calibrator's tone.

    samples (m,), at least 2 s of a 1 kHz tone of `level_db` (94 or 114 dB). Rms of
    a sine, so that full scale is a sine of peak 1 at -3.01 dB. Raises MeasurementError
    when there is no pure, steady tone within 2 % of 1 kHz.
    """
    blocks = samples[: samples.size // 8 * 8].reshape(8, -1)
    tones = np.array([_tone(block, sample_rate_hz) for block in blocks])
    frequency_hz, power = tones[:, 0], tones[:, 1]
    total = (blocks - blocks.mean(axis=1, keepdims=True)).var(axis=1)
    purity_db = 10 * np.log10(power / np.maximum(total - power, 1e-30))
    spread_db = 10 * float(np.log10(power.max() / power.min()))
    off = np.max(np.abs(frequency_hz / CALIBRATOR_HZ - 1))
    if np.min(purity_db) < PUREST_DB or spread_db > STEADIEST_DB or off > 0.02:
        raise MeasurementError(
            f"No steady calibrator tone: {np.median(frequency_hz):.0f} Hz, {spread_db:.1f} dB "
            f"unsteady, {np.min(purity_db):.0f} dB above the rest; expected 1000 Hz, at most "
            f"{STEADIEST_DB} dB and at least {PUREST_DB:.0f} dB. Seat the calibrator firmly."
        )
    return 10 * float(np.log10(power.mean())) - (level_db - CALIBRATOR_SPL_DB)


def _tone(block: NDArray[np.float64], sample_rate_hz: float) -> tuple[float, float]:
    """Frequency and mean square of the strongest tone between 500 and 2000 Hz."""
    import scipy.fft

    taper = np.hanning(block.size)
    length = scipy.fft.next_fast_len(8 * block.size, real=True)
    spectrum = np.abs(scipy.fft.rfft(block * taper, length))
    frequencies = scipy.fft.rfftfreq(length, 1 / sample_rate_hz)
    spectrum[(frequencies < 500) | (frequencies > 2000)] = 0
    top = int(np.argmax(spectrum))
    amplitude = 2 * float(spectrum[top]) / float(taper.sum())
    return float(frequencies[top]), amplitude**2 / 2 + 1e-30


def sensitivity_from_meter(
    samples: NDArray[np.float64],
    sample_rate_hz: float,
    reading_db: float,
    band_hz: tuple[float, float],
) -> float:
    """Level in dB re full scale that 94 dB gives, from a sound level meter's reading.

    samples (m,): the microphone's recording of pink noise limited to `band_hz`
    (an octave or two around 1 kHz, where every weighting is close to 0 dB) while
    the meter beside it showed `reading_db`.
    """
    spectrum = noise_density(samples, sample_rate_hz)
    step = float(spectrum.frequencies_hz[1])
    level_dbfs = 10 * float(np.log10(max(_power(spectrum, *band_hz, step), 1e-30)))
    return level_dbfs - (reading_db - CALIBRATOR_SPL_DB)


def sounding_part(samples: NDArray[np.float64], sample_rate_hz: float) -> NDArray[np.float64]:
    """Return the longest stretch of a recording (m,) in which steady noise plays.

    In blocks of 0.1 s, those within 12 dB of the loudest; a block at either end is
    left out. Raises MeasurementError when the noise does not stand 15 dB above
    the quietest block, or plays for less than a second.
    """
    size = round(BLOCK_S * sample_rate_hz)
    blocks = samples[: samples.size // size * size].reshape(-1, size)
    levels_db = 10 * np.log10(np.mean(blocks**2, axis=1) + 1e-30)
    begins, lengths = runs(levels_db > levels_db.max() - SOUNDING_DB)
    longest = int(np.argmax(lengths))
    begin, length = int(begins[longest]) + 1, int(lengths[longest]) - 2
    clear_db = levels_db.max() - np.percentile(levels_db, 5)
    if length * BLOCK_S < 1 or clear_db < CLEAREST_DB:
        raise MeasurementError(
            f"The noise is not heard well: {max(length, 0) * BLOCK_S:.1f} s of it, "
            f"{clear_db:.0f} dB above the quiet; wanted 1 s and {CLEAREST_DB:.0f} dB. "
            f"Raise the level or wait for quiet."
        )
    return np.array(samples[begin * size : (begin + length) * size])


def pink_noise(
    band_hz: tuple[float, float], duration_s: float, sample_rate_hz: float, seed: int = 0
) -> NDArray[np.float64]:
    """Return band-limited pink noise with peak 1 and soft ends, shape (n,), seeded.

    Constant power per octave inside the band, nothing outside; fades of 50 ms.
    """
    import scipy.fft

    from roomtune.signal.sweeps import raised_cosine

    count = round(duration_s * sample_rate_hz)
    length = scipy.fft.next_fast_len(count, real=True)
    frequencies = scipy.fft.rfftfreq(length, 1 / sample_rate_hz)
    inside = (frequencies >= band_hz[0]) & (frequencies <= band_hz[1])
    random = np.random.default_rng(seed)
    spectrum = np.zeros(frequencies.size, dtype=complex)
    phases = random.uniform(0, 2 * np.pi, int(inside.sum()))
    spectrum[inside] = np.exp(1j * phases) / np.sqrt(frequencies[inside])
    samples = scipy.fft.irfft(spectrum, length)[:count]
    times = np.arange(count) / sample_rate_hz
    samples *= raised_cosine(times / 0.05) * raised_cosine((duration_s - times) / 0.05)
    return np.asarray(samples / np.max(np.abs(samples)))
