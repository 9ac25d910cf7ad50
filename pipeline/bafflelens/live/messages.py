# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page may say to the program."""

from __future__ import annotations

import json
import math
from typing import Any, Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import shown_text

_FIELDS: Final[dict[str, dict[str, type]]] = {
    "move": {"move": int, "values": dict},
    "rules": {"move": int, "values": dict},
    "open": {"move": int, "id": str},
    "map": {"id": str},
    "carve": {"id": str},
    "keep": {"id": str, "name": str, "text": str},
    "note": {"id": str, "text": str, "verdict": str},
}


def message_of(text: str) -> dict[str, Any]:
    """Return what a page says.

    Raises
    ------
    InputError
        If it is none of what a page may say.
    """
    try:
        message = json.loads(text, parse_constant=lambda name: math.nan)
    except (ValueError, RecursionError):
        message = None
    kind = message.get("kind") if isinstance(message, dict) else None
    fields = _FIELDS.get(kind) if isinstance(kind, str) else None
    if fields is None or not all(type(message.get(key)) is each for key, each in fields.items()):
        raise InputError(invalid("message", shown_text(text), "one of " + ", ".join(_FIELDS)))
    return dict(message)
