# SPDX-License-Identifier: GPL-3.0-or-later
"""A lens made anew in another kernel from its table of dimensions, against its STEP file.

All shipped lenses: `tests/benchmarks/drawn_again.py`.
"""

from dataclasses import replace

import pytest
from handed_lens import compared, exported

from bafflelens.handoff.part_dimensions import measured_dimensions
from bafflelens.shapes.meshing.moving_parts import source_motions


@pytest.mark.parametrize("name", ["conic_lens", "vertical_lens"])
def test_the_table_alone_gives_the_lens_within_a_tenth_of_a_millimetre(name):
    shape, solid = exported(name)
    rows = measured_dimensions(solid, source_motions(shape, shape.defaults)).rows
    assert max(compared(solid, rows, count=40)) < 0.1
    # It is the table that it is made from: half a millimetre more of depth is seen.
    deeper = [replace(row, nominal=row.nominal + 0.5 * (row.symbol == "D")) for row in rows]
    assert max(compared(solid, deeper, count=40)) > 0.3
