# SPDX-License-Identifier: GPL-3.0-or-later
"""Reference shapes: further baselines, which candidates are seen beside.

A lens must earn its place against the cheap alternatives too: felt on a plain baffle, a smaller
flush plate that lets the midrange come closer. They are solved and shown like the baseline; what
levels are compared with stays the baseline itself.
"""

from __future__ import annotations

import re
from typing import Final

SECTION: Final = "references"
_PREFIX: Final = "reference_"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
NAME_RULE: Final = "named with up to 40 letters, digits, '_' and '-', the first no sign"


def section_of(name: str) -> str:
    """Return the section of a job that describes a reference."""
    return f"{SECTION}.{name}"


def reference_id(name: str) -> str:
    """Return the id that a reference has in a run, also the name of its folder.

    Examples
    --------
    >>> reference_id("felt")
    'reference_felt'
    """
    return f"{_PREFIX}{name}"


def is_reference(candidate_id: str) -> bool:
    """Tell whether a shape of a run, or of a ranking of several runs, is a reference.

    Examples
    --------
    >>> is_reference("reference_felt"), is_reference("spring/reference_felt")
    (True, True)
    >>> is_reference("baseline"), is_reference("c001")
    (False, False)
    """
    return candidate_id.rpartition("/")[2].startswith(_PREFIX)


def reference_name(candidate_id: str) -> str:
    """Return what a job calls a reference, by its id; empty for what is none.

    Examples
    --------
    >>> reference_name("reference_felt"), reference_name("baseline")
    ('felt', '')
    """
    return candidate_id.removeprefix(_PREFIX) if is_reference(candidate_id) else ""


def can_be_a_name(name: str) -> bool:
    """Tell whether a reference may be called so; a folder will be.

    Examples
    --------
    >>> can_be_a_name("small_plate"), can_be_a_name("../plate")
    (True, False)
    """
    return _NAME.fullmatch(name) is not None
