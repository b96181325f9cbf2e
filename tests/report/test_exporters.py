"""Exports, each read back by an independent reader."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_allclose
from scipy import signal
from scipy.io import wavfile

from roomtune.errors import RoomtuneError
from roomtune.processor.exporting import CoefficientStyle
from roomtune.processor.response import output_response, tuning_response
from roomtune.processor.tuning import Filter
from roomtune.report import exporters
from roomtune.report.settings_sheet import COLUMNS, settings_sheet, value_text
from roomtune.report.sheet_layout import SheetLayout, table_text
from roomtune.report.sofa import export_sofa
from roomtune.system.model import Range

PDF_READER = shutil.which("pdftotext")
FREQUENCIES_HZ = np.geomspace(20, 20000, 200)


@pytest.fixture
def tuning(content):
    return content.advice.tuning


def read_sections(text: str, part: str, name: str, added: bool, words: bool = False) -> np.ndarray:
    """Sections for scipy (b0 b1 b2 a0 a1 a2) from the CSV, by the csv module alone.

    words: 5.23 fixed point, 28 bits in two's complement, as hexadecimal words.
    """
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    rows = [r for r in csv.DictReader(lines) if (r["part"], r["name"]) == (part, name)]
    names = ("b0", "b1", "b2", "a1", "a2")
    if words:
        unsigned = np.array([[int(r[n], 16) for n in names] for r in rows])
        table = np.where(unsigned >= 2**27, unsigned - 2**28, unsigned) / 2.0**23
    else:
        table = np.array([[float(r[n]) for n in names] for r in rows])
    if added:
        table[:, 3:] *= -1
    return np.insert(table, 3, 1.0, axis=1)


def expected(tuning, name: str) -> np.ndarray:
    """The filters of an output alone."""
    output = replace(tuning.output(name), gain_db=0.0, delay_ms=0.0, inverted=False)
    bare = replace(tuning, outputs=(output,), routes=())
    return output_response(bare, name, FREQUENCIES_HZ)


@pytest.mark.parametrize("feedback", ["subtracted", "added"])
@pytest.mark.parametrize("name", ["woofer left", "tweeter right"])
def test_coefficients_give_the_response_in_scipy(tuning, feedback, name, tmp_path):
    path = exporters.export_biquads(
        tmp_path / "b.csv", tuning, CoefficientStyle("float64", feedback)
    )
    sections = read_sections(path.read_text(), "output", name, feedback == "added")
    _, response = signal.sosfreqz(sections, FREQUENCIES_HZ, fs=tuning.sample_rate_hz)
    assert_allclose(response, expected(tuning, name), rtol=1e-7, atol=1e-9)


def test_fixed_point_words_give_the_response_of_that_format(tuning, tmp_path):
    path = exporters.export_biquads(tmp_path / "b.csv", tuning, CoefficientStyle("5.23", "added"))
    sections = read_sections(path.read_text(), "output", "woofer left", True, words=True)
    _, response = signal.sosfreqz(sections, FREQUENCIES_HZ, fs=tuning.sample_rate_hz)
    held = replace(tuning, number_format="5.23")
    # scipy evaluates by powers of z^-1, which cancels a little at low frequencies.
    assert_allclose(response, expected(held, "woofer left"), rtol=2e-4)


def test_a_format_that_cannot_hold_a_coefficient_is_refused(tuning, tmp_path):
    path = tmp_path / "b.csv"
    with pytest.raises(RoomtuneError, match="more integer bits"):
        exporters.export_biquads(path, tuning, CoefficientStyle("1.31"))
    with pytest.raises(RoomtuneError, match="cannot be exported: unknown number format"):
        exporters.export_biquads(path, tuning, CoefficientStyle("banana"))
    with pytest.raises(RoomtuneError, match="cannot be exported: feedback"):
        exporters.export_biquads(path, tuning, CoefficientStyle("float64", "sideways"))
    assert not path.exists()


def test_settings_csv_says_what_the_tuning_says(content, tuning):
    rows = list(csv.DictReader(io.StringIO(table_text(tuning, content.system, SheetLayout()))))
    assert tuple(rows[0]) == COLUMNS
    for output in tuning.outputs:
        own = [r for r in rows if r["place"] == f"Output {output.number}: {output.name}"]
        value = {r["setting"]: r["value"] for r in own}
        assert float(value["gain"]) == output.gain_db
        assert float(value["delay"]) == output.delay_ms
        assert value["polarity"] == ("inverted" if output.inverted else "normal")
        filters = [r for r in own if r["setting"] == "filter"]
        assert [float(r["frequency (Hz)"]) for r in filters] == [
            f.frequency_hz for f in output.filters
        ]
        assert [r["Q"] and float(r["Q"]) for r in filters] == [f.q or "" for f in output.filters]
        for row in (r for r in filters if r["filter type"] == "peaking"):
            # W3C Audio EQ Cookbook: 1/Q = 2 sinh(ln 2 / 2 BW w0 / sin w0).
            w = 2 * math.pi * float(row["frequency (Hz)"]) / 48000
            half = math.log(2) / 2 * float(row["bandwidth (octaves)"]) * w / math.sin(w)
            assert 2 * math.sinh(half) == pytest.approx(1 / float(row["Q"]), abs=2e-3)
    numbers = [int(r["place"].split()[1][:-1]) for r in rows if r["place"].startswith("Output ")]
    assert numbers == sorted(numbers)


@pytest.mark.parametrize(
    ("value", "step", "text"),
    [
        (1.5, 0.1, "1.5"),
        (2, 0.1, "2.0"),
        (0.25, 0.05, "0.25"),
        (3, 1, "3"),
        (1.23456789, 0, "1.23457"),
    ],
)
def test_values_have_the_decimals_of_their_knob(value, step, text):
    shown = value_text(value, Range(minimum=-99, maximum=99, step=step))
    assert float(shown) == pytest.approx(value, abs=1e-8) or shown == text


def test_the_sheet_is_ordered_as_one_types(content, tuning):
    kinds = [s.kind for s in settings_sheet(tuning, content.system)]
    assert kinds == sorted(kinds, key=["channel", "routes", "output"].index)


def test_pdf_has_pages_and_is_the_same_every_time(content, tuning):
    from roomtune.report.settings_pdf import settings_pdf

    first = settings_pdf(tuning, content.system, "2026-03-01")
    assert first.startswith(b"%PDF")
    assert first.count(b"/Type /Page ") >= 1
    assert settings_pdf(tuning, content.system, "2026-03-01") == first


def test_tuning_json_is_plain_json(tuning, tmp_path):
    path = exporters.export_tuning(tmp_path / "tuning.json", tuning)
    data = json.loads(path.read_text())
    assert data["format"] == "roomtune tuning"
    assert [o["gain_db"] for o in data["outputs"]] == [o.gain_db for o in tuning.outputs]


def test_impulse_responses_as_wav(content, tmp_path):
    measured = content.measured
    files = exporters.export_impulse_responses(tmp_path, measured)
    assert [f.name for f in files] == ["01-main.wav", "02-side.wav", "impulse-responses.txt"]
    rate, samples = wavfile.read(files[1])
    assert rate == 48000
    assert np.array_equal(samples.T, measured.responses.samples[:, 1].astype(np.float32))
    assert "channel 2: output tweeter left" in files[2].read_text()


def test_taps_as_wav(content, tuning, tmp_path):
    taps = tuple(float(np.float32(v)) for v in np.hanning(33))
    output = replace(tuning.outputs[0], filters=(Filter("fir", taps=taps),))
    (path,) = exporters.export_fir(tmp_path, replace(tuning, outputs=(output,)))
    samples, rate = soundfile.read(path)
    assert rate == tuning.sample_rate_hz
    assert np.array_equal(samples, taps)
    assert exporters.export_fir(tmp_path, tuning) == ()


def test_taps_are_exported_as_the_format_holds_them(tuning, tmp_path):
    # 1.15: sixteen bits, steps of 2^-15; 0.3 is nearest to 9830 of them, 0x2666
    output = replace(tuning.outputs[0], filters=(Filter("fir", taps=(0.3, -0.5, 1.0)),))
    held = replace(tuning, outputs=(output,), number_format="1.15")
    wav, words = exporters.export_fir(tmp_path, held)
    assert soundfile.read(wav)[0].tolist() == [9830 / 2**15, -0.5, 1 - 2**-15]
    assert words.read_text().split() == ["0x2666", "0xC000", "0x7FFF"]


def test_columns_read_by_numpy_give_the_response(content, tuning, tmp_path):
    from roomtune.advisor.prediction import predict

    files = exporters.export_predicted_columns(
        tmp_path, lambda f: predict(tuning, content.measured, f)
    )
    assert len(files) == 4
    frequency, level, phase = np.loadtxt(files[0], unpack=True)
    truth = predict(tuning, content.measured, frequency).response.values[0, 0]
    loud = np.abs(truth) > 1e-4
    read = 10 ** (level / 20) * np.exp(1j * np.radians(phase))
    assert_allclose(read[loud], truth[loud], rtol=1e-3)


def test_measured_columns_are_the_fourier_transform_of_the_responses(content, tmp_path):
    responses = content.measured.responses
    files = exporters.export_measured_columns(tmp_path, content.measured)
    assert len(files) == 8
    assert files[5].name == "output-woofer-right-side.txt"
    frequency, level, phase = np.loadtxt(files[5], unpack=True)
    times = responses.start_s + np.arange(responses.samples.shape[-1]) / responses.sample_rate_hz
    truth = np.exp(-2j * np.pi * frequency[:, None] * times) @ responses.samples[2, 1]
    read = 10 ** (level / 20) * np.exp(1j * np.radians(phase))
    assert_allclose(read, truth, rtol=1e-3, atol=1e-4)


@pytest.mark.skipif(PDF_READER is None, reason="no pdftotext is installed")
def test_the_pdf_sheet_read_by_another_program_says_what_the_tuning_says(content, tuning, tmp_path):
    path = exporters.export_settings_pdf(tmp_path / "s.pdf", tuning, content.system, "2026-03-01")
    command = [PDF_READER, "-layout", "-enc", "UTF-8", str(path), "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert "2026-03-01 page 1 of" in " ".join(text.split())
    sections = re.split(r"^\s*Output (?=\d+: )", text, flags=re.M)[1:]
    assert len(sections) == len(tuning.outputs)
    for output, section in zip(tuning.outputs, sections, strict=True):
        assert section.startswith(f"{output.number}: {output.name}")
        value = dict(re.findall(r"^\W*([a-z][a-z ]*?) {2,}(\S+)", section, flags=re.M))
        assert float(value["gain"]) == output.gain_db
        assert value["polarity"] == ("inverted" if output.inverted else "normal")
        assert float(value["delay"]) == output.delay_ms
        assert float(value["limiter threshold"]) == output.limiter.threshold_dbfs
        rows = re.findall(r"^\W*(\d+) +([a-z ]+?) +([\d.]+) Hz +(.*)$", section, flags=re.M)
        assert len(rows) == len(output.filters)
        for number, (row, item) in enumerate(zip(rows, output.filters, strict=True), start=1):
            assert (int(row[0]), row[1], float(row[2])) == (number, item.type, item.frequency_hz)
            if item.family:
                assert row[3].strip() == f"{item.family} order {item.order}"
            else:
                q, gain, unit = row[3].split()
                assert (float(q), float(gain), unit) == (item.q, item.gain_db, "dB")


def test_sofa_is_read_by_an_independent_library(content, tmp_path):
    import sofar

    path = export_sofa(
        tmp_path / "room.sofa", content.measured, content.system, "2026-03-01 20:15:00"
    )
    sofa = sofar.read_sofa(path, verify=True, verbose=False)
    assert sofa.GLOBAL_SOFAConventions == "SingleRoomMIMOSRIR"
    # measurements (seats) x receivers x samples x emitters (outputs)
    assert np.array_equal(
        np.asarray(sofa.Data_IR)[:, 0].transpose(2, 0, 1), content.measured.responses.samples
    )
    assert np.asarray(sofa.EmitterPosition).reshape(4, 3)[3].tolist() == [3, 3, 1]
    assert sofa.ListenerPosition.tolist() == [[2, 1, 1], [3, 1, 1]]
    assert float(sofa.Data_SamplingRate) == 48000
    assert [p.name for p in tmp_path.iterdir()] == ["room.sofa"]


def test_the_whole_chain_of_sections_predicts_the_matrix(tuning, tmp_path):
    """Channel, route and output sections with gains and delays give the matrix response."""
    text = exporters.export_biquads(tmp_path / "b.csv", tuning).read_text()
    output = tuning.output("tweeter left")
    sections = np.concatenate(
        [
            read_sections(text, "channel", "L", False),
            read_sections(text, "output", "tweeter left", False),
        ]
    )
    _, response = signal.sosfreqz(sections, FREQUENCIES_HZ, fs=tuning.sample_rate_hz)
    gain = 10 ** ((-1.0 - 0.5 + output.gain_db) / 20) * -1
    samples = round(output.delay_ms * tuning.sample_rate_hz / 1000)
    turn = np.exp(-2j * np.pi * FREQUENCIES_HZ * samples / tuning.sample_rate_hz)
    matrix = tuning_response(tuning, FREQUENCIES_HZ)
    assert_allclose(response * gain * turn, matrix[0, 1], rtol=1e-6, atol=1e-9)
