"""How often a planted change is told from the others, and nothing is called nothing.

    python tests/benchmarks/comparison_trial.py [cases] [signal-to-noise in dB] [kind]

With a kind ("moved", "treble", "absorption", "microphone gain", "nothing", "seats
moved") every case is of that kind, else the first five take turns. Every case is a
shoebox room of its own (image sources, order 12) with three two-way loudspeakers, a
subwoofer and two seats; the second round has other noise, another time reference, and
the microphone up to 2 mm elsewhere. Moved seats must not be taken for a change of the
microphone's gain or of absorption; only there the system tells where everything stands.
"""

from __future__ import annotations

import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "session"))
import conftest as rooms

from roomtune.advisor.measured import measured_from_responses
from roomtune.session.comparison import compare
from roomtune.signal.values import ImpulseResponse

KINDS = ("moved", "treble", "absorption", "microphone gain", "nothing")
NOT_TOLD = {"seats moved": {"microphone gain", "absorption"}}
RATE = 48000
ORDER = 12
COUNT = 12000


class Place:
    """Where everything stands, and how much the walls take."""

    def __init__(self, random: np.random.Generator) -> None:
        self.size = np.array(
            [random.uniform(4, 6), random.uniform(3.5, 5), random.uniform(2.3, 2.8)]
        )
        x, y, _ = self.size
        self.speakers = np.array(
            [[0.6, 0.25 * y, 1.0], [0.6, 0.75 * y, 1.0], [0.5, 0.5 * y, 0.8], [0.4, 0.3, 0.3]]
        ) + random.uniform(-0.1, 0.1, (4, 3))
        self.seats = np.array([[0.65 * x, 0.5 * y, 1.1], [0.68 * x, 0.35 * y, 1.1]])
        self.seats += random.uniform(-0.1, 0.1, (2, 3))
        self.absorption = float(random.uniform(0.2, 0.4))


def responses(place: Place, shelf_output: int | None) -> np.ndarray:
    """Impulse responses (outputs, seats, n): room times driver."""
    import pyroomacoustics as pra

    pra.constants.set("rir_hpf_enable", False)
    room = pra.ShoeBox(place.size, RATE, materials=pra.Material(place.absorption), max_order=ORDER)
    for position in place.speakers:
        room.add_source(position)
    room.add_microphone_array(place.seats.T)
    room.compute_rir()
    system = rooms.make_system()
    frequencies = np.fft.rfftfreq(COUNT, 1 / RATE)
    samples = np.zeros((len(system.outputs), 2, COUNT))
    for o, output in enumerate(system.outputs):
        speaker = [s.name for s in system.loudspeakers].index(output.loudspeaker)
        low, high = (max(b, 1.0) for b in output.safe_band_hz)
        band = (1j * frequencies / (1j * frequencies + low / 2)) ** 2
        band /= (1 + 1j * frequencies / (1.5 * high)) ** 2
        if o == shelf_output:
            band *= 10 ** (-3 / 20 / (1 + (4000 / np.maximum(frequencies, 1)) ** 6))
        for s in range(2):
            rir = np.zeros(COUNT)
            found = room.rir[s][speaker][:COUNT]
            rir[: len(found)] = found
            samples[o, s] = np.fft.irfft(np.fft.rfft(rir) * band, COUNT)
    return samples


def measure(samples: np.ndarray, random: np.random.Generator, snr_db: float, start_s: float):
    """The responses as measured: noise in every one, and what it explains told along."""
    energy = np.mean(np.sum(samples**2, axis=-1))
    deviation = np.sqrt(energy / COUNT) * 10 ** (-snr_db / 20)
    noisy = samples + deviation * random.normal(size=samples.shape)
    measured = measured_from_responses(rooms.make_system(), ImpulseResponse(noisy, RATE, start_s))
    noise = np.full(measured.deviation.shape, deviation * np.sqrt(COUNT))
    return type(measured)(
        measured.outputs, measured.seats, measured.responses, measured.bands_hz,
        measured.deviation_hz, noise,
    )  # fmt: skip


def placed(place: Place):
    """The system with the positions of loudspeakers and seats."""
    system = rooms.make_system()

    def at(items, positions):
        return tuple(
            item.model_copy(update={"position_m": tuple(map(float, position))})
            for item, position in zip(items, positions, strict=True)
        )

    loudspeakers = at(system.loudspeakers, place.speakers)
    return system.model_copy(
        update={"loudspeakers": loudspeakers, "seats": at(system.seats, place.seats)}
    )


def case(seed: int, kind: str, snr_db: float):
    """The comparison, and the output or loudspeaker that was changed."""
    random = np.random.default_rng(seed)
    place = Place(random)
    system = placed(place) if kind == "seats moved" else rooms.make_system()
    first = measure(responses(place, None), random, snr_db, 0.0)
    place.seats = place.seats + random.uniform(-0.002, 0.002, place.seats.shape)
    subject, shelf, gain = "", None, 1.0
    if kind == "moved":
        speaker, angle = int(random.integers(3)), random.uniform(0, 2 * np.pi)
        step = random.uniform(0.05, 0.4) * np.array([np.cos(angle), np.sin(angle), 0])
        moved = np.clip(place.speakers[speaker] + step, 0.2, place.size - 0.2)
        place.speakers[speaker] = moved
        subject = ("front L", "front R", "front C")[speaker]
    elif kind == "treble":
        shelf = int(random.choice([1, 3, 5]))
        subject = rooms.make_system().outputs[shelf].name
    elif kind == "absorption":
        place.absorption += float(random.uniform(0.12, 0.25))
    elif kind == "seats moved":
        angle = random.uniform(0, 2 * np.pi)
        step = random.uniform(0.25, 0.45) * np.array([np.cos(angle), np.sin(angle), 0])
        place.seats = place.seats + step
    elif kind == "microphone gain":
        gain = 10 ** (float(random.choice([-2, 2])) / 20)
    second = measure(responses(place, shelf) * gain, random, snr_db, float(random.uniform(0, 0.02)))
    return compare(system, first, second), subject


def run(cases: int, snr_db: float, kinds: tuple[str, ...] = KINDS) -> tuple[int, int, int]:
    """Told apart, nothing called nothing, and number of nothing cases."""
    right = quiet = nothing = 0
    for number in range(cases):
        kind = kinds[number % len(kinds)]
        result, subject = case(number, kind, snr_db)
        if kind == "nothing":
            good = not result.findings
            nothing, quiet = nothing + 1, quiet + good
        else:
            first = result.findings[0] if result.findings else None
            good = bool(first and first.kind == kind)
            good = good and subject in (first.subject, "")
            good = good and not {f.kind for f in result.findings} & NOT_TOLD.get(kind, set())
        right += good
        if not good:
            told = [(f.kind, f.subject, round(f.size, 3)) for f in result.findings]
            print(f"case {number}: planted {kind} {subject}; told {told}", flush=True)
    return right, quiet, nothing


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    ratio = float(sys.argv[2]) if len(sys.argv) > 2 else 40.0
    told, still, empty = run(count, ratio, tuple(sys.argv[3:]) or KINDS)
    print(f"told apart {told} of {count}; nothing called nothing {still} of {empty}")
