# SPDX-License-Identifier: GPL-3.0-or-later
"""Folders of runs: made, opened and found; a run's folder as a whole."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from zipfile import is_zipfile

from bafflelens.base.errors import DamagedError, StoreError, invalid
from bafflelens.base.netcdf import is_whole
from bafflelens.base.reading import MIB, read_json
from bafflelens.base.run_files import first_view_path, require_run
from bafflelens.base.writing import storing, write_file
from bafflelens.job.job_file import SHAPE_SECTIONS, LoadedJob, load_job
from bafflelens.scoring.ranking import WAITING, CandidateResult
from bafflelens.scoring.references import SECTION as REFERENCES
from bafflelens.scoring.references import section_of
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.store.candidate_files import CandidateFiles
from bafflelens.store.catalogue import Catalogue
from bafflelens.store.catalogue_tables import new_catalogue
from bafflelens.store.locks import is_locked, take_lock
from bafflelens.store.records import RunRecord, moment, read_record, utc_now, write_record

_CARVED = "carved."


class RunFolder(Catalogue, CandidateFiles):
    """One run's folder. Made with `create_run` or `open_run`."""

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
        loaded = load_job(self.path / "job.toml", scripts=scripts, tables=tables)
        carved = sorted((self.path / "shapes").glob(f"{_CARVED}*"))
        shapes = {path.name.removeprefix(_CARVED): self._script(path.name) for path in carved}
        shapes_of = {name: load_shape(script) for name, script in shapes.items()}
        return replace(loaded, carved_shapes=shapes_of)

    def add_carved_shape(
        self,
        candidate_id: str,
        *,
        files: Sequence[Path],
        declaration: str,
        save_deviation: Callable[[Path], None],
    ) -> None:
        """Keep what a carved candidate is; `load_job` then knows its shape.

        Parameters
        ----------
        candidate_id : str
            Its id.
        files : sequence of Path
            What its parent's shape is made of.
        declaration : str
            The declaration that names them and ``<id>_deviation.npz``.
        save_deviation : callable
            Writes that file.
        """
        shapes = self.path / "shapes"
        final = shapes / f"{_CARVED}{candidate_id}"
        with storing(final), tempfile.TemporaryDirectory(dir=shapes, prefix=".new-") as scratch:
            new = Path(scratch) / "shape"
            new.mkdir()
            for file in files:
                shutil.copyfile(file, new / file.name)
            (new / f"{candidate_id}.toml").write_text(declaration, encoding="utf-8")
            save_deviation(new / f"{candidate_id}_deviation.npz")
            if final.exists():  # it was stopped before the catalogue knew of it
                shutil.rmtree(final)
            new.rename(final)

    def carved_deviation(self, candidate_id: str) -> Path:
        """Return the path of how far a carved candidate was moved, where it was carved here."""
        return self.path / "shapes" / f"{_CARVED}{candidate_id}" / f"{candidate_id}_deviation.npz"

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

    def load_record(self, *, with_tasks: bool = True) -> RunRecord:
        """Return the content of ``run.json``.

        Without its tasks, of which there may be many thousands, it is only to look at.
        """
        return read_record(self.path, with_tasks=with_tasks)

    def save_record(self, record: RunRecord) -> None:
        """Replace ``run.json``."""
        write_record(self.path, record)

    def log(self, text: str) -> None:
        """Add lines to the log, with the time."""
        stamp = utc_now()
        with storing(self.path), (self.path / "log.txt").open("a", encoding="utf-8") as stream:
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
        with storing(self.path), (self.path / "log.txt").open("a", encoding="utf-8") as stream:
            if not take_lock(stream):
                rule = "one that no other process is working on"
                raise StoreError(invalid("run folder", self.path, rule))
            yield

    @property
    def is_worked_on(self) -> bool:
        """Whether a process holds the lock of this run."""
        return is_locked(self.path / "log.txt")

    def stamp(self) -> tuple[int, ...]:
        """Return what changes whenever catalogue, record or notes do; quick."""
        files = ("catalog.sqlite", "catalog.sqlite-wal", "run.json", "../notes.jsonl")
        return tuple(_changed_ns(self.path / name) for name in files)

    # ----------------------------------------------------------- what goes on at this moment

    def save_status(self, content: Mapping[str, object]) -> None:
        """Replace ``status.json``, which tells other terminals how far the run is.

        It is worth nothing after a power cut, so nothing waits for the disk.
        """
        path = self.path / "status.json"
        temporary = path.with_name("status.json.part")
        with storing(path):
            temporary.write_text(json.dumps(content), encoding="utf-8")
            temporary.replace(path)

    def load_status(self) -> dict[str, Any]:
        """Return the content of ``status.json``; empty if there is none, or it is damaged."""
        path, rule = self.path / "status.json", "what a run says of itself"
        try:
            return read_json(path, "status", rule, StoreError, most=MIB)
        except StoreError:
            return {}

    def save_learned(self, content: Mapping[str, object]) -> None:
        """Replace ``estimates.json``: what the live page found while it learned from this run."""
        text = json.dumps(content, allow_nan=False)
        write_file(self.path / "estimates.json", text.encode(), replace_existing=True)

    def load_learned(self) -> dict[str, Any]:
        """Return the content of ``estimates.json``; empty if there is none, or it is damaged."""
        path, rule = self.path / "estimates.json", "what was learned from a run"
        try:
            return read_json(path, "estimates", rule, StoreError, most=MIB)
        except StoreError:
            return {}

    def save_first_view(self, content: bytes) -> None:
        """Replace ``first_view.bin``: what the live page shows of this run before it is read."""
        write_file(first_view_path(self.path), content, replace_existing=True)

    # ------------------------------------------------------------------ reports and mending

    def write_filed(self, content: bytes) -> None:
        """Keep the report for filing; an older one is replaced."""
        write_file(self.filed_path, content, replace_existing=True)

    def write_target(self, picture: bytes) -> None:
        """Keep the page that explains the target; an older one is replaced."""
        write_file(self.target_path, picture, replace_existing=True)

    def write_report(self, write: Callable[[Path], None]) -> Path:
        """Let a function write the report to a temporary path, then put it in place."""
        temporary = self.report_path.with_name("report.html.part")
        with storing(self.report_path):
            try:
                write(temporary)
                temporary.replace(self.report_path)
            finally:
                temporary.unlink(missing_ok=True)
        return self.report_path

    def mend(self) -> tuple[str, ...]:
        """Put right what a power cut may have left damaged, so that the run can go on.

        A catalogue that cannot be read is made anew, and candidates that it has lost are entered
        again; what is solved of them is then scored again. A candidate whose files are cut short
        is solved again. Call it only while the run is `locked`.

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
            self.require_whole_catalogue()
        except DamagedError:
            self.renew_catalogue()
            done.append("the catalogue was damaged and is made anew from what is solved")
        if (self.path / "candidates.jsonl").exists():  # older runs have none
            lost = self.enter_lost_candidates()
            if lost:
                done.append(f"the catalogue had lost, and has again: {', '.join(lost)}")
        known = {candidate.id for candidate in self.candidates()}
        for folder in sorted((self.path / "candidates").iterdir()):
            result, mesh = folder / "directivity.nc", folder / "mesh.npz"
            is_damaged = (result.exists() and not (is_whole(result) and mesh.exists())) or (
                mesh.exists() and not is_zipfile(mesh)
            )
            if is_damaged:
                with storing(folder):
                    result.unlink(missing_ok=True)
                    mesh.unlink(missing_ok=True)
                if folder.name in known:
                    self.update_candidate(folder.name, status=WAITING)
                done.append(f"{folder.name} was damaged and is solved again")
        return tuple(done)


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def _text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8", errors="replace")


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
    stamp = moment().strftime("%Y%m%dT%H%M%SZ")
    with storing(results):
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
            new_catalogue(new.path / "catalog.sqlite")
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
    require_run(path)
    return RunFolder(path)


def _rename_to_free(source: Path, results: Path, name: str) -> Path:
    """Rename a folder to a name that is free, with -1, -2 ... behind it if need be."""
    number = 0
    while True:
        target = results / (f"{name}-{number}" if number else name)
        if not target.exists():
            return source.rename(target)
        number += 1


def is_run(path: Path) -> bool:
    """Tell whether a folder is that of a run."""
    return (path / "run.json").exists()


def run_folders(results: Path) -> tuple[RunFolder, ...]:
    """Return the runs of a results folder, by name."""
    found = sorted(results.glob("*/run.json")) if results.is_dir() else []
    return tuple(RunFolder(path.parent) for path in found)


def remove_run(folder: RunFolder) -> None:
    """Remove the folder of a run that was queued and never begun."""
    with storing(folder.path):
        shutil.rmtree(folder.path)


def queue_path(results: Path) -> Path:
    """Return where the queue of a results folder is kept."""
    return results / "queue.sqlite"


def queue_lock(results: Path) -> Path:
    """Return the file that whoever works through the queue holds a lock on."""
    return results / "queue.lock"


def cache_path(folder: Path) -> Path:
    """Return where solved frequencies are kept, by default of a results folder."""
    return folder / "solved.sqlite"
