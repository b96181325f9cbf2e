"""Modes of analytic rooms with 20 modes below 120 Hz, against the Cramer-Rao bound.

    python tests/benchmarks/modes_trial.py [TRIALS] [SNR_DB] [live|damped]

Live: 4.72 x 4.36 x 2.87 m, decays of 1.9 to 1.15 s (masonry), five pairs closer than
their bandwidth, the closest at 0.67 of it. Damped: 5.7 x 4.3 x 2.4 m, 1.5 to 0.75 s,
six pairs closer, the closest at 0.31. Subwoofers in corners and along walls, seats
anywhere; white noise up to 1 kHz, root mean square SNR_DB below the peak of each
response (so 9 dB less in the band of the modes).

The bound is that of a joint fit in which only the number of modes and the noise are
known: no method can have a smaller standard error. A decay is "allowed" where twice
its bound is below 5 %. Missed: no mode found within 0.4 %, or three standard errors of
the bound. Stands out: at some output and seat 6 dB above all others together.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from roomtune.analysis.modes import fit_modes
from roomtune.analysis.rooms import rectangular_modes
from roomtune.signal.values import ImpulseResponse

RATE, BAND = 2000.0, (15.0, 120.0)
BEYOND_HZ = 125.0  # a mode close to 120 Hz may be found above
START_S = 0.015
DECAY = 3 * np.log(10)
ALLOWED = 0.025


@dataclass(frozen=True)
class Room:
    """Size and decay time far up; modes below decay slower: least + 30 / f."""

    size_m: tuple[float, float, float]
    least_s: float

    def decay_s(self, frequency_hz):
        """Time for 60 dB of a mode."""
        return self.least_s + 30 / frequency_hz


ROOMS = {"live": Room((4.72, 4.36, 2.87), 0.9), "damped": Room((5.7, 4.3, 2.4), 0.5)}


@dataclass(frozen=True)
class Trial:
    """A room heard: noisy responses and everything that is true of them.

    frequencies_hz (m,), strengths (c, m) up to 260 Hz; noise (c,) root mean square.
    """

    room: Room
    response: ImpulseResponse
    frequencies_hz: np.ndarray
    strengths: np.ndarray
    noise: np.ndarray

    @property
    def loss(self):
        """Decay rates, nepers per second (m,)."""
        return DECAY / self.room.decay_s(self.frequencies_hz)

    @property
    def inside(self):
        """Places of the modes in the band."""
        frequencies = self.frequencies_hz
        return np.flatnonzero((frequencies > BAND[0]) & (frequencies < BAND[1]))

    def stands_out(self):
        """Which modes in the band are 6 dB above the others somewhere."""
        frequencies, inside = self.frequencies_hz, self.inside
        turns = 2j * np.pi * frequencies
        shares = frequencies / ((turns[inside, None] + self.loss) ** 2 - turns**2)
        parts = self.strengths[:, None, :] * shares
        own = parts[:, np.arange(len(inside)), inside]
        return np.max(np.abs(own) / np.abs(parts.sum(axis=-1) - own), axis=0) > 2


def high_pass():
    """The subwoofers' own low end."""
    from scipy.signal import butter

    return butter(2, 25, "highpass", fs=RATE, output="sos")


def modal_room(room: Room, seed: int, snr_db: float, outputs: int, seats: int) -> Trial:
    """One trial: outputs and seats at random places, noise."""
    from scipy.signal import sosfilt

    rng = np.random.default_rng(seed)
    modes = rectangular_modes(room.size_m, 260.0)
    indices = np.array([mode.indices for mode in modes])
    frequencies = np.array([mode.frequency_hz for mode in modes])
    norm = np.prod(np.where(indices > 0, np.sqrt(2), 1), axis=1)

    def shapes(points):
        return np.prod(np.cos(np.pi * points[:, None] * indices), axis=-1) * norm

    sources = rng.choice([0.05, 0.5, 0.95], (outputs, 3)) + rng.uniform(-0.03, 0.03, (outputs, 3))
    sources[:, 2] = rng.uniform(0.05, 0.4, outputs)
    places = rng.uniform(0.15, 0.85, (seats, 3))
    strengths = shapes(sources)[:, None] * shapes(places)
    strengths = strengths / (frequencies * (1 + (frequencies / 150) ** 4))
    times, loss = np.arange(int(2.0 * RATE)) / RATE, DECAY / room.decay_s(frequencies)
    waves = np.exp(-loss[:, None] * times) * np.sin(2 * np.pi * frequencies[:, None] * times)
    samples = sosfilt(high_pass(), strengths @ waves)
    noise = np.abs(samples).max(axis=-1) * 10 ** (-snr_db / 20)
    samples = samples + rng.standard_normal(samples.shape) * noise[..., None]
    flat = strengths.reshape(-1, len(frequencies))
    return Trial(room, ImpulseResponse(samples, RATE), frequencies, flat, noise.ravel())


def bounds(trial: Trial) -> tuple[np.ndarray, np.ndarray]:
    """Cramer-Rao bounds of frequency and decay, relative, of the modes in the band.

    All modes up to 260 Hz and the loudspeakers' own pole are unknown, and how strongly
    each response holds each of them; samples from 15 ms on, as the fit takes them.
    """
    poles, amplitudes = _poles(trial)
    count = len(poles)
    n = np.arange(int(START_S * RATE), trial.response.samples.shape[-1])
    waves = poles[:, None] ** n
    basis = np.linalg.qr(np.concatenate([waves.real, waves.imag]).T)[0]
    by_turn, by_loss = 1j * n * waves, -n * waves
    slopes = np.concatenate([by_turn.real, by_turn.imag, by_loss.real, by_loss.imag]).T
    for _ in range(2):
        slopes = slopes - basis @ (basis.T @ slopes)
    weights = amplitudes / trial.noise[:, None]
    weights = np.concatenate([weights.real, -weights.imag] * 2, axis=1)
    fold = np.kron(np.eye(2), np.tile(np.eye(count), 2))
    information = fold @ ((slopes.T @ slopes) * (weights.T @ weights)) @ fold.T
    size = np.sqrt(np.diag(information))
    spread = np.sqrt(np.diag(np.linalg.inv(information / np.outer(size, size)))) / size * RATE
    at = trial.inside
    frequency = spread[at] / (2 * np.pi * trial.frequencies_hz[at])
    return frequency, spread[count + at] / trial.loss[at]


def _poles(trial: Trial) -> tuple[np.ndarray, np.ndarray]:
    """Poles per sample (m,) and amplitudes (c, m) of the noiseless responses."""
    z = np.exp((-trial.loss + 2j * np.pi * trial.frequencies_hz) / RATE)
    section = high_pass()[0]
    own = np.roots(section[3:])
    own = own[own.imag > 0][0]
    passed = np.polyval(section[:3], z) / np.polyval(section[3:], z)
    amplitudes = -1j * trial.strengths * passed
    residue = np.polyval(section[:3], own) / (own - own.conj())
    ring = np.imag(z) / ((own - z) * (own - z.conj()))  # of sin(n turn) e^(-n loss)
    driver = 2 * trial.strengths @ ring * residue
    return np.append(z, own), np.concatenate([amplitudes, driver[:, None]], axis=1)


def show(room: Room, trials: int, snr_db: float, outputs: int, seats: int) -> None:
    """Print what one set-up gives."""
    rows, missed, missed_clear, invented = [], 0, 0, 0
    for seed in range(1000, 1000 + trials):
        trial = modal_room(room, seed, snr_db, outputs, seats)
        truth = trial.frequencies_hz[trial.inside]
        found = fit_modes(trial.response, (BAND[0], BEYOND_HZ), 0.0)
        bound, decay_bound = bounds(trial)
        near = np.maximum(0.004, 3 * bound)
        taken = set()
        for i, stands_out in enumerate(trial.stands_out()):
            place = int(np.argmin(np.abs(found.frequencies_hz - truth[i])))
            error = found.frequencies_hz[place] / truth[i] - 1
            if abs(error) > near[i] or place in taken:
                missed, missed_clear = missed + 1, missed_clear + stands_out
                continue
            taken.add(place)
            whole = room.decay_s(truth[i])
            decay_error = found.decay_s[place] / whole - 1
            sigma = found.frequency_uncertainty_hz[place] / truth[i]
            decay_sigma = found.decay_uncertainty_s[place] / whole
            rows.append((error, sigma, bound[i], decay_error, decay_sigma, decay_bound[i]))
        far = np.all(np.abs(found.frequencies_hz[:, None] / truth - 1) > near, axis=1)
        invented += int(np.sum(far & (found.frequencies_hz < BAND[1])))
    print(
        f"{outputs} outputs x {seats} seats, {snr_db:g} dB: of {20 * trials} modes {missed} missed "
        f"({missed_clear} that stand out), {invented} invented"
    )
    table = np.abs(np.array(rows))
    _show_errors("all found", table)
    _show_errors("allowed", table[table[:, 5] < ALLOWED])


def _show_errors(name: str, part: np.ndarray) -> None:
    f95, fmax = np.quantile(part[:, 0], [0.95, 1]) * 100
    d95, dmax = np.quantile(part[:, 3], [0.95, 1]) * 100
    within = [np.mean(part[:, i] < k * part[:, i + 1]) for i in (0, 3) for k in (1, 2)]
    over = [np.sqrt(np.mean((part[:, i] / part[:, i + 2]) ** 2)) for i in (0, 3)]
    print(
        f"  {name}: {len(part)}; frequency 95 % {f95:.3f} %, worst {fmax:.3f} %; decay 95 % "
        f"{d95:.1f} %, worst {dmax:.1f} % (largest bound {100 * part[:, 5].max():.1f} %); "
        f"rms over the bound {over[0]:.2f}, {over[1]:.2f}; truth within 1 and 2 stated "
        f"deviations: frequency {within[0]:.2f} {within[1]:.2f}, "
        f"decay {within[2]:.2f} {within[3]:.2f}",
        flush=True,
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    level = float(sys.argv[2]) if len(sys.argv) > 2 else 40.0
    for which in sys.argv[3:] or ROOMS:
        print(f"{which} room")
        for outputs, seats in ((12, 9), (10, 5), (3, 3)):
            show(ROOMS[which], count, level, outputs, seats)
