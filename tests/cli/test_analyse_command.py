"""roomtune analyse: what it says about the microphone's correction."""

from __future__ import annotations

from roomtune.analysis.microphone import parse_correction
from roomtune.cli.analyse_command import tell_correction


def test_what_was_read_of_a_correction_is_told(capsys) -> None:
    tell_correction(parse_correction("* comment\nSensitivity 12\n20 -1\n20000 2\n", "mine.txt"))
    told = capsys.readouterr().err.splitlines()
    assert told == [
        "Microphone correction mine.txt: 2 points from 20 to 20000 Hz, level only.",
        "Skipped in it: line 2 (no number at its start): Sensitivity 12",
    ]


def test_a_missing_correction_is_told(capsys) -> None:
    tell_correction(None)
    assert "No microphone correction" in capsys.readouterr().err
