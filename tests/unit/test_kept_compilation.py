# SPDX-License-Identifier: GPL-3.0-or-later
"""What the second engine compiles is found again by the next process."""

import os
import subprocess
import sys
from pathlib import Path

PIPELINE = Path(__file__).parents[2] / "pipeline"

# As the library's loops: an argument that is a function, another that is the data of a grid.
EVALUATED = """
import numba
import numpy as np
import bempp_cl.api
from bempp_cl.api.grid import grid
from bafflelens.bem.kept_compilation import GridArrays, keep_compiled

assert tuple(grid.GridDataDouble.class_type.struct) == GridArrays._fields
keep_compiled()
from bempp_cl.api.space import scalar_spaces, shapesets, space
from bempp_cl.core import numba_kernels

assert not hasattr(scalar_spaces._compute_p1_dof_map, "py_func")
assert not hasattr(grid._find_vertex_adjacency, "py_func")
assert not numba_kernels.default_scalar_regular_kernel.targetoptions["parallel"]

number, index = np.zeros(1), np.zeros(1, dtype=np.uint32)
corners = np.asfortranarray([[1.0, 4.0, 1.0], [2.0, 2.0, 6.0], [3.0, 3.0, 3.0]])
edges = np.array([[[3.0, 0.0], [0.0, 4.0], [0.0, 0.0]]])
triangle = np.array([[0], [1], [2]], dtype=np.uint32)
data = GridArrays(corners, triangle, *[number] * 4, edges, *[number] * 8)
places = np.array([[0.0, 0.5], [0.0, 0.25]])
factors = np.full((1, 1), 2.0)
found = space._numba_evaluate(
    0, shapesets._p0_shapeset_evaluate, places, data, factors, np.ones(1)
)
assert (found == 2).all()
if {compare}:
    compiled = numba.njit(lambda data, places: data.local2global(0, places))(data, places)
    assert (compiled == data.local2global(0, places)).all()
    assert (compiled[:, 0] == corners[:, 0]).all()
counts = space._numba_evaluate.stats
print(sum(counts.cache_hits.values()), sum(counts.cache_misses.values()))
"""


def evaluated(folder, *, compare):
    """Return how often a process found compiled code, and how often it did not."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", EVALUATED.format(compare=compare)],
        env={**os.environ, "PYTHONPATH": str(PIPELINE), "NUMBA_CACHE_DIR": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return tuple(int(word) for word in done.stdout.split()[-2:])


def test_the_next_process_compiles_nothing_again(tmp_path):
    assert evaluated(tmp_path, compare=True) == (0, 1)
    assert evaluated(tmp_path, compare=False) == (1, 0)
