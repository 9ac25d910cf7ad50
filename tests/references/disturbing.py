# SPDX-License-Identifier: GPL-3.0-or-later
"""A small job in processes of its own, disturbed at a random moment, and what became of it.

Mesher and solver are stand-ins (`stand_ins`); everything else is the program itself: command
line, scheduler, worker processes, run folder, cache.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import stand_ins

from bafflelens.report.summary import rank_run
from bafflelens.store import open_run, run_folders

REPOSITORY = Path(__file__).parents[2]
WORKERS = 2
ERRANDS_OUT = 2 * WORKERS  # in hand and in store
FAILURES = ("hung mesher", "memory of a worker")
"""Faults that fail a shape, until the run is resumed."""

FAULTS = (
    "kill a worker",
    "kill the run",
    "kill the run, cut the newest file short",
    "SIGTERM",
    "full disk",
    *FAILURES,
    "worker killed for memory",
)


@dataclass(frozen=True)
class Kind:
    """A kind of job that is disturbed.

    Attributes
    ----------
    changes : tuple of (str, str)
        What differs from the small job.
    seconds : float
        What a piece of its work takes.
    pieces_out : int
        So many pieces at most are in hand or in store, and may have to be done again.
    learns : bool
        Whether a shape that fails changes what is proposed after it.
    """

    changes: tuple[tuple[str, str], ...]
    seconds: float = 0.05
    pieces_out: int = ERRANDS_OUT
    learns: bool = False


PIECES_A_SHAPE = 5  # its mesh and four bands
OPEN = 4 + 2 * WORKERS
"""Candidates that are open at a time."""

KINDS = {
    "plain": Kind((("candidates = 3", "candidates = 5"),)),
    "directed in stages": Kind(
        (
            ("candidates = 3", 'plan = "directed"\ncandidates = 12'),
            (
                'quality = "draft"',
                'quality = "standard"\n[first_look]\nkeep_pct = 30\nmargin_db = 0\n'
                "[finalists]\ncount = 2",
            ),
        ),
        learns=True,
    ),
    "short pieces": Kind((("candidates = 3", "candidates = 40"),), 0.003, 16 * ERRANDS_OUT),
}


@dataclass(frozen=True)
class Round:
    """What became of a disturbed run.

    Attributes
    ----------
    fault : str
        What was done to it.
    after_s : float
        When, in s after the first piece of work was done.
    codes : tuple of int
        Exit codes: of the run, and of each time that it was resumed.
    ranking : str
        The ranking in the end.
    repeated : int
        Pieces of work that were done again.
    hit : str
        What was hit: process or file.
    output : str
        What the programs printed.
    """

    fault: str
    after_s: float
    codes: tuple[int, ...]
    ranking: str
    repeated: int
    hit: str
    output: str


def most_repeated(kind: Kind, found: Round) -> int:
    """Return how many pieces of work a disturbed run may have had to do again.

    Those that were out; with a file that was cut short, what it held; with a full disk, what came
    back and could be kept nowhere. Only the cache holds the meshes of candidates that are open (of
    each a run folder has no more than the finest), so that they go with it.
    """
    held = 1 if "bands/" in found.hit or "mesh" in found.hit else 0
    held += PIECES_A_SHAPE * ("directivity" in found.hit)
    loses_meshes = found.fault == "full disk" or "solved.sqlite" in found.hit
    return kind.pieces_out + held + OPEN * loses_meshes


@dataclass(frozen=True)
class Alone:
    """What became of an undisturbed run: its ranking, its work, and how long that took in s."""

    ranking: str
    work: Counter[tuple[str, str]]
    work_s: float


def undisturbed(job: Path, kind: Kind, folder: Path) -> Alone:
    """Run the job."""
    folder.mkdir()
    environment = _environment(folder, kind)
    with _started(["run", job], folder, environment) as running:
        _wait_for(lambda: _log(folder).exists(), running)
        began = time.monotonic()
        assert running.wait() == 0, (folder / "output.txt").read_text()
    return Alone(_ranking(folder), work_done(_log(folder)), time.monotonic() - began)


def disturbed(job: Path, kind: Kind, folder: Path, fault: str, alone: Alone, seed: int) -> Round:
    """Run the job, do something to it at a random moment, and resume it until all is well."""
    draw = random.Random(seed)
    folder.mkdir()
    environment = _environment(folder, kind)
    hit = ""
    after_s = draw.uniform(0.0, 0.8 * alone.work_s)
    with _started(["run", job], folder, environment) as running:
        _wait_for(lambda: _log(folder).exists(), running)
        time.sleep(after_s)
        match fault:
            case "kill a worker":
                hit = _kill_worker(running.pid, draw)
            case "kill the run" | "kill the run, cut the newest file short":
                running.kill()
            case "SIGTERM":
                running.terminate()
            case "full disk" if running.poll() is None:
                limit = draw.choice((0, 4096, 30000))
                for process in (running.pid, *_workers(running.pid)):
                    resource.prlimit(process, resource.RLIMIT_FSIZE, (limit, limit))
                hit = f"{limit} bytes a file"
            case "hung mesher":
                (folder / "faults" / "hang").touch()
            case "memory of a worker":
                (folder / "faults" / "memory").touch()
            case "worker killed for memory":
                (folder / "faults" / "kill").touch()
        codes = [running.wait(timeout=120)]
    for left in (folder / "faults").iterdir():
        left.unlink()  # it came too late
    if fault.endswith("cut the newest file short"):
        hit = _cut_newest(folder / "results", draw)
    while codes[-1] != 0 and len(codes) < 4:
        (run,) = run_folders(folder / "results") or (None,)
        words = ["resume", run.path] if run else ["run", job]  # killed before it began
        with _started(words, folder, environment) as running:
            codes.append(running.wait(timeout=120))
    return Round(
        fault=fault,
        after_s=after_s,
        codes=tuple(codes),
        ranking=_ranking(folder),
        repeated=pieces(work_done(_log(folder)) - alone.work),
        hit=hit,
        output=(folder / "output.txt").read_text(),
    )


def _environment(folder: Path, kind: Kind) -> dict[str, str]:
    (folder / "faults").mkdir()
    paths = [REPOSITORY / "pipeline", REPOSITORY / "tests" / "references"]
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(map(str, paths)),
        "STAND_IN_LOG": str(_log(folder)),
        "STAND_IN_SECONDS": f"{kind.seconds}",
        "STAND_IN_FAULT": str(folder / "faults"),
    }


def _started(
    words: list[object], folder: Path, environment: dict[str, str]
) -> subprocess.Popen[bytes]:
    words = [words[0], *words[1:], "--workers", WORKERS]
    if words[0] == "run":
        words += ["--results", folder / "results"]
    code = "import stand_ins; stand_ins.main(log_plan=False)"
    with (folder / "output.txt").open("ab") as output:
        return subprocess.Popen(
            [sys.executable, "-c", code, *map(str, words)],
            env=environment,
            stdout=output,
            stderr=output,
        )


def _log(folder: Path) -> Path:
    return folder / "work.log"


def work_done(log: Path) -> Counter[tuple[str, str]]:
    """Return how often each band was solved, and each shape meshed at each size."""
    found: Counter[tuple[str, str]] = Counter()
    for line in log.read_text().splitlines():
        what, *sizes = line.partition(" ")[2].split(stand_ins.SIZE)
        found.update((what, size) for size in sizes or [""])
    return found


def pieces(work: Counter[tuple[str, str]]) -> int:
    """Return how many pieces of work that is: all meshes of a shape count as one.

    Whether a worker makes them together or two share them is a matter of how busy all are.
    """
    most: Counter[str] = Counter()
    for (what, _), number in work.items():
        most[what] = max(most[what], number)
    return most.total()


def _ranking(folder: Path) -> str:
    (run,) = run_folders(folder / "results")
    return repr(rank_run(open_run(run.path)))


def _workers(pid: int) -> list[int]:
    """Return the worker processes of a run."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
            command = (path.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if int(fields[1]) == pid and b"spawn_main" in command:
            found.append(int(path.parent.name))
    return sorted(found)


def _kill_worker(pid: int, draw: random.Random) -> str:
    workers = _workers(pid)
    if not workers:
        return ""
    worker = draw.choice(workers)
    try:
        os.kill(worker, signal.SIGKILL)
    except ProcessLookupError:
        return ""
    return f"process {worker}"


def _cut_newest(results: Path, draw: random.Random) -> str:
    """Cut the newest file short, as a power cut may; scripts and job were there long before."""
    files = [path for path in results.rglob("*") if path.is_file() and path.stat().st_size]
    newest = max(files, key=lambda path: path.stat().st_mtime_ns)
    size = newest.stat().st_size
    kept = draw.randrange(size)
    os.truncate(newest, kept)
    place = newest.relative_to(results).parts  # the cache lies beside the run folders
    return f"{'/'.join(place[1:] or place)} {kept} of {size} bytes"


def _wait_for(is_so: object, running: subprocess.Popen[bytes]) -> None:
    while not is_so():  # type: ignore[operator]
        if running.poll() is not None:
            break
        time.sleep(0.01)
