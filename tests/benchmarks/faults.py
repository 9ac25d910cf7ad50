# SPDX-License-Identifier: GPL-3.0-or-later
"""Disturb a run at random moments, many times; the end must be that of an undisturbed run.

Workers and the whole run are killed, the newest file is cut short, the disk fills, a mesher
hangs, memory runs out. Mesher and solver are stand-ins; all the rest is the program itself. Only
where a shape fails in a directed search, which learns from it, may the ranking be another one.

    .venv/bin/python tests/benchmarks/faults.py [rounds of each kind and fault] [seed]
"""

import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import disturbing
import small_job


def main() -> None:
    """Print a line for each round, and what went wrong in the end."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else time.time_ns() % 10**6
    print(f"seed {seed}")
    wrong, known = 0, {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind_name, kind in disturbing.KINDS.items():
            job = small_job.write(folder / kind_name, *kind.changes)
            alone = disturbing.undisturbed(job, kind, folder / f"{kind_name}, alone")
            print(f"{kind_name}, undisturbed: {alone.work_s:.1f} s of work")
            known[kind_name] = job, alone
        plan = [(kind, fault) for kind in known for fault in disturbing.FAULTS] * rounds
        for number, (kind_name, fault) in enumerate(plan):
            kind, (job, alone) = disturbing.KINDS[kind_name], known[kind_name]
            at = folder / f"{number}"
            found = disturbing.disturbed(job, kind, at, fault, alone, seed + number)
            is_same = found.ranking == alone.ranking
            may_differ = kind.learns and fault in disturbing.FAILURES
            is_well = (is_same or may_differ) and found.codes[-1] == 0
            is_well &= found.repeated <= disturbing.most_repeated(kind, found) or may_differ
            wrong += not is_well
            print(
                f"{seed + number} {kind_name}, {fault}: after {found.after_s:.2f} s, exit codes "
                f"{found.codes}, {found.repeated} pieces of work repeated {found.hit}"
                f"{'' if is_same else ', another ranking'}{'' if is_well else '  WRONG'}",
                flush=True,
            )
            if not is_well:
                print(found.output)
            shutil.rmtree(at)
    print(f"{wrong} of {len(plan)} rounds went wrong")
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
