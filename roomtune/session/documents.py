"""Advice, verifications and comparisons as JSON files that state what they are."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomtune.errors import RoomtuneError
from roomtune.session.codec import from_plain, readable_json, to_plain
from roomtune.signal.json_text import parsed_json

if TYPE_CHECKING:
    from roomtune.advisor.proposal import Proposal

ADVICE = "roomtune advice"
VERIFICATION = "roomtune verification"
COMPARISON = "roomtune comparison"
VERSION = 1


def document_text(form: str, value: Any) -> bytes:
    """The content of a file of that form: its name, version, summary and value."""
    document = {"format": form, "version": VERSION}
    for told in ("passed", "summary"):
        if hasattr(value, told):
            document[told] = getattr(value, told)
    document["content"] = to_plain(value)
    return readable_json(document)


def read_document(path: Path, form: str) -> Any:
    """Read a file of that form; RoomtuneError when it is damaged, missing or something else."""
    try:
        document = parsed_json(path.read_bytes())
        if document["format"] != form:
            raise RoomtuneError(f"{path}: is not a {form} but {document['format']!r}")
        if document["version"] != VERSION:
            raise RoomtuneError(
                f"{path}: has version {document['version']!r}, known is {VERSION}; update roomtune"
            )
        return from_plain(_kind(form), document["content"])
    except (OSError, LookupError, TypeError, ValueError) as error:
        raise RoomtuneError(
            f"{path}: cannot be read ({error}); restore it from a copy or make it again"
        ) from error


def _kind(form: str) -> Any:
    from roomtune.advisor.proposal import Proposal
    from roomtune.session.comparison import Comparison
    from roomtune.session.verification import Verification

    return {
        ADVICE: tuple[Proposal, ...],
        VERIFICATION: Verification,
        COMPARISON: Comparison,
    }[form]


def proposals_text(proposals: tuple[Proposal, ...]) -> bytes:
    """The content of advice.json."""
    return document_text(ADVICE, proposals)


def read_proposals(path: Path) -> tuple[Proposal, ...]:
    """The proposals of an advice.json; RoomtuneError when it is damaged."""
    found: tuple[Proposal, ...] = read_document(path, ADVICE)
    return found
