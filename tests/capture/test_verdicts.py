"""Faults injected one at a time: each must be named, and clean takes left in peace."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft
import scipy.ndimage
import scipy.signal
import soxr

from roomtune.capture.consistency import checked_against
from roomtune.capture.interface import Recording
from roomtune.capture.quality import worth_repeating
from roomtune.capture.reading import take_from_recording
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.stimulus import schedule, take_signals
from roomtune.signal.sweeps import Sweep, raised_cosine

RATE = 48000
SETTINGS = CaptureSettings(
    sweep_duration_s=0.8, lead_s=0.4, tail_s=0.6, end_s=0.15, marker_gap_s=0.3
)
BANDS_HZ = ((40, 4000), (100, 16000), (1500, 20000), (25, 2000))
PASSES_FOR = {
    "empty blocks": "lost samples",
    "interrupted playback": "impulsive noise",
    "moved between takes": "microphone moved",
    "level changed between takes": "level jumped",
    "wrong output, known": "wrong output",
}


class Case:
    """One take in a room drawn by a seed, with switches that faults turn."""

    def __init__(self, seed, make_response):
        self.random = np.random.default_rng(seed)
        self.make_response = make_response
        self.band_hz = BANDS_HZ[seed % 4]
        draw = self.random.uniform
        self.snr_db = draw(30, 60)
        self.drift_ppm = draw(-100, 100)
        self.latency_s = draw(0.15, 0.4)
        self.harmonics = (10 ** (-draw(38, 50) / 20), 10 ** (-draw(38, 50) / 20))
        self.peak = 10 ** (draw(-26, -8) / 20)
        marker = Marker(1500, 8000, 0.1, -12 - draw(0, 10))
        sweep = Sweep(*self.band_hz, SETTINGS.sweep_duration_s, RATE)
        reference = Reference("acoustic", marker, 2)
        self.request = TakeRequest(
            "woofer", "output", "middle", 1, sweep, -12.0, reference, SETTINGS
        )
        self.plan = schedule(self.request)
        self.paths = (self.path(seed + 1000, self.band_hz), self.path(seed + 2000, (300, 18000)))
        self.at_playback = None
        self.at_microphone = None
        self.in_header = None
        self.gain_db = 0.0

    def path(self, seed, band_hz, least_diffuse=0.005):
        random = np.random.default_rng(seed)
        band = (band_hz[0] * 1.2, min(band_hz[1] * 0.85, 18000))
        return self.make_response(
            seed,
            delay_s=random.uniform(0.003, 0.012),
            band_hz=band,
            decay_s=random.uniform(0.2, 0.6),
            diffuse=random.uniform(least_diffuse, 0.04),
        )

    def place(self, low=0.1, high=0.9):
        """A sample of the recording while the sweep plays."""
        into_s = self.request.sweep.true_duration_s * self.random.uniform(low, high)
        return int((self.latency_s + self.plan.sweep_s + into_s) * RATE)

    def take(self):
        """Record and judge."""
        samples = self.sound(self.paths)
        self.level = self.usual_level(samples)
        samples = samples + self.noise(samples.size)
        if self.at_microphone is not None:
            samples = self.at_microphone(self, samples)
        else:
            samples = samples / max(1.0, np.abs(samples).max() / 0.9)
        recording = Recording(samples[:, None], RATE)
        if self.in_header is not None:
            recording = self.in_header(self, recording)
        return take_from_recording(recording, self.request)

    def sound(self, paths):
        """What the microphone would deliver without noise, scaled to `peak`."""
        signals = take_signals(self.request)
        self.add_harmonics(signals)
        if self.at_playback is not None:
            self.at_playback(signals)
        count = signals.shape[0] + round(0.7 * RATE)
        length = scipy.fft.next_fast_len(count + RATE // 2, real=True)
        heard = sum(
            scipy.fft.rfft(signals[:, k], length) * scipy.fft.rfft(paths[k], length)
            for k in range(2)
        )
        turn = np.exp(-2j * np.pi * np.arange(heard.size) * self.latency_s * RATE / length)
        samples = scipy.fft.irfft(heard * turn, length)[:count]
        samples = soxr.resample(samples, RATE, RATE * (1 + self.drift_ppm * 1e-6), "HQ")
        if not hasattr(self, "scale"):
            self.scale = self.peak / np.abs(samples).max()
        return samples * self.scale * 10 ** (self.gain_db / 20)

    def add_harmonics(self, signals):
        """Distortion in the loudspeaker: exact harmonics of the sweep, not aliased."""
        sweep = self.request.sweep
        times = np.arange(sweep.sample_count) / RATE
        phase = 2 * np.pi * sweep.start_hz * sweep.rate_s * np.exp(times / sweep.rate_s)
        fade = raised_cosine(times / 0.02) * raised_cosine((sweep.true_duration_s - times) / 0.005)
        begin = round(self.plan.sweep_s * RATE)
        for order, ratio, shape in zip((2, 3), self.harmonics, (np.cos, np.sin), strict=True):
            kept = raised_cosine((0.49 * RATE - order * sweep.frequency_at_hz(times)) / 500)
            tone = 0.25 * ratio * fade * kept * shape(order * phase)
            signals[begin : begin + times.size, 0] += tone

    def usual_level(self, samples):
        begin = int((self.latency_s + self.plan.sweep_s) * RATE)
        piece = samples[begin : begin + self.request.sweep.sample_count]
        return float(np.sqrt(np.mean(piece**2)))

    def noise(self, count):
        return self.level * 10 ** (-self.snr_db / 20) * self.random.standard_normal(count)


# --- what is done to a case --------------------------------------------------


def clipping(case):
    def cut(case, samples):
        limit = case.random.choice([1.0, 0.9, 0.5])
        over = 10 ** (case.random.uniform(0.5, 6) / 20)
        return np.clip(samples / np.abs(samples).max() * over * limit, -limit, limit)

    case.at_microphone = cut


def soft_clipping(case):
    def bend(case, samples):
        begin = int((case.latency_s + case.plan.sweep_s) * RATE)
        top = np.abs(samples[begin : begin + case.request.sweep.sample_count]).max()
        gain = case.random.uniform(1, 2.5) / top
        fine = soxr.resample(samples, 1, 4, "HQ")
        return soxr.resample(np.tanh(fine * gain) / gain, 4, 1, "HQ")[: samples.size]

    case.at_microphone = bend


def low_signal_to_noise(case):
    case.snr_db = -4


def impulsive_noise(case):
    def disturb(case, samples):
        count = int(case.random.uniform(0.002, 0.2) * RATE)
        decay = np.exp(-np.arange(count) * 5 / count)
        tone = np.sin(2 * np.pi * case.random.uniform(300, 2000) * np.arange(count) / RATE)
        hiss = case.random.standard_normal(count)
        thud = scipy.signal.sosfilt(scipy.signal.butter(2, 1000, fs=RATE, output="sos"), hiss)
        burst = decay * (hiss, tone, thud)[case.random.integers(3)]
        burst *= case.level * 10 ** (case.random.uniform(-15, 6) / 20) / np.sqrt(np.mean(burst**2))
        place = case.place()
        samples = samples.copy()
        samples[place : place + count] += burst
        return samples / max(1.0, np.abs(samples).max() / 0.9)

    case.at_microphone = disturb


def _block(case):
    return int(case.random.choice([16, 32, 64, 128, 256, 512, 1024, 2048]))


def lost_samples(case):
    def lose(case, samples):
        place, count = case.place(), _block(case)
        return np.delete(samples, slice(place, place + count))

    case.at_microphone = lose


def repeated_samples(case):
    def repeat(case, samples):
        place, count = case.place(), _block(case)
        return np.insert(samples, place, samples[place - count : place])

    case.at_microphone = repeat


def empty_blocks(case):
    def empty(case, samples):
        place, count = case.place(), _block(case)
        samples = samples.copy()
        samples[place : place + count] = 0
        return samples

    case.at_microphone = empty


def interrupted_playback(case):
    """Silence is played instead of a block of the sweep; time goes on."""
    first = case.place(0.2, 0.85) - round(case.latency_s * RATE)
    count = int(case.random.choice([128, 256, 512, 1024]))

    def silence(signals):
        signals[first : first + count] = 0

    case.at_playback = silence


def sample_rate(case):
    def mislabel(case, recording):
        rates = ((48000, 44100), (44100, 48000))[case.random.integers(2)]
        return Recording(soxr.resample(np.array(recording.samples), *rates), RATE)

    case.in_header = mislabel


def _envelope(samples, block):
    count = samples.size // block
    return np.sqrt((samples[: count * block].reshape(count, block) ** 2).mean(axis=1))


def _with_gain(samples, gain, block):
    places = np.arange(gain.size) * block + block / 2
    return samples * np.interp(np.arange(samples.size), places, gain)


def automatic_gain_control(case):
    def ride(case, samples):
        draw, block = case.random.uniform, 48
        attack, release = (
            np.exp(-block / RATE / draw(0.005, 0.1)),
            np.exp(-block / RATE / draw(0.3, 4)),
        )
        wanted, ratio = case.level * 10 ** (draw(-10, 0) / 20), draw(2, 20)
        followed, tracked = 0.0, []
        for now in _envelope(samples, block):
            keep = attack if now > followed else release
            followed = keep * followed + (1 - keep) * now
            tracked.append(followed)
        gain = (wanted / np.maximum(tracked, 1e-9)) ** (1 - 1 / ratio)
        heard = _with_gain(samples, np.minimum(gain, 10 ** (draw(6, 20) / 20)), block)
        return heard / np.abs(heard).max() * 0.7

    case.at_microphone = ride


def noise_suppression(case):
    def gate(case, samples):
        draw, block = case.random.uniform, 480
        level = _envelope(samples, block)
        quiet = np.median(np.sort(level)[: level.size // 4])
        opened = level > max(case.level * 10 ** (-draw(12, 22) / 20), 2 * quiet)
        held = opened.copy()
        for later in range(1, int(draw(2, 15)) + 1):
            held[later:] |= opened[:-later]
        gain = np.where(held, 1.0, 10 ** (-draw(10, 30) / 20))
        return _with_gain(samples, scipy.ndimage.uniform_filter1d(gain, 3), block)

    case.at_microphone = gate


def level_jumped(case):
    def turn(case, samples):
        samples = samples.copy()
        step_db = case.random.choice([-1, 1]) * case.random.uniform(1, 8)
        samples[case.place(0.05, 0.95) :] *= 10 ** (step_db / 20)
        return samples / max(1.0, np.abs(samples).max() / 0.9)

    case.at_microphone = turn


def microphone_moved(case):
    def move(case, samples):
        others = tuple(case.path(n, (60, 18000), 0.02) for n in case.random.integers(1e6, size=2))
        place = case.place(0.05, 0.95)
        moved = case.sound(others) + case.noise(samples.size)
        moved *= np.std(samples[place:]) / np.std(moved[place:])
        blend = raised_cosine((np.arange(samples.size) - place) / (0.1 * RATE))
        return samples * (1 - blend) + moved * blend

    case.at_microphone = move


def distortion(case):
    strong = 10 ** (-case.random.uniform(12, 22) / 20)
    case.harmonics = (strong, 0.003) if case.random.integers(2) else (0.01, strong)


def digital_silence(case):
    case.at_microphone = lambda case, samples: np.zeros_like(samples)


INSIDE = {
    "clipping": clipping,
    "soft clipping": soft_clipping,
    "low signal-to-noise": low_signal_to_noise,
    "impulsive noise": impulsive_noise,
    "lost samples": lost_samples,
    "repeated samples": repeated_samples,
    "empty blocks": empty_blocks,
    "interrupted playback": interrupted_playback,
    "sample rate": sample_rate,
    "automatic gain control": automatic_gain_control,
    "noise suppression": noise_suppression,
    "level jumped": level_jumped,
    "microphone moved": microphone_moved,
    "distortion": distortion,
    "digital silence": digital_silence,
}


def judged_after(kind, seed, make_response):
    """A take that only an earlier one at the seat can show to be wrong."""
    earlier = Case(seed, make_response)
    later = Case(seed, make_response)
    later.random = np.random.default_rng(seed + 777)
    later.latency_s = later.random.uniform(0.15, 0.4)
    if kind == "moved between takes":
        later.paths = (
            later.path(seed + 3000, later.band_hz),
            later.path(seed + 4000, (300, 18000)),
        )
    elif kind == "level changed between takes":
        later.gain_db = -float(later.random.uniform(1, 6))
    elif kind == "wrong output":
        later.request = replace(later.request, source="tweeter")
    elif kind == "wrong output, known":
        later.paths = (later.path(seed + 5000, later.band_hz), later.paths[1])
    before = earlier.take()
    later.scale = earlier.scale
    return checked_against(later.take(), [before])


BETWEEN = (
    "moved between takes",
    "level changed between takes",
    "wrong output",
    "wrong output, known",
)


def codes(take):
    return tuple(finding.code for finding in take.verdict.findings) or ("good",)


def run_bank(first, each, make_response):
    """Every kind of fault `each` times: table of what was found, and the misses."""
    table, missed = defaultdict(Counter), []
    for kind in (*INSIDE, *BETWEEN):
        for seed in range(first, first + each):
            if kind in INSIDE:
                case = Case(seed, make_response)
                INSIDE[kind](case)
                take = case.take()
            else:
                take = judged_after(kind, seed, make_response)
            found = codes(take)
            table[kind][" + ".join(found)] += 1
            if PASSES_FOR.get(kind, kind) not in found:
                missed.append((kind, seed, found))
    return table, missed


def print_table(table):
    for kind, found in table.items():
        listed = ", ".join(f"{name}: {count}" for name, count in found.most_common())
        print(f"{kind:30s} {listed}")


def test_every_kind_of_fault_is_named(room_response):
    table, missed = run_bank(0, 4, room_response)
    print_table(table)
    assert missed == []


def test_clean_takes_are_left_in_peace(room_response):
    found = Counter(codes(Case(seed, room_response).take()) for seed in range(5000, 5060))
    assert found == {("good",): 60}


def test_clean_pairs_are_consistent(room_response):
    for seed in range(8):
        assert codes(judged_after("nothing", seed, room_response)) == ("good",)


@pytest.mark.slow
def test_the_whole_bank_of_faults(room_response):
    # Wanted: of at least 400 seeded faults 99 % named with the right reason.
    table, missed = run_bank(700, 23, room_response)
    print_table(table)
    total = sum(sum(found.values()) for found in table.values())
    print(f"{total} faults, {len(missed)} not named: {missed}")
    assert total >= 400
    assert len(missed) <= 0.01 * total


@pytest.mark.slow
def test_false_alarms_are_rare(room_response):
    # Wanted: at most 1 % of 400 clean takes at 30 dB and more.
    found = Counter(codes(Case(seed, room_response).take()) for seed in range(10000, 10400))
    print(found)
    assert sum(found.values()) - found[("good",)] <= 4


def test_sentences_say_what_where_and_what_to_do(room_response):
    case = Case(2, room_response)
    clipping(case)
    text = case.take().verdict.findings[0].text
    assert "clipped" in text
    assert " s. Turn" in text
    case = Case(3, room_response)
    digital_silence(case)
    text = case.take().verdict.findings[0].text
    assert "allow this program to use the microphone" in text


def test_disturbance_is_localised(room_response):
    case = Case(1, room_response)
    moment_s = case.latency_s + case.plan.sweep_s + 0.4

    def knock(case, samples):
        samples = samples.copy()
        place = round(moment_s * RATE)
        samples[place : place + 300] += 3 * case.level * case.random.standard_normal(300)
        return samples / max(1.0, np.abs(samples).max() / 0.9)

    case.at_microphone = knock
    finding = case.take().verdict.findings[0]
    assert finding.code == "impulsive noise"
    told = float(finding.text.split("sweep ")[1].split(" s into")[0])
    assert told == pytest.approx(moment_s, abs=0.05)


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda s: s * np.nan, "not finite"),
        (lambda s: s[:1000], "recording too short"),
        (lambda s: s * 1e30, "not finite"),
    ],
)
def test_hopeless_recordings_get_a_verdict_not_a_crash(room_response, spoil, code):
    case = Case(0, room_response)
    case.at_microphone = lambda case, samples: spoil(samples)
    take = case.take()
    assert codes(take) == (code,)
    assert take.verdict.grade == "repeat"
    assert not take.impulse_response.samples.any()


@pytest.mark.parametrize(("into_s", "code"), [(0.4, "reported blocks"), (-0.6, "good")])
def test_blocks_that_the_sound_system_reports_count_during_the_sweep(room_response, into_s, code):
    case = Case(1, room_response)
    flagged_s = (case.latency_s + case.plan.sweep_s + into_s,)
    event = "output underflow reported in 1 of 300 blocks"
    case.in_header = lambda case, recording: replace(
        recording, events=(event,), flagged_s=flagged_s
    )
    take = case.take()
    assert codes(take) == (code,)
    assert worth_repeating(take.verdict) == (code != "good")


def test_missing_markers_are_told(room_response):
    case = Case(1, room_response)
    case.paths = (case.paths[0], 1e-9 * case.paths[1])
    take = case.take()
    assert codes(take) == ("no marker",)
    assert take.reference == "none"


def test_dead_output_is_told(room_response):
    case = Case(1, room_response)
    alive = Case(1, room_response)
    alive.take()
    case.paths = (1e-9 * case.paths[0], case.paths[1])
    case.usual_level = lambda samples: alive.level
    assert "no sweep" in codes(case.take())
