# SPDX-License-Identifier: GPL-3.0-or-later
"""Find, rank and trust tweeter lens and baffle shapes.

The packages, in the order of the data; each imports only from those before it:

- `base`: errors, units and signs, air, files written safely, signals
- `mesh`: triangle surfaces, their quality, what moves and absorbs on them
- `shapes`: scripts, CAD files and scans to meshes; building blocks for scripts
- `bem`: surface pressure at one frequency, and over a band
- `directivity`: far fields, their sum, the curves of the standards
- `scoring`: from a dataset to a score and an order
- `job`: what is asked and what it costs
- `workers`: where work is done, never what
- `store`: run folders
- `report`: pages and pictures
- `run`: the pipeline, its longer steps, the search, the queue
- `mockup`: a mock-up against its simulation
- `handoff`: what the shop gets, and inspection
- `commands`, `cli`: the verbs

Conventions (axes, angles, signs, units) are in `bafflelens.base.conventions`. What a notebook
needs is offered here, and loaded when it is asked for, so that the command line starts quickly.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bafflelens.base.medium import Air
    from bafflelens.bem.engines import solve
    from bafflelens.bem.problem import HelmholtzProblem
    from bafflelens.mesh.mesh import Mesh
    from bafflelens.run.opened import open_run

__all__ = ["Air", "HelmholtzProblem", "Mesh", "open_run", "solve"]

_HOMES = {
    "Air": "base.medium",
    "HelmholtzProblem": "bem.problem",
    "Mesh": "mesh.mesh",
    "open_run": "run.opened",
    "solve": "bem.engines",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        msg = f"module 'bafflelens' has no attribute '{name}'"
        raise AttributeError(msg)
    return getattr(import_module(f"bafflelens.{_HOMES[name]}"), name)
