# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults of single keys of a job file, each in one line of the grammar of the project."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from functools import cache
from typing import Final

from pydantic_core import ErrorDetails

from bafflelens.base.errors import invalid
from bafflelens.job.keys import NAME, UNITS, field_at, key_at, keys_of, rule_of

_LONGEST_VALUE_SHOWN: Final = 60
_SIMILAR: Final = 0.7


def described_fault(fault: ErrorDetails) -> str:
    """Return one fault of a model in the project's grammar."""
    location = tuple(part for part in fault["loc"] if part != "parameters")
    name, mine = key_at(location)
    known = [key.replace(NAME, mine or NAME) for key in _known_keys()]
    if fault["type"] == "extra_forbidden":
        return unknown_key(name, known)
    if fault["type"] == "rule":
        rule = fault["msg"]
    else:
        field = field_at(location)
        is_section = name not in known
        rule = f"a section [{name}]" if is_section or field is None else rule_of(name, field)
    if fault["type"] == "missing":
        return f"Missing key '{name}'. Must be {rule}."
    is_section = field_at(location) is not None and name not in known
    if isinstance(fault["input"], dict) and fault["type"] == "rule" and is_section:
        return f"Invalid section [{name}]. Must be {rule}."
    return invalid(f"key '{name}'", _shown(fault["input"]), rule)


@cache
def _known_keys() -> tuple[str, ...]:
    return tuple(key.name for key in keys_of())


def unknown_key(name: str, known: Sequence[str]) -> str:
    """Return the message for an unknown key, with the nearest of the known ones.

    Examples
    --------
    >>> unknown_key("solve.qualty", ["solve.engine", "solve.quality"])
    "Invalid key 'solve.qualty'. Must be a known key; the nearest is 'solve.quality'."
    """
    section, _, last = name.rpartition(".")
    sections = {key.rpartition(".")[0] for key in known} - {""}
    targets = [*known, *sorted(sections)] if not section else list(known)

    def likeness(key: str) -> float:
        # A slip in the last word, or the right word in the wrong section.
        other_section, _, other_last = key.rpartition(".")
        words = _ratio(_bare(last), _bare(other_last))
        return 0.75 * words + 0.25 * _ratio(section, other_section)

    nearest = max(targets, key=likeness)
    if _ratio(_bare(last), _bare(nearest.rpartition(".")[2])) >= _SIMILAR:
        return invalid("key", name, f"a known key; the nearest is '{nearest}'")
    siblings = [key for key in known if key.rpartition(".")[0] == section] or targets
    return invalid("key", name, "one of " + ", ".join(siblings))


def _bare(name: str) -> str:
    """Return a name without its unit, which says nothing about what it means."""
    endings = [ending for ending in UNITS if name.endswith(ending)]
    return name.removesuffix(max(endings, key=len, default=""))


def _ratio(one: str, other: str) -> float:
    """Return how alike two words are, 0 to 1."""
    return difflib.SequenceMatcher(None, one, other).ratio()


def _shown(value: object) -> str:
    """Return a value as a job file would have it, shortened."""
    shown = str(value).lower() if isinstance(value, bool) else str(value)
    return shown if len(shown) <= _LONGEST_VALUE_SHOWN else shown[:_LONGEST_VALUE_SHOWN] + "..."
