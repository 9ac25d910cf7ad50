# SPDX-License-Identifier: GPL-3.0-or-later
"""Error of each quality level against a finer mesh, within 60 degrees on both orbits."""

from __future__ import annotations

import time

import numpy as np
from shapes import front_directions, meshes, shipped

from bafflelens.bem import HelmholtzProblem
from bafflelens.bem.burton_miller import Settings, solve_burton_miller
from bafflelens.medium import Air
from bafflelens.quality import MeshSize, mesh_size, tolerance
from bafflelens.source import normal_velocity

AIR = Air()
CASES = (
    ("plain_baffle", {}),
    ("vertical_lens", {}),
    # opening, wall and lip: 15 mm deep, 40 mm deep, and a thin lip
    ("vertical_lens", {"lens.opening_height_mm": 90.0, "lens.wall_half_angle_deg": 62.0}),
    ("vertical_lens", {"lens.lip_radius_mm": 5.0}),
)
# (frequency, elements a wavelength, growth) of the reference mesh
REFERENCES = ((1000.0, 20.0, 1.0), (2500.0, 14.0, 1.0), (5000.0, 12.0, 1.0), (12000.0, 9.0, 1.5))


def main() -> None:
    """Print a line a shape, frequency and level."""
    print("shape          Hz     level     triangles  reference  largest (dB)  rms (dB)  seconds")
    for name, values in CASES:
        for frequency, elements, growth in REFERENCES:
            _one(name, values, frequency, elements, growth)


def _one(name, values, frequency, elements, growth):
    shape, motions = shipped(name)
    fine = MeshSize(
        source_size_m=AIR.sound_speed / frequency / elements,
        growth=growth,
        growth_distance_m=0.25,
        largest_m=0.02,
        curvature_elements=16,
    )
    levels = ("draft", "standard")
    made = meshes(shape, [fine, *(mesh_size(level, frequency, AIR) for level in levels)], values)
    reference, _ = _level(shape, motions, made[0], frequency, 1e-4)
    counts = reference > reference.max() - 20
    for level, mesh in zip(levels, made[1:], strict=True):
        found, seconds = _level(shape, motions, mesh, frequency, tolerance(level))
        error = (found - reference)[counts]
        note = ", ".join(f"{key.split('.')[1]} {value:g}" for key, value in values.items())
        print(
            f"{name:14s} {frequency:6.0f} {level:9s} {mesh.n_triangles:9d} "
            f"{made[0].n_triangles:10d} {np.abs(error).max():13.2f} "
            f"{np.sqrt(np.mean(error**2)):9.2f} {seconds:8.2f}  {note}",
            flush=True,
        )


def _level(shape, motions, mesh, frequency, residual):
    begun = time.perf_counter()
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=frequency,
        air=AIR,
        normal_velocity=normal_velocity(mesh, motions, frequency),
        symmetry=shape.symmetry,
    )
    solution = solve_burton_miller(problem, settings=Settings(tolerance=residual))
    far = solution.far_field(front_directions())[0]
    return 20 * np.log10(np.abs(far)), time.perf_counter() - begun


if __name__ == "__main__":
    main()
