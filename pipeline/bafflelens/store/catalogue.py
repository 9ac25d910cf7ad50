# SPDX-License-Identifier: GPL-3.0-or-later
"""The catalogue of a run: its candidates, their parameters, what became of them, scores."""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import asdict, astuple, dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Final

from bafflelens.base.errors import DamagedError, StoreError, invalid
from bafflelens.base.reading import json_of, read_bytes
from bafflelens.base.status import Status
from bafflelens.base.writing import storing
from bafflelens.scoring.dome_family import DomeScores
from bafflelens.scoring.ranking import WAITING, CandidateResult
from bafflelens.scoring.score import Score
from bafflelens.store.catalogue_digests import (
    candidate_rows,
    note_candidates,
    note_text,
    require_candidates,
    require_texts,
)
from bafflelens.store.catalogue_tables import (
    CATALOG_VERSION,
    DOMES,
    STAGES,
    catalogue_fault,
    domes_from,
    has_table,
    insert_candidates,
    new_catalogue,
    number_from,
    open_catalogue,
    score_from,
    term_from,
    texts_from,
)

SOLVED: Final = Status.SOLVED

FIRST_LOOK: Final = "first look"
FINALS: Final = "finals"
"""Stages at which candidates are scored beside the one that ranks them."""


@dataclass(frozen=True, kw_only=True)
class Counts:
    """How far the catalogue of a run is.

    Attributes
    ----------
    statuses : mapping of str to int
        Candidates of each status, baseline and plates among them.
    best : (str, float) or None
        Id and score in dB of the best candidate so far.
    best_look : (str, float) or None
        The same of the first look, as long as no candidate is solved in full.
    """

    statuses: Mapping[str, int]
    best: tuple[str, float] | None
    best_look: tuple[str, float] | None = None

    @property
    def total(self) -> int:
        """All of them."""
        return sum(self.statuses.values())


class Catalogue:
    """The catalogue of a run's folder."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._kept_open: tuple[int, sqlite3.Connection] | None = None

    def add_candidates(self, candidates: Iterable[CandidateResult]) -> None:
        """Enter candidates into the catalogue, after those that are there."""
        candidates = tuple(candidates)
        self._note_candidates(candidates)
        with self._catalog() as catalog:
            insert_candidates(catalog, candidates)
            note_candidates(catalog, [candidate.id for candidate in candidates])

    def _note_candidates(self, candidates: Sequence[CandidateResult]) -> None:
        lines = [
            json.dumps(
                {
                    "id": candidate.id,
                    "label": candidate.label,
                    "is_baseline": candidate.is_baseline,
                    "values": dict(candidate.values),
                }
            )
            for candidate in candidates
        ]
        path = self.path / "candidates.jsonl"
        with storing(path), path.open("a", encoding="utf-8") as stream:
            stream.writelines(f"{line}\n" for line in lines)
            stream.flush()
            os.fsync(stream.fileno())

    def _noted_candidates(self) -> list[CandidateResult]:
        """Return the candidates as they were entered; a line that is cut short is left out."""
        found: dict[str, CandidateResult] = {}
        path = self.path / "candidates.jsonl"
        kind = "list of candidates"
        for line in read_bytes(path, "list", StoreError, kind=kind).splitlines():
            with suppress(StoreError, TypeError):
                noted = json_of(line, path, "list", f"a readable {kind}", StoreError)
                entry = CandidateResult(**noted, score=None, status=WAITING)
                found[entry.id] = entry  # in its first place, as it was entered last
        return list(found.values())

    def require_whole_catalogue(self) -> None:
        """Read all of the catalogue.

        Raises
        ------
        DamagedError
            If some of it cannot be read, or is not what was written.
        """
        path = self.path / "catalog.sqlite"
        with self._catalog() as catalog:
            (found,) = catalog.execute("PRAGMA integrity_check(1)").fetchone()
        if found != "ok":
            rule = f"a catalogue that is whole ({' '.join(str(found).split())})"
            raise DamagedError(invalid("catalogue", path, rule))
        try:
            self.candidates()
            self.domes()
            for stage in (FIRST_LOOK, FINALS):
                self.scores_at(stage)
        except (ValueError, TypeError, LookupError, RecursionError) as error:
            rule = f"a catalogue as it was written ({type(error).__name__})"
            raise DamagedError(invalid("catalogue", path, rule)) from error

    def renew_catalogue(self) -> None:
        """Make the catalogue anew: all candidates wait, and nothing is known of their scores.

        It takes the place of the old one in one step: whoever reads meanwhile finds all of them.
        """
        noted = self._noted_candidates()
        path, part = self.path / "catalog.sqlite", self.path / "catalog.sqlite.part"
        _remove(part, *_beside(part))  # what a renewal left that was cut short
        try:
            new_catalogue(part)
            with closing(open_catalogue(part)) as catalog, catalog:
                insert_candidates(catalog, noted)
                note_candidates(catalog, [candidate.id for candidate in noted])
        except sqlite3.Error as error:
            raise catalogue_fault(path, error) from error
        _remove(*_beside(path))
        with storing(path):
            part.replace(path)

    def enter_lost_candidates(self) -> tuple[str, ...]:
        """Enter candidates that were noted, but that the catalogue has lost; return their ids.

        A power cut may take the last of what was entered: the rest of the file is sound.
        """
        known = {candidate.id for candidate in self.candidates()}
        lost = [noted for noted in self._noted_candidates() if noted.id not in known]
        if lost:
            with self._catalog() as catalog:
                insert_candidates(catalog, lost)
                note_candidates(catalog, [candidate.id for candidate in lost])
        return tuple(candidate.id for candidate in lost)

    def update_candidate(
        self,
        candidate_id: str,
        *,
        status: str,
        score: Score | None = None,
        reasons: Sequence[str] = (),
    ) -> None:
        """Enter what became of a candidate: its status, its score, what there is to say."""
        total_db, gaps = (score.total_db, score.gaps) if score else (None, ())
        terms = score.terms if score else ()
        with self._catalog() as catalog:
            catalog.execute(
                "UPDATE candidates SET status = ?, reasons = ?, total_db = ?, gaps = ? "
                "WHERE id = ?",
                (status, json.dumps(reasons), total_db, json.dumps(gaps), candidate_id),
            )
            catalog.execute("DELETE FROM scores WHERE candidate_id = ?", (candidate_id,))
            catalog.executemany(
                "INSERT INTO scores VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [(candidate_id, i, *astuple(term)) for i, term in enumerate(terms)],
            )
            note_candidates(catalog, [candidate_id])

    def rename_candidate(self, candidate: CandidateResult, label: str) -> None:
        """Give a candidate another name for people."""
        self._note_candidates([replace(candidate, label=label)])
        with self._catalog() as catalog:
            catalog.execute("UPDATE candidates SET label = ? WHERE id = ?", (label, candidate.id))
            note_candidates(catalog, [candidate.id])

    def enter_stage(self, candidate_id: str, stage: str, score: Score) -> None:
        """Enter the score of a candidate at a stage, instead of what was known of that."""
        text = json.dumps(asdict(score))
        with self._catalog() as catalog:
            catalog.execute(STAGES)
            catalog.execute(
                "INSERT OR REPLACE INTO stages VALUES (?, ?, ?)", (candidate_id, stage, text)
            )
            note_text(catalog, candidate_id, stage, text)

    def enter_domes(self, candidate_id: str, domes: DomeScores) -> None:
        """Enter what a candidate scores over the family of its domes' motions."""
        text = json.dumps(asdict(domes))
        with self._catalog() as catalog:
            catalog.execute(DOMES)
            catalog.execute("INSERT OR REPLACE INTO domes VALUES (?, ?)", (candidate_id, text))
            note_text(catalog, candidate_id, "domes", text)

    def domes(self) -> dict[str, DomeScores]:
        """Return what candidates score over the family, by id; empty where there is none."""
        with self._catalog() as catalog:
            if not has_table(catalog, "domes"):
                return {}
            texts = catalog.execute("SELECT candidate_id, scores FROM domes").fetchall()
            rows = tuple(require_texts(catalog, self.path / "catalog.sqlite", "domes", texts))
        return {name: domes_from(json.loads(text)) for name, text in rows}

    def scores_at(self, stage: str) -> dict[str, Score]:
        """Return what is known of a stage: scores by candidate, the baseline's among them."""
        with self._catalog() as catalog:
            if not has_table(catalog, "stages"):
                return {}
            texts = catalog.execute(
                "SELECT candidate_id, score FROM stages WHERE stage = ?", (stage,)
            ).fetchall()
            rows = tuple(require_texts(catalog, self.path / "catalog.sqlite", stage, texts))
        return {name: score_from(json.loads(text)) for name, text in rows}

    def count_at(self, stage: str) -> int:
        """Return how many scores are known of a stage; quick in a large run."""
        with self._catalog() as catalog:
            if not has_table(catalog, "stages"):
                return 0
            (count,) = catalog.execute(
                "SELECT COUNT(*) FROM stages WHERE stage = ?", (stage,)
            ).fetchone()
        return int(count)

    def candidates(self) -> tuple[CandidateResult, ...]:
        """Return the whole catalogue, the baseline first."""
        with self._catalog() as catalog:
            rows, parameters, scores = candidate_rows(catalog)
            require_candidates(catalog, self.path / "catalog.sqlite", rows, parameters, scores)
        return tuple(
            CandidateResult(
                id=candidate_id,
                label=label,
                is_baseline=bool(is_baseline),
                values=dict(parameters.get(candidate_id, ())),
                score=(
                    Score(
                        terms=tuple(term_from(*term) for term in scores[candidate_id]),
                        total_db=number_from(total_db),
                        gaps=texts_from(gaps),
                    )
                    if candidate_id in scores
                    else None
                ),
                status=status,
                reasons=texts_from(reasons),
            )
            for candidate_id, label, is_baseline, status, reasons, total_db, gaps in rows
        )

    def counts(self) -> Counts:
        """Return how many candidates have which status, and the best; quick in a large run."""
        with self._catalog() as catalog:
            statuses = dict(
                catalog.execute("SELECT status, COUNT(*) FROM candidates GROUP BY status")
            )
            best = catalog.execute(
                "SELECT id, total_db FROM candidates WHERE status = ? AND NOT is_baseline "
                "AND gaps = '[]' AND total_db IS NOT NULL ORDER BY total_db LIMIT 1",
                (SOLVED,),
            ).fetchone()
        return Counts(statuses=statuses, best=best, best_look=None if best else self._best_look())

    def _best_look(self) -> tuple[str, float] | None:
        """Return id and score in dB of the best draft of a first look."""
        with self._catalog() as catalog:
            found = catalog.execute("SELECT id FROM candidates WHERE is_baseline")
            baselines = {name for (name,) in found}
        complete = {
            name: look.total_db
            for name, look in self.scores_at(FIRST_LOOK).items()
            if name not in baselines and look.is_complete and isfinite(look.total_db)
        }
        return min(complete.items(), key=lambda item: item[1], default=None)

    @contextmanager
    def kept_open(self) -> Iterator[None]:
        """Keep the catalogue open meanwhile: who writes into it often saves most of the time.

        Other threads open it each time: SQLite lets only the one that opened it use it.
        """
        path = self.path / "catalog.sqlite"
        try:
            with closing(open_catalogue(path)) as catalog:
                self._kept_open = (threading.get_ident(), catalog)
                yield
        except sqlite3.Error as error:
            raise catalogue_fault(path, error) from error
        finally:
            self._kept_open = None

    @contextmanager
    def _catalog(self) -> Iterator[sqlite3.Connection]:
        path = self.path / "catalog.sqlite"
        with ExitStack() as stack:
            try:
                kept = self._kept_open
                if kept is not None and kept[0] == threading.get_ident():
                    catalog = kept[1]
                else:
                    catalog = stack.enter_context(closing(open_catalogue(path)))
                with catalog:
                    (found,) = catalog.execute("PRAGMA user_version").fetchone()
                    if found != CATALOG_VERSION:
                        rule = f"of version {CATALOG_VERSION}, made by this version of bafflelens"
                        fault = invalid(f"catalogue '{path}' of version", found, rule)
                        # What was cut short before its first page was written has no version.
                        raise StoreError(fault) if found else DamagedError(fault)
                    yield catalog
            except sqlite3.Error as error:
                raise catalogue_fault(path, error) from error


def _beside(path: Path) -> tuple[Path, ...]:
    """Return the files that SQLite keeps beside one while it is open."""
    return tuple(path.with_name(path.name + suffix) for suffix in ("-wal", "-shm"))


def _remove(*paths: Path) -> None:
    for path in paths:
        with storing(path):
            path.unlink(missing_ok=True)
