"""The microphone's sensitivity written into the text of system.toml."""

from __future__ import annotations

import tomllib

import pytest

from roomtune.errors import RoomtuneError
from roomtune.system.sensitivity import with_sensitivity


@pytest.mark.parametrize(
    "text",
    [
        'name = "x"\n',
        "[microphone]\ninterface_input = 2  # kept\n\n[target]\nshape = 1\n",
        "[microphone]   # on the stand\n# sensitivity_dbfs_at_94_db = -26.0   # where known\n",
        "[microphone]\nsensitivity_dbfs_at_94_db = -1\ninterface_input = 2\n[[seats]]\nb = 2\n",
    ],
)
def test_only_the_sensitivity_changes(text):
    before = tomllib.loads(text)
    after = tomllib.loads(with_sensitivity(text, -31.4159))
    assert after["microphone"].pop("sensitivity_dbfs_at_94_db") == -31.42
    before.setdefault("microphone", {}).pop("sensitivity_dbfs_at_94_db", None)
    assert after == before
    comments = [line for line in text.splitlines() if line.rstrip().endswith("# kept")]
    assert all(line in with_sensitivity(text, -3.0) for line in comments)


def test_twice_is_once():
    once = with_sensitivity("[microphone]\n", -30.0)
    assert with_sensitivity(once, -30.0) == once


def test_an_unusual_layout_is_refused_with_the_line_to_write():
    with pytest.raises(RoomtuneError, match=r"by hand: sensitivity_dbfs_at_94_db = -30\.00"):
        with_sensitivity("microphone = { interface_input = 1 }\n", -30.0)
