# SPDX-License-Identifier: GPL-3.0-or-later
"""Disturb a run at random moments, many times; the end must be that of an undisturbed run.

Workers and the whole run are killed, the newest file is cut short, the disk fills, a mesher
hangs, memory runs out. Mesher and solver are stand-ins; all the rest is the program itself.

    .venv/bin/python tests/benchmarks/faults.py [rounds of each fault] [seed]
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
    wrong = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job = small_job.write(folder / "job", ("candidates = 3", "candidates = 5"))
        ranking, work_s = disturbing.undisturbed(job, folder / "undisturbed")
        print(f"undisturbed: {work_s:.1f} s of work")
        for number in range(rounds * len(disturbing.FAULTS)):
            fault = disturbing.FAULTS[number % len(disturbing.FAULTS)]
            at = folder / f"{number}"
            found = disturbing.disturbed(job, at, fault, work_s, seed + number)
            is_well = found.ranking == ranking and found.codes[-1] == 0
            is_well &= found.repeated <= disturbing.PIECES_OUT
            wrong += not is_well
            print(
                f"{seed + number} {fault}: after {found.after_s:.2f} s, exit codes {found.codes}, "
                f"{found.repeated} pieces of work repeated {found.hit}"
                f"{'' if is_well else '  WRONG'}",
                flush=True,
            )
            if not is_well:
                print(found.output)
                print("ranking differs" if found.ranking != ranking else "")
            shutil.rmtree(at)
    print(f"{wrong} of {rounds * len(disturbing.FAULTS)} rounds went wrong")
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
