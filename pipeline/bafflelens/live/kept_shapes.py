# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes that somebody keeps: each has a name of its own, and a note."""

from __future__ import annotations

from typing import Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.report.summary import note_on
from bafflelens.store import RunFolder

_LONGEST_NAME: Final = 80


def keep_by_name(folder: RunFolder, candidate_id: str, name: str, text: str) -> None:
    """Give a shape of a run that is solved a name, and keep a note on it.

    Raises
    ------
    InputError
        If it is not solved, or the name is empty or too long.
    """
    said = " ".join(name.split())
    if not said or len(said) > _LONGEST_NAME or not said.isprintable():
        rule = f"1 to {_LONGEST_NAME} characters that can be printed"
        raise InputError(invalid("name", said[:_LONGEST_NAME], rule))
    found = next((c for c in folder.candidates() if c.id == candidate_id), None)
    if found is None:
        raise InputError(invalid("candidate", candidate_id, "one that is solved"))
    folder.rename_candidate(found, said)
    note_on(folder, candidate_id, text or said, sense="seen", verdict="kept")
