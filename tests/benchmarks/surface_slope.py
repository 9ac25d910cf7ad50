# SPDX-License-Identifier: GPL-3.0-or-later
"""Slopes over the surface against differences, for every length of the shipped lenses; their cost.

::

    python tests/benchmarks/surface_slope.py [quality] [shape ...]

For each length a shape has in its lens (default values, 0.5 mm more and less) the vertices of the
mesh are moved onto the changed shape by the closest point, both meshes are solved and the
difference of the levels is held against the slope for the same displacement: both orbits within
60 degrees, where the level is above -20 dB re maximum and the difference above 0.02 dB/mm. A row
gives how many directions that are, slope over difference (least squares), the rms of what is left
and the share of directions within 10 %.

At the end: processor time of one slope over that of one solve, with three objectives and with one.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np
from shapes import front_directions, meshes, radiation, shipped

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
    surface_slope,
)
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import mesh_size, tolerance
from bafflelens.shapes.meshing.loading import check_parameters

SHAPES = ("vertical_lens", "conic_lens", "arc_lens", "spline_lens", "exponential_lens")
FREQUENCIES_HZ = (2000.0, 4000.0, 7000.0, 10_000.0)
STEP_MM = 0.5
FINE_HZ = 16_000.0  # the changed shape is meshed as for this frequency
LEAST_DB_PER_MM = 0.02
LOUD_DB = -20.0
# Lengths of the cabinet are no part of a lens, and a driver that changes moves.
OTHERS = ("cabinet.", "edges.", "head.", "dome.", "plate.", "midrange.", "felt.")


def main(quality: str = "standard", *names: str) -> None:
    """Print a row a shape, length and frequency, and the cost."""
    ratios: list[float] = []
    for name in names or SHAPES:
        compare(name, quality, ratios)
    if ratios:
        share = np.mean(np.abs(np.array(ratios) - 1) < 0.1)
        print(f"all directions: {len(ratios)}, within 10 %: {share:.0%}")
    cost(names[0] if names else SHAPES[0], quality)


def compare(name: str, quality: str, ratios: list[float]) -> None:
    """Compare slopes and differences of one shape."""
    air = Air()
    shape, motions = shipped(name)
    to = front_directions()
    sizes = [mesh_size(quality, hz, air) for hz in FREQUENCIES_HZ]
    changed = {}
    for parameter in shape.parameters:
        key = parameter.key
        if parameter.unit != "mm" or key.startswith(OTHERS):
            continue
        values = [{key: shape.defaults[key] + step} for step in (-STEP_MM, STEP_MM)]
        if any(check_parameters(shape, {**shape.defaults, **one}) for one in values):
            continue
        try:
            fine = [mesh_size("standard", FINE_HZ, air)]
            changed[key] = [meshes(shape, fine, one)[0] for one in values]
        except BafflelensError as error:
            print(f"{name} {key}: {error}")
    for frequency_hz, mesh in zip(FREQUENCIES_HZ, meshes(shape, sizes, {}), strict=True):
        problem = radiation(shape, motions, mesh, frequency_hz, air)
        settings = EngineSettings(tolerance=1e-5)
        at_rest = solve_burton_miller(problem, settings=settings)
        level = at_rest.far_field(to)[0]
        fields = plane_wave_fields(problem, to, np.eye(len(to)), tolerance=1e-3)
        prepared = prepare_slopes(mesh, shape.symmetry)
        slope = slope_of_fields(problem, at_rest.surface_pressure, fields, prepared)
        for key, both in changed.items():
            moved = [onto(mesh, one, moving_triangles(problem)) for one in both]
            move = (moved[1] - moved[0]) / (2 * STEP_MM)
            outwards = np.einsum("ij,ij->i", move[mesh.triangles].mean(axis=1), mesh.normals)
            found = 8.686 * np.real(slope @ (outwards * mesh.areas) / level)
            ends = []
            for sign in (-1, 1):
                body = replace(mesh, vertices=mesh.vertices + sign * STEP_MM * move)
                there = radiation(shape, motions, body, frequency_hz, air)
                ends.append(solve_burton_miller(there, settings=settings).far_field(to)[0])
            expected = 20 * np.log10(np.abs(ends[1] / ends[0])) / (2 * STEP_MM)
            is_loud = 20 * np.log10(np.abs(level) / np.abs(level).max()) > LOUD_DB
            heard = is_loud & (np.abs(expected) > LEAST_DB_PER_MM)
            row = f"{name} {key} {frequency_hz:.0f} Hz ({mesh.n_triangles}): "
            if not heard.any():
                print(row + f"largest {np.abs(expected[is_loud]).max():.3f} dB/mm", flush=True)
                continue
            a, b = found[heard], expected[heard]
            ratios.extend((a / b).tolist())
            print(
                f"{row}{heard.sum()} directions up to {np.abs(b).max():.3f} dB/mm, ratio "
                f"{a @ b / (b @ b):.3f}, rms {np.linalg.norm(a - b) / np.linalg.norm(b):.1%}, "
                f"within 10 %: {np.mean(np.abs(a / b - 1) < 0.1):.0%}",
                flush=True,
            )


def onto(mesh: Mesh, changed: Mesh, fixed: np.ndarray) -> FloatArray:
    """Return how the vertices move onto a changed shape, (n_vertices, 3) in m."""
    feet = closest(searchable(changed.vertices, changed.triangles), mesh.vertices)
    move = feet.points - mesh.vertices
    move[np.unique(mesh.triangles[fixed])] = 0
    move[np.abs(mesh.vertices[:, 1]) < 1e-9, 1] = 0  # stays in the mirror plane
    return np.asarray(move)


def cost(name: str, quality: str) -> None:
    """Print the processor time of slopes over that of solves, each with all that it takes."""
    air = Air()
    shape, motions = shipped(name)
    sizes = [mesh_size(quality, hz, air) for hz in FREQUENCIES_HZ]
    to = directions().vectors
    for frequency_hz, mesh in zip(FREQUENCIES_HZ, meshes(shape, sizes, {}), strict=True):
        problem = radiation(shape, motions, mesh, frequency_hz, air)
        settings = EngineSettings(tolerance=tolerance(quality))
        workspace, discretisation = Workspace(), discretise(mesh, shape.symmetry)
        prepared = prepare_slopes(mesh, shape.symmetry, discretisation)
        solves, three, one = [], [], []
        for _ in range(2):  # the first compiles
            start = time.process_time()
            solution = solve_burton_miller(
                problem, discretisation=discretisation, settings=settings, workspace=workspace
            )
            far = solution.far_field(to)
            solves.append(time.process_time() - start)
            # the beam around the axis, a floor bounce and the sides, as rows of the far field
            weights = np.stack([np.where(to @ axis > 0.8, far, 0) for axis in np.eye(3)])
            for some, times in ((weights, three), (weights[:1], one)):
                start = time.process_time()
                surface_slope(
                    problem, solution.surface_pressure, to, some,
                    prepared=prepared, workspace=workspace,
                )  # fmt: skip
                times.append(time.process_time() - start)
        print(
            f"{name} {frequency_hz:.0f} Hz ({mesh.n_triangles}): solve {solves[1]:.2f} s; slopes "
            f"over solve {three[1] / solves[1]:.2f} for three objectives, "
            f"{one[1] / solves[1]:.2f} for one"
        )


if __name__ == "__main__":
    main(*sys.argv[1:])
