# SPDX-License-Identifier: GPL-3.0-or-later
"""The engines behind `solve`: each is a callable from problem to solution."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.bem.bempp_engine import solve_bempp
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.gpu_engine import solve_on_card
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.surface_check import require_body

Engine = Callable[[HelmholtzProblem], HelmholtzSolution]

ENGINES: Final[Mapping[str, Engine]] = MappingProxyType(
    {"direct": solve_burton_miller, "gpu": solve_on_card, "bempp": solve_bempp}
)


def solve(
    problem: HelmholtzProblem, engine: str | Engine = "direct", *, checked: bool = False
) -> HelmholtzSolution:
    """Solve a radiation problem.

    Parameters
    ----------
    problem : HelmholtzProblem
        What to solve.
    engine : str or callable
        ``direct``: the project's own Burton-Miller engine; ``gpu``: the same on a graphics card;
        ``bempp``: bempp-cl, the independent second opinion; or any callable from problem to
        solution.
    checked : bool
        Whether the mesh is known to be closed, outward and free of overlaps, as every one that a
        run has made; it is then not looked at again.

    Returns
    -------
    HelmholtzSolution
        Surface pressure, far field, field at points, power.

    Raises
    ------
    InputError
        If the engine is unknown.
    MeshingError
        If the mesh is open, faces inwards or overlaps itself (`surface_check`).
    SolveError
        If no finite solution is found.
    """
    if not callable(engine):
        if engine not in ENGINES:
            raise InputError(invalid("engine", engine, "one of " + ", ".join(ENGINES)))
        engine = ENGINES[engine]
    if not checked:
        require_body(problem.mesh, problem.symmetry)
    return engine(problem)
