"""What an output may get: its stated level, the cone's stroke, the coil's heat.

Levels are those of a sine at the output, dB re a full-scale sine. Stroke: a
driver that makes a known level at 1 m per volt moves by x = p r sqrt(2) / (rho
2 pi f^2 Sd) (a simple source in half space), less below the resonance of its
box (R. H. Small, JAES 20(10), 1972). Heat: V^2 / Z against the rated power; a
rating is made with noise whose peaks stand 6 dB over its rms (AES2, from
memory), so peaks may reach 3 dB above the sine of that power.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.driver_data import SealedBox, displacement_limit_db, sealed_box
from roomtune.system.model import Output

SENSITIVITY_V = np.sqrt(8.0)
RATING_CREST_DB = 3.01
STATED, STROKE, HEAT = "stated level", "excursion", "thermal power"
CLIPPING = "digital full scale"
Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DriverLimit:
    """The highest level that an output may get at each frequency.

    frequencies_hz, level_dbfs: (k,); causes: what limits there; parts: the level
    (k,) that each cause allows by itself; peak_dbfs: the highest peak that no
    frequency forbids (stated level and heat), `thermal_dbfs` the sine of rated
    power; `unknown`: data that would tell more.
    """

    output: str
    frequencies_hz: Array
    level_dbfs: Array
    causes: tuple[str, ...]
    peak_dbfs: float
    thermal_dbfs: float | None
    unknown: tuple[str, ...]
    parts: dict[str, Array]

    def least(self, band_hz: tuple[float, float]) -> dict[str, tuple[float, float]]:
        """The lowest level in a band that each cause allows, and where: dBFS, Hz."""
        hz = self.frequencies_hz
        inside = np.flatnonzero((hz >= band_hz[0]) & (hz <= band_hz[1]))
        found = {}
        for cause, level in self.parts.items():
            place = inside[int(np.argmin(level[inside]))]
            found[cause] = float(level[place]), float(hz[place])
        return found

    def threshold_dbfs(self, reached_dbfs: Array) -> float:
        """The highest limiter threshold that keeps every sine within the limit.

        reached_dbfs: (k,) level that all channels together can make at the
        output without a limiter; where that stays below the limit, the limiter
        is not needed.
        """
        exceeded = self.level_dbfs[reached_dbfs > self.level_dbfs]
        return float(min(self.peak_dbfs, exceeded.min(initial=np.inf)))


def driver_limit(output: Output, frequencies_hz: Array) -> DriverLimit:
    """The limits of an output, as far as its data tell."""
    stated = np.full(len(frequencies_hz), output.maximum_level_dbfs)
    rows, names = [np.minimum(stated, 0.0)], [STATED if output.maximum_level_dbfs < 0 else CLIPPING]
    unknown = [] if output.full_scale_v else ["full_scale_v"]
    stroke = stroke_limit_dbfs(output, frequencies_hz)
    if stroke is not None:
        rows.append(stroke)
        names.append(STROKE)
    elif output.driver in ("subwoofer", "woofer", "full range"):
        unknown += _missing(output, "piston_area_cm2", "peak_excursion_mm", "sensitivity_db")
    thermal = thermal_limit_dbfs(output)
    if thermal is None:
        unknown += _missing(output, "thermal_power_w", "nominal_impedance_ohm")
    else:
        rows.append(np.full(len(frequencies_hz), thermal + RATING_CREST_DB))
        names.append(HEAT)
    table = np.array(rows)
    lowest = np.argmin(table, axis=0)
    peak = min(output.maximum_level_dbfs, np.inf if thermal is None else thermal + RATING_CREST_DB)
    return DriverLimit(
        output.name,
        frequencies_hz,
        table.min(axis=0),
        tuple(names[place] for place in lowest),
        float(min(peak, 0.0)),
        thermal,
        tuple(unknown),
        dict(zip(names, rows, strict=True)),
    )


def _missing(output: Output, *keys: str) -> list[str]:
    return [key for key in keys if getattr(output.data, key) is None]


def stroke_limit_dbfs(output: Output, frequencies_hz: Array) -> Array | None:
    """Sine level at which the cone reaches its stroke, (k,); None when data are missing."""
    data, volts = output.data, output.full_scale_v
    area, stroke, level = data.piston_area_cm2, data.peak_excursion_mm, data.sensitivity_db
    if volts is None or area is None or stroke is None or level is None:
        return None
    full_scale_db = level + 20 * np.log10(volts / SENSITIVITY_V)
    made = full_scale_db + _low_end_db(output, frequencies_hz)
    return np.asarray(displacement_limit_db(frequencies_hz, area, stroke) - made)


def _low_end_db(output: Output, frequencies_hz: Array) -> Array:
    """Level of the driver's low end re its pass band; 0 without data (the safe side)."""
    box = box_of(output)
    if box is None:
        return np.zeros(len(frequencies_hz))
    return np.asarray(20 * np.log10(np.maximum(np.abs(box.response(frequencies_hz)), 1e-9)))


def box_of(output: Output) -> SealedBox | None:
    """The low end of a driver in its sealed box, None when data are missing."""
    data, enclosure = output.data, output.enclosure
    fs, q, vas = data.resonance_hz, data.total_q, data.equivalent_volume_l
    if enclosure is None or enclosure.kind != "sealed" or not enclosure.volume_l:
        return None
    if fs is None or q is None or vas is None:
        return None
    return sealed_box(fs, q, vas, enclosure.volume_l)


def thermal_limit_dbfs(output: Output) -> float | None:
    """Level of the sine that makes the rated power; None when data are missing."""
    power, ohm = output.data.thermal_power_w, output.data.nominal_impedance_ohm
    if output.full_scale_v is None or power is None or ohm is None:
        return None
    return float(10 * np.log10(power * ohm / output.full_scale_v**2))
