"""README and the other texts: the two commands, links, pictures, nothing that does not exist."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
TEXTS = [
    README,
    ROOT / "DEVELOPERS.md",
    ROOT / "calibration" / "README.md",
    *sorted(ROOT.glob("examples/**/*.md")),
]
VENV = "python3 -m venv .venv"
COMMANDS = {
    "main": f"{VENV} && .venv/bin/pip install . && .venv/bin/roomtune rehearse",
    "test": f"{VENV} && .venv/bin/pip install '.[test]' && .venv/bin/python -m pytest -n 2",
}
PICTURES = sorted((ROOT / "examples" / "pictures").glob("*.png"))
LARGEST_PICTURE = 120_000
texts = pytest.mark.parametrize("path", TEXTS, ids=lambda path: str(path.relative_to(ROOT)))


def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_each_of_the_two_commands_stands_once_between_its_markers(name: str) -> None:
    text = read(README)
    found = re.findall(rf"<!-- {name} command -->\n(.*?)<!-- end -->", text, flags=re.S)
    assert found == [f"```sh\n{COMMANDS[name]}\n```\n"]
    assert text.count(COMMANDS[name]) == 1


def test_there_are_no_other_markers() -> None:
    markers = re.findall(r"<!-- (.*?) -->", read(README))
    assert markers == ["main command", "end", "test command", "end"]


@texts
def test_links_and_pictures_resolve(path: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", read(path)):
        assert "://" not in target, "the texts work without a network"
        place, _, part = target.partition("#")
        linked = (path.parent / place) if place else path
        assert linked.exists(), target
        if part:
            assert part in anchors(read(linked)), target


def anchors(text: str) -> set[str]:
    """What headings are linked by."""
    headings = re.findall(r"^#+ (.+)$", text, flags=re.M)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


@texts
def test_paths_that_are_mentioned_exist(path: Path) -> None:
    rooms = r"(?:roomtune|tests|examples|calibration|\.ci)/[\w./-]+"
    for mention in re.findall(rf"`(?:bash )?({rooms})`", read(path)):
        assert (ROOT / mention).exists(), mention


@texts
def test_modules_that_are_mentioned_exist(path: Path) -> None:
    for mention in re.findall(r"`(roomtune(?:\.\w+)+)`", read(path)):
        names = mention.split(".")
        file = ROOT.joinpath(*names)
        holder = ROOT.joinpath(*names[:-1]).with_suffix(".py")
        inside = holder.exists() and f"def {names[-1]}(" in read(holder)
        assert file.is_dir() or file.with_suffix(".py").exists() or inside, mention


@texts
def test_lines_fit_and_fences_close(path: Path) -> None:
    text = read(path)
    assert len(re.findall(r"^ *```", text, flags=re.M)) % 2 == 0
    prose = re.sub(r"^ *```.*?^ *```", "", text, flags=re.M | re.S)
    long = [line for line in prose.splitlines() if len(line) > 120 and not line.startswith("|")]
    assert not long


def test_pictures_are_small_and_all_are_shown() -> None:
    assert len(PICTURES) >= 2
    shown = "".join(map(read, TEXTS))
    for picture in PICTURES:
        data = picture.read_bytes()
        assert data.startswith(b"\x89PNG\r\n")
        assert len(data) < LARGEST_PICTURE, picture.name
        width, height = struct.unpack(">II", data[16:24])
        assert 300 <= width <= 2000
        assert 200 <= height <= 2000
        assert f"pictures/{picture.name}" in shown


def test_the_cautions_state_the_published_exposure_limits() -> None:
    """NIOSH Publication 98-126: 85 dBA for 8 h, halved per 3 dB; ITU-T H.870: 80 dBA for 40 h."""
    cautions = read(README).split("## Cautions")[1].split("\n## ")[0]
    told = " ".join(cautions.split())
    for level, hours in ((85, "8 hours"), (94, "1 hour"), (100, "15 minutes")):
        time_h = 8 / 2 ** ((level - 85) / 3)
        number, unit = hours.split()
        assert time_h == pytest.approx(float(number) / (60 if "minute" in unit else 1))
        assert re.search(rf"{level} dBA (?:over|for) {hours}", told), level
    for level, minutes in ((90, 240), (100, 24)):
        assert 2400 / 10 ** ((level - 80) / 10) == pytest.approx(minutes)
    assert "80 dBA for 40 hours a week: 90 dBA for 4 hours, 100 dBA for 24 minutes a week" in told
