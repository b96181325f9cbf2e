"""Image sources against closed forms: direct sound, walls, decay, rigid modes."""

from __future__ import annotations

import numpy as np
import pyroomacoustics
import pytest

from roomtune.virtual import modes
from roomtune.virtual.images import (
    BAND_CENTRES_HZ,
    Radiator,
    directivity_gain,
    image_responses,
)

SIZE = (5.6, 4.3, 2.5)
SPEED = 343.2
RATE = 48000
POINT = Radiator((1.1, 0.9, 0.7), (3.0, 2.0, 1.0), 1e-6)


def responses(absorption: float | np.ndarray, order: int, microphones: np.ndarray, **other: object):
    table = np.broadcast_to(absorption, (len(BAND_CENTRES_HZ), 6))
    settings = {"radiators": [POINT], "sample_rate_hz": RATE, "samples": 24000} | other
    bands = image_responses(
        SIZE, table, microphones_m=microphones, speed_m_s=SPEED, order=order, **settings
    )
    return np.stack(list(bands))


def test_direct_sound_arrives_on_time_at_the_inverse_distance() -> None:
    """Free field of a point source: exp(-jkr) / r, to 0.01 dB and 0.1 us below 16 kHz."""
    microphones = np.array([[3.6, 2.13, 1.1], [1.5, 1.0, 0.8], [5.0, 4.0, 2.0]])
    direct = responses(0.3, 0, microphones)[3, 0]
    distance = np.linalg.norm(microphones - POINT.position_m, axis=1)
    frequencies = np.fft.rfftfreq(24000, 1 / RATE)
    band = (frequencies > 20) & (frequencies < 16000)
    expected = np.exp(-2j * np.pi * frequencies * distance[:, None] / SPEED) / distance[:, None]
    ratio = (np.fft.rfft(direct) / expected)[:, band]
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.01
    assert np.abs(np.angle(ratio) / (2 * np.pi * frequencies[band])).max() < 1e-7


@pytest.mark.parametrize("surface", range(6))
def test_each_surface_reflects_with_its_own_coefficient(surface: int) -> None:
    """One wall reflects, the others hardly: its image is the second arrival, sqrt(1 - a) / r."""
    absorption = np.full(6, 1 - 1e-8)
    absorption[surface] = 0.36
    microphone = np.array([[3.6, 2.13, 1.1]])
    response = responses(absorption, 1, microphone)[2, 0, 0]
    image = np.array(POINT.position_m)
    axis = surface // 2
    image[axis] = (2 * SIZE[axis] if surface % 2 else 0.0) - image[axis]
    direct = responses(absorption, 0, microphone)[2, 0, 0]
    reflected = np.fft.rfft(response - direct)
    distance = np.linalg.norm(image - microphone[0])
    frequencies = np.fft.rfftfreq(24000, 1 / RATE)
    expected = 0.8 * np.exp(-2j * np.pi * frequencies * distance / SPEED) / distance
    band = (frequencies > 100) & (frequencies < 10000)
    assert np.abs(reflected - expected)[band].max() < 0.005 * 0.8 / distance


def test_decay_follows_the_closed_form_of_image_sources() -> None:
    """Energy of a direction u falls by prod (R1 R2)^(c t |u_i| / L_i), averaged over directions.

    E. A. Lehmann, A. M. Johansson, JASA 124, 269-277 (2008); summed here over a
    grid of directions. Mean of 12 places, first 120 ms after the direct sound.
    """
    absorption = np.array([0.2, 0.3, 0.25, 0.2, 0.35, 0.2])
    generator = np.random.default_rng(5)
    microphones = generator.uniform(0.15, 0.85, (12, 3)) * SIZE
    spectra = np.fft.rfft(responses(absorption, 26, microphones)[4, 0])
    spectra[:, : 1500 // 2] = 0  # images are all positive: below, they no longer add as power
    energy = (np.fft.irfft(spectra) ** 2).mean(axis=0) / (1 - 1500 / 24000)
    blocks = energy[: 480 * 12].reshape(12, 480).sum(axis=1)[2:]
    times = (np.arange(2, 12) + 0.5) * 0.01
    directions = generator.standard_normal((20000, 3))
    directions = np.abs(directions) / np.linalg.norm(directions, axis=1, keepdims=True)
    losses = -np.log1p(-absorption).reshape(3, 2).sum(axis=1) / 2 / np.array(SIZE)
    expected = np.exp(-SPEED * times[:, None] * (directions @ losses)).mean(axis=1)
    level = 10 * np.log10(blocks / expected)
    constant = 10 * np.log10(
        4 * np.pi * SPEED / np.prod(SIZE) * 0.01
    )  # images per time, times 1/r^2
    assert np.abs(level - constant).max() < 1.0
    assert abs(np.polyfit(times, level, 1)[0]) < 8.0  # dB/s, of a decay of some 180 dB/s


def test_images_and_modes_are_the_same_rigid_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rigid walls, both made to decay by exp(-30 t): two methods, one response, level and all."""
    source, microphone, fall = np.array([[1.1, 0.9, 0.7]]), np.array([[3.6, 2.13, 1.1]]), 30.0
    rate, samples = 1600, 480  # 0.3 s, by when the images of order 45 are still complete
    image = responses(1e-9, 45, microphone, sample_rate_hz=rate, samples=samples)[0, 0, 0]
    of_images = np.fft.rfft(image * np.exp(-fall * np.arange(samples) / rate))[1:90]
    monkeypatch.setattr(modes, "mode_damping", lambda numbers, *_: np.full(len(numbers), fall))
    monkeypatch.setattr(modes, "LEAKAGE_PER_S", 0.0)
    frequencies = np.arange(1, 90) * rate / samples
    of_modes = modes.modal_transfer(
        SIZE,
        lambda f: np.zeros((len(f), 6)),
        source,
        microphone,
        frequencies,
        samples / rate,
        SPEED,
        headroom=6.0,
    )[0, 0]
    error = np.abs(of_images - of_modes)[frequencies < 250].max()
    assert error < 0.01 * np.abs(of_modes).max()


def test_the_simulator_is_left_as_it_was_found() -> None:
    before = {
        key: pyroomacoustics.constants.get(key)
        for key in ("rir_hpf_enable", "num_threads", "sinc_lut_granularity")
    }
    responses(0.3, 1, np.array([[3.6, 2.13, 1.1]]))
    assert before == {key: pyroomacoustics.constants.get(key) for key in before}


def test_directivity_is_one_on_axis_and_falls_smoothly() -> None:
    cosine = np.cos(np.linspace(0, np.pi, 181))
    for size in (0.0, 0.3, 1.0, 3.0, 10.0):
        gain = directivity_gain(cosine, size)
        assert gain[0] == pytest.approx(1.0)
        assert np.all(np.diff(gain) <= 1e-12)
        assert np.all(gain > 0)
        assert np.abs(np.diff(gain)).max() < 0.12
    np.testing.assert_allclose(directivity_gain(cosine, 0.0), 1.0)


def test_directivity_aims_where_it_should() -> None:
    """On axis the direct sound is exact; behind, it is weaker in every octave band."""
    toward = Radiator((2.0, 2.0, 1.2), (4.0, 2.0, 1.2), 0.1)
    microphones = np.array([[4.0, 2.0, 1.2], [0.5, 2.0, 1.2]])
    bands = responses(0.3, 0, microphones, radiators=[toward])[:, 0]
    energy = np.sqrt((bands.astype(float) ** 2).sum(axis=-1)) * np.array([2.0, 1.5])
    np.testing.assert_allclose(energy[:, 0], energy[0, 0], rtol=1e-6)
    assert np.all(np.diff(energy[:, 1]) < 0)
    assert energy[-1, 1] < 0.2 * energy[-1, 0]


def test_uniform_walls_are_what_the_library_gives_by_itself() -> None:
    """pyroomacoustics used plainly: one material, its own response, 40 samples late."""
    microphones = np.array([[3.6, 2.13, 1.1], [4.5, 1.3, 1.15]])
    room = pyroomacoustics.ShoeBox(
        list(SIZE), fs=RATE, materials=pyroomacoustics.Material(0.35), max_order=6
    )
    room.set_sound_speed(SPEED)
    room.add_source(list(POINT.position_m))
    room.add_microphone_array(microphones.T)
    before = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)
    try:
        room.compute_rir()
    finally:
        pyroomacoustics.constants.set("rir_hpf_enable", before)
    bands = responses(0.35, 6, microphones)
    for place, (plain,) in enumerate(room.rir):
        for band in bands[:, 0, place]:
            scale = np.abs(plain).max()
            np.testing.assert_allclose(band[: len(plain) - 40], plain[40:], atol=2e-3 * scale)
