"""A full disk and a folder that cannot be written are told before anything sounds."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.errors import RoomtuneError
from roomtune.session.room_on_disk import bytes_needed, check_room


@pytest.fixture(scope="module")
def requests(bench):
    return output_requests(bench.system, CaptureSettings(), bench.system.main_seat.name)


def test_a_usual_disk_is_enough_and_nothing_is_left(tmp_path, requests):
    check_room(tmp_path / "sessions" / "today", requests)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_told_with_what_is_needed(tmp_path, requests, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=5_000_000))
    with pytest.raises(RoomtuneError, match=r"has 5 MB left, 7 takes need about \d+ MB") as caught:
        check_room(tmp_path, requests)
    assert "kept" in str(caught.value)


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.ENOSPC])
def test_a_folder_that_refuses_is_told_with_the_way_on(tmp_path, requests, monkeypatch, number):
    def refuse(self, data):
        raise OSError(number, "refused")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(RoomtuneError, match="--resume"):
        check_room(tmp_path, requests)


def test_the_estimate_is_no_less_than_what_takes_fill(requests):
    # A take of 3 s at 48 kHz fills about 1.9 MB: raw 1.1, responses 0.6, page 0.2.
    assert 2_000_000 < bytes_needed(requests) / len(requests) < 12_000_000
