# SPDX-License-Identifier: GPL-3.0-or-later
"""Slopes over the surface against changed lenses, for every length of every shipped lens.

::

    python tests/benchmarks/surface_slope.py [lens ...] [--quality standard] [--finer 2]
        [--hz 2000 5000 10000] [--keys lens.depth_mm ...] [--step-mm 0.5] [--processes 8]
        [--slopes corners|density|fields] [--every 1] [--residual 5e-3]

Each length of a lens is changed by a step both ways, the mesh is moved onto the changed solids,
triangle by triangle (`bafflelens.shapes.meshing.moved_mesh`), both are solved, and the central
difference of the levels is held against the slope for the same displacement: on both orbits
within 60 degrees, where the level is above -20 dB re maximum and the difference above 0.02 dB/mm;
with ``--every 6`` in every sixth of these directions, which is as much quicker.
Where a change shifts the driver, all else is shifted the other way instead: a shift of the whole
turns only the phase, and slopes are for drivers at rest. A length whose default is an end of its
range is changed about one step within.

A difference has the error of its meshes, and where a small radius changes that is more than the
slope's. So differences are taken on meshes finer by a factor on and near the lens, and held
against the slope on the same mesh and against that on the mesh that the quality asks for. With
``--remeshed`` both changed lenses are meshed anew by gmsh instead of moved; their scatter needs a
larger step.

``--residual`` says how exactly the fields of the slopes are solved for, by default as for a clay
map: with less what is left of a sum whose parts cancel is the derivative's own.

Slopes are taken in two ways: over the continuous fields
(`bem.surface_slope`), and as the derivative of the discretised equation with its corners
(`bem.node_slopes`), with which the vectors of their moves are taken, and as the density that is
shown. ``--slopes corners`` (default), ``density`` or ``fields`` says which is held against the
differences.

A row gives how many directions are compared, the largest difference among them, and for either
slope: slope over difference (least squares), the rms of what is left, and the share of directions
within 10 %. Rows are printed as they are found, one lens and frequency a process; the sums follow.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np
from shapes import TIME_LIMIT_S, front_directions, radiation, shipped

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import BafflelensError
from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.node_slopes import corner_slopes, density
from bafflelens.bem.plane_waves import TOLERANCE, plane_wave_fields
from bafflelens.bem.surface_slope import (
    moving_triangles,
    prepare_slopes,
    slope_of_fields,
)
from bafflelens.bem.system_matrix import Storage, Workspace
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import QUALITIES, mesh_size
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters
from bafflelens.shapes.meshing.parameters import Shape

LENSES = (
    "vertical_lens", "conic_lens", "arc_lens", "spline_lens", "exponential_lens", "waveguide",
)  # fmt: skip
FREQUENCIES_HZ = (2000.0, 3000.0, 4000.0, 5000.0, 6500.0, 8000.0, 10_000.0)
LEAST_DB_PER_MM = 0.02
LOUD_DB = -20.0
WITHIN = 0.1
# Lengths of the cabinet are no part of a lens, and a driver that changes moves.
OTHERS = ("cabinet.", "edges.", "head.", "dome.", "plate.", "midrange.", "felt.")
# Of a difference of 0.02 dB a per cent is 2e-5 of the level.
SETTINGS = EngineSettings(tolerance=1e-5, storage=Storage.PACKED)
DB = 20 / np.log(10)
AIR = Air()


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is compared in one process."""

    lens: str
    frequency_hz: float
    quality: str
    keys: tuple[str, ...]
    step_mm: float
    finer: float
    is_remeshed: bool
    slopes: str
    every: int
    residual: float

    @property
    def directions(self) -> FloatArray:
        """Those that are compared, (n_directions, 3)."""
        return front_directions()[:: self.every]


@dataclass(frozen=True, kw_only=True, eq=False)
class Row:
    """Slopes and differences of one length, in dB/mm, in the directions that are compared.

    ``slope`` is on the finer mesh, where the differences were taken, ``usual`` on the mesh of the
    quality.
    """

    lens: str
    key: str
    frequency_hz: float
    n_triangles: tuple[int, int]
    largest: float
    slope: FloatArray
    usual: FloatArray
    difference: FloatArray

    def __str__(self) -> str:
        fine, usual = self.n_triangles
        head = f"{self.lens} {self.key} {self.frequency_hz:.0f} Hz: "
        if not self.slope.size:
            return f"{head}at most {self.largest:.3f} dB/mm"
        return (
            f"{head}{self.slope.size} directions up to {self.largest:.3f} dB/mm; "
            f"{fine}: {agreement(self.slope, self.difference)}; "
            f"{usual}: {agreement(self.usual, self.difference)}"
        )


def agreement(slope: FloatArray, difference: FloatArray) -> str:
    """Return slope over difference, the rms of what is left, and the share within 10 %."""
    ratio = slope @ difference / (difference @ difference)
    left = np.linalg.norm(slope - difference) / np.linalg.norm(difference)
    share = np.mean(np.abs(slope / difference - 1) < WITHIN)
    return f"ratio {ratio:.3f}, rms {left:.1%}, within 10 % {share:.0%}"


def main() -> None:
    """Compare what is asked for and print it."""
    given = _arguments()
    work = [
        Asked(
            lens=lens,
            frequency_hz=frequency_hz,
            quality=given.quality,
            keys=tuple(given.keys),
            step_mm=given.step_mm,
            finer=given.finer,
            is_remeshed=given.remeshed,
            slopes=given.slopes,
            every=given.every,
            residual=given.residual,
        )
        for frequency_hz in sorted(given.hz, reverse=True)  # the longest first
        for lens in given.lenses or LENSES
    ]
    rows: list[Row] = []
    for found in _each(work, given.processes):
        rows.extend(line for line in found if isinstance(line, Row))
    print_sums(rows)


def print_sums(rows: Sequence[Row]) -> None:
    """Print how slopes and differences agree, by lens, length and frequency."""
    print("\ndirections: agreement on the finer mesh; on that of the quality")
    groups: dict[str, list[Row]] = {}
    for row in rows:
        for name in (row.lens, f"{row.lens} {row.key}", f"{row.frequency_hz:.0f} Hz", "all"):
            groups.setdefault(name, []).append(row)
    for name in sorted(groups):
        fine, usual, difference = (
            np.concatenate([getattr(row, part) for row in groups[name]])
            for part in ("slope", "usual", "difference")
        )
        if not fine.size:
            print(f"{name}: none above {LEAST_DB_PER_MM:g} dB/mm")
            continue
        print(
            f"{name}: {fine.size}: {agreement(fine, difference)}; {agreement(usual, difference)}"
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Meshed:
    """A lens on one mesh, with the slopes of the levels in all directions.

    Attributes
    ----------
    mesh : Mesh
        The mesh.
    driver : (n,) integer array
        The vertices of what moves.
    level : (n_directions,) complex array
        Far field.
    guess : (n_sources, n_triangles) complex array
        What solves it.
    by_surface : (n_directions, n_triangles) array or None
        dB per m^3.
    by_corner : (n_directions, n_vertices, 3) array or None
        dB per m, instead.
    """

    mesh: Mesh
    driver: np.ndarray
    level: ComplexArray
    guess: ComplexArray
    by_surface: FloatArray | None
    by_corner: FloatArray | None

    def slope(self, move: FloatArray) -> FloatArray:
        """Return how levels change with moves of the vertices, (n_directions,)."""
        mesh = self.mesh
        move = move - move[self.driver].mean(axis=0)
        if self.by_corner is not None:
            return np.asarray(np.einsum("dcx,cx->d", self.by_corner, move))
        assert self.by_surface is not None
        moves = move[mesh.triangles].mean(axis=1)
        outwards = np.einsum("ij,ij->i", moves, mesh.normals)
        return np.asarray(self.by_surface @ (outwards * mesh.areas))


def meshed(asked: Asked, shape: Shape, motions: tuple[SourceMotion, ...], mesh: Mesh) -> Meshed:
    """Solve a lens and return its slopes."""
    problem = radiation(shape, motions, mesh, asked.frequency_hz, AIR)
    to, workspace = asked.directions, Workspace()
    discretisation = discretise(mesh, shape.symmetry)
    solution = solve_burton_miller(
        problem, discretisation=discretisation, settings=SETTINGS, workspace=workspace
    )
    level = solution.far_field(to)[0]
    moving = moving_triangles(problem)
    by_surface = by_corner = None
    if asked.slopes == "fields":
        fields = plane_wave_fields(
            problem,
            to,
            np.eye(len(to), dtype=complex),
            discretisation=discretisation,
            workspace=workspace,
            tolerance=asked.residual,
        )
        prepared = prepare_slopes(mesh, shape.symmetry, discretisation)
        slopes = slope_of_fields(problem, solution.surface_pressure, fields, prepared)
        by_surface = DB * np.real(slopes / level[:, np.newaxis])
    else:
        by_corner = corner_slopes(
            problem,
            solution.surface_pressure,
            to,
            np.diag(DB / np.conj(level))[:, np.newaxis],
            discretisation=discretisation,
            workspace=workspace,
            tolerance=asked.residual,
        )
        if asked.slopes == "density":
            by_surface = density(mesh, shape.symmetry, by_corner, moving)
            by_corner = None
    return Meshed(
        mesh=mesh,
        driver=np.unique(mesh.triangles[moving]),
        level=level,
        guess=solution.guess,
        by_surface=by_surface,
        by_corner=by_corner,
    )


def compare(asked: Asked) -> list[Row | str]:
    """Return the rows of one lens at one frequency, or why a length has none."""
    shape, motions = shipped(asked.lens)
    usual = mesh_size(asked.quality, asked.frequency_hz, AIR)
    finer = replace(
        usual,
        source_size_m=usual.source_size_m / asked.finer,
        growth=usual.growth * asked.finer**0.5,
        curvature_elements=round(usual.curvature_elements * asked.finer),
    )
    found: list[Row | str] = []
    known: dict[float, list[Meshed]] = {}
    for key in asked.keys or lengths(shape):
        head = f"{asked.lens} {key} {asked.frequency_hz:.0f} Hz"
        try:
            middle = middle_of(shape, key, asked.step_mm)
            at = 0.0 if middle == shape.defaults[key] else middle
            if at not in known or at:
                values = {**shape.defaults, key: middle}
                both = mesh_shape(shape, values, [finer, usual], TIME_LIMIT_S)
                known[at] = [meshed(asked, shape, motions, mesh) for mesh in both]
            lens = known[at]
            ends = changed(asked, shape, [one.mesh for one in lens], key, middle)
        except BafflelensError as error:
            found.append(f"{head}: {error}")
            print(found[-1], flush=True)
            continue
        slopes = [
            one.slope((ahead - back) / (2 * asked.step_mm))
            for one, back, ahead in zip(lens, *(end.moves for end in ends), strict=True)
        ]
        levels = []
        for end in ends:
            there = radiation(shape, motions, end.body, asked.frequency_hz, AIR)
            same = end.body.n_triangles == lens[0].mesh.n_triangles
            solution = solve_burton_miller(
                there, settings=SETTINGS, guesses=lens[0].guess if same else None
            )
            levels.append(DB * np.log(np.abs(solution.far_field(asked.directions)[0])))
        difference = (levels[1] - levels[0]) / (2 * asked.step_mm)
        level = np.abs(lens[0].level)
        is_loud = DB * np.log(level / level.max()) > LOUD_DB
        heard = is_loud & (np.abs(difference) > LEAST_DB_PER_MM)
        row = Row(
            lens=asked.lens,
            key=key,
            frequency_hz=asked.frequency_hz,
            n_triangles=(lens[0].mesh.n_triangles, lens[1].mesh.n_triangles),
            largest=float(np.abs(difference[is_loud]).max()),
            slope=slopes[0][heard],
            usual=slopes[1][heard],
            difference=difference[heard],
        )
        found.append(row)
        print(row, flush=True)
    return found


def middle_of(shape: Shape, key: str, step_mm: float) -> float:
    """Return the default of a length, or what is a step within its range.

    Raises
    ------
    BafflelensError
        If the rules of the shape forbid the change.
    """
    faults: list[str] = []
    for away in (0.0, step_mm, -step_mm):
        middle = shape.defaults[key] + away
        faults = [
            fault
            for step in (-step_mm, step_mm)
            for fault in check_parameters(shape, {**shape.defaults, key: middle + step})
        ]
        if not faults:
            return middle
    raise BafflelensError("; ".join(faults))


def lengths(shape: Shape) -> list[str]:
    """Return the lengths of a lens."""
    return [p.key for p in shape.parameters if p.unit == "mm" and not p.key.startswith(OTHERS)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Changed:
    """A changed lens on the finer mesh, and how the vertices of both meshes move onto it, in m."""

    body: Mesh
    moves: list[FloatArray]


def changed(
    asked: Asked, shape: Shape, both: list[Mesh], key: str, middle: float
) -> tuple[Changed, Changed]:
    """Return the lens with a length a step less, and a step more.

    Raises
    ------
    BafflelensError
        If the meshes cannot be moved so far.
    """
    ends = []
    for step in (-asked.step_mm, asked.step_mm):
        values = {**shape.defaults, key: middle + step}
        sizes = [mesh_size(asked.quality, asked.frequency_hz, AIR)] * 2
        moved = mesh_shape(shape, values, sizes, TIME_LIMIT_S, both)
        if not all(mesh.places is not None and mesh.places.is_moved for mesh in moved):
            msg = "the mesh cannot be moved onto the changed solid"
            raise BafflelensError(msg)
        moves = [now.vertices - mesh.vertices for now, mesh in zip(moved, both, strict=True)]
        body = moved[0]
        if asked.is_remeshed:
            fine = mesh_size(asked.quality, asked.finer * asked.frequency_hz, AIR)
            body = mesh_shape(shape, values, [fine], TIME_LIMIT_S)[0]
        ends.append(Changed(body=body, moves=moves))
    return ends[0], ends[1]


def _each(work: Sequence[Asked], processes: int) -> Iterator[list[Row | str]]:
    """Yield what is found, as it is found."""
    if processes == 1:
        yield from map(compare, work)
        return
    os.environ["NUMBA_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for done in as_completed([pool.submit(compare, asked) for asked in work]):
            yield done.result()


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("lenses", nargs="*", metavar="lens", help="all shipped ones")
    parser.add_argument("--quality", choices=QUALITIES, default="standard")
    parser.add_argument("--hz", type=float, nargs="+", default=FREQUENCIES_HZ)
    parser.add_argument("--keys", nargs="+", default=(), help="all lengths")
    parser.add_argument("--step-mm", type=float, default=0.5)
    parser.add_argument("--finer", type=float, default=2.0)
    parser.add_argument("--slopes", choices=("corners", "density", "fields"), default="corners")
    parser.add_argument("--every", type=int, default=1, help="of the directions")
    parser.add_argument("--residual", type=float, default=TOLERANCE, help="of the slopes' fields")
    parser.add_argument("--remeshed", action="store_true")
    parser.add_argument("--processes", type=int, default=1)
    return parser.parse_args()


if __name__ == "__main__":
    main()
