# SPDX-License-Identifier: GPL-3.0-or-later
"""Run folders: the only file that knows the paths under ``results/``.

::

    results/first_lens_20260131T204500Z/
        job.toml            the job as given
        shapes/             the geometry scripts as they were
        tables/             the text tables that the job names, as they were
        run.json            versions, commit, machine, status and time of every task
        log.txt             what happened, line by line
        status.json         how far it is, for other terminals
        catalog.sqlite      candidates, parameters, status, scores
        candidates.jsonl    the candidates once more, to make the catalogue anew if it is damaged
        candidates/c001/    mesh.npz (the finest), directivity.nc, surface/ (pressure on it)
        candidates/c001.mesh1/  the best candidate, meshed another way
        report.html
        report.pdf          the same for filing, if it was asked for
        target.png          what was asked of the levels, on one page
    results/queue.sqlite    jobs that wait (`bafflelens.queueing`); queue.lock is held by a start
    results/solved.sqlite   solved frequencies that all runs share (`bafflelens.caching`)

Files are written under a temporary name and renamed, so that whatever stops a run leaves each
of them whole. Results are never overwritten; ``run.json`` and the report are replaced. While a
candidate is being solved, its finished bands lie in ``candidates/c001/bands/``; a run that was
stopped goes on from there.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import asdict, astuple, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final
from zipfile import BadZipFile, is_zipfile

import numpy as np
import xarray as xr

from bafflelens import directivity
from bafflelens.errors import DamagedError, StoreError, invalid
from bafflelens.jobfile import SHAPE_SECTIONS, LoadedJob, load_job
from bafflelens.mesh import Mesh
from bafflelens.mockups import MockUp
from bafflelens.netcdf import is_whole
from bafflelens.notes import Note
from bafflelens.ranking import CandidateResult, Remeshing
from bafflelens.references import SECTION as REFERENCES
from bafflelens.references import section_of
from bafflelens.score import Score, Term
from bafflelens.sensitivity import Robustness
from bafflelens.surface_pressure import SurfacePressure
from bafflelens.sweep import BandResult, FrequencyOutcome

CATALOG_VERSION: Final = 1
RUN_FORMAT: Final = 1

WAITING: Final = "waiting"
SOLVED: Final = "solved"
FAILED: Final = "failed"
DONE: Final = "done"

QUEUED: Final = "queued"
RUNNING: Final = "running"
FINISHED: Final = "finished"
FINISHED_WITH_FAILURES: Final = "finished with failures"
INTERRUPTED: Final = "interrupted"
STOPPED: Final = "stopped"

_LITTLE_ROOM_BYTES: Final = 64 * 2**20
_LOCK_ATTEMPTS: Final = 3
_LOCK_PAUSE_S: Final = 0.05
_NOTES: Final = "notes.jsonl"  # beside the runs, which it outlives
_MOCK_UPS: Final = "mockups.json"  # beside the runs

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


@dataclass(frozen=True, kw_only=True)
class TaskRecord:
    """What became of one piece of work.

    Attributes
    ----------
    candidate : str
        Candidate's id.
    task : str
        ``mesh``, ``band 1`` ... or ``score``.
    status : str
        ``done`` or ``failed``.
    seconds : float
        Time on a worker in s.
    reason : str
        Why it failed; empty otherwise.
    """

    candidate: str
    task: str
    status: str
    seconds: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class RunRecord:
    """The content of ``run.json``.

    Attributes
    ----------
    title, job : str
        Title of the job and name of its file.
    status : str
        ``queued``, ``running``, ``finished``, ``finished with failures``, ``interrupted`` or
        ``stopped``.
    created_utc, finished_utc : str
        ISO 8601 times; the second is empty while the run goes on.
    versions, host : mapping
        What the results were made with and on.
    commit : str or None
        Commit that the program ran from, None if it was installed.
    timing_s : mapping of str to float
        Time of each step in s.
    tasks : tuple of TaskRecord
        Every piece of work, in the order in which it was done.
    remarks : tuple of str
        What the user should know.
    second_opinion : str or None
        What the other engine says of the best candidate; None if it was not asked.
    remeshing : Remeshing or None
        Scores of the best candidate meshed several ways; None if that was not done.
    robustness : tuple of Robustness
        What small changes do to the candidates that were tried.
    """

    title: str
    job: str
    status: str
    created_utc: str
    finished_utc: str = ""
    versions: Mapping[str, str]
    host: Mapping[str, str | int | float]
    commit: str | None
    timing_s: Mapping[str, float]
    tasks: tuple[TaskRecord, ...] = ()
    remarks: tuple[str, ...] = ()
    second_opinion: str | None = None
    remeshing: Remeshing | None = None
    robustness: tuple[Robustness, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Counts:
    """How far the catalogue of a run is.

    Attributes
    ----------
    statuses : mapping of str to int
        Candidates of each status, baseline and plates among them.
    best : (str, float) or None
        Id and score in dB of the best candidate so far.
    """

    statuses: Mapping[str, int]
    best: tuple[str, float] | None

    @property
    def total(self) -> int:
        """All of them."""
        return sum(self.statuses.values())


class RunFolder:
    """One run's folder. Made with `create_run` or `open_run`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._open_catalog: sqlite3.Connection | None = None

    # ------------------------------------------------------------------------ job and record

    @property
    def name(self) -> str:
        """Name of the folder."""
        return self.path.name

    @property
    def report_path(self) -> Path:
        """Where the report is."""
        return self.path / "report.html"

    @property
    def filed_path(self) -> Path:
        """Where the report for filing is."""
        return self.path / "report.pdf"

    @property
    def target_path(self) -> Path:
        """Where the page that explains the target is."""
        return self.path / "target.png"

    def load_job(self) -> LoadedJob:
        """Return the job as it was given, with the scripts and text files as they were."""
        scripts = {name: self._script(name) for name in SHAPE_SECTIONS}
        scripts |= {path.name: self._script(path.name) for path in self._further_shapes()}
        tables = {path.stem: path for path in (self.path / "tables").glob("*.txt")}
        return load_job(self.path / "job.toml", scripts=scripts, tables=tables)

    def _further_shapes(self) -> list[Path]:
        """Return the folders with the scripts of references, and of plates of drivers."""
        shapes = self.path / "shapes"
        return sorted([*shapes.glob(f"{REFERENCES}.*"), *shapes.glob("driver.*")])

    def _script(self, section: str) -> Path:
        folder = self.path / "shapes" / section
        found = sorted(folder.glob("*.toml")) or sorted(folder.glob("*.py"))
        # The declaration of a scanned model may lie beside that of its nominal shape.
        named = {p for p in found for q in found if p != q and p.name in _text_of(q)}
        main = [path for path in found if path not in named]
        if not main:
            raise StoreError(invalid("run folder", self.path, f"with the script of [{section}]"))
        return main[0].absolute()

    def load_record(self) -> RunRecord:
        """Return the content of ``run.json``."""
        path = self.path / "run.json"
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            if content.pop("format") > RUN_FORMAT:
                rule = "made by this version of bafflelens or an older one"
                raise StoreError(invalid("run folder", self.path, rule))
            content["tasks"] = tuple(TaskRecord(**task) for task in content["tasks"])
            content["remarks"] = tuple(content["remarks"])
            remeshing = content.pop("remeshing", None)  # older runs know nothing of it
            if remeshing:
                remeshing["scores_db"] = tuple(remeshing["scores_db"])
                content["remeshing"] = Remeshing(**remeshing)
            content["robustness"] = tuple(
                Robustness.of(found) for found in content.pop("robustness", ())
            )
            return RunRecord(**content)
        except (OSError, ValueError, KeyError, TypeError) as error:
            rule = f"a run record written by bafflelens ({error})"
            raise DamagedError(invalid("run record", path, rule)) from error

    def save_record(self, record: RunRecord) -> None:
        """Replace ``run.json``."""
        content = json.dumps({"format": RUN_FORMAT, **asdict(record)}, indent=1)
        write_file(self.path / "run.json", content.encode() + b"\n", replace_existing=True)

    def log(self, text: str) -> None:
        """Add lines to the log, with the time."""
        stamp = utc_now()
        with _storing(self.path), (self.path / "log.txt").open("a", encoding="utf-8") as stream:
            for line in text.splitlines():
                stream.write(f"{stamp} {line}\n")

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other processes from writing here; the lock ends with the process.

        Raises
        ------
        StoreError
            If another process is working on this run.
        """
        with _storing(self.path), (self.path / "log.txt").open("a", encoding="utf-8") as stream:
            if not _take_lock(stream):
                rule = "one that no other process is working on"
                raise StoreError(invalid("run folder", self.path, rule))
            yield

    @property
    def is_worked_on(self) -> bool:
        """Whether a process holds the lock of this run."""
        return is_locked(self.path / "log.txt")

    # ----------------------------------------------------------- what goes on at this moment

    def save_status(self, content: Mapping[str, object]) -> None:
        """Replace ``status.json``, which tells other terminals how far the run is.

        It is worth nothing after a power cut, so nothing waits for the disk.
        """
        path = self.path / "status.json"
        temporary = path.with_name("status.json.part")
        with _storing(path):
            temporary.write_text(json.dumps(content), encoding="utf-8")
            temporary.replace(path)

    def load_status(self) -> dict[str, Any]:
        """Return the content of ``status.json``; empty if there is none, or it is damaged."""
        try:
            content = json.loads((self.path / "status.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return content if isinstance(content, dict) else {}

    # --------------------------------------------------------------------------- the catalogue

    def add_candidates(self, candidates: Iterable[CandidateResult]) -> None:
        """Enter candidates into the catalogue, after those that are there."""
        candidates = tuple(candidates)
        self._note_candidates(candidates)
        with self._catalog() as catalog:
            _insert(catalog, candidates)

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
        with _storing(path), path.open("a", encoding="utf-8") as stream:
            stream.writelines(f"{line}\n" for line in lines)
            stream.flush()
            os.fsync(stream.fileno())

    def _noted_candidates(self) -> list[CandidateResult]:
        """Return the candidates as they were entered; a line that is cut short is left out."""
        found: dict[str, CandidateResult] = {}
        path = self.path / "candidates.jsonl"
        with _storing(path):
            lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        for line in lines:
            with suppress(ValueError, TypeError, KeyError):
                entry = CandidateResult(**json.loads(line), score=None, status=WAITING)
                found.setdefault(entry.id, entry)
        return list(found.values())

    def mend(self) -> tuple[str, ...]:
        """Put right what a power cut may have left damaged, so that the run can go on.

        A catalogue that cannot be read is made anew; the candidates are then scored again from
        what is solved. A candidate whose files are cut short is solved again. Call it only while
        the run is `locked`.

        Returns
        -------
        tuple of str
            What was done, in a line each.

        Raises
        ------
        StoreError
            If there is nothing to make the catalogue from, or it cannot be written.
        """
        done = []
        try:
            self.candidates()
        except DamagedError:
            noted = self._noted_candidates()
            for suffix in ("", "-wal", "-shm"):
                (self.path / f"catalog.sqlite{suffix}").unlink(missing_ok=True)
            _new_catalogue(self.path / "catalog.sqlite")
            with self._catalog() as catalog:
                _insert(catalog, noted)
            done.append("the catalogue was damaged and is made anew from what is solved")
        known = {candidate.id for candidate in self.candidates()}
        for folder in sorted((self.path / "candidates").iterdir()):
            result, mesh = folder / "directivity.nc", folder / "mesh.npz"
            is_damaged = (result.exists() and not (is_whole(result) and mesh.exists())) or (
                mesh.exists() and not is_zipfile(mesh)
            )
            if is_damaged:
                with _storing(folder):
                    result.unlink(missing_ok=True)
                    mesh.unlink(missing_ok=True)
                if folder.name in known:
                    self.update_candidate(folder.name, status=WAITING)
                done.append(f"{folder.name} was damaged and is solved again")
        return tuple(done)

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

    def candidates(self) -> tuple[CandidateResult, ...]:
        """Return the whole catalogue, the baseline first."""
        with self._catalog() as catalog:
            rows = catalog.execute(
                "SELECT id, label, is_baseline, status, reasons, total_db, gaps "
                "FROM candidates ORDER BY position"
            ).fetchall()
            values: dict[str, dict[str, float]] = {row[0]: {} for row in rows}
            for candidate_id, key, value in catalog.execute(
                "SELECT candidate_id, key, value FROM parameters ORDER BY rowid"
            ):
                values[candidate_id][key] = value
            terms: dict[str, list[Term]] = {row[0]: [] for row in rows}
            for candidate_id, name, value_db, *numbers, note in catalog.execute(
                "SELECT candidate_id, name, value_db, tolerance_db, weight, excess_db, note "
                "FROM scores ORDER BY candidate_id, position"
            ):
                tolerance_db, weight, excess_db = numbers
                term = Term(
                    name=name,
                    value_db=_number(value_db),
                    tolerance_db=tolerance_db,
                    weight=weight,
                    excess_db=excess_db,
                    note=note,
                )
                terms[candidate_id].append(term)
        return tuple(
            CandidateResult(
                id=candidate_id,
                label=label,
                is_baseline=bool(is_baseline),
                values=values[candidate_id],
                score=(
                    Score(
                        terms=tuple(terms[candidate_id]),
                        total_db=_number(total_db),
                        gaps=tuple(json.loads(gaps)),
                    )
                    if terms[candidate_id]
                    else None
                ),
                status=status,
                reasons=tuple(json.loads(reasons)),
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
        return Counts(statuses=statuses, best=best)

    @contextmanager
    def kept_open(self) -> Iterator[None]:
        """Keep the catalogue open meanwhile: who writes into it often saves most of the time."""
        path = self.path / "catalog.sqlite"
        try:
            with closing(_connect(path)) as self._open_catalog:
                yield
        except sqlite3.Error as error:
            raise _catalogue_fault(path, error) from error
        finally:
            self._open_catalog = None

    @contextmanager
    def _catalog(self) -> Iterator[sqlite3.Connection]:
        path = self.path / "catalog.sqlite"
        with ExitStack() as stack:
            try:
                catalog = self._open_catalog or stack.enter_context(closing(_connect(path)))
                with catalog:
                    (found,) = catalog.execute("PRAGMA user_version").fetchone()
                    if found != CATALOG_VERSION:
                        rule = f"of version {CATALOG_VERSION}, made by this version of bafflelens"
                        fault = invalid(f"catalogue '{path}' of version", found, rule)
                        # What was cut short before its first page was written has no version.
                        raise StoreError(fault) if found else DamagedError(fault)
                    yield catalog
            except sqlite3.Error as error:
                raise _catalogue_fault(path, error) from error

    # -------------------------------------------------------------------- what was computed

    def _candidate_folder(self, candidate_id: str) -> Path:
        return self.path / "candidates" / candidate_id

    def save_mesh(self, candidate_id: str, mesh: Mesh) -> None:
        """Keep a candidate's finest mesh, unless it is there already."""
        path = self._candidate_folder(candidate_id) / "mesh.npz"
        with _storing(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.exists():
                mesh.save(path)

    def load_mesh(self, candidate_id: str) -> Mesh:
        """Return a candidate's finest mesh."""
        return Mesh.load(self._candidate_folder(candidate_id) / "mesh.npz")

    def save_band(
        self, candidate_id: str, number: int, result: BandResult, *, durable: bool = True
    ) -> None:
        """Keep a finished band until the candidate is complete.

        Parameters
        ----------
        candidate_id : str
            Id of the candidate.
        number : int
            Number of the band.
        result : BandResult
            What was solved.
        durable : bool
            Whether to wait until it is on the disk.
        """
        folder = self._candidate_folder(candidate_id) / "bands"
        outcomes = json.dumps([asdict(outcome) for outcome in result.outcomes])
        with _storing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            path = folder / f"{number:03d}.npz"
            with _replacing(path, replace_existing=True, durable=durable) as stream:
                np.savez(
                    stream,
                    frequencies_hz=result.frequencies_hz,
                    far_field=result.far_field,
                    cross_power=result.cross_power,
                    outcomes=np.array(outcomes),
                    microphone_pressure=result.microphone_pressure,
                    load=result.load,
                )

    def load_bands(self, candidate_id: str) -> dict[int, BandResult]:
        """Return the finished bands of an unfinished candidate; damaged files are left out."""
        folder = self._candidate_folder(candidate_id) / "bands"
        bands = {}
        for path in sorted(folder.glob("*.npz")):
            try:
                with path.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
                    outcomes = json.loads(str(data["outcomes"]))
                    bands[int(path.stem)] = BandResult(
                        frequencies_hz=data["frequencies_hz"],
                        far_field=data["far_field"],
                        cross_power=data["cross_power"],
                        outcomes=tuple(FrequencyOutcome(**outcome) for outcome in outcomes),
                        microphone_pressure=data["microphone_pressure"],
                        load=data["load"],
                    )
            except (OSError, ValueError, KeyError, TypeError, EOFError, BadZipFile):
                continue  # cut short by whatever stopped the run: it is solved again
        return bands

    def save_surface(self, candidate_id: str, number: int, surface: SurfacePressure) -> None:
        """Keep what is on the surface of a candidate in a band."""
        folder = self._candidate_folder(candidate_id) / "surface"
        with _storing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            with _replacing(folder / f"{number:03d}.npz", replace_existing=True) as stream:
                surface.write(stream)

    def load_surface(self, candidate_id: str) -> tuple[SurfacePressure, ...]:
        """Return what was kept of a candidate's surface; empty if nothing was.

        Raises
        ------
        StoreError
            If a file is damaged.
        """
        folder = self._candidate_folder(candidate_id) / "surface"
        found = []
        for path in sorted(folder.glob("*.npz")):
            with _storing(path), path.open("rb") as stream:
                found.append(SurfacePressure.read(stream, path))
        return tuple(found)

    def drop_surface(self, candidate_id: str) -> None:
        """Remove what was kept of a candidate's surface."""
        shutil.rmtree(self._candidate_folder(candidate_id) / "surface", ignore_errors=True)

    def save_directivity(self, candidate_id: str, dataset: xr.Dataset) -> None:
        """Keep a complete candidate's directivity, for good; its bands are then dropped."""
        folder = self._candidate_folder(candidate_id)
        with _storing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            directivity.save(dataset, folder / "directivity.nc")
            shutil.rmtree(folder / "bands", ignore_errors=True)

    def has_directivity(self, candidate_id: str) -> bool:
        """Tell whether a candidate is complete."""
        return (self._candidate_folder(candidate_id) / "directivity.nc").exists()

    def load_directivity(self, candidate_id: str) -> xr.Dataset:
        """Return a complete candidate's directivity."""
        return directivity.load(self._candidate_folder(candidate_id) / "directivity.nc")

    def write_filed(self, content: bytes) -> None:
        """Keep the report for filing; an older one is replaced."""
        write_file(self.filed_path, content, replace_existing=True)

    def write_target(self, picture: bytes) -> None:
        """Keep the page that explains the target; an older one is replaced."""
        write_file(self.target_path, picture, replace_existing=True)

    def save_crossover(self, candidate_id: str, text: str, picture: bytes) -> tuple[Path, Path]:
        """Keep a crossover that was found for a candidate, and its picture, under a new number."""
        folder = self._candidate_folder(candidate_id)
        number = 1
        while (folder / f"crossover_{number}.toml").exists():
            number += 1
        paths = folder / f"crossover_{number}.toml", folder / f"crossover_{number}.png"
        write_file(paths[1], picture, replace_existing=True)  # of one that was not finished
        write_file(paths[0], text.encode())
        return paths

    def write_report(self, write: Callable[[Path], None]) -> Path:
        """Let a function write the report to a temporary path, then put it in place."""
        temporary = self.report_path.with_name("report.html.part")
        with _storing(self.report_path):
            try:
                write(temporary)
                temporary.replace(self.report_path)
            finally:
                temporary.unlink(missing_ok=True)
        return self.report_path


def _text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8", errors="replace")


# -------------------------------------------------------------------------------- all notes


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
    with _storing(path):
        lines = path.read_bytes().split(b"\n")
    notes = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            notes.append(Note(**json.loads(line)))
        except (ValueError, TypeError) as error:
            rule = f"a note written by bafflelens ({error})"
            raise StoreError(invalid(f"line {number} of", path, rule)) from error
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
    with _storing(path), path.open("ab") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        start = stream.seek(0, os.SEEK_END)
        try:
            stream.write(line)
            stream.flush()
            os.fsync(stream.fileno())
        except OSError:
            stream.truncate(start)  # a part of a line would spoil the next
            raise


# ---------------------------------------------------------------------------- all mock-ups


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
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return tuple(
            replace(
                MockUp(**entry),
                bands_hz=tuple(entry["bands_hz"]),
                rms_db=tuple(entry["rms_db"]),
            )
            for entry in content["mock_ups"]
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        rule = f"a library of mock-ups written by bafflelens ({error})"
        raise StoreError(invalid("library", path, rule)) from error


def add_mock_up(results: Path, mock_up: MockUp) -> tuple[MockUp, ...]:
    """Add a mock-up to the library beside the runs, or replace it, and return all.

    Others that add at the same moment wait for each other; whatever stops this leaves the
    library as it was.
    """
    path = results / _MOCK_UPS
    with _storing(path), path.with_suffix(".lock").open("a", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        others = tuple(one for one in load_mock_ups(results) if one.key != mock_up.key)
        together = (*others, mock_up)
        content = {"format": 1, "mock_ups": [asdict(one) for one in together]}
        write_file(path, json.dumps(content, indent=1).encode() + b"\n", replace_existing=True)
    return together


# ------------------------------------------------------------------------ making and opening


def create_run(
    results: Path, loaded: LoadedJob, candidates: Sequence[CandidateResult], record: RunRecord
) -> RunFolder:
    """Make the folder of a new run: complete, under a temporary name, then renamed.

    Parameters
    ----------
    results : Path
        The folder that holds the runs; made if it is missing.
    loaded : LoadedJob
        The job.
    candidates : sequence of CandidateResult
        All of them, the baseline first, as waiting.
    record : RunRecord
        The first content of ``run.json``.

    Raises
    ------
    StoreError
        If the folder cannot be made; then nothing is left behind.
    """
    stamp = _utc_now().strftime("%Y%m%dT%H%M%SZ")
    with _storing(results):
        results.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=results, prefix=".new-") as scratch:
            new = RunFolder(Path(scratch) / "run")
            (new.path / "candidates").mkdir(parents=True)
            write_file(new.path / "job.toml", loaded.text.encode())
            shapes = (loaded.shape, loaded.baseline_shape)
            copied = {
                f"shapes/{section}": shape
                for section, shape in zip(SHAPE_SECTIONS, shapes, strict=True)
            }
            copied |= {
                f"shapes/{section_of(name)}": shape
                for name, shape in loaded.reference_shapes.items()
            }
            copied |= {f"shapes/{plate.section}": plate.shape for plate in loaded.plates}
            for name, shape in copied.items():
                folder = new.path / name
                folder.mkdir(parents=True)
                for file in (shape.script, *shape.companions):
                    shutil.copyfile(file, folder / file.name)
            for key, table in {**loaded.boundaries.tables, **loaded.files}.items():
                (new.path / "tables").mkdir(exist_ok=True)
                shutil.copyfile(table, new.path / "tables" / f"{key}.txt")
            _new_catalogue(new.path / "catalog.sqlite")
            new.add_candidates(candidates)
            new.save_record(record)
            new.log(f"run of {loaded.path.name} with {len(candidates)} shapes")
            return RunFolder(_rename_to_free(new.path, results, f"{loaded.path.stem}_{stamp}"))


def open_run(path: Path) -> RunFolder:
    """Open the folder of a run.

    Raises
    ------
    StoreError
        If this is not the folder of a run.
    """
    if not (path / "run.json").is_file() or not (path / "catalog.sqlite").is_file():
        rule = "the folder of a run, with a run.json and a catalog.sqlite in it"
        raise StoreError(invalid("run folder", path, rule))
    return RunFolder(path)


def _rename_to_free(source: Path, results: Path, name: str) -> Path:
    """Rename a folder to a name that is free, with -1, -2 ... behind it if need be."""
    number = 0
    while True:
        target = results / (f"{name}-{number}" if number else name)
        if not target.exists():
            return source.rename(target)
        number += 1


def _new_catalogue(path: Path) -> None:
    with closing(sqlite3.connect(path)) as catalog:
        catalog.execute("PRAGMA journal_mode = WAL")
        catalog.executescript(_SCHEMA)
        catalog.execute(f"PRAGMA user_version = {CATALOG_VERSION}")


def _insert(catalog: sqlite3.Connection, candidates: Sequence[CandidateResult]) -> None:
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


def _number(stored: float | None) -> float:
    """Return a number of the catalogue, which keeps NaN as NULL."""
    return float("nan") if stored is None else stored


def utc_now() -> str:
    """Return the time as it is written everywhere, ISO 8601 in UTC."""
    return _utc_now().isoformat(timespec="seconds").replace("+00:00", "Z")


def _utc_now() -> datetime:
    return datetime.now(UTC)


def _catalogue_fault(path: Path, error: sqlite3.Error) -> StoreError:
    rule = f"a catalogue in a folder that can be written ({error})"
    # A disk that is full, a lock or missing rights are operational; what else there is, is damage.
    is_damage = isinstance(error, sqlite3.DatabaseError) and not isinstance(
        error, sqlite3.OperationalError
    )
    return (DamagedError if is_damage else StoreError)(invalid("catalogue", path, rule))


def _connect(path: Path) -> sqlite3.Connection:
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


# --------------------------------------------------------------------- beside the run folders


def queue_path(results: Path) -> Path:
    """Return where the queue of a results folder is kept."""
    return results / "queue.sqlite"


def queue_lock(results: Path) -> Path:
    """Return the file that whoever works through the queue holds a lock on."""
    return results / "queue.lock"


def cache_path(folder: Path) -> Path:
    """Return where solved frequencies are kept, by default of a results folder."""
    return folder / "solved.sqlite"


def has_room(results: Path) -> bool:
    """Tell whether there is room on the disk of a results folder for a little more."""
    try:
        return shutil.disk_usage(results).free > _LITTLE_ROOM_BYTES
    except OSError:
        return False


def run_folders(results: Path) -> tuple[RunFolder, ...]:
    """Return the runs of a results folder, by name."""
    found = sorted(results.glob("*/run.json")) if results.is_dir() else []
    return tuple(RunFolder(path.parent) for path in found)


def remove_run(folder: RunFolder) -> None:
    """Remove the folder of a run that was queued and never begun."""
    with _storing(folder.path):
        shutil.rmtree(folder.path)


@contextmanager
def holding(path: Path, content: str, taken: Callable[[str], str]) -> Iterator[None]:
    """Hold a lock file, with a text in it; the lock ends with the process, however that ends.

    Parameters
    ----------
    path : Path
        The file; it stays, empty.
    content : str
        Who holds it.
    taken : callable
        Returns the message from the text of another process that holds it.

    Raises
    ------
    StoreError
        If another process holds it, or it cannot be written.
    """
    with _storing(path), path.open("a+", encoding="utf-8") as stream:
        if not _take_lock(stream):
            stream.seek(0)
            raise StoreError(taken(stream.read().strip()))
        stream.truncate(0)
        stream.write(content)
        stream.flush()
        try:
            yield
        finally:
            with suppress(OSError):
                stream.truncate(0)


def is_locked(path: Path) -> bool:
    """Tell whether a process holds the lock on a file."""
    try:
        with path.open("rb") as stream:
            fcntl.flock(stream, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def _take_lock(stream: IO[str]) -> bool:
    """Take the lock on an open file; whoever only looks holds it for an instant."""
    for attempt in range(_LOCK_ATTEMPTS):
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if attempt + 1 < _LOCK_ATTEMPTS:
                time.sleep(_LOCK_PAUSE_S)
        else:
            return True
    return False


def require_new_folder(path: Path) -> None:
    """Refuse a folder that holds something already.

    Raises
    ------
    StoreError
        If it does, or is a file.
    """
    with _storing(path):
        if path.exists() and (not path.is_dir() or any(path.iterdir())):
            raise StoreError(invalid("folder", path, "new or empty: nothing is overwritten"))


def write_folder(path: Path, files: Mapping[str, bytes]) -> None:
    """Write a folder of files under a temporary name, then rename it.

    Raises
    ------
    StoreError
        If it holds something already, or cannot be written.
    """
    require_new_folder(path)
    with _storing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".new-") as scratch:
            new = Path(scratch) / "folder"
            new.mkdir()
            for name, content in files.items():
                write_file(new / name, content)
            if path.is_dir():
                path.rmdir()
            new.replace(path)


def write_file(path: Path, content: bytes, *, replace_existing: bool = False) -> None:
    """Write a file under a temporary name, then rename it.

    Raises
    ------
    StoreError
        If it cannot be written, or exists and is not to be replaced.
    """
    with _replacing(path, replace_existing=replace_existing) as stream:
        stream.write(content)


@contextmanager
def _replacing(
    path: Path, *, replace_existing: bool = False, durable: bool = True
) -> Iterator[IO[bytes]]:
    """Write to a temporary name; the file has its own name only when it is whole."""
    temporary = path.with_name(path.name + ".part")
    with _storing(path):
        if path.exists() and not replace_existing:
            raise StoreError(invalid("file", path, "a new name: results are never overwritten"))
        try:
            with temporary.open("wb") as stream:
                yield stream
                stream.flush()
                if durable:
                    os.fsync(stream.fileno())
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)


@contextmanager
def _storing(path: Path) -> Iterator[None]:
    """Turn what the operating system refuses into one clear line."""
    try:
        yield
    except OSError as error:
        rule = f"in a folder that can be written ({error.strerror or error})"
        raise StoreError(invalid("path", path, rule)) from error
