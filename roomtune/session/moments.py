"""The order of sessions in time, also where somebody set the clock back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

Note = dict[str, str]


def after_all(earlier: Iterable[str], moment: datetime) -> tuple[datetime, tuple[Note, ...]]:
    """The moment (with its zone), or just after the latest of the earlier ones; and a note on that.

    `earlier` and the note are as sessions keep them: ISO 8601, {"at", "text"}.
    """
    latest = max((datetime.fromisoformat(text).astimezone() for text in earlier), default=moment)
    if latest <= moment:
        return moment, ()
    said = moment.isoformat(timespec="seconds")
    text = f"the clock said {said}, before an earlier session: counted as made just after that"
    return latest + timedelta(milliseconds=1), ({"at": said, "text": text},)
