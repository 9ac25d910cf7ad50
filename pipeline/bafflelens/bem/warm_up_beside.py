# SPDX-License-Identifier: GPL-3.0-or-later
"""What is compiled beside the rest the first time, in a process of its own.

That is what `bafflelens.bem.warm_up` comes to last: crossing triangles, the far field and blocks
of low rank. Where both need a function, the other process comes to it first.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.layers import AtFrequency, far_arguments
from bafflelens.bem.problem import HelmholtzSolution
from bafflelens.bem.system_matrix import Workspace, low_rank_matrix
from bafflelens.bem.warm_up import small_problem
from bafflelens.mesh.intersections import crossing_triangles

DONE: Final = "done"


def main(folder: Path) -> int:
    """Compile; what comes of it is what numba keeps.

    Parameters
    ----------
    folder : Path
        Holds the file `DONE` afterwards.

    Returns
    -------
    int
        0, as an exit code.
    """
    problem = small_problem()
    crossing_triangles(problem.mesh)
    pressure = np.ones((1, problem.mesh.n_triangles), dtype=complex)
    HelmholtzSolution(
        problem=problem, surface_pressure=pressure, engine="direct", iterations=0, residual=0.0
    ).far_field(np.eye(3))
    at = AtFrequency(discretise(problem.mesh), problem.wavenumber)
    corrections = np.zeros(at.discretisation.near.element.size, dtype=complex)
    matrix = low_rank_matrix(
        far_arguments(at, at.everywhere, np.float32),
        at.discretisation,
        corrections,
        EngineSettings().tolerance,
        None,
        Workspace(),
    )
    matrix.product(pressure.astype(np.complex64))
    (folder / DONE).touch()
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
