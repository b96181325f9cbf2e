"""Reflections of a rectangular room by image sources (pyroomacoustics).

J. B. Allen, D. A. Berkley, JASA 65, 943-950 (1979). The images are found once;
their sum is rendered once per octave band of absorption, so that absorption and
directivity may vary with frequency while the direct sound stays exact.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
BAND_CENTRES_HZ = (62.5, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)


@dataclass(frozen=True)
class Radiator:
    """A source: where it is, where it aims, how wide its diaphragm is."""

    position_m: tuple[float, float, float]
    aim_m: tuple[float, float, float]
    diameter_m: float


def image_responses(
    size_m: tuple[float, float, float],
    absorption: Floats,
    radiators: Sequence[Radiator],
    microphones_m: Floats,
    sample_rate_hz: int,
    samples: int,
    speed_m_s: float,
    order: int = 26,
) -> Iterator[NDArray[np.float32]]:
    """Responses (sources, microphones, samples) of one band after another.

    1 stands for the level at one metre on axis; time zero is the moment of
    emission: the library's constant delay is taken out. absorption: (bands, 6),
    surfaces x=0, x=Lx, y=0, y=Ly, z=0, z=Lz.
    """
    import pyroomacoustics as library

    with _plain_settings(library):
        room = _shoebox(library, size_m, radiators, microphones_m, sample_rate_hz, order, speed_m_s)
        room.image_source_model()
    reflections = [_reflections(source, size_m) for source in room.sources]
    for band, centre_hz in enumerate(BAND_CENTRES_HZ):
        amplitude = np.log(np.sqrt(1 - absorption[band]))
        for source, radiator, counts in zip(room.sources, radiators, reflections, strict=True):
            source.damping = np.exp(amplitude @ counts)[None].astype(np.float32)
            source.set_directivity(_directivity(radiator, centre_hz, speed_m_s))
        with _plain_settings(library):
            room.compute_rir()
            lead = library.constants.get("frac_delay_length") // 2
        yield _collected(room.rir, lead, samples)


@contextmanager
def _plain_settings(library: Any) -> Iterator[None]:
    """No high-pass, a fine table of delays, and everywhere the same order of summing."""
    wanted = {"rir_hpf_enable": False, "num_threads": 2, "sinc_lut_granularity": 200}
    before = {key: library.constants.get(key) for key in wanted}
    try:
        for key, value in wanted.items():
            library.constants.set(key, value)
        yield
    finally:
        for key, value in before.items():
            library.constants.set(key, value)


def _shoebox(
    library: Any,
    size_m: tuple[float, float, float],
    radiators: Sequence[Radiator],
    microphones_m: Floats,
    sample_rate_hz: int,
    order: int,
    speed_m_s: float,
) -> Any:
    room = library.ShoeBox(
        list(size_m), fs=sample_rate_hz, materials=library.Material(0.5), max_order=order
    )
    room.set_sound_speed(speed_m_s)
    for radiator in radiators:
        room.add_source(list(radiator.position_m))
    room.add_microphone_array(np.asarray(microphones_m).T)
    return room


def _reflections(source: Any, size_m: tuple[float, float, float]) -> Floats:
    """How often each image was reflected by each of the six surfaces, (6, images).

    An image n reflections away along an axis hit the two surfaces of the axis
    in turn; the side on which it lies tells which one came last.
    """
    orders = np.abs(np.asarray(source.orders_xyz)).astype(float)
    counts = np.empty((6, orders.shape[1]))
    for axis in range(3):
        beyond = source.images[axis] > size_m[axis] / 2
        more, less = np.ceil(orders[axis] / 2), np.floor(orders[axis] / 2)
        counts[2 * axis] = np.where(beyond, less, more)
        counts[2 * axis + 1] = np.where(beyond, more, less)
    return counts


def _collected(
    rir: list[list[NDArray[np.float32]]], lead: int, samples: int
) -> NDArray[np.float32]:
    """Turn rir[microphone][source], late by `lead`, into (sources, microphones, samples)."""
    collected = np.zeros((len(rir[0]), len(rir), samples), dtype=np.float32)
    for microphone, of_sources in enumerate(rir):
        for source, response in enumerate(of_sources):
            part = response[lead : lead + samples]
            collected[source, microphone, : len(part)] = part
    return collected


def directivity_gain(cosine: Floats, size: float) -> Floats:
    """Amplitude off axis of a diaphragm in a box, 1 on axis.

    size: k a (circumference in wavelengths). A smooth fit to a rigid piston,
    1 / (1 + (ka sin / 2)^2 / 2) up to the side, and up to 12 dB less behind.
    """
    sine = np.sqrt(np.maximum(0.0, 1 - cosine**2))
    front = 1 / (1 + (size * np.where(cosine > 0, sine, 1.0) / 2) ** 2 / 2)
    shade = size**2 / (1 + size**2) * np.maximum(0.0, -cosine)
    return np.maximum(front, 0.1) * (1 - 0.75 * shade)


def _directivity(radiator: Radiator, frequency_hz: float, speed_m_s: float) -> Any:
    from pyroomacoustics.directivities import Directivity

    axis = np.subtract(radiator.aim_m, radiator.position_m)
    axis = axis / max(float(np.linalg.norm(axis)), 1e-9)
    size = np.pi * radiator.diameter_m * frequency_hz / speed_m_s

    class Diaphragm(Directivity):  # type: ignore[misc]
        """The radiator in one octave band."""

        is_impulse_response = False
        filter_len_ir = 1

        def get_response(
            self,
            azimuth: Floats,
            colatitude: Floats | None = None,
            magnitude: bool = False,
            frequency: float | None = None,
            degrees: bool = True,
        ) -> Floats:
            turn = np.pi / 180 if degrees else 1.0
            around = np.asarray(azimuth) * turn
            down = np.pi / 2 if colatitude is None else np.asarray(colatitude) * turn
            flat = np.sin(down) * (axis[0] * np.cos(around) + axis[1] * np.sin(around))
            return directivity_gain(flat + axis[2] * np.cos(down), size)

        def sample_rays(self, n_rays: int, rng: Any = None) -> Any:
            raise NotImplementedError("image sources only")

    return Diaphragm()
