# SPDX-License-Identifier: GPL-3.0-or-later
"""Digests of what a catalogue holds: SQLite itself does not notice a digit that has changed."""

from __future__ import annotations

import hashlib
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import DamagedError, invalid
from bafflelens.store.catalogue_tables import has_table

CANDIDATE: Final = "candidate"
"""What a candidate is, its parameters and its score, beside the names of its stages."""

# Made when it is first needed: the catalogue of an older run has none, and nothing to compare.
_DIGESTS: Final = """
CREATE TABLE IF NOT EXISTS digests (
    candidate_id TEXT NOT NULL,
    what TEXT NOT NULL,
    digest TEXT NOT NULL,
    PRIMARY KEY (candidate_id, what)
)
"""

_CANDIDATES: Final = (
    "SELECT id, label, is_baseline, status, reasons, total_db, gaps FROM candidates"
)
_PARAMETERS: Final = "SELECT candidate_id, key, value FROM parameters"
_SCORES: Final = (
    "SELECT candidate_id, name, value_db, tolerance_db, weight, excess_db, note FROM scores"
)

Rows = Sequence[tuple[Any, ...]]


def candidate_rows(
    catalog: sqlite3.Connection, ids: Iterable[str] | None = None
) -> tuple[Rows, Mapping[str, Rows], Mapping[str, Rows]]:
    """Return rows of candidates in their order, and by id those of parameters and of terms.

    Parameters
    ----------
    catalog : sqlite3.Connection
        An open catalogue.
    ids : iterable of str or None
        Which candidates; None for all.
    """
    rows: Rows
    parameters: Rows
    scores: Rows
    if ids is None:
        rows = catalog.execute(f"{_CANDIDATES} ORDER BY position").fetchall()
        parameters = catalog.execute(f"{_PARAMETERS} ORDER BY rowid").fetchall()
        scores = catalog.execute(f"{_SCORES} ORDER BY rowid").fetchall()
    else:
        names = [(name,) for name in ids]
        of_one = "WHERE candidate_id = ? ORDER BY rowid"
        rows = _each(catalog, f"{_CANDIDATES} WHERE id = ?", names)
        parameters = _each(catalog, f"{_PARAMETERS} {of_one}", names)
        scores = _each(catalog, f"{_SCORES} {of_one}", names)
    return rows, _by_candidate(parameters), _by_candidate(scores)


def _each(catalog: sqlite3.Connection, query: str, names: Iterable[tuple[str]]) -> Rows:
    return [row for name in names for row in catalog.execute(query, name)]


def note_candidates(catalog: sqlite3.Connection, ids: Iterable[str]) -> None:
    """Note the digests of candidates as they are in the catalogue now."""
    rows, parameters, scores = candidate_rows(catalog, ids)
    digests = [(row[0], CANDIDATE, _candidate_digest(row, parameters, scores)) for row in rows]
    _note(catalog, digests)


def note_text(catalog: sqlite3.Connection, candidate_id: str, what: str, text: str) -> None:
    """Note the digest of a text that the catalogue keeps of a candidate."""
    _note(catalog, [(candidate_id, what, _digest(text))])


def require_candidates(
    catalog: sqlite3.Connection,
    path: Path,
    rows: Rows,
    parameters: Mapping[str, Rows],
    scores: Mapping[str, Rows],
) -> None:
    """Compare candidates with their digests.

    Raises
    ------
    DamagedError
        If one is not as it was written.
    """
    noted = _noted(catalog, CANDIDATE)
    for row in rows:
        if row[0] in noted and noted[row[0]] != _candidate_digest(row, parameters, scores):
            raise _changed(path, row[0])


def require_texts(
    catalog: sqlite3.Connection, path: Path, what: str, texts: Iterable[tuple[str, str]]
) -> Iterator[tuple[str, str]]:
    """Give texts of candidates as they are, each compared with its digest.

    Raises
    ------
    DamagedError
        If one is not as it was written.
    """
    noted = _noted(catalog, what)
    for name, text in texts:
        if name in noted and noted[name] != _digest(text):
            raise _changed(path, name)
        yield name, text


def _noted(catalog: sqlite3.Connection, what: str) -> dict[str, str]:
    if not has_table(catalog, "digests"):
        return {}
    return dict(
        catalog.execute("SELECT candidate_id, digest FROM digests WHERE what = ?", (what,))
    )


def _note(catalog: sqlite3.Connection, digests: Sequence[tuple[str, str, str]]) -> None:
    catalog.execute(_DIGESTS)
    catalog.executemany("INSERT OR REPLACE INTO digests VALUES (?, ?, ?)", digests)


def _by_candidate(rows: Iterable[tuple[Any, ...]]) -> dict[str, Rows]:
    found: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
    for name, *rest in rows:
        found[name].append(tuple(rest))
    return dict(found)


def _candidate_digest(
    row: tuple[Any, ...], parameters: Mapping[str, Rows], scores: Mapping[str, Rows]
) -> str:
    return _digest(repr((row, parameters.get(row[0], ()), scores.get(row[0], ()))))


def _digest(text: str) -> str:
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def _changed(path: Path, candidate_id: str) -> DamagedError:
    how = "`bafflelens resume` makes it anew from the run's other files"
    rule = f"a catalogue as it was written: {candidate_id} has changed since; {how}"
    return DamagedError(invalid("catalogue", path, rule))
