"""Modes for the equaliser against exact decaying sinusoids, and what a cut leaves of one."""

import numpy as np
import pytest

from roomtune.advisor.palette import Ground, Rules, at_mode, palette_of, section_at
from roomtune.advisor.room_modes import Mode, strongest_modes
from roomtune.processor.filters import filter_response
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import Processor

RATE, LENGTH = 48000.0, 48000
TRUE = ((32.0, 0.9), (47.0, 0.7), (61.0, 0.5), (75.0, 0.6), (88.0, 0.45), (110.0, 0.4))


def rung(modes, seats=6, seed=0, noise=0.02):
    """A direct sound and modes of random strength and phase at every seat."""
    random, moments = np.random.default_rng(seed), np.arange(LENGTH) / RATE
    samples = random.normal(size=(seats, LENGTH)) * noise
    samples[:, 0] += 30.0
    for frequency, decay in modes:
        fall = np.exp(-np.log(1000) * moments / decay)
        for seat in range(seats):
            phase = 2 * np.pi * frequency * moments + random.uniform(0, 6)
            samples[seat] += random.normal() * fall * np.cos(phase)
    return ImpulseResponse(samples, RATE)


@pytest.mark.parametrize("seed", [0, 1])
def test_known_modes_are_found(seed):
    found = strongest_modes(rung(TRUE, seed=seed))
    assert len(found) == len(TRUE)
    for mode, (frequency, decay) in zip(found, TRUE, strict=True):
        assert mode.frequency_hz == pytest.approx(frequency, abs=0.05)
        assert mode.decay_s == pytest.approx(decay, rel=0.02)
        assert mode.quality == pytest.approx(np.pi * frequency * decay / np.log(1000), rel=0.02)


def test_a_response_that_is_too_short_has_none():
    whole = rung(TRUE)
    short = ImpulseResponse(whole.samples[:, : int(0.2 * RATE)], RATE)
    assert strongest_modes(short) == ()


def test_an_anechoic_response_has_none():
    samples = np.zeros((2, LENGTH))
    samples[:, 100] = 1.0
    assert strongest_modes(ImpulseResponse(samples, RATE)) == ()


@pytest.mark.parametrize("gain_db", [-3.0, -6.0, -10.0])
def test_a_cut_made_for_a_mode_shortens_its_decay_as_stated(gain_db):
    # The section's zeros fall on the mode's poles; its own poles remain, at Q 10^(g/20).
    mode = Mode(47.0, 0.7)
    rules = Rules(Processor(filter_q={"minimum": 0.1, "maximum": 100}), 6.0, 5, modes=(mode,))
    cut = section_at("peaking", (0,), 46.5, 6.0, rules)
    section = at_mode(cut.moved_to(*cut.values[:2], gain_db), rules)
    frequencies = np.fft.rfftfreq(LENGTH * 2, 1 / RATE)
    before = rung(((47.0, 0.7),), seats=3, noise=0.0)
    spectrum = np.fft.rfft(before.samples, LENGTH * 2)
    filtered = spectrum * filter_response(section.filter, RATE, frequencies)
    after = strongest_modes(ImpulseResponse(np.fft.irfft(filtered)[:, :LENGTH], RATE))
    loud = min(after, key=lambda m: abs(m.frequency_hz - 47.0))
    # a pole pair of quality Q turns at f sqrt(1 - 1 / (4 Q^2))
    left = mode.quality * 10 ** (gain_db / 20)
    assert loud.frequency_hz == pytest.approx(47.0 * np.sqrt(1 - 0.25 / left**2), abs=0.05)
    assert loud.decay_s == pytest.approx(mode.after_cut_s(gain_db), rel=0.03)
    assert loud.decay_s < 0.75 * mode.decay_s


def palette(rules):
    from types import SimpleNamespace

    problem = SimpleNamespace(
        model=SimpleNamespace(outputs=("sub",), centres_hz=np.geomspace(20, 200, 9)),
        rate_hz=RATE,
        phases=True,
    )
    return palette_of(problem, [Ground((0,), (30.0, 115.0))], rules)


def test_beside_modes_nothing_narrow_is_tried_in_the_bass():
    rules = Rules(Processor(), 6.0, 5, modes=(Mode(47.0, 0.7), Mode(110.0, 0.5)))
    narrow = [s for s in palette(rules).sections if np.exp(s.values[1]) > 5]
    for section in narrow:
        frequency = float(np.exp(section.values[0]))
        assert min(abs(np.log2(frequency / m)) for m in (47.0, 110.0)) < 1 / 12
    assert narrow


def test_only_cuts_that_lie_on_a_mode_are_made_for_it():
    rules = Rules(Processor(), 6.0, 5, modes=(Mode(47.0, 0.7), Mode(110.0, 0.5)))
    cut = section_at("peaking", (0,), 46.0, 6.0, rules)
    tied = at_mode(cut.moved_to(*cut.values[:2], -6.0), rules)
    assert np.exp(tied.values[0]) == pytest.approx(47.0)
    assert np.exp(tied.values[1]) == pytest.approx(Mode(47.0, 0.7).quality * 10 ** (-6 / 40))
    assert at_mode(cut, rules) is None
    beside = section_at("peaking", (0,), 70.0, 6.0, rules)
    assert at_mode(beside.moved_to(*beside.values[:2], -6.0), rules) is None
