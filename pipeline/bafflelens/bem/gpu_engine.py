# SPDX-License-Identifier: GPL-3.0-or-later
"""The Burton-Miller engine on a graphics card.

The method, the formulas and the near rule are those of `burton_miller`, `kernels` and
`near_field`; gpu_kernels.cu transcribes them. A mesh is sent once; near pairs, matrix, right-hand
sides, solution and far field stay on the card, and only results come back. Needs CuPy, which comes
with the extra ``gpu``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import SolveError
from bafflelens.bem.block_iteration import iterate_together
from bafflelens.bem.burton_miller import small_sources
from bafflelens.bem.card import (
    WARP,
    CardArray,
    CardError,
    cupy,
    launch,
    memory_faults,
    missing_card,
    padded,
    passes,
    single,
    splits_of,
)
from bafflelens.bem.card_mesh import CardFrequency, CardMesh, send
from bafflelens.bem.card_system import CardSystem, matrix_fits
from bafflelens.bem.iteration import Product, best_start, iterate
from bafflelens.bem.linear_solver import (
    FOLLOWERS_TOLERANCE,
    LARGEST_DIRECT_RESIDUAL,
    MOST_ITERATIONS,
)
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.mesh.mesh import Mesh

# A direct solve costs as much as the iterations of this fraction of the unknowns in sources:
# 8/3 N^3 operations at 45e12/s against 15 products of 8 N^2 bytes at 2.5e12/s each (measured on
# one H100; on others the break-even moves, the answer does not).
_SOURCES_FOR_DIRECT = 1 / 800


@dataclass(frozen=True, kw_only=True)
class CardSettings:
    """How the engine works on the card.

    Attributes
    ----------
    tolerance : float
        Relative residual at which the iteration stops.
    direct : bool or None
        Solve by factors of the matrix; None where many sources share it.
    stored : bool or None
        Store the matrix; None wherever it fits.
    """

    tolerance: float = 1e-4
    direct: bool | None = None
    stored: bool | None = None


@dataclass(frozen=True, kw_only=True)
class CardSolution(HelmholtzSolution):
    """A solution whose far field is evaluated on the card.

    ``frequency`` is the mesh on the card with what its kernels need.
    """

    frequency: CardFrequency = field(repr=False, compare=False)

    def far_field(self, directions: FloatArray) -> ComplexArray:
        """Return the far-field coefficient in Pa.m, as `HelmholtzSolution.far_field`."""
        problem = self.problem
        gradient = problem.total_gradient(self.surface_pressure)
        pressure = problem.wavenumber * self.surface_pressure
        to = padded(cupy.asarray(directions, dtype=np.float32))
        frequency = self.frequency
        result = np.empty((len(pressure), len(directions)), dtype=complex)
        for part in passes(len(pressure)):
            width = part.stop - part.start
            splits = splits_of(len(directions))
            out = cupy.empty((splits, width, len(directions)), dtype=np.complex64)
            launch(
                f"far_field<{width}>", (len(directions), splits),
                np.int32(len(directions)), to, *frequency.images, np.int32(frequency.on_card.size),
                frequency.sources, frequency.source_normals,
                single(pressure[part]), single(gradient[part]), *frequency.wave, out,
            )  # fmt: skip
            result[part] = out.sum(axis=0).get()
        return result


def solve_on_card(
    problem: HelmholtzProblem,
    *,
    on_card: CardMesh | None = None,
    settings: CardSettings | None = None,
    guesses: ComplexArray | None = None,
    followers: int = 0,
    follower_guesses: ComplexArray | None = None,
) -> CardSolution:
    """Solve a radiation problem on the card.

    Parameters
    ----------
    problem : HelmholtzProblem
        What to solve.
    on_card : CardMesh, optional
        From `send`, where several frequencies share a mesh.
    settings : CardSettings, optional
        How to solve.
    guesses : (n_guesses, n_triangles) complex array, optional
        Pressures whose span probably holds much of the solution.
    followers, follower_guesses
        As in `bafflelens.bem.burton_miller.solve_burton_miller`.

    Raises
    ------
    CardError
        If there is no card or its memory is short.
    SolveError
        If no finite solution is found.
    """
    if reason := missing_card():
        msg = f"engine 'gpu': {reason}"
        raise CardError(msg)
    with memory_faults():
        return _solve(
            problem, on_card or send(problem.mesh, problem.symmetry),
            settings or CardSettings(), guesses, followers, follower_guesses,
        )  # fmt: skip


def sweep_on_card(
    mesh: Mesh, symmetry: tuple[str, ...], tolerance: float, followers: int = 0
) -> Callable[[HelmholtzProblem, ComplexArray | None, ComplexArray | None], HelmholtzSolution]:
    """Return the engine for the frequencies of one mesh: from a problem and guesses.

    The last guesses are those for ``followers``, the last sources: see `solve_on_card`.
    """
    on_card: CardMesh | None = None
    settings = CardSettings(tolerance=tolerance)

    def solve_one(
        problem: HelmholtzProblem,
        guesses: ComplexArray | None,
        follower_guesses: ComplexArray | None,
    ) -> HelmholtzSolution:
        nonlocal on_card
        if on_card is None and not missing_card():
            on_card = send(mesh, symmetry)
        return solve_on_card(
            problem,
            on_card=on_card,
            settings=settings,
            guesses=guesses,
            followers=followers,
            follower_guesses=follower_guesses,
        )

    return solve_one


def _solve(
    problem: HelmholtzProblem,
    on_card: CardMesh,
    settings: CardSettings,
    guesses: ComplexArray | None,
    followers: int,
    follower_guesses: ComplexArray | None,
) -> CardSolution:
    system = CardSystem.of(on_card, problem)
    sides = system.excitation(single(problem.pressure_gradient))
    leading = len(sides) - followers
    fits = matrix_fits(on_card.size)
    direct = settings.direct
    if direct is None:
        direct = fits and leading > _SOURCES_FOR_DIRECT * on_card.size
    stored = settings.stored if settings.stored is not None else fits
    remarks: tuple[str, ...] = ()
    iterations = 0
    if not direct:
        multiply = system.product(stored=stored)
        found = _iterate(multiply, sides, leading, settings.tolerance, guesses, follower_guesses)
        solutions, iterations, residual, is_converged = found
        del multiply  # frees the matrix before another is formed
        if not is_converged:
            if not fits:
                msg = (
                    f"the iteration did not converge in {iterations} steps, and {on_card.size} "
                    "unknowns are too many for a direct solve on this card"
                )
                raise SolveError(msg)
            remarks = (f"solved directly: the iteration did not converge in {iterations} steps",)
            direct, iterations = True, 0
    if direct:
        solutions = _solve_directly(system.matrix(), sides)
    allowed = 10 * settings.tolerance
    if direct:
        residual = _relative_residual(system.multiply, solutions, sides)
        allowed = LARGEST_DIRECT_RESIDUAL
    if not residual <= allowed:
        msg = f"the card's solution left a relative residual of {residual:.1e}"
        raise SolveError(msg)
    pressure = _with_plain_sources(system, problem, solutions)
    return CardSolution(
        problem=problem,
        surface_pressure=pressure,
        engine="gpu",
        iterations=iterations,
        residual=residual,
        remarks=remarks,
        frequency=system.frequency,
    )


def _iterate(
    multiply: Product,
    sides: CardArray,
    leading: int,
    tolerance: float,
    guesses: ComplexArray | None,
    follower_guesses: ComplexArray | None,
) -> tuple[CardArray, int, float, bool]:
    """Return solutions, steps and residual of the leading ones, and whether all have converged.

    The residual follows from products that were taken on the way.

    Those that follow are solved all at once: a product with the stored matrix takes the time in
    which it is read, whether for one vector or for six.
    """
    spanned = None if guesses is None else single(guesses)
    start = best_start(multiply, sides[:leading], spanned, cupy)
    first = iterate(multiply, sides[:leading], start, tolerance, MOST_ITERATIONS, cupy)
    if leading == len(sides) or not first.is_converged:
        return first.solutions, first.iterations, first.residual, first.is_converged
    known = first.solutions if follower_guesses is None else single(follower_guesses)
    rest = iterate_together(
        multiply,
        sides[leading:],
        known,
        FOLLOWERS_TOLERANCE * tolerance,
        MOST_ITERATIONS,
        first.spaces,
        cupy,
    )
    return (
        cupy.concatenate([first.solutions, rest.solutions]),
        max(first.iterations, 0 if rest.is_converged else rest.iterations),
        first.residual,
        rest.is_converged,
    )


def _solve_directly(matrix: CardArray, sides: CardArray) -> CardArray:
    """Solve by factors that take the place of the matrix."""
    from cupyx.scipy.linalg import lu_factor, lu_solve

    factors = lu_factor(matrix, overwrite_a=True, check_finite=False)
    return cupy.ascontiguousarray(lu_solve(factors, sides.T, check_finite=False).T)


def _relative_residual(multiply: Product, solutions: CardArray, sides: CardArray) -> float:
    """Return the most that a solution leaves of its right-hand side, relative to it."""
    left = cupy.linalg.norm(multiply(solutions) - sides, axis=1)
    norms = cupy.maximum(cupy.linalg.norm(sides, axis=1), np.finfo(np.float32).tiny)
    return float((left / norms).max())


def _with_plain_sources(
    system: CardSystem, problem: HelmholtzProblem, solutions: CardArray
) -> ComplexArray:
    """Return the pressure with that on moving surfaces as `burton_miller.plain_pressure`."""
    frequency = system.frequency
    on_card = frequency.on_card
    pressure: ComplexArray = solutions.get().astype(complex)
    small = small_sources(problem, pressure)
    if not small.size:
        return pressure
    gradient = single(problem.total_gradient(pressure))
    moving = cupy.any(gradient != 0, axis=0)
    rows = cupy.asarray(small, dtype=np.int32)
    far = frequency.layers(solutions, single=False, rows=rows)
    far -= frequency.layers(gradient, single=True, rows=rows, active=rows)
    near = cupy.zeros((len(solutions), len(rows), 2))
    launch(
        "near_plain", (WARP * len(rows), 1), np.int32(len(rows)), rows, on_card.start,
        on_card.element, on_card.image, on_card.fine, on_card.double_layer, on_card.signs,
        *on_card.shape, moving, system.own_layer, np.float64(frequency.wavenumber),
        np.int32(len(solutions)), np.int32(on_card.size), cupy.ascontiguousarray(solutions),
        gradient, near,
    )  # fmt: skip
    improved = 2 * far.get() + near.get().view(complex)[..., 0]
    pressure[:, small] = improved
    return pressure
