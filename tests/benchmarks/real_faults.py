# SPDX-License-Identifier: GPL-3.0-or-later
"""Disturb a small run of the real mesher and solver; the end must be the same ranking.

The whole run, a worker or a mesher is killed; the catalogue, a result or the cache is cut short;
files may grow no further; the clock is set back; two resume at once; the folder is read-only (that
one is left out for a user who may write everywhere). `faults.py` does more of this, and much
faster, with stand-ins.

    .venv/bin/python tests/benchmarks/real_faults.py [rounds a fault] [seed] [faults] [workers]
"""

import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

from bafflelens.report.summary import rank_run
from bafflelens.store import open_run, run_folders

ROOT = Path(__file__).parents[2]
JOB = ROOT / "tests" / "jobs" / "tiny_lens.toml"
WORKERS = int(sys.argv[4]) if len(sys.argv) > 4 else 2
LIMIT_S = 1800
FAULTS = (
    *("kill the run", "kill a worker", "kill a mesher"),
    *("cut the catalogue", "cut a result", "cut the cache", "full disk"),
    *("clock set back", "two resume at once", "read-only folder"),
)


def command(*words):
    return [sys.executable, "-m", "bafflelens", *map(str, words)]


def started(folder, *words):
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "pipeline")}
    with (folder / "output.txt").open("ab") as output:
        return subprocess.Popen(command(*words), env=environment, stdout=output, stderr=output)


def run(folder):
    words = ("run", JOB, "--results", folder / "results", "--workers", WORKERS)
    return started(folder, *words)


def resume(folder):
    found = min(run_folders(folder / "results"), key=lambda each: each.path, default=None)
    if found is None:  # it was killed before it began
        return run(folder)
    return started(folder, "resume", found.path, "--workers", WORKERS)


def ranking(folder):
    """Return ids, places and totals to a thousandth of a decibel, of the run begun first."""
    found = min(run_folders(folder / "results"), key=lambda each: each.path)
    return [
        (
            row.candidate.id,
            row.place,
            row.candidate.score and f"{row.candidate.score.total_db:.3f}",
        )
        for row in rank_run(open_run(found.path))
    ]


def below(pid, text):
    """Return the processes below one whose command line holds a text."""
    parents, commands = {}, {}
    for path in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            parents[int(path.name)] = int(
                (path / "stat").read_text().rpartition(")")[2].split()[1]
            )
            commands[int(path.name)] = (path / "cmdline").read_bytes()
    found, left = [], [pid]
    while left:
        children = [child for child, parent in parents.items() if parent in left]
        found += [child for child in children if text in commands[child]]
        left = children
    return sorted(found)


def kill_one(running, text, draw, wait_s=60.0):
    """Kill a process below a run at random, as soon as there is one."""
    until = time.monotonic() + wait_s
    while running.poll() is None and time.monotonic() < until:
        for victim in draw.sample(
            below(running.pid, text), k=min(1, len(below(running.pid, text)))
        ):
            with suppress(ProcessLookupError):
                os.kill(victim, signal.SIGKILL)
                return f"process {victim}"
        time.sleep(0.05)
    return "none found"


def cut(folder, pattern, draw):
    """Cut a file short; return its name."""
    files = [p for p in (folder / "results").rglob(pattern) if p.is_file() and p.stat().st_size]
    if not files:
        return "none there"
    path = draw.choice(sorted(files))
    size = path.stat().st_size
    os.truncate(path, draw.randrange(size))
    return f"{path.name}, {path.stat().st_size} of {size} bytes"


def disturb(folder, fault, seconds, draw):
    """Run the job and do something to it; return what was hit and the exit codes since."""
    running = run(folder)
    time.sleep(seconds)
    hit = ""
    match fault:
        case "kill a worker":
            hit = kill_one(running, b"spawn_main", draw)
        case "kill a mesher":
            hit = kill_one(running, b"shapes.meshing.mesher", draw)
        case "full disk":
            limit = draw.choice((0, 20_000, 200_000))
            for process in (running.pid, *below(running.pid, b"spawn_main")):
                with suppress(ProcessLookupError):
                    resource.prlimit(process, resource.RLIMIT_FSIZE, (limit, limit))
            hit = f"{limit} bytes a file"
        case _:
            running.kill()
    codes = [running.wait(timeout=LIMIT_S)]
    found = min(run_folders(folder / "results"), key=lambda each: each.path, default=None)
    match fault:
        case "cut the catalogue":
            hit = cut(folder, "catalog.sqlite", draw)
        case "cut a result":
            hit = cut(folder, "candidates/*/*.n*", draw)
        case "cut the cache":
            hit = cut(folder, "solved.sqlite", draw)
        case "clock set back" if found:
            # What was written before the clock was set back is of tomorrow.
            later = time.time() + 86400
            for path in found.path.rglob("*"):
                os.utime(path, (later, later))
            record = json.loads((found.path / "run.json").read_text())
            record["created_utc"] = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(later))
            (found.path / "run.json").write_text(json.dumps(record))
        case "two resume at once":
            both = [resume(folder), resume(folder)]
            ended = [one.wait(timeout=LIMIT_S) for one in both]
            hit = f"exit codes {ended}"
            codes.append(max(ended) if sorted(ended) not in ([0, 0], [0, 2]) else 0)
        case "read-only folder" if found:
            found.path.chmod(0o555)
            codes.append(resume(folder).wait(timeout=LIMIT_S))
            hit = f"exit code {codes[-1]}"
            found.path.chmod(0o755)
    if fault == "cut the catalogue" and codes[-1] == 0:
        codes.append(resume(folder).wait(timeout=LIMIT_S))  # as its readers say
    while codes[-1] != 0 and len(codes) < 5:
        codes.append(resume(folder).wait(timeout=LIMIT_S))
    return hit, codes


def main():
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else time.time_ns() % 10**6
    chosen = sys.argv[3].split(",") if sys.argv[3:4] not in ([], ["all"]) else FAULTS
    print(f"seed {seed}")
    wrong = 0
    with tempfile.TemporaryDirectory() as name:
        for what in (
            "compiling",
            "alone",
        ):
            alone = Path(name) / what
            alone.mkdir()
            begun = time.monotonic()
            assert run(alone).wait(timeout=LIMIT_S) == 0, (alone / "output.txt").read_text()
        whole_s, expected = time.monotonic() - begun, ranking(alone)
        print(f"undisturbed: {whole_s:.0f} s, {expected}", flush=True)
        plan = [fault for fault in chosen if fault != "read-only folder" or os.geteuid()] * rounds
        for number, fault in enumerate(plan):
            draw = random.Random(seed + number)
            folder = Path(name) / f"{number}"
            folder.mkdir()
            seconds = draw.uniform(0.1, 0.9) * whole_s
            hit, codes = disturb(folder, fault, seconds, draw)
            said = (folder / "output.txt").read_text()
            is_well = codes[-1] == 0 and ranking(folder) == expected and "Traceback" not in said
            wrong += not is_well
            verdict = "the same ranking" if is_well else "WRONG"
            print(f"{fault} after {seconds:.1f} s ({hit}): {codes}, {verdict}", flush=True)
            if not is_well:
                print(said)
    print(f"{wrong} of {len(plan)} rounds went wrong")
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
