# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes that somebody set by hand: candidates of a run that no search asked for.

They stand in the catalogue and in the ranking beside the others; a search that goes on neither
counts nor draws them again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

_ID: Final = re.compile(r"hand(?P<number>\d{3,})")


def is_by_hand(candidate_id: str) -> bool:
    """Tell whether a shape of a run, or of a ranking of several runs, was set by hand.

    Examples
    --------
    >>> is_by_hand("hand001"), is_by_hand("spring/hand012"), is_by_hand("c009")
    (True, True, False)
    """
    return _ID.fullmatch(candidate_id.rpartition("/")[2]) is not None


def hand_id(taken: Iterable[str]) -> str:
    """Return a free id for the next one.

    Examples
    --------
    >>> hand_id(["c001", "hand004"])
    'hand005'
    """
    numbers = [int(found["number"]) for name in taken if (found := _ID.fullmatch(name))]
    return f"hand{max(numbers, default=0) + 1:03d}"
