# SPDX-License-Identifier: GPL-3.0-or-later
"""What the 5 degree grid of the sphere costs where it is used: the means over bounce patches.

Power, directivity index and power balance do not depend on that grid: they come from the surface,
and from a product rule as fine as the body asks for (`sweep.power_balance`). Bounces are energy
means over 20 by 60 degrees of the grid, here compared with grids of 2.5 and 0.625 degrees.
"""

from __future__ import annotations

import numpy as np
from shapes import meshes, radiation, shipped

from bafflelens.base.conventions import direction_vectors
from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzSolution
from bafflelens.bem.warm_up import warm_up
from bafflelens.mesh.quality import mesh_size
from bafflelens.scoring.criteria import PATCH_HALF_HEIGHT_DEG, PATCH_HALF_WIDTH_DEG

AIR = Air()
FREQUENCIES_HZ = (3000.0, 6000.0, 10_000.0, 16_000.0)
ELEVATIONS_DEG = (-34.0, 45.0, -20.0, 60.0)
FINEST_DEG = 0.625


def main() -> None:
    """Print the largest error in dB over four elevations, by shape and frequency."""
    warm_up(print)
    print("shape              Hz   5 degrees   2.5 degrees")
    for name in ("plain_baffle", "vertical_lens"):
        shape, motions = shipped(name)
        for frequency in FREQUENCIES_HZ:
            (mesh,) = meshes(shape, [mesh_size("standard", frequency, AIR)], {})
            problem = radiation(shape, motions, mesh, frequency, AIR)
            solution = solve(problem, "direct")
            off = [
                max(
                    abs(patch_db(solution, angle, step) - patch_db(solution, angle, FINEST_DEG))
                    for angle in ELEVATIONS_DEG
                )
                for step in (5.0, 2.5)
            ]
            print(f"{name:14} {frequency:6.0f} {off[0]:11.3f} {off[1]:13.3f}", flush=True)


def patch_db(solution: HelmholtzSolution, elevation_deg: float, step_deg: float) -> float:
    """Return the energy mean over a patch in dB, on a grid of so many degrees."""
    angles = np.arange(-90, 90 + step_deg / 2, step_deg)
    azimuth, elevation = (grid.ravel() for grid in np.meshgrid(angles, angles))
    half = step_deg / 2
    bottom = np.maximum(elevation - half, elevation_deg - PATCH_HALF_HEIGHT_DEG)
    top = np.minimum(elevation + half, elevation_deg + PATCH_HALF_HEIGHT_DEG)
    height = np.maximum(np.sin(np.radians(top)) - np.sin(np.radians(bottom)), 0)
    width = np.minimum(azimuth + half, PATCH_HALF_WIDTH_DEG) - np.maximum(
        azimuth - half, -PATCH_HALF_WIDTH_DEG
    )
    share = height * np.maximum(width, 0)
    chosen = share > 0
    field = solution.far_field(direction_vectors(azimuth[chosen], elevation[chosen]))[0]
    return float(10 * np.log10(np.abs(field) ** 2 @ share[chosen] / share.sum()))


if __name__ == "__main__":
    main()
