# SPDX-License-Identifier: GPL-3.0-or-later
"""Read thousands of damaged files: each is read or refused in one of the program's own errors.

Jobs, measurements (text and AES69), surfaces (STL, PLY, OBJ, the text of STEP, declarations,
marks), hand-offs (zip, manifests, readings, records). Nothing that the program reads is DXF. None
may take more than five seconds.

    .venv/bin/python tests/benchmarks/fuzz.py [share of the full counts, 1] [seed]
"""

import collections
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import mutating

COUNTS = {"jobs": 10_000, "measurements": 3_000, "surfaces": 2_000, "hand-offs": 2_000}


def main() -> None:
    """Print a line for each kind, and what was found."""
    share = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else time.time_ns() % 10**6
    print(f"seed {seed}")
    total = 0
    for name, full in COUNTS.items():
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            count = round(share * full)
            counts, wrong = mutating.findings(name, count, seed, Path(folder) / "files")
        taken = time.perf_counter() - start
        print(
            f"{count} {name}: {counts[mutating.READ]} read, {counts[mutating.REFUSED]} refused, "
            f"{len(wrong)} findings; {1e3 * taken / max(count, 1):.0f} ms each",
            flush=True,
        )
        kinds = collections.Counter((file, result) for _, file, result, _ in wrong)
        for (file, result), times in kinds.most_common(20):
            first = next(number for number, f, r, _ in wrong if (f, r) == (file, result))
            print(f"  {times} x {file}, first with seed {first}: {result}")
        total += len(wrong)
    sys.exit(total > 0)


if __name__ == "__main__":
    main()
