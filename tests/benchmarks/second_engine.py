# SPDX-License-Identifier: GPL-3.0-or-later
"""The own engine against bempp-cl: the same sphere, the same condition, the exact answer beside.

Usage: second_engine.py TRIANGLES [TRIANGLES ...]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import analytic
import bodies
import numpy as np

from bafflelens.bem import HelmholtzProblem, bempp_engine, solve, warm_up
from bafflelens.medium import Air

AIR = Air()
KA = 5.0


def main(sizes: list[int]) -> None:
    """Print time and error of both engines and their ratio for each size."""
    bempp_engine.QUADRATURE_ORDER = 4  # the library's default
    warm_up(print)
    # Compile the other engine before it is timed.
    solve(_problem(4), "bempp")
    print("triangles  own (s)  own error  bempp (s)  bempp error  ratio of times")
    for size in sizes:
        problem = _problem(max(2, round(np.sqrt(size / 20))))
        exact = np.abs(analytic.oscillating_sphere(KA, 1.0, 1e6, 0.0, rho_c=AIR.impedance)) * 1e6
        times, errors = [], []
        for engine in ("direct", "bempp"):
            begun = time.perf_counter()
            far = solve(problem, engine).far_field(np.array([[1.0, 0.0, 0.0]]))[0, 0]
            times.append(time.perf_counter() - begun)
            errors.append(abs(abs(far) / exact - 1))
        print(
            f"{problem.mesh.n_triangles:9d} {times[0]:8.2f} {errors[0]:10.4f} {times[1]:10.1f} "
            f"{errors[1]:12.4f} {times[1] / times[0]:15.0f}",
            flush=True,
        )


def _problem(divisions: int) -> HelmholtzProblem:
    mesh = bodies.icosphere(divisions)
    velocity = mesh.centroids[:, 0] / np.linalg.norm(mesh.centroids, axis=1)
    return HelmholtzProblem(
        mesh=mesh,
        frequency_hz=KA * AIR.sound_speed / (2 * np.pi),
        air=AIR,
        normal_velocity=velocity[None],
    )


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [2000])
