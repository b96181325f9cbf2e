"""Microphone corrections: reading untidy files, and undoing a known microphone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.analysis.microphone import (
    correct,
    correct_impulse_response,
    parse_correction,
    read_correction,
)
from roomtune.errors import RoomtuneError
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

TIDY = "20 -1.5\n1000 0.0\n20000 3.0\n"


@pytest.mark.parametrize(
    "text",
    [
        TIDY,
        TIDY.replace(" ", "\t"),
        TIDY.replace(" ", ", "),
        TIDY.replace(" ", ","),
        TIDY.replace(" ", " ; "),
        TIDY.replace(" ", ";").replace(".", ","),
        TIDY.replace(" ", "   ").replace(".", ","),
        TIDY.replace("\n", "\r\n"),
        "20 -1.5 dB\n1e3 +.0 ok\n2.0E4 3. text\n",
        "20000 3\n1000 0\n20 -1.5\n",
        "20 -1 7\n20 -2\n1000 0 1\n20000 3 1\n",
    ],
)
def test_untidy_columns_read_the_same(text):
    correction = parse_correction(text)
    assert correction.frequencies_hz.tolist() == [20, 1000, 20000]
    assert correction.gain_db.tolist() == [-1.5, 0, 3]
    assert correction.phase_deg is None


def test_every_skipped_line_is_told():
    text = '"Microphone 12"\n\n# a note\nfreq dB\n20 0\n0 1\n100 nan\n50 abc\n60 99\n1000 1\n'
    correction = parse_correction(text)
    assert len(correction.frequencies_hz) == 2
    assert [line.number for line in correction.skipped] == [1, 3, 4, 6, 7, 8, 9]
    assert "line 4 (no number at its start): freq dB" in map(str, correction.skipped)
    assert "7 lines skipped" in repr(correction)


def test_phase_column_is_used():
    correction = parse_correction("10 0 90\n100 0 45\n1000 0 0")
    assert np.angle(correction.at([10.0, 100.0, 1e3, 5e3]), deg=True) == pytest.approx(
        [90, 45, 0, 0]
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
def test_encodings(tmp_path, encoding):
    path = tmp_path / "microphone.txt"
    path.write_bytes(("Prüfling Nr. 1\n" + TIDY).encode(encoding))
    assert len(read_correction(path).frequencies_hz) == 3


def test_errors_tell_what_to_do(tmp_path):
    with pytest.raises(RoomtuneError, match="correction_file"):
        read_correction(tmp_path / "missing.txt")
    empty = tmp_path / "empty.txt"
    empty.write_text("only words here\n")
    with pytest.raises(RoomtuneError, match=r"0 rows.*at least 2.*only words"):
        read_correction(empty)
    with pytest.raises(RoomtuneError, match="equal"):
        parse_correction("100 0\n100 1\n")


def analog_microphone(frequencies):
    """A high pass at 12 Hz and a resonance of 3 dB at 9 kHz."""
    s = 1j * frequencies
    peak = (s**2 + s * 9e3 * 1.41 + 9e3**2) / (s**2 + s * 9e3 + 9e3**2)
    return s / (s + 12) * peak


def correction_of(microphone):
    grid = np.geomspace(4, 60e3, 700)
    table = "\n".join(
        f"{f} {20 * np.log10(abs(h))}" for f, h in zip(grid, microphone(grid), strict=True)
    )
    return parse_correction(table)


def test_minimum_phase_goes_with_a_magnitude_only_correction():
    frequencies = np.geomspace(30, 20e3, 200)
    microphone = analog_microphone(frequencies)
    measured = FrequencyResponse(frequencies, np.stack([microphone, 2 * microphone]))
    flat = correct(measured, correction_of(analog_microphone))
    assert np.abs(flat.values[0]) == pytest.approx(1, abs=1e-3)
    # the file ends at 4 Hz on a slope of 6 dB per octave that is held from there:
    # by Bode's relation this costs (2 / pi) (4 Hz / f) rad
    assert np.all(np.abs(np.angle(flat.values)) < 2 / np.pi * 4 / frequencies * 1.05 + 2e-3)


def test_impulse_response_and_spectrum_are_corrected_alike():
    import scipy.signal

    impulse = np.zeros((2, 8192))
    impulse[:, 500] = [1.0, -2.0]
    samples = scipy.signal.sosfilt(
        scipy.signal.butter(2, [80, 9e3], "band", fs=48e3, output="sos"), impulse
    )
    response = ImpulseResponse(samples, 48000.0, 0.01, "Pa")
    correction = parse_correction("10 0\n1000 0\n4000 1.5\n8000 3\n20000 0")
    corrected = correct_impulse_response(response, correction)
    assert corrected.unit == "Pa"
    assert corrected.start_s == 0.01
    # no more than the slight ringing of the band edge at half the rate comes early
    assert np.max(np.abs(corrected.samples[:, :480])) < 2e-4 * np.max(np.abs(corrected.samples))
    frequencies = np.geomspace(100, 15e3, 50)
    expected = correct(response.response_at(frequencies), correction)
    assert corrected.response_at(frequencies).values == pytest.approx(expected.values, rel=2e-3)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(
    st.lists(
        st.one_of(
            st.text(max_size=30),
            st.tuples(st.floats(), st.floats(), st.floats()).map(
                lambda row: " ".join(map(str, row))
            ),
            st.tuples(st.floats(1, 1e5), st.floats(-30, 30)).map(lambda row: f"{row[0]}\t{row[1]}"),
        ),
        max_size=12,
    )
)
def test_any_text_is_a_sane_correction_or_an_error_for_people(lines):
    try:
        correction = parse_correction("\n".join(lines))
    except RoomtuneError:
        return
    assert np.all(np.diff(correction.frequencies_hz) > 0)
    assert np.all(correction.frequencies_hz > 0)
    assert np.all(np.abs(correction.gain_db) <= 60)
    assert np.all(np.isfinite(correction.at([20.0, 1000.0, 20e3])))
