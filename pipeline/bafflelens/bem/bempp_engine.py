# SPDX-License-Identifier: GPL-3.0-or-later
"""The second opinion: the same problem solved with bempp-cl, an independent general library.

It shares nothing with the project's own engine but the mesh: Galerkin instead of collocation,
continuous linear instead of constant pressure, the library's own singular quadrature. It is slow
(minutes from a few thousand triangles), so it is used on coarse meshes and few frequencies.
Library: T. Betcke and M. W. Scroggs, "Bempp-cl: A fast Python based just-in-time compiling
boundary element library", J. Open Source Softw. 6 (2021) 2879.
"""

from __future__ import annotations

import warnings
from contextlib import redirect_stdout
from io import StringIO

import numpy as np
from scipy.sparse.linalg import LinearOperator, gmres

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.errors import InputError, SolveError, invalid
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.kept_compilation import keep_compiled
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.mesh.mesh import Mesh

TOLERANCE = 1e-4
# Order of the regular rule; the library's default is 4. On a coarse lens, 2 and 4 differed by
# 0.001 dB and took 75 and 104 s; 3 stays on the safe side.
QUADRATURE_ORDER = 3


def solve_bempp(problem: HelmholtzProblem) -> HelmholtzSolution:
    """Solve a radiation problem with bempp-cl; mirror halves are completed first.

    Parameters
    ----------
    problem : HelmholtzProblem
        What to solve.

    Returns
    -------
    HelmholtzSolution
        With the pressure averaged over each triangle of the kept half.

    Raises
    ------
    InputError
        If the problem has an admittance.
    SolveError
        If the iteration does not converge.
    """
    if problem.admittance is not None and np.any(problem.admittance):
        rule = "None: the second engine solves rigid bodies only"
        raise InputError(invalid("admittance", "given", rule))
    full, velocity = _complete(problem)
    pressure, iterations, residual = _solve_full(full, velocity, problem)
    return HelmholtzSolution(
        problem=problem,
        surface_pressure=pressure[:, : problem.mesh.n_triangles],
        engine="bempp",
        iterations=iterations,
        residual=residual,
    )


def _complete(problem: HelmholtzProblem) -> tuple[Mesh, ComplexArray]:
    """Return the mesh with its mirror images, the kept part first, and the velocity on it."""
    mesh = problem.mesh.whole(problem.symmetry)
    copies = len(mirror_signs(problem.symmetry))
    return mesh, np.tile(np.asarray(problem.normal_velocity, dtype=complex), copies)


def _solve_full(
    mesh: Mesh, velocity: ComplexArray, problem: HelmholtzProblem
) -> tuple[ComplexArray, int, float]:
    """Return the mean pressure of each triangle, the iterations and the relative residual."""
    # It looks for programs that are not needed here, and says so on the terminal.
    with warnings.catch_warnings(), redirect_stdout(StringIO()):
        warnings.simplefilter("ignore")
        import bempp_cl.api as bempp  # slow to import, and rarely needed
        from bempp_cl.api.operators.boundary import helmholtz, sparse
        from bempp_cl.api.utils.parameters import DefaultParameters
    keep_compiled()

    parameters = DefaultParameters()
    parameters.quadrature.regular = QUADRATURE_ORDER
    wavenumber = problem.wavenumber
    coupling = 1j / wavenumber
    grid = bempp.Grid(
        np.ascontiguousarray(mesh.vertices.T), np.ascontiguousarray(mesh.triangles.T)
    )
    linear = bempp.function_space(grid, "P", 1)
    # Only what moves excites anything.
    moving = np.flatnonzero(np.any(velocity != 0, axis=0))
    constant = bempp.function_space(grid, "DP", 0, support_elements=moving.astype(np.uint32))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        identity = sparse.identity(linear, linear, linear).weak_form().to_sparse()
        mixed = sparse.identity(constant, linear, linear).weak_form().to_sparse()
        single, adjoint, double, hypersingular = (
            operator(
                domain,
                linear,
                linear,
                wavenumber,
                parameters=parameters,
                assembler="dense",
                device_interface="numba",
            )
            .weak_form()
            .to_dense()
            for operator, domain in (
                (helmholtz.single_layer, constant),
                (helmholtz.adjoint_double_layer, constant),
                (helmholtz.double_layer, linear),
                (helmholtz.hypersingular, linear),
            )
        )
    # bempp's hypersingular operator carries a minus sign: W = -H.
    matrix = double - coupling * hypersingular - 0.5 * identity.toarray()
    excite = single + coupling * (adjoint + 0.5 * mixed.toarray())
    gradient = np.zeros((len(velocity), constant.global_dof_count), dtype=complex)
    gradient[:, constant.local2global[moving, 0]] = velocity[:, moving]
    gradient *= 2j * np.pi * problem.frequency_hz * problem.air.density

    iterations = 0
    residual = 0.0
    solutions = []
    for side in gradient @ excite.T:
        steps = 0

        def count(_: float) -> None:
            nonlocal steps
            steps += 1

        # The mass matrix evens out the size of the elements, as a preconditioner.
        scale = 1 / np.maximum(np.asarray(identity.sum(axis=1)).ravel(), np.finfo(float).tiny)
        operator = LinearOperator(
            matrix.shape, matvec=lambda x, scale=scale: scale * (matrix @ x), dtype=complex
        )
        solution, information = gmres(
            operator,
            scale * side,
            rtol=TOLERANCE,
            restart=300,
            maxiter=1,
            callback=count,
            callback_type="pr_norm",
        )
        if information != 0 or not np.all(np.isfinite(solution)):
            msg = f"bempp-cl: the iteration did not converge in {steps} steps"
            raise SolveError(msg)
        iterations = max(iterations, steps)
        norm = max(float(np.linalg.norm(scale * side)), float(np.finfo(float).tiny))
        left = float(np.linalg.norm(scale * (matrix @ solution - side)))
        residual = max(residual, left / norm)
        solutions.append(solution)
    at_vertices = np.stack(solutions)
    return at_vertices[:, mesh.triangles].mean(axis=2), iterations, residual
