# SPDX-License-Identifier: GPL-3.0-or-later
"""Every shipped lens, made anew in another kernel from the table of its drawing alone.

The table is that of the form in the hand-off, rounded as on the sheet. Prints, over the lens, the
largest distance of the STEP file's faces from what was made, and of what was made from the STEP
file (read again by the other kernel), in mm.

    python tests/benchmarks/drawn_again.py [shapes]
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / "tests" / "references")]

from handed_lens import LENSES, compared, exported  # noqa: E402

from bafflelens.handoff.part_dimensions import measured_dimensions  # noqa: E402
from bafflelens.shapes.meshing.moving_parts import source_motions  # noqa: E402

POINTS = 200


def main() -> None:
    """Make each lens anew and compare."""
    print(f"{'shape':<20}{'rows':>5}{'STEP from made':>16}{'made from STEP':>16}")
    for name in sys.argv[1:] or LENSES:
        shape, solid = exported(name, 0.05)
        rows = measured_dimensions(solid, source_motions(shape, shape.defaults)).rows
        there, back = compared(solid, rows, POINTS)
        print(f"{name:<20}{len(rows):>5}{there:>16.3f}{back:>16.3f}", flush=True)


if __name__ == "__main__":
    main()
