"""The fingerprint of a take's markers is kept with it, for takes made on another day."""

from __future__ import annotations

import numpy as np

from roomtune.capture.take import Fingerprint, Take, Verdict
from roomtune.session import take_files
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum


def test_a_fingerprint_comes_back_as_it_was(tmp_path) -> None:
    random = np.random.default_rng(0)
    pattern = random.standard_normal(372) + 1j * random.standard_normal(372)
    take = Take(
        source="left",
        kind="output",
        seat="middle",
        stimulus=Sweep(100, 10000, 1, 48000),
        level_dbfs=-20.0,
        impulse_response=ImpulseResponse(random.standard_normal(4800), 48000.0),
        noise=NoiseSpectrum(np.arange(16) * 1.5, np.ones(16)),
        harmonics=(),
        verdict=Verdict("good"),
        reference="acoustic",
        clock_drift_ppm=0.0,
        recorded_at="2026-01-01T00:00:00+00:00",
        fingerprint=Fingerprint(pattern, -12.5, 1.2e-4, 0.0023),
    )
    stored = take_files.write_take(tmp_path, 1, take)
    kept = take_files.read_take(tmp_path, stored.entry.file).fingerprint
    assert kept is not None
    np.testing.assert_array_equal(kept.pattern, pattern)
    assert (kept.level_db, kept.step_s, kept.moved_s) == (-12.5, 1.2e-4, 0.0023)
