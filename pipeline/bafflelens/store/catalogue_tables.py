# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of a run's catalogue: made, opened, and what is written into them as text."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import DamagedError, StoreError, invalid
from bafflelens.scoring.dome_family import DomeScores
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.scoring.score import Score, Term

CATALOG_VERSION: Final = 1

# Made when it is first needed: the catalogue of an older run has none.
STAGES: Final = """
CREATE TABLE IF NOT EXISTS stages (
    candidate_id TEXT NOT NULL REFERENCES candidates (id),
    stage TEXT NOT NULL,
    score TEXT NOT NULL,
    PRIMARY KEY (candidate_id, stage)
)
"""

DOMES: Final = """
CREATE TABLE IF NOT EXISTS domes (
    candidate_id TEXT PRIMARY KEY REFERENCES candidates (id),
    scores TEXT NOT NULL
)
"""

_SCHEMA: Final = """
CREATE TABLE candidates (
    id TEXT PRIMARY KEY,
    position INTEGER NOT NULL,
    label TEXT NOT NULL,
    is_baseline INTEGER NOT NULL,
    status TEXT NOT NULL,
    reasons TEXT NOT NULL,
    total_db REAL,
    gaps TEXT NOT NULL
);
CREATE TABLE parameters (
    candidate_id TEXT NOT NULL REFERENCES candidates (id),
    key TEXT NOT NULL,
    value REAL NOT NULL,
    PRIMARY KEY (candidate_id, key)
);
CREATE TABLE scores (
    candidate_id TEXT NOT NULL REFERENCES candidates (id),
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    value_db REAL,
    tolerance_db REAL NOT NULL,
    weight REAL NOT NULL,
    excess_db REAL NOT NULL,
    note TEXT NOT NULL,
    PRIMARY KEY (candidate_id, name)
);
"""


def has_table(catalog: sqlite3.Connection, name: str) -> bool:
    """Tell whether there is a table: some are made when they are first needed."""
    found = catalog.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (name,))
    return found.fetchone() is not None


def domes_from(content: dict[str, Any]) -> DomeScores:
    """Return scores over a family that were kept as text."""
    return DomeScores(
        rigid_db=content["rigid_db"],
        members_db=tuple(content["members_db"]),
        octaves=tuple((hz, db) for hz, db in content["octaves"]),
    )


def score_from(content: dict[str, Any]) -> Score:
    """Return a score that was kept as text."""
    terms = tuple(Term(**term) for term in content.pop("terms"))
    return Score(**{**content, "terms": terms, "gaps": tuple(content["gaps"])})


def term_from(
    name: str,
    value_db: float | None,
    tolerance_db: float,
    weight: float,
    excess_db: float,
    note: str,
) -> Term:
    """Return a term of a score from its row."""
    return Term(
        name=name,
        value_db=number_from(value_db),
        tolerance_db=tolerance_db,
        weight=weight,
        excess_db=excess_db,
        note=note,
    )


def new_catalogue(path: Path) -> None:
    """Make an empty catalogue."""
    with closing(sqlite3.connect(path)) as catalog:
        catalog.execute("PRAGMA journal_mode = WAL")
        catalog.executescript(_SCHEMA)
        catalog.execute(f"PRAGMA user_version = {CATALOG_VERSION}")


def insert_candidates(catalog: sqlite3.Connection, candidates: Sequence[CandidateResult]) -> None:
    """Enter candidates after those that are there."""
    (first,) = catalog.execute("SELECT COALESCE(MAX(position) + 1, 0) FROM candidates").fetchone()
    catalog.executemany(
        "INSERT INTO candidates VALUES (?, ?, ?, ?, ?, ?, NULL, '[]')",
        [
            (
                candidate.id,
                position,
                candidate.label,
                candidate.is_baseline,
                candidate.status,
                json.dumps(candidate.reasons),
            )
            for position, candidate in enumerate(candidates, start=first)
        ],
    )
    catalog.executemany(
        "INSERT INTO parameters VALUES (?, ?, ?)",
        [
            (candidate.id, key, value)
            for candidate in candidates
            for key, value in candidate.values.items()
        ],
    )


def texts_from(stored: str) -> tuple[str, ...]:
    """Return texts of the catalogue; most candidates have none."""
    return () if stored == "[]" else tuple(json.loads(stored))


def number_from(stored: float | None) -> float:
    """Return a number of the catalogue, which keeps NaN as NULL."""
    return float("nan") if stored is None else stored


def catalogue_fault(path: Path, error: sqlite3.Error) -> StoreError:
    """Return what is wrong with a catalogue that could not be used."""
    # A disk that is full, a lock or missing rights are operational; what else there is, is damage.
    is_damage = isinstance(error, sqlite3.DatabaseError) and not isinstance(
        error, sqlite3.OperationalError
    )
    rule = f"a catalogue in a folder that can be written ({error})"
    if is_damage:
        how = "`bafflelens resume` makes it anew from the run's other files"
        rule = f"a catalogue that is whole ({error}); {how}"
    return (DamagedError if is_damage else StoreError)(invalid("catalogue", path, rule))


def open_catalogue(path: Path) -> sqlite3.Connection:
    """Open a catalogue, for reading alone where its folder cannot be written."""
    address = path.absolute().as_uri()
    catalog = sqlite3.connect(f"{address}?mode=rw", uri=True, timeout=10)
    try:
        catalog.execute("PRAGMA user_version")
        # What a power cut takes with it is scored again: nothing needs to wait for the disk.
        catalog.execute("PRAGMA synchronous = NORMAL")
    except sqlite3.OperationalError:
        # In a folder that cannot be written, the write-ahead log cannot be opened; nor can
        # anybody else be writing.
        catalog.close()
        catalog = sqlite3.connect(f"{address}?immutable=1", uri=True)
    return catalog
