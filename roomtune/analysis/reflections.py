"""Early reflections: when, how strong, and from which surface perhaps.

Found as maxima of the band's envelope after the direct sound. Where positions
are known, their path differences are compared with those of the first image
sources (J. B. Allen, D. A. Berkley, J. Acoust. Soc. Am. 65, 943-950, 1979).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.onset import band_envelope
from roomtune.analysis.rooms import speed_of_sound_m_s
from roomtune.signal.bands import band_levels_db, third_octave_centres_hz
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.signal.windows import cropped, windowed

Position = tuple[float, float, float]
SURFACES = ("wall at x = 0", "far wall in x", "wall at y = 0", "far wall in y", "floor", "ceiling")
CAUTION_UNTIL_S = 0.015
CAUTION_ABOVE_DB = -10.0
_WINDOW_S = 1.2e-3
_TAPER_OCTAVES = 1.5


@dataclass(frozen=True, eq=False)
class Reflection:
    """One reflection, relative to the direct sound.

    delay_s after it, level_db re it in the band searched, path_difference_m;
    spectrum_db (b,): level re the direct sound in thirds at centres_hz, seen
    through 1.2 ms; surface: which one it may be, with the path error in metres.
    """

    delay_s: float
    level_db: float
    path_difference_m: float
    centres_hz: NDArray[np.float64]
    spectrum_db: NDArray[np.float64]
    surface: str | None = None
    path_error_m: float = np.nan

    @property
    def lowest_comb_hz(self) -> float:
        """First frequency at which it cancels most, 1 / (2 delay) for equal sign."""
        return 0.5 / self.delay_s


def early_reflections(
    response: ImpulseResponse,
    arrival_s: float,
    band_hz: tuple[float, float] = (1000.0, 8000.0),
    until_s: float = 0.03,
    least_db: float = -20.0,
    speed_m_s: float | None = None,
) -> tuple[Reflection, ...]:
    """Reflections of one response (n,) within `until_s` of the direct sound.

    Maxima of the band's envelope that reach `least_db` re the direct sound and
    stand 3 dB above the lowest point on either side towards a higher one. The
    band's width limits what can be told apart: about 1 / width.
    """
    rate = response.sample_rate_hz
    start = round((arrival_s - response.start_s) * rate)
    envelope = band_envelope(response.samples, rate, band_hz, _TAPER_OCTAVES)
    settle = round(1.5 / (band_hz[1] - band_hz[0]) * rate)
    window = slice(max(start - settle, 0), start + max(4 * settle, int(0.4e-3 * rate)))
    direct = int(np.argmax(envelope[window])) + window.start
    last = min(direct + int(until_s * rate), len(envelope) - 2)
    level = 20 * np.log10(np.maximum(envelope[: last + 2] / envelope[direct], 1e-10))
    places = [
        place
        for place in range(direct + settle, last + 1)
        if level[place] >= max(level[place - 1], level[place + 1], least_db)
        and _stands_out(level, place, direct, 3.0)
    ]
    speed = speed_m_s or speed_of_sound_m_s()
    direct_time = _fine(level, direct) / rate
    return tuple(
        _reflection(response, _fine(level, place) / rate, direct_time, level[place], band_hz, speed)
        for place in places
    )


def image_path_differences_m(
    size_m: Position, source_m: Position, receiver_m: Position
) -> dict[str, float]:
    """Extra path of the six first-order image sources over the direct path, metres."""
    size, source, receiver = (np.asarray(v, dtype=float) for v in (size_m, source_m, receiver_m))
    direct = float(np.linalg.norm(source - receiver))
    paths = {}
    for number, name in enumerate(SURFACES):
        axis, far = divmod(number, 2)
        image = source.copy()
        image[axis] = 2 * far * size[axis] - source[axis]
        paths[name] = float(np.linalg.norm(image - receiver)) - direct
    return paths


def name_surfaces(
    reflections: tuple[Reflection, ...],
    size_m: Position,
    source_m: Position,
    receiver_m: Position,
    tolerance_m: float = 0.15,
) -> tuple[Reflection, ...]:
    """Return the reflections with the surface whose path fits best, if one does."""
    paths = image_path_differences_m(size_m, source_m, receiver_m)
    named = []
    for item in reflections:
        name = min(paths, key=lambda surface: abs(paths[surface] - item.path_difference_m))
        error = item.path_difference_m - paths[name]
        fits = abs(error) <= tolerance_m
        named.append(replace(item, surface=name, path_error_m=error) if fits else item)
    return tuple(named)


def cautions(reflections: tuple[Reflection, ...]) -> tuple[str, ...]:
    """Sentences on reflections that are stronger than they should be.

    ITU-R BS.1116-3: reflections within 15 ms should be 10 dB or more below the
    direct sound, 1 to 8 kHz.
    """
    return tuple(
        f"A reflection arrives {1000 * item.delay_s:.1f} ms after the direct sound "
        f"({item.path_difference_m:.2f} m longer) at {item.level_db:.1f} dB"
        + (f", perhaps from the {item.surface}" if item.surface else "")
        + ": -10 dB or less is wanted within 15 ms."
        for item in reflections
        if item.delay_s <= CAUTION_UNTIL_S and item.level_db > CAUTION_ABOVE_DB
    )


def _stands_out(level: NDArray[np.float64], place: int, start: int, by_db: float) -> bool:
    """Whether a maximum is `by_db` above the lowest point towards a higher one before it."""
    before = level[start:place]
    higher = np.flatnonzero(before > level[place])
    valley = before[higher[-1] :] if len(higher) else before
    return bool(len(valley) and level[place] - valley.min() >= by_db)


def _fine(level: NDArray[np.float64], place: int) -> float:
    """Place of a maximum to a fraction of a sample (parabola through three points)."""
    left, top, right = level[place - 1 : place + 2]
    bend = left - 2 * top + right
    return place + (float((left - right) / bend / 2) if bend < 0 else 0.0)


def _reflection(
    response: ImpulseResponse,
    time_s: float,
    direct_s: float,
    level_db: float,
    band_hz: tuple[float, float],
    speed: float,
) -> Reflection:
    delay = time_s - direct_s
    centres = third_octave_centres_hz(max(band_hz[0], 1 / _WINDOW_S), band_hz[1])
    levels = [
        band_levels_db(_seen(response, response.start_s + t), centres) for t in (time_s, direct_s)
    ]
    return Reflection(delay, float(level_db), delay * speed, centres, levels[0] - levels[1])


def _seen(response: ImpulseResponse, time_s: float) -> FrequencyResponse:
    """Spectrum of a short stretch about a time."""
    half = _WINDOW_S / 2
    part = cropped(response, time_s - half, time_s + half)
    faded = windowed(part, time_s - half, time_s + half, half, half)
    return faded.response(max(4096, faded.samples.shape[-1]))


def strongest(reflections: tuple[Reflection, ...], count: int = 5) -> tuple[Reflection, ...]:
    """The strongest few, in order of arrival."""
    ranked = sorted(reflections, key=lambda item: -item.level_db)[:count]
    return tuple(sorted(ranked, key=lambda item: item.delay_s))
