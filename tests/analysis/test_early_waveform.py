"""What comes later must not show in the samples before it."""

from __future__ import annotations

import numpy as np

from roomtune.analysis.early_waveform import early_waveform

RATE = 48000.0


def test_late_bass_hardly_rings_ahead_of_itself():
    """A burst from 20 ms on, at the frequency where the band looked at begins."""
    after = np.arange(1 << 15) / RATE - 0.02
    burst = np.sin(2 * np.pi * 175 * after) * np.exp(-after / 0.05) * (after > 0)
    waveform = early_waveform(burst, RATE, (24.0, 5000.0), 0.005)
    places = waveform.first + np.arange(len(waveform.samples))
    times = waveform.begin_s + places / waveform.rate_hz
    early = np.abs(waveform.samples[times < 0.01])
    assert len(early) > 50
    # 10 ms before it 80 dB down; through a steep lower edge it would be 45 dB
    assert early.max() < 1e-4 * np.abs(burst).max()
