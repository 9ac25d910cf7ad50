# SPDX-License-Identifier: GPL-3.0-or-later
"""The own engine against bempp-cl: the same sphere, the same conditions, the exact answers beside.

Usage: second_engine.py TRIANGLES [TRIANGLES ...]

Two conditions: a cap of 30 degrees moves, the exact model of a tweeter in a box, and the sphere
moves as a whole. bempp-cl assembles once and solves both; its whole time stands beside each of
the own engine's, which assembles for each and is the fastest of three. Processor time, over all
threads, is what other work on the machine disturbs least.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import analytic
import bodies
import numpy as np

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.medium import Air
from bafflelens.bem import bempp_engine
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.warm_up import warm_up

AIR = Air()
KA = 5.0
CAP = np.radians(30.0)
CONDITIONS = ("cap", "whole")
TRIANGLES_LOST = 0.87  # of those of equal size: the rings of the sphere hold whole numbers
ANGLES = np.radians(np.arange(0, 181, 5))
DIRECTIONS = np.stack([np.cos(ANGLES), np.sin(ANGLES), np.zeros_like(ANGLES)], axis=1)


def main(sizes: list[int]) -> None:
    """Print time and error of both engines and their ratios for each size."""
    bempp_engine.QUADRATURE_ORDER = 4  # the library's default
    warm_up(print)
    # Compile both engines before they are timed.
    solve(_problem(80), "bempp")
    solve(_problem(80), "direct")
    print(
        "triangles  moves    own s  processor s   error  bempp-cl s  processor s   error  "
        "ratio  of processor time"
    )
    for size in sizes:
        both = _problem(size)
        other, other_s, other_cpu_s = _timed(lambda both=both: solve(both, "bempp"), 1)
        for n, name in enumerate(CONDITIONS):
            one = replace(both, normal_velocity=both.normal_velocity[n : n + 1])
            own, own_s, own_cpu_s = _timed(lambda one=one: solve(one, "direct"), 3)
            exact = _exact(name, both)
            print(
                f"{both.mesh.n_triangles:9d}  {name:6s} {own_s:7.2f} {own_cpu_s:12.2f} "
                f"{_error(own.far_field(DIRECTIONS)[0], exact):7.4f} {other_s:11.1f} "
                f"{other_cpu_s:12.1f} {_error(other.far_field(DIRECTIONS)[n], exact):7.4f} "
                f"{other_s / own_s:6.0f} {other_cpu_s / own_cpu_s:6.0f}",
                flush=True,
            )


def _problem(size: int) -> HelmholtzProblem:
    """Return a sphere of about so many triangles; its cap and its whole are two sources."""
    edge = np.sqrt(TRIANGLES_LOST * 4 * np.pi / size * 4 / np.sqrt(3))
    mesh = bodies.capped_sphere(edge, CAP)
    along = mesh.centroids[:, 0] / np.linalg.norm(mesh.centroids, axis=1)
    return HelmholtzProblem(
        mesh=mesh,
        frequency_hz=KA * AIR.sound_speed / (2 * np.pi),
        air=AIR,
        normal_velocity=np.stack([along * (mesh.surface == "cap"), along]),
    )


def _exact(name: str, problem: HelmholtzProblem) -> ComplexArray:
    """Return the far field at `ANGLES`, for the volume velocity of the faceted cap."""
    if name == "whole":
        half_angle, flow, exact_flow = np.pi, 1.0, 1.0
    else:
        half_angle = CAP
        flow = float(np.real(problem.normal_velocity[0]) @ problem.mesh.areas)
        exact_flow = np.pi * np.sin(CAP) ** 2
    series = analytic.cap_on_sphere(KA, half_angle, ANGLES, "axial")
    return np.asarray(series * AIR.impedance / KA * flow / exact_flow)


def _error(field: ComplexArray, exact: ComplexArray) -> float:
    """Return the root mean square error over the angles, relative to the field's."""
    return float(np.linalg.norm(field - exact) / np.linalg.norm(exact))


def _timed(
    function: Callable[[], HelmholtzSolution], times: int
) -> tuple[HelmholtzSolution, float, float]:
    """Return what a function gives and its shortest wall and processor time."""
    wall, processor = [], []
    for _ in range(times):
        begun, begun_cpu = time.perf_counter(), time.process_time()
        solution = function()
        wall.append(time.perf_counter() - begun)
        processor.append(time.process_time() - begun_cpu)
    return solution, min(wall), min(processor)


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [2000])
