# SPDX-License-Identifier: GPL-3.0-or-later
"""Disturb a small run of the real mesher and solver; the end must be the same ranking.

The whole run, a worker or a mesher is killed; the catalogue, a result or the cache is cut short;
files may grow no further; the clock is set back; two resume at once; the folder is read-only (that
one is left out for a user who may write everywhere). `faults.py` does more of this, and much
faster, with stand-ins.

Rounds may go on at once, on a machine with processors for them; how long a run takes undisturbed,
from which the moments of the faults are drawn, is then found with as many at once.

    .venv/bin/python tests/benchmarks/real_faults.py [--rounds 10] [--at-once 1] [--workers 2]
"""

import argparse
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

from bafflelens.report.summary import rank_run
from bafflelens.store import open_run, run_folders

ROOT = Path(__file__).parents[2]
JOB = ROOT / "tests" / "jobs" / "tiny_lens.toml"
LIMIT_S = 1800
FAULTS = (
    *("kill the run", "kill a worker", "kill a mesher"),
    *("cut the catalogue", "cut a result", "cut the cache", "full disk"),
    *("clock set back", "two resume at once", "read-only folder"),
)


def command(*words):
    return [sys.executable, "-m", "bafflelens", *map(str, words)]


def started(folder, *words):
    path = os.pathsep.join(filter(None, (str(ROOT / "pipeline"), os.environ.get("PYTHONPATH"))))
    environment = {**os.environ, "PYTHONPATH": path}
    with (folder / "output.txt").open("ab") as output:
        return subprocess.Popen(command(*words), env=environment, stdout=output, stderr=output)


def run(folder, workers):
    words = ("run", JOB, "--results", folder / "results", "--workers", workers)
    return started(folder, *words)


def resume(folder, workers):
    found = min(run_folders(folder / "results"), key=lambda each: each.path, default=None)
    if found is None:  # it was killed before it began
        return run(folder, workers)
    return started(folder, "resume", found.path, "--workers", workers)


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
        if found := below(running.pid, text):
            victim = draw.choice(found)
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


def disturb(folder, fault, seconds, draw, workers):
    """Run the job and do something to it; return what was hit and the exit codes since."""
    running = run(folder, workers)
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
            both = [resume(folder, workers), resume(folder, workers)]
            ended = [one.wait(timeout=LIMIT_S) for one in both]
            hit = f"exit codes {ended}"
            codes.append(max(ended) if sorted(ended) not in ([0, 0], [0, 2]) else 0)
        case "read-only folder" if found:
            found.path.chmod(0o555)
            codes.append(resume(folder, workers).wait(timeout=LIMIT_S))
            hit = f"exit code {codes[-1]}"
            found.path.chmod(0o755)
    if fault == "cut the catalogue" and codes[-1] == 0:
        codes.append(resume(folder, workers).wait(timeout=LIMIT_S))  # as its readers say
    while codes[-1] != 0 and len(codes) < 5:
        codes.append(resume(folder, workers).wait(timeout=LIMIT_S))
    return hit, codes


def undisturbed(name, what, at_once, workers):
    """Return time and ranking of runs that nothing disturbs, as many at once as rounds will be."""
    folders = [Path(name) / f"{what} {number}" for number in range(at_once)]
    for folder in folders:
        folder.mkdir()
    begun = time.monotonic()
    for folder, running in [(each, run(each, workers)) for each in folders]:
        assert running.wait(timeout=LIMIT_S) == 0, (folder / "output.txt").read_text()
    rankings = [ranking(folder) for folder in folders]
    assert all(each == rankings[0] for each in rankings)
    return time.monotonic() - begun, rankings[0]


def one_round(folder, fault, seed, whole_s, expected, workers):
    """Disturb a run; return whether it was hit while it ran, whether it ended well, and a line."""
    draw = random.Random(seed)
    folder.mkdir()
    seconds = draw.uniform(0.05, 0.95) * whole_s
    hit, codes = disturb(folder, fault, seconds, draw, workers)
    said = (folder / "output.txt").read_text()
    is_well = codes[-1] == 0 and ranking(folder) == expected and "Traceback" not in said
    verdict = "the same ranking" if is_well else f"WRONG\n{said}"
    line = f"{fault} after {seconds:.1f} s ({hit}): {codes}, {verdict}"
    was_hit = codes[0] != 0 or (fault.startswith("kill a") and hit != "none found")
    return was_hit, is_well, line


def asked():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=10, help="rounds a fault")
    parser.add_argument("--at-once", type=int, default=1, help="rounds that go on at once")
    parser.add_argument("--workers", type=int, default=2, help="workers of each run")
    parser.add_argument("--seed", type=int, default=time.time_ns() % 10**6)
    parser.add_argument("--faults", default=",".join(FAULTS), help="which, with commas between")
    parser.add_argument("--until-s", type=float, default=1e9, help="begin no round after this")
    return parser.parse_args()


def main():
    wanted = asked()
    begun = time.monotonic()
    print(f"seed {wanted.seed}", flush=True)
    with (
        tempfile.TemporaryDirectory() as name,
        ThreadPoolExecutor(wanted.at_once) as threads,
    ):
        undisturbed(name, "compiling", 1, wanted.workers)
        whole_s, expected = undisturbed(name, "alone", wanted.at_once, wanted.workers)
        print(f"undisturbed: {whole_s:.0f} s, {expected}", flush=True)
        plan = [
            fault
            for fault in wanted.faults.split(",") * wanted.rounds
            if fault != "read-only folder" or os.geteuid()
        ]

        def played(number):
            if time.monotonic() - begun > wanted.until_s:
                return None
            seed, folder = wanted.seed + number, Path(name) / f"{number}"
            found = one_round(folder, plan[number], seed, whole_s, expected, wanted.workers)
            print(found[-1], flush=True)
            return found

        rounds = [found for found in threads.map(played, range(len(plan))) if found]
    hits = sum(was_hit for was_hit, _, _ in rounds)
    wrong = sum(not is_well for _, is_well, _ in rounds)
    print(f"{wrong} of {len(rounds)} rounds went wrong; {hits} were hit while they ran")
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
