# SPDX-License-Identifier: GPL-3.0-or-later
"""What lies beside the runs and outlives them: notes, and the library of mock-ups."""

from __future__ import annotations

import fcntl
import json
import os
from dataclasses import asdict, replace
from pathlib import Path
from typing import Final

from bafflelens.base.errors import StoreError
from bafflelens.base.reading import LARGEST_TEXT, checked, json_of, read_bytes, read_json
from bafflelens.base.writing import storing, write_file
from bafflelens.scoring.model_error import MockUp, mock_up_key
from bafflelens.scoring.notes import Note

_NOTES: Final = "notes.jsonl"  # beside the runs, which it outlives
_BY_CONTENT: Final = 1  # format of a library whose keys were those of the measurement's content
_MOCK_UPS: Final = "mockups.json"  # beside the runs


def load_notes(results: Path) -> tuple[Note, ...]:
    """Return all notes on candidates of the runs of a folder, in the order they were made.

    Raises
    ------
    StoreError
        If a line is damaged: it is named, and nothing is left out silently.
    """
    path = results / _NOTES
    if not path.exists():
        return ()
    lines = read_bytes(path, "notes", StoreError, most=LARGEST_TEXT).split(b"\n")
    notes = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        what, rule = f"line {number} of", "a note written by bafflelens"
        content = json_of(line, path, what, rule, StoreError)
        notes.append(checked(Note, content, path, what, rule, StoreError))
    return tuple(notes)


def add_note(results: Path, note: Note) -> None:
    """Add a note at the end of the notes beside the runs, and see it to the disk.

    Raises
    ------
    StoreError
        If it cannot be written; the notes before it stay as they are.
    """
    path = results / _NOTES
    line = json.dumps(asdict(note)).encode() + b"\n"
    with storing(path), path.open("ab") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        start = stream.seek(0, os.SEEK_END)
        try:
            stream.write(line)
            stream.flush()
            os.fsync(stream.fileno())
        except OSError:
            stream.truncate(start)  # a part of a line would spoil the next
            raise


def load_mock_ups(results: Path) -> tuple[MockUp, ...]:
    """Return all mock-ups that were compared with runs of a folder; empty if there are none.

    Raises
    ------
    StoreError
        If the file is damaged.
    """
    path = results / _MOCK_UPS
    if not path.exists():
        return ()
    what, rule = "library", "a library of mock-ups written by bafflelens"
    content = read_json(path, what, rule, StoreError)
    found: tuple[MockUp, ...] = checked(
        tuple[MockUp, ...], content.get("mock_ups"), path, what, rule, StoreError
    )
    if content.get("format") == _BY_CONTENT:
        # Every comparison counted then; what was compared with one candidate is one now.
        found = tuple(replace(one, key=mock_up_key("", one.run, one.candidate)) for one in found)
    return tuple({one.key: one for one in found}.values())


def add_mock_up(results: Path, mock_up: MockUp) -> tuple[MockUp, ...]:
    """Add a mock-up to the library beside the runs, or replace it, and return all.

    Others that add at the same moment wait for each other; whatever stops this leaves the
    library as it was.
    """
    path = results / _MOCK_UPS
    with storing(path), path.with_suffix(".lock").open("a", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        others = tuple(one for one in load_mock_ups(results) if one.key != mock_up.key)
        together = (*others, mock_up)
        content = {"format": 2, "mock_ups": [asdict(one) for one in together]}
        write_file(path, json.dumps(content, indent=1).encode() + b"\n", replace_existing=True)
    return together
