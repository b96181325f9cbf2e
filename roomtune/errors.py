"""Errors that are told to people: one sentence that says what, where and what to do."""

from __future__ import annotations


class RoomtuneError(Exception):
    """Something the user can mend; the text says what, where and what to do.

    `exit_status` is what a command ends with: 2 for wrong use or wrong input,
    1 where a measurement or a verification failed.
    """

    exit_status = 2


class MeasurementError(RoomtuneError):
    """A measurement could not be made or cannot be trusted."""

    exit_status = 1
