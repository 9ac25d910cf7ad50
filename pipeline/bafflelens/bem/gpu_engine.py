# SPDX-License-Identifier: GPL-3.0-or-later
"""The Burton-Miller engine on a graphics card.

The method, the formulas and the near rule are those of `burton_miller`, `kernels` and
`near_field`; gpu_kernels.cu transcribes them. A mesh is sent once; near pairs, matrix, right-hand
sides, solution and far field stay on the card, and only results come back. Needs CuPy, which comes
with the extra ``gpu``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import SolveError
from bafflelens.bem import near_field
from bafflelens.bem.burton_miller import local_coupling, small_sources
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.iteration import best_start, iterate
from bafflelens.bem.linear_solver import LARGEST_DIRECT_RESIDUAL, MOST_ITERATIONS
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.triangle_potentials import FOUR_PI
from bafflelens.mesh.mesh import Mesh

try:
    import cupy
except ImportError:  # the extra is not installed; `missing_card` says so
    cupy = None

CardArray = Any
"""An array in the memory of the card; CuPy has no types that mypy could check."""

_THREADS = 128
_BLOCKS = 1024  # enough to fill a large card several times over
_VECTORS = (1, 2, 4, 8)  # how many vectors one pass over the pairs can take
# Left free when the matrix is stored, for the near pairs, vectors and factors' pivots.
_SPARE_BYTES = 3e9
# A direct solve costs as much as the iterations of this fraction of the unknowns in sources:
# 8/3 N^3 operations at 45e12/s against 15 products of 8 N^2 bytes at 2.5e12/s each (measured on
# one H100; on others the break-even moves, the answer does not).
_SOURCES_FOR_DIRECT = 1 / 800


class CardError(SolveError):
    """There is no graphics card, its driver does not work, or its memory is short."""


def count_cards() -> int:
    """Return how many cards there are, without touching them; 0 if they cannot be counted."""
    try:
        return int(cupy.cuda.runtime.getDeviceCount()) if cupy is not None else 0
    except Exception:
        return 0


def missing_card() -> str:
    """Return why no card can be used, in one line; empty if one can."""
    if cupy is None:
        return "the package CuPy is not installed (extra 'gpu')"
    try:
        if cupy.cuda.runtime.getDeviceCount() == 0:
            return "no graphics card was found"
        cupy.zeros(1)
    except Exception as error:
        return f"the card cannot be used: {str(error).splitlines()[0]}"
    return ""


def card_name() -> str:
    """Return name and memory of the card in use."""
    properties = cupy.cuda.runtime.getDeviceProperties(cupy.cuda.Device().id)
    name = properties["name"].decode()
    return f"{name}, {properties['totalGlobalMem'] / 2**30:.0f} GiB"


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


@dataclass(frozen=True, eq=False)
class CardMesh:
    """A mesh on the card, with its near pairs; made once a mesh.

    Attributes
    ----------
    mesh : Mesh
        The elements.
    signs, single_signs : (n_images, 3) and (n_images, 4) array
        Mirror images, for the near and the far kernels.
    points, normals : (n_triangles, 4) single-precision arrays
        Centroids and normals as the far kernels take them; their fourth column is set a frequency.
    shape : tuple of double-precision arrays
        Centroids, normals, corners, areas, second moments.
    start, point, element, image, fine : arrays
        The near pairs, as in `near_field.NearPairs`.
    double_layer, hypersingular : arrays
        Their static parts.
    """

    mesh: Mesh
    signs: CardArray
    single_signs: CardArray
    points: CardArray
    normals: CardArray
    shape: tuple[CardArray, ...]
    start: CardArray
    point: CardArray
    element: CardArray
    image: CardArray
    fine: CardArray
    double_layer: CardArray
    hypersingular: CardArray

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.mesh.n_triangles


@dataclass(frozen=True, kw_only=True)
class CardSolution(HelmholtzSolution):
    """A solution whose far field is evaluated on the card."""

    on_card: CardMesh = field(repr=False, compare=False)

    def far_field(self, directions: FloatArray) -> ComplexArray:
        """Return the far-field coefficient in Pa.m, as `HelmholtzSolution.far_field`."""
        problem = self.problem
        gradient = problem.total_gradient(self.surface_pressure)
        pressure = problem.wavenumber * self.surface_pressure
        to = _padded(cupy.asarray(directions, dtype=np.float32))
        frequency = _Frequency.of(self.on_card, problem)
        result = np.empty((len(pressure), len(directions)), dtype=complex)
        for part in _parts(len(pressure)):
            width = part.stop - part.start
            splits = _splits(len(directions))
            out = cupy.empty((splits, width, len(directions)), dtype=np.complex64)
            _launch(
                f"far_field<{width}>", (len(directions), splits),
                np.int32(len(directions)), to, *frequency.images, np.int32(self.on_card.size),
                frequency.sources, frequency.source_normals,
                _single(pressure[part]), _single(gradient[part]), *frequency.wave, out,
            )  # fmt: skip
            result[part] = out.sum(axis=0).get()
        return result


def solve_on_card(
    problem: HelmholtzProblem,
    *,
    on_card: CardMesh | None = None,
    settings: CardSettings | None = None,
    guesses: CardArray | None = None,
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
    with _memory_faults():
        return _solve(
            problem, on_card or send(problem.mesh, problem.symmetry),
            settings or CardSettings(), guesses,
        )  # fmt: skip


@contextmanager
def _memory_faults() -> Iterator[None]:
    """Say how much memory the card has where it is short."""
    try:
        yield
    except cupy.cuda.memory.OutOfMemoryError as error:
        free, total = cupy.cuda.runtime.memGetInfo()
        msg = (
            f"engine 'gpu': the card's memory is short ({error}; {free / 2**30:.1f} of "
            f"{total / 2**30:.1f} GiB free, the rest in use)"
        )
        raise CardError(msg) from error


def sweep_on_card(
    mesh: Mesh, symmetry: tuple[str, ...], tolerance: float
) -> Callable[[HelmholtzProblem, ComplexArray | None], HelmholtzSolution]:
    """Return the engine for the frequencies of one mesh: from a problem and guesses."""
    on_card: CardMesh | None = None
    settings = CardSettings(tolerance=tolerance)

    def solve_one(problem: HelmholtzProblem, guesses: ComplexArray | None) -> HelmholtzSolution:
        nonlocal on_card
        if on_card is None and not missing_card():
            with _memory_faults():
                on_card = send(mesh, symmetry)
        return solve_on_card(problem, on_card=on_card, settings=settings, guesses=guesses)

    return solve_one


def send(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> CardMesh:
    """Send a mesh to the card and find its near pairs there."""
    size = mesh.n_triangles
    signs = mirror_signs(symmetry)
    double_signs = cupy.asarray(signs)
    shape = tuple(
        cupy.asarray(np.ascontiguousarray(values, dtype=float))
        for values in (
            mesh.centroids, mesh.normals, mesh.corners, mesh.areas,
            near_field.second_moments(mesh),
        )
    )  # fmt: skip
    limit2 = cupy.asarray((near_field.NEAR_EDGES * mesh.longest_edges) ** 2)
    close2 = (near_field.CLOSE_EDGES / near_field.NEAR_EDGES) ** 2
    counts = cupy.empty(size, dtype=np.int32)
    nothing = cupy.empty(0, dtype=np.int32)

    def search(list_them: bool, start: CardArray, *out: CardArray) -> None:
        _launch(
            "find_near", (size, 1), np.int32(size), np.int32(size), shape[0],
            np.int32(len(signs)), double_signs, limit2, np.float64(close2), np.bool_(list_them),
            start, counts, *out,
        )  # fmt: skip

    start = cupy.zeros(size + 1, dtype=np.int64)
    search(False, start, nothing, nothing, nothing, nothing)
    start[1:] = cupy.cumsum(counts.astype(np.int64))
    pairs = int(start[-1])
    point, element = cupy.empty(pairs, dtype=np.int32), cupy.empty(pairs, dtype=np.int32)
    image, fine = cupy.empty(pairs, dtype=np.int8), cupy.empty(pairs, dtype=np.bool_)
    search(True, start, point, element, image, fine)
    double_layer, hypersingular = cupy.empty(pairs), cupy.empty(pairs)
    _launch(
        "static_double_layers", (pairs, 1), np.int64(pairs), point, element, image,
        shape[0], shape[1], double_signs, shape[2], double_layer, hypersingular,
    )  # fmt: skip
    return CardMesh(
        mesh, double_signs, _padded(cupy.asarray(signs, dtype=np.float32)),
        _padded(shape[0].astype(np.float32)), _padded(shape[1].astype(np.float32)),
        shape, start, point, element, image, fine, double_layer, hypersingular,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Frequency:
    """What the kernels need at one frequency."""

    on_card: CardMesh
    wavenumber: float
    wave: tuple[np.float32, np.float32, np.float32]
    images: tuple[np.int32, CardArray]
    coupling: CardArray
    points: CardArray
    sources: CardArray
    source_normals: CardArray

    @classmethod
    def of(cls, on_card: CardMesh, problem: HelmholtzProblem) -> _Frequency:
        k = problem.wavenumber
        areas, moments = on_card.shape[3:]
        coupling = cupy.asarray(local_coupling(on_card.mesh, k, len(on_card.signs)))
        points, sources = on_card.points.copy(), on_card.points.copy()
        source_normals = on_card.normals.copy()
        points[:, 3] = coupling
        sources[:, 3] = areas / FOUR_PI
        source_normals[:, 3] = 0.5 * k**2 * moments
        return cls(
            on_card, k, (np.float32(k), np.float32(1 / k), np.float32(k / (2 * np.pi))),
            (np.int32(len(on_card.signs)), on_card.single_signs),
            coupling, points, sources, source_normals,
        )  # fmt: skip

    def layers(
        self,
        vectors: CardArray,
        *,
        single: bool,
        rows: CardArray | None = None,
        active: CardArray | None = None,
    ) -> CardArray:
        """Return the far layers of vectors (n, n_elements), formed on the fly, (n, n_rows).

        Without coupling where ``rows`` are given; ``active`` are the elements of the vectors.
        """
        points, normals = self.points, self.on_card.normals
        if rows is not None:
            points, normals = self.on_card.points[rows], normals[rows]
        sources, source_normals = self.sources, self.source_normals
        if active is not None:
            sources, source_normals = sources[active], source_normals[active]
            vectors = cupy.ascontiguousarray(vectors[:, active])
        count = len(points)
        result = cupy.empty((len(vectors), count), dtype=np.complex64)
        for part in _parts(len(vectors)):
            width, splits = part.stop - part.start, _splits(count)
            out = cupy.empty((splits, width, count), dtype=np.complex64)
            _launch(
                f"apply_layer<{width}, {str(single).lower()}>", (count, splits),
                np.int32(count), points, normals, *self.images, np.int32(len(sources)),
                sources, source_normals, vectors[part], *self.wave, out,
            )  # fmt: skip
            result[part] = out.sum(axis=0)
        return result

    def own_element(self) -> tuple[CardArray, CardArray]:
        """Return `near_field.own_element_dynamic` as pairs of doubles, (n_triangles, 2) each."""
        size = self.on_card.size
        layer, dynamic = cupy.empty((size, 2)), cupy.empty((size, 2))
        _launch(
            "own_element", (size, 1), np.int32(size), self.on_card.shape[0],
            self.on_card.shape[2], np.float64(self.wavenumber), layer, dynamic,
        )  # fmt: skip
        return layer, dynamic


def _solve(
    problem: HelmholtzProblem,
    on_card: CardMesh,
    settings: CardSettings,
    guesses: ComplexArray | None,
) -> CardSolution:
    frequency = _Frequency.of(on_card, problem)
    own_layer, own_dynamic = frequency.own_element()
    near = _near_values(frequency, own_dynamic)
    absorbing = _absorbing(problem)
    sides = _excitation(frequency, own_layer, _single(problem.pressure_gradient))
    fits = _matrix_fits(on_card.size)
    direct = settings.direct
    if direct is None:
        direct = fits and len(sides) > _SOURCES_FOR_DIRECT * on_card.size
    stored = settings.stored if settings.stored is not None else fits

    def form_matrix() -> CardArray:
        return _matrix(frequency, near, own_layer, absorbing)

    on_the_fly = _product(frequency, near, own_layer, absorbing)
    remarks: tuple[str, ...] = ()
    iterations = 0
    if not direct:
        matrix = form_matrix() if stored else None
        multiply = on_the_fly if matrix is None else _stored_product(matrix)
        spanned = None if guesses is None else _single(guesses)
        start = best_start(multiply, sides, spanned, cupy)
        outcome = iterate(multiply, sides, start, settings.tolerance, MOST_ITERATIONS, cupy)
        solutions, iterations = outcome.solutions, outcome.iterations
        del matrix, multiply  # frees the matrix before another is formed
        if not outcome.is_converged:
            if not fits:
                msg = (
                    f"the iteration did not converge in {iterations} steps, and {on_card.size} "
                    "unknowns are too many for a direct solve on this card"
                )
                raise SolveError(msg)
            remarks = (f"solved directly: the iteration did not converge in {iterations} steps",)
            direct, iterations = True, 0
    if direct:
        solutions = _solve_directly(form_matrix(), sides)
    residual = _relative_residual(on_the_fly, solutions, sides)
    largest = LARGEST_DIRECT_RESIDUAL if direct else 10 * settings.tolerance
    if not residual <= largest:
        msg = f"the card's solution left a relative residual of {residual:.1e}"
        raise SolveError(msg)
    pressure = _with_plain_sources(frequency, own_layer, problem, solutions)
    return CardSolution(
        problem=problem,
        surface_pressure=pressure,
        engine="gpu",
        iterations=iterations,
        residual=residual,
        remarks=remarks,
        on_card=on_card,
    )


def _matrix_fits(size: int) -> bool:
    """Return whether the matrix fits into what is free, own cached blocks counted as free."""
    cupy.get_default_memory_pool().free_all_blocks()
    free, _ = cupy.cuda.runtime.memGetInfo()
    return bool(8.0 * size**2 + _SPARE_BYTES < free)


def _absorbing(problem: HelmholtzProblem) -> CardArray | None:
    """Return ik times the admittance, or None where all is rigid."""
    if problem.admittance is None or not np.any(problem.admittance):
        return None
    return _single(1j * problem.wavenumber * np.asarray(problem.admittance))


def _near_values(frequency: _Frequency, own_dynamic: CardArray) -> CardArray:
    """Return the near corrections of all pairs."""
    on_card = frequency.on_card
    pairs = len(on_card.point)
    values = cupy.empty(pairs, dtype=np.complex64)
    _launch(
        "near_corrections", (pairs, 1), np.int64(pairs), on_card.point, on_card.element,
        on_card.image, on_card.fine, on_card.double_layer, on_card.hypersingular, on_card.signs,
        *on_card.shape, frequency.coupling, own_dynamic, np.float64(frequency.wavenumber), values,
    )  # fmt: skip
    return values


def _excitation(frequency: _Frequency, own_layer: CardArray, gradient: CardArray) -> CardArray:
    """Return (V + (ie/k) (K' + 1/2)) times each row of ``gradient``, (n, n_triangles)."""
    on_card = frequency.on_card
    moving = cupy.any(gradient != 0, axis=0)
    active = cupy.flatnonzero(moving)
    result = frequency.layers(gradient, single=True, active=active)
    result += (0.5j / frequency.wavenumber * frequency.coupling * gradient).astype(np.complex64)
    _launch(
        "near_excitation", (on_card.size, 1), np.int32(on_card.size), on_card.start,
        on_card.element, on_card.image, on_card.signs, *on_card.shape, frequency.coupling, moving,
        own_layer, np.float64(frequency.wavenumber), np.int32(len(gradient)), gradient, result,
    )  # fmt: skip
    return result


Product = Callable[[CardArray], CardArray]


def _product(
    frequency: _Frequency, near: CardArray, own_layer: CardArray, absorbing: CardArray | None
) -> Product:
    """Return the product with the system matrix, formed on the fly."""
    on_card = frequency.on_card
    size = np.int32(on_card.size)

    def multiply(vectors: CardArray) -> CardArray:
        result = frequency.layers(vectors, single=False)
        _launch(
            "add_near_product", (on_card.size, 1), size, on_card.start, on_card.element, near,
            np.int32(len(vectors)), size, vectors, result,
        )  # fmt: skip
        result -= np.float32(0.5) * vectors
        if absorbing is not None:
            result += _excitation(frequency, own_layer, absorbing * vectors)
        return result

    return multiply


def _matrix(
    frequency: _Frequency, near: CardArray, own_layer: CardArray, absorbing: CardArray | None
) -> CardArray:
    """Return the system matrix, (n_triangles, n_triangles) in the order of columns."""
    on_card = frequency.on_card
    size, pairs = on_card.size, len(on_card.point)
    columns = cupy.empty((size, size), dtype=np.complex64)
    far = (np.int32(size), frequency.points, on_card.normals, *frequency.images)
    splits = max(1, min(size, 65535, _BLOCKS * 16 * _THREADS // size))
    _launch(
        "fill_double", (size, splits), *far, np.int32(size), frequency.sources,
        frequency.source_normals, *frequency.wave, columns,
    )  # fmt: skip
    _launch(
        "add_near", (max(pairs, size), 1), np.int64(pairs), np.int32(size), on_card.point,
        on_card.element, near, np.float32(-0.5), columns,
    )  # fmt: skip
    if absorbing is not None:
        active = cupy.flatnonzero(absorbing).astype(np.int32)
        factor = cupy.ascontiguousarray(absorbing[active])
        _launch(
            "add_single_columns", (size, len(active)), *far, np.int32(len(active)), active,
            frequency.sources, frequency.source_normals, factor, *frequency.wave, columns,
        )  # fmt: skip
        _launch(
            "add_near_columns", (pairs, 1), np.int64(pairs), np.int32(size), on_card.point,
            on_card.element, on_card.image, on_card.signs, *on_card.shape, frequency.coupling,
            absorbing != 0, own_layer, np.float64(frequency.wavenumber), absorbing, columns,
        )  # fmt: skip
        columns[active, active] += (
            0.5j / frequency.wavenumber * frequency.coupling[active] * factor
        ).astype(np.complex64)
    return columns.T


def _stored_product(matrix: CardArray) -> Product:
    return lambda vectors: (matrix @ vectors.T).T


def _solve_directly(matrix: CardArray, sides: CardArray) -> CardArray:
    """Solve by factors that take the place of the matrix."""
    from cupyx.scipy.linalg import lu_factor, lu_solve

    factors = lu_factor(matrix, overwrite_a=True, check_finite=False)
    return cupy.ascontiguousarray(lu_solve(factors, sides.T, check_finite=False).T)


def _relative_residual(multiply: Product, solutions: CardArray, sides: CardArray) -> float:
    left = cupy.linalg.norm(multiply(solutions) - sides, axis=1)
    norms = cupy.maximum(cupy.linalg.norm(sides, axis=1), np.finfo(np.float32).tiny)
    return float((left / norms).max())


def _with_plain_sources(
    frequency: _Frequency, own_layer: CardArray, problem: HelmholtzProblem, solutions: CardArray
) -> ComplexArray:
    """Return the pressure with that on moving surfaces as `burton_miller.plain_pressure`."""
    on_card = frequency.on_card
    pressure: ComplexArray = solutions.get().astype(complex)
    small = small_sources(problem, pressure)
    if not small.size:
        return pressure
    gradient = _single(problem.total_gradient(pressure))
    moving = cupy.any(gradient != 0, axis=0)
    rows = cupy.asarray(small, dtype=np.int32)
    far = frequency.layers(solutions, single=False, rows=rows)
    far -= frequency.layers(gradient, single=True, rows=rows, active=rows)
    near = cupy.zeros((len(solutions), len(rows), 2))
    _launch(
        "near_plain", (len(rows), 1), np.int32(len(rows)), rows, on_card.start, on_card.element,
        on_card.image, on_card.fine, on_card.double_layer, on_card.signs, *on_card.shape,
        moving, own_layer, np.float64(frequency.wavenumber), np.int32(len(solutions)),
        np.int32(on_card.size), cupy.ascontiguousarray(solutions), gradient, near,
    )  # fmt: skip
    improved = 2 * far.get() + near.get().view(complex)[..., 0]
    pressure[:, small] = improved
    return pressure


def _single(values: ComplexArray) -> CardArray:
    return cupy.ascontiguousarray(cupy.asarray(values, dtype=np.complex64))


def _padded(vectors: CardArray) -> CardArray:
    """Return (n, 3) vectors as (n, 4), for loads of 16 bytes."""
    padded = cupy.zeros((len(vectors), 4), dtype=np.float32)
    padded[:, :3] = vectors
    return padded


def _splits(rows: int) -> int:
    """Return how many blocks share the elements of one block of rows."""
    return max(1, min(64, _BLOCKS * _THREADS // max(rows, 1)))


def _parts(count: int) -> list[slice]:
    """Split a number of vectors into passes of the widths that the kernels exist for."""
    parts, at = [], 0
    while at < count:
        width = max(width for width in _VECTORS if width <= count - at)
        parts.append(slice(at, at + width))
        at += width
    return parts


def _launch(name: str, extent: tuple[int, int], *arguments: Any) -> None:
    """Start a kernel with one thread a row and ``extent[1]`` blocks in the second direction."""
    rows, splits = extent
    if rows == 0:
        return
    blocks = (-(-rows // _THREADS), splits)
    _kernel(name, cupy.cuda.Device().id)(blocks, (_THREADS,), arguments)


@cache
def _kernel(name: str, device: int) -> Any:  # one compilation a device
    return _module(device).get_function(name)


@cache
def _module(device: int) -> Any:
    source = resources.files("bafflelens.bem").joinpath("gpu_kernels.cu").read_text("utf-8")
    names = [f"apply_layer<{v}, {kind}>" for v in _VECTORS for kind in ("false", "true")]
    names += [f"far_field<{v}>" for v in _VECTORS]
    return cupy.RawModule(
        code=source, options=("--std=c++17", "--use_fast_math"), name_expressions=names
    )
