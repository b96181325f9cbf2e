"""Reading JSON that somebody else may have written."""

from __future__ import annotations

import json
from typing import Any


def parsed_json(text: bytes | str) -> Any:
    r"""What a JSON text (as bytes in UTF-8) holds.

    Raises ValueError for any text that holds nothing to be read, and for half
    characters (RFC 8259, 8.2: "\ud800" alone), which could never be written again;
    json.JSONDecodeError, with the place, where it is not JSON.
    """
    if isinstance(text, bytes):
        text = text.decode("utf-8-sig")
    try:
        value = json.loads(text)
        if "\\ud" in text.lower():
            json.dumps(value, ensure_ascii=False).encode()
    except RecursionError:
        raise ValueError("brackets are nested too deep") from None
    except UnicodeEncodeError as error:
        half = error.object[error.start]
        raise ValueError(f"holds half a character, {half!r}") from None
    return value
