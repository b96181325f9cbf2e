"""A session as one file: it comes back as it was, and nothing else comes out."""

from __future__ import annotations

import json
import shutil
import zipfile

import pytest

from roomtune.errors import RoomtuneError
from roomtune.session.folder import Session
from roomtune.session.packing import pack, unpack


@pytest.fixture
def session(tmp_path):
    project = tmp_path / "project"
    project.mkdir()
    (project / "system.toml").write_text('name = "a"\n')
    session = Session.create(project, "one & <two>", project / "system.toml", state="doors closed")
    session.save("report", ".html", b"<p>hello</p>")
    session.note("a note")
    return session


def rewritten(path, target, change):
    """A copy of an archive, each entry changed by `change(name, data)` -> list of entries."""
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w") as new:
        for item in old.infolist():
            for name, data in change(item.filename, old.read(item)):
                new.writestr(name, data)
    return target


def test_a_packed_session_comes_back_as_it_was(session, tmp_path):
    path = pack(session, tmp_path / "s.zip")
    back = unpack(path, tmp_path / "elsewhere")
    assert back.check() == ()
    assert (back.name, back.state, back.notes) == (session.name, session.state, session.notes)
    assert back.current("report").read_bytes() == b"<p>hello</p>"
    again = unpack(path, tmp_path / "elsewhere")
    assert again.path != back.path
    assert pack(session, tmp_path / "t.zip").read_bytes() == path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None


def test_a_damaged_session_is_not_packed_and_nothing_is_overwritten(session, tmp_path):
    path = pack(session, tmp_path / "s.zip")
    with pytest.raises(RoomtuneError, match="never overwritten"):
        pack(session, path)
    (session.path / "report.html").write_bytes(b"<p>other</p>")
    with pytest.raises(RoomtuneError, match=r"report.html was changed .* not packed"):
        pack(session, tmp_path / "t.zip")


def index_with(data: bytes, **changes) -> bytes:
    plain = json.loads(data)
    plain["files"] |= changes
    return json.dumps(plain).encode()


@pytest.mark.parametrize("name", ["../../evil.txt", "/tmp/evil.txt", "a/../../../evil.txt"])
def test_a_name_that_leads_out_of_the_folder_is_refused(session, tmp_path, name):
    what = json.loads((session.path / "session.json").read_bytes())["files"]["report.html"]

    def change(entry, data):
        if entry.endswith("session.json"):
            return [(entry, index_with(data, **{name: what}))]
        extra = [(f"{entry.split('/')[0]}/{name}", b"<p>hello</p>")]
        return [(entry, data), *extra * entry.endswith("html")]

    path = rewritten(pack(session, tmp_path / "s.zip"), tmp_path / "evil.zip", change)
    with pytest.raises(RoomtuneError, match="not inside this folder"):
        unpack(path, tmp_path / "deep" / "elsewhere")
    assert not list(tmp_path.rglob("evil.txt*"))


def test_a_file_outside_the_index_does_not_come_out(session, tmp_path):
    def change(entry, data):
        return [(entry, data), (f"../evil.txt{len(data)}", b"x"), (entry + "-2/evil.txt", b"x")]

    path = rewritten(pack(session, tmp_path / "s.zip"), tmp_path / "evil.zip", change)
    assert unpack(path, tmp_path / "elsewhere").check() == ()
    assert not list(tmp_path.rglob("evil.txt*"))


def test_changed_or_missing_content_and_other_files_are_refused(session, tmp_path):
    good = pack(session, tmp_path / "s.zip")

    def other(entry, data):
        return [(entry, data.replace(b"hello", b"HELLO"))]

    with pytest.raises(RoomtuneError, match="was changed after it was written"):
        unpack(rewritten(good, tmp_path / "a.zip", other), tmp_path / "a")
    assert not any((tmp_path / "a" / "sessions").iterdir())

    def longer(entry, data):
        return [(entry, data + b" " * entry.endswith("html"))]

    with pytest.raises(RoomtuneError, match="the index says"):
        unpack(rewritten(good, tmp_path / "b.zip", longer), tmp_path / "b")

    def without(entry, data):
        return [(entry, data)] * (not entry.endswith("html"))

    with pytest.raises(RoomtuneError, match="cannot be unpacked"):
        unpack(rewritten(good, tmp_path / "c.zip", without), tmp_path / "c")
    (tmp_path / "d.zip").write_bytes(b"no zip file")
    with pytest.raises(RoomtuneError, match="cannot be unpacked"):
        unpack(tmp_path / "d.zip", tmp_path / "d")
    with zipfile.ZipFile(tmp_path / "e.zip", "w") as archive:
        archive.writestr("readme.txt", "hello")
    with pytest.raises(RoomtuneError, match="holds no session"):
        unpack(tmp_path / "e.zip", tmp_path / "e")


def test_a_copied_folder_opens_anywhere(session, tmp_path):
    shutil.copytree(session.path, tmp_path / "far" / "away")
    assert Session.open(tmp_path / "far" / "away").check() == ()
