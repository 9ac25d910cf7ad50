# SPDX-License-Identifier: GPL-3.0-or-later
"""Slopes over the surface against changed lenses, for every length of every shipped lens.

::

    python tests/benchmarks/surface_slope.py [lens ...] [--quality draft] [--hz 2000 5000 10000]
        [--keys lens.depth_mm ...] [--step-mm 0.5] [--remeshed] [--processes 8]

Each length of a lens is changed by a step both ways. The mesh is moved onto the changed solids,
triangle by triangle (`bafflelens.shapes.meshing.moved_mesh`), all three are solved, and the
central difference of the levels is held against the slope for the same displacement: on both
orbits within 60 degrees, where the level is above -20 dB re maximum and the difference above 0.02
dB/mm. Where a change shifts the driver, that is part of the slope. With ``--remeshed`` both
changed lenses are meshed anew instead, and the displacement is that onto these meshes by the
closest point; their scatter needs a larger step.

A row gives how many directions are compared, the largest difference among them, slope over
difference (least squares), the rms of what is left and the share of directions within 10 %. Rows
come as they are found, one lens and frequency a process; the sums follow.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
from shapes import TIME_LIMIT_S, front_directions, radiation, shipped

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import BafflelensError
from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import Workspace, solve_burton_miller
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.plane_waves import plane_wave_fields
from bafflelens.bem.surface_slope import (
    moving_triangles,
    prepare_slopes,
    slope_of_fields,
    slope_of_moved_sources,
)
from bafflelens.bem.system_matrix import Storage
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import QUALITIES, mesh_size
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


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is compared in one process."""

    lens: str
    frequency_hz: float
    quality: str
    keys: tuple[str, ...]
    step_mm: float
    is_remeshed: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Row:
    """Slopes and differences of one length, in dB/mm, in the directions that are compared."""

    lens: str
    key: str
    frequency_hz: float
    n_triangles: int
    largest: float
    slope: FloatArray
    difference: FloatArray

    @property
    def is_within(self) -> FloatArray:
        """Whether each slope is within 10 % of the difference."""
        return np.asarray(np.abs(self.slope / self.difference - 1) < WITHIN)

    def __str__(self) -> str:
        head = f"{self.lens} {self.key} {self.frequency_hz:.0f} Hz ({self.n_triangles}): "
        if not self.slope.size:
            return f"{head}at most {self.largest:.3f} dB/mm"
        a, b = self.slope, self.difference
        return (
            f"{head}{a.size} directions up to {self.largest:.3f} dB/mm, "
            f"ratio {a @ b / (b @ b):.3f}, rms {np.linalg.norm(a - b) / np.linalg.norm(b):.1%}, "
            f"within 10 %: {self.is_within.mean():.0%}"
        )


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
            is_remeshed=given.remeshed,
        )
        for frequency_hz in sorted(given.hz, reverse=True)  # the longest first
        for lens in given.lenses or LENSES
    ]
    rows: list[Row] = []
    for found in _each(work, given.processes):
        for line in found:
            print(line, flush=True)
        rows.extend(line for line in found if isinstance(line, Row))
    print_sums(rows)


def print_sums(rows: Sequence[Row]) -> None:
    """Print the share of directions within 10 %, by lens, length and frequency."""
    print("\nlens, length or frequency: directions, within 10 %, rms of slope less difference")
    names = [
        *((row.lens,) for row in rows),
        *((row.lens, row.key) for row in rows),
        *((f"{row.frequency_hz:.0f} Hz",) for row in rows),
        ("all",),
    ]
    for name in dict.fromkeys(names):
        some = [
            row
            for row in rows
            if name
            in ((row.lens,), (row.lens, row.key), (f"{row.frequency_hz:.0f} Hz",), ("all",))
        ]
        slope = np.concatenate([row.slope for row in some])
        difference = np.concatenate([row.difference for row in some])
        if not slope.size:
            print(f"{' '.join(name)}: none above {LEAST_DB_PER_MM:g} dB/mm")
            continue
        share = np.concatenate([row.is_within for row in some]).mean()
        rms = np.linalg.norm(slope - difference) / np.linalg.norm(difference)
        print(f"{' '.join(name)}: {slope.size}, {share:.0%}, {rms:.1%}")


def compare(asked: Asked) -> list[Row | str]:
    """Return the rows of one lens at one frequency, or why a length has none."""
    air = Air()
    shape, motions = shipped(asked.lens)
    size = [mesh_size(asked.quality, asked.frequency_hz, air)]
    mesh = mesh_shape(shape, shape.defaults, size, TIME_LIMIT_S)[0]
    problem = radiation(shape, motions, mesh, asked.frequency_hz, air)
    to, workspace = front_directions(), Workspace()
    discretisation = discretise(mesh, shape.symmetry)
    at_rest = solve_burton_miller(
        problem, discretisation=discretisation, settings=SETTINGS, workspace=workspace
    )
    level = at_rest.far_field(to)[0]
    is_loud = DB * np.log(np.abs(level) / np.abs(level).max()) > LOUD_DB
    prepared = prepare_slopes(mesh, shape.symmetry, discretisation)
    fields = plane_wave_fields(
        problem, to, np.eye(len(to)), discretisation=discretisation, workspace=workspace
    )
    given = problem, at_rest.surface_pressure, fields, prepared
    slope, of_driver = slope_of_fields(*given), slope_of_moved_sources(*given)
    driver = moving_triangles(problem)
    found: list[Row | str] = []
    for key in asked.keys or lengths(shape):
        try:
            ends = changed(asked, shape, mesh, key, driver)
        except BafflelensError as error:
            found.append(f"{asked.lens} {key} {asked.frequency_hz:.0f} Hz: {error}")
            continue
        move = (ends[1][1] - ends[0][1]) / (2 * asked.step_mm)  # in m for a millimetre
        outwards = np.einsum("ij,ij->i", move[mesh.triangles].mean(axis=1), mesh.normals)
        levels = []
        for body, _ in ends:
            there = radiation(shape, motions, body, asked.frequency_hz, air)
            solution = solve_burton_miller(
                there,
                settings=SETTINGS,
                workspace=workspace,
                guesses=at_rest.guess if body.n_triangles == mesh.n_triangles else None,
            )
            levels.append(DB * np.log(np.abs(solution.far_field(to)[0])))
        difference = (levels[1] - levels[0]) / (2 * asked.step_mm)
        shift = move[np.unique(mesh.triangles[driver])].mean(axis=0)
        change = slope @ (outwards * mesh.areas) + of_driver @ shift
        by_slope = DB * np.real(change / level)
        heard = is_loud & (np.abs(difference) > LEAST_DB_PER_MM)
        found.append(
            Row(
                lens=asked.lens,
                key=key,
                frequency_hz=asked.frequency_hz,
                n_triangles=mesh.n_triangles,
                largest=float(np.abs(difference[is_loud]).max()),
                slope=by_slope[heard],
                difference=difference[heard],
            )
        )
    return found


def lengths(shape: Shape) -> list[str]:
    """Return the lengths of a lens."""
    return [p.key for p in shape.parameters if p.unit == "mm" and not p.key.startswith(OTHERS)]


def changed(
    asked: Asked, shape: Shape, mesh: Mesh, key: str, driver: np.ndarray
) -> list[tuple[Mesh, FloatArray]]:
    """Return the two changed bodies, and how the vertices of the mesh move onto each, in m.

    Raises
    ------
    BafflelensError
        If a rule of the shape forbids the change, or the mesh cannot be moved so far.
    """
    size = [mesh_size(asked.quality, asked.frequency_hz, Air())]
    ends = []
    for step in (-asked.step_mm, asked.step_mm):
        values = {**shape.defaults, key: shape.defaults[key] + step}
        faults = check_parameters(shape, values)
        if faults:
            raise BafflelensError("; ".join(faults))
        anchors = () if asked.is_remeshed else (mesh,)
        body = mesh_shape(shape, values, size, TIME_LIMIT_S, anchors)[0]
        if asked.is_remeshed:
            fine = [mesh_size("standard", 16_000.0, Air())]
            ends.append(
                (body, onto(mesh, mesh_shape(shape, values, fine, TIME_LIMIT_S)[0], driver))
            )
            continue
        if body.places is None or not body.places.is_moved:
            msg = "the mesh cannot be moved onto the changed solid"
            raise BafflelensError(msg)
        ends.append((body, body.vertices - mesh.vertices))
    return ends


def onto(mesh: Mesh, body: Mesh, driver: np.ndarray) -> FloatArray:
    """Return how vertices move onto a changed shape, (n_vertices, 3) in m; the driver stays."""
    feet = closest(searchable(body.vertices, body.triangles), mesh.vertices)
    move = feet.points - mesh.vertices
    move[np.unique(mesh.triangles[driver])] = 0
    move[np.abs(mesh.vertices[:, 1]) < 1e-9, 1] = 0  # stays in the mirror plane
    return np.asarray(move)


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
    parser.add_argument("--remeshed", action="store_true")
    parser.add_argument("--processes", type=int, default=1)
    return parser.parse_args()


if __name__ == "__main__":
    main()
