# SPDX-License-Identifier: GPL-3.0-or-later
"""How far away a microphone must be so that the far-field law holds for a plate.

The calibration of a driver takes the pressure at the microphone, scaled to 1 m, for the far
field (`bafflelens.directivity.driver`). This prints the error in dB on the axis of the plain
baffle, and the change between a measurement at 1 m and one at 2 m, at draft quality.
"""

from __future__ import annotations

import numpy as np
from shapes import meshes, radiation, shipped

from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.mesh.quality import mesh_size

DISTANCES_M = (0.5, 1.0, 2.0, 4.0)
FREQUENCIES_HZ = (1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 6000.0, 8000.0)


def main() -> None:
    """Print the table."""
    air = Air()
    shape, motions = shipped("plain_baffle")
    print("level at the microphone scaled by distance less the far field, dB, on the axis of the")
    print("plain baffle, 210 x 400 mm")
    print("Hz    " + "".join(f"{distance:>8g} m" for distance in DISTANCES_M))
    worst = np.zeros(len(DISTANCES_M))
    for frequency_hz in FREQUENCIES_HZ:
        (mesh,) = meshes(shape, [mesh_size("draft", frequency_hz, air)], {})
        problem = radiation(shape, motions, mesh, frequency_hz, air)
        solution = solve(problem, engine="direct")
        far = abs(solution.far_field(np.array([[1.0, 0.0, 0.0]]))[0, 0])
        points = np.array([[distance, 0.0, 0.0] for distance in DISTANCES_M])
        near = np.abs(solution.pressure_at(points)[0]) * DISTANCES_M
        error_db = 20 * np.log10(near / far)
        worst = np.maximum(worst, np.abs(error_db))
        print(f"{frequency_hz:<6.0f}" + "".join(f"{error:>10.2f}" for error in error_db))
    print("worst " + "".join(f"{error:>10.2f}" for error in worst))


if __name__ == "__main__":
    main()
