# SPDX-License-Identifier: GPL-3.0-or-later
"""Carved shapes: candidates that were made of another one by moving its surface.

They stand in the catalogue and in the ranking beside their parents. They have no parameters that
a search could learn from.
"""

from __future__ import annotations

import re
from collections.abc import Container
from typing import Final

_MARK: Final = "_carved"
_ID: Final = re.compile(rf"(?P<parent>.+){_MARK}\d*")


def is_carved(candidate_id: str) -> bool:
    """Tell whether a shape of a run, or of a ranking of several runs, was carved.

    Examples
    --------
    >>> is_carved("c009_carved"), is_carved("spring/c009_carved2"), is_carved("c009")
    (True, True, False)
    """
    return _ID.fullmatch(candidate_id.rpartition("/")[2]) is not None


def parent_of(candidate_id: str) -> str:
    """Return what a carved shape was made of; empty for what was not carved.

    Examples
    --------
    >>> parent_of("c009_carved2"), parent_of("c009")
    ('c009', '')
    """
    found = _ID.fullmatch(candidate_id)
    return found["parent"] if found else ""


def carved_id(parent: str, taken: Container[str]) -> str:
    """Return a free id for what is carved from a candidate.

    Examples
    --------
    >>> carved_id("c009", {"c009"}), carved_id("c009", {"c009", "c009_carved"})
    ('c009_carved', 'c009_carved2')
    """
    number = 1
    while (name := f"{parent}{_MARK}{number if number > 1 else ''}") in taken:
        number += 1
    return name
