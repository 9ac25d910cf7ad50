# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes moved from those of one shape, against meshes that gmsh makes for each.

Both ways in one run, for lenses that differ a little in one dimension:

- Processor time of all processes, the waiting one without its start, for the meshes of a quick
  look (a draft at twelve frequencies), and the shortest time by the clock.
- Scatter: levels within 60 degrees on both orbits, at draft quality, over small equal steps of
  the dimension. What a parabola in the dimension leaves of them, direction by direction, is the
  meshes' own; a tolerance is judged by differences of such levels.
- How far the two ways are apart in these directions, down to -20 dB, against what draft states.

Usage: moved_meshes.py [time | scatter] [SHAPE KEY STEP ...]
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Sequence
from typing import Final

import numpy as np
from candidate import GUESS_HZ
from shapes import TIME_LIMIT_S, front_directions, radiation, shipped

from bafflelens.base import ready_process
from bafflelens.base.conventions import FloatArray
from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize, bands, mesh_size, stated_error_db
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape

AIR: Final = Air()
QUALITY: Final = "draft"
FREQUENCY_HZ: Final = 4e3
SHAPES: Final = (
    ("vertical_lens", "lens.wall_half_angle_deg", 0.1),
    ("spline_lens", "upper.mouth_height_mm", 0.1),
)
STEPS: Final = 4  # to each side


def main(arguments: Sequence[str]) -> None:
    """Print both tables, or the one asked for."""
    only = arguments[0] if arguments[:1] in (["time"], ["scatter"]) else ""
    rest = arguments[1:] if only else arguments
    chosen = [
        (name, key, float(step))
        for name, key, step in zip(rest[::3], rest[1::3], rest[2::3], strict=True)
    ] or SHAPES
    if only != "scatter":
        times(chosen)
    if only != "time":
        scatter(chosen)


def times(chosen: Sequence[tuple[str, str, float]]) -> None:
    """Print what the meshes of a quick look cost, made and moved."""
    sizes = [mesh_size(QUALITY, band.mesh_frequency_hz, AIR) for band in bands(GUESS_HZ, QUALITY)]
    print("quick look's meshes       made: processor, clock   moved: processor, clock   ratio")
    for name, key, step in chosen:
        shape, _ = shipped(name)
        anchors = _meshes(shape, {}, sizes)
        ready_process.close_all()
        found = []
        for given in (anchors[:0], anchors):
            shortest, begun = np.inf, 0.0
            for number in range(-1, 4):  # the first starts the process that waits
                start = time.perf_counter()
                _meshes(shape, {key: shape.defaults[key] + step * number}, sizes, given)
                shortest = min(shortest, time.perf_counter() - start)
                begun = begun or _processor_time()
            ready_process.close_all()  # its time is counted once it has ended
            found.append(((_processor_time() - begun) / 4, shortest))
        (made, made_clock), (moved, moved_clock) = found
        print(
            f"{name:22s} {made:12.2f} s {made_clock:6.2f} s {moved:16.2f} s {moved_clock:6.2f} s"
            f" {made / moved:8.1f}",
            flush=True,
        )


def scatter(chosen: Sequence[tuple[str, str, float]]) -> None:
    """Print what a parabola over small steps leaves of the levels, made and moved."""
    sizes = [mesh_size(QUALITY, FREQUENCY_HZ, AIR)]
    print(
        f"levels at {FREQUENCY_HZ:g} Hz, dB; a parabola leaves   made: rms, most  moved: rms, most"
    )
    for name, key, step in chosen:
        shape, _ = shipped(name)
        anchors = _meshes(shape, {}, sizes)
        made: list[FloatArray] = []
        moved: list[FloatArray] = []
        count = 0
        for number in range(-STEPS, STEPS + 1):
            values = {key: shape.defaults[key] + step * number}
            for levels, given in ((made, anchors[:0]), (moved, anchors)):
                (mesh,) = _meshes(shape, values, sizes, given)
                count += bool(mesh.places and mesh.places.is_moved)
                levels.append(_levels(shape, values, mesh))
        left = [_left_by_parabola(np.array(levels)) for levels in (made, moved)]
        rms = [float(np.sqrt((one**2).mean())) for one in left]
        heard = np.array(moved) > np.max(moved, axis=1, keepdims=True) - 20
        apart = float(np.abs(np.array(made) - np.array(moved))[heard].max())
        print(
            f"{name} {key} in steps of {step:g}: {rms[0]:.4f} {np.abs(left[0]).max():.4f}   "
            f"{rms[1]:.5f} {np.abs(left[1]).max():.5f}   ratio {rms[0] / rms[1]:.0f}\n"
            f"    {count} of {2 * STEPS + 1} moved; the two ways at most {apart:.3f} dB apart "
            f"(draft states {stated_error_db(QUALITY):g})",
            flush=True,
        )


def _meshes(
    shape: Shape,
    values: dict[str, float],
    sizes: Sequence[MeshSize],
    anchors: Sequence[Mesh] = (),
) -> tuple[Mesh, ...]:
    return mesh_shape(shape, {**shape.defaults, **values}, sizes, TIME_LIMIT_S, anchors)


def _levels(shape: Shape, values: dict[str, float], mesh: Mesh) -> FloatArray:
    """Return the levels in front, in dB."""
    motions = source_motions(shape, {**shape.defaults, **values})
    solution = solve(radiation(shape, motions, mesh, FREQUENCY_HZ, AIR))
    return np.asarray(20 * np.log10(np.abs(solution.far_field(front_directions())))).ravel()


def _left_by_parabola(levels: FloatArray) -> FloatArray:
    """Return what parabolas over equal steps (rows) leave of levels, direction by direction."""
    steps = np.linspace(-1, 1, len(levels))
    powers = np.vander(steps, 3)
    return np.asarray(levels - powers @ np.linalg.lstsq(powers, levels, rcond=None)[0])


def _processor_time() -> float:
    both = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return sum(used.ru_utime + used.ru_stime for used in both)


if __name__ == "__main__":
    main(sys.argv[1:])
