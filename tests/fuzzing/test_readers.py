"""Whatever the bytes, a reader gives a value or one of our sentences, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutations import edited, other_json
from readers import READERS, Reader, memory_of, outcome

CORPUS = Path(__file__).parent / "corpus"
QUICK = settings(
    max_examples=25,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
EVERY = pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.name)


@pytest.fixture
def project(specimens, reader: Reader) -> Iterator[Path]:
    folder, seeds = specimens
    yield folder
    (folder / reader.place).write_bytes(seeds[reader.name][0])


def kept(reader: Reader) -> list[bytes]:
    """What once fell, or found a way of its own through the reader."""
    folder = CORPUS / reader.name.replace(" ", "-")
    return [path.read_bytes() for path in sorted(folder.glob("*"))]


@EVERY
def test_a_sound_file_is_read(reader, project, specimens):
    assert outcome(reader, project, specimens[1][reader.name][0]) == ""


@EVERY
def test_odd_files_give_a_value_or_a_sentence(reader, project, specimens):
    for data in (*specimens[1][reader.name], *kept(reader), b"", b"\x00", b"\xff" * 99):
        outcome(reader, project, data)


@EVERY
def test_any_bytes_give_a_value_or_a_sentence(reader, project, specimens):
    seeds = specimens[1][reader.name]
    strategies = [edited(seeds)] + ([other_json(seeds)] * 2 if reader.suffix == ".json" else [])

    @QUICK
    @given(st.one_of(strategies))
    def read(data: bytes) -> None:
        outcome(reader, project, data)

    read()


@EVERY
def test_memory_is_bounded_by_the_size_of_the_file(reader, project, specimens):
    for data in (*specimens[1][reader.name], b"[" * 100_000, b"1," * 50_000):
        peak, allowed = memory_of(reader, project, data)
        assert peak <= allowed, f"{peak} bytes for {len(data)}"
