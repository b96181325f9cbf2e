"""A small known room, and its convolution in real time, block by block.

Shared by the two room processes (JACK and PulseAudio) and by the tests, which
compare what was measured with `known_room()`.
"""

from __future__ import annotations

from collections import deque

import numpy as np
import scipy.fft

RATE_HZ = 48000
LOUDSPEAKERS = 5  # outputs 1 to 5 drive loudspeakers, output 6 is the loopback cable
OUTPUTS = LOUDSPEAKERS + 1
INPUTS = 2  # input 1 is the microphone, input 2 the loopback cable
ARRIVALS_S = (0.0065312, 0.0081947, 0.0043031, 0.0107773, 0.0052519)
LEVELS = (0.35, 0.30, 0.40, 0.25, 0.32)
SIGNS = (1, 1, -1, 1, 1)
LENGTH = 9600
FFT_LENGTH = 2**18
BINS = np.unique(np.round(np.geomspace(50, 16000, 800) * FFT_LENGTH / RATE_HZ).astype(int))
FREQUENCIES_HZ = BINS * RATE_HZ / FFT_LENGTH


def known_room() -> np.ndarray:
    """Impulse responses (outputs, inputs, samples) from full scale to full scale.

    Each loudspeaker: a direct sound between samples, three reflections and an
    exponential tail (reverberation time 0.25 s) that starts 20 ms later. The
    third loudspeaker is reversed. Output 6 returns on input 2, undelayed.
    """
    responses = np.zeros((OUTPUTS, INPUTS, LENGTH))
    random = np.random.default_rng(48000)
    for index in range(LOUDSPEAKERS):
        response = _sinc(ARRIVALS_S[index])
        for delay_s, gain in ((0.0037, 0.3), (0.0081, -0.2), (0.0149, 0.15)):
            response += gain * _sinc(ARRIVALS_S[index] + delay_s * (1 + 0.1 * index))
        tail_start = round((ARRIVALS_S[index] + 0.02) * RATE_HZ)
        time_s = np.arange(LENGTH - tail_start) / RATE_HZ
        tail = random.standard_normal(len(time_s)) * 10 ** (-3 * time_s / 0.25)
        response[tail_start:] += 0.004 * tail
        response[-960:] *= np.cos(np.linspace(0, np.pi / 2, 960)) ** 2
        responses[index, 0] = LEVELS[index] * SIGNS[index] * response
    responses[LOUDSPEAKERS, 1, 0] = 1.0
    return responses


def _sinc(delay_s: float) -> np.ndarray:
    """A unit impulse at any time, as a windowed sinc of 256 samples."""
    centre = delay_s * RATE_HZ
    offsets = np.arange(LENGTH) - centre
    window = np.where(np.abs(offsets) < 128, np.cos(np.pi * offsets / 256) ** 2, 0)
    return np.sinc(offsets) * window


def spectrum(samples: np.ndarray, start_s: float) -> np.ndarray:
    """The Fourier transform of samples that begin at `start_s`, at FREQUENCIES_HZ, exact."""
    turn = np.exp(-2j * np.pi * FREQUENCIES_HZ * start_s)
    return scipy.fft.rfft(samples, FFT_LENGTH)[BINS] * turn


class BlockConvolver:
    """Uniformly partitioned overlap-save convolution of outputs to inputs.

    `responses` (outputs, inputs, n); every call takes (block, outputs) and
    returns (block, inputs) without any delay of its own.
    """

    def __init__(self, responses: np.ndarray, block: int) -> None:
        outputs, inputs, length = responses.shape
        parts = -(-length // block)
        padded = np.zeros((outputs, inputs, parts * block))
        padded[..., :length] = responses
        pieces = padded.reshape(outputs, inputs, parts, block)
        self.spectra = scipy.fft.rfft(pieces, 2 * block).transpose(2, 0, 1, 3)
        self.used = np.argwhere(np.any(responses, axis=2))
        self.block = block
        self.history: deque[np.ndarray] = deque(maxlen=parts)
        self.previous = np.zeros((block, outputs))
        self.inputs = inputs

    def __call__(self, played: np.ndarray) -> np.ndarray:
        """Return what the inputs hear during this block."""
        spectrum = scipy.fft.rfft(np.concatenate([self.previous, played]), axis=0)
        self.previous = played
        self.history.appendleft(spectrum)
        heard = np.zeros((spectrum.shape[0], self.inputs), complex)
        for past, piece in zip(self.history, self.spectra, strict=False):
            for output, number in self.used:
                heard[:, number] += past[:, output] * piece[output, number]
        return scipy.fft.irfft(heard, 2 * self.block, axis=0)[self.block :]
