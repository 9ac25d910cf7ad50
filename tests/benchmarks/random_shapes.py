# SPDX-License-Identifier: GPL-3.0-or-later
"""Random draws over all shapes: each gives a sound mesh or a refusal, and none hangs.

    python tests/benchmarks/random_shapes.py [number of meshes] [seed]

Draws go round all scripts in ``geometries/`` until the number of meshes (300) is reached; what
breaks a rule on the way is a refusal and counted. Every shape is meshed twice, coarsely and
finely, and is sound if each mesh is closed, faces outwards, crosses itself nowhere, has the
surfaces of its sources, and no more than 0.1 % of its triangles (or one) under 10 degrees. One in
ten is solved at 600 Hz, and the power far away compared with that at the surface.
"""

from __future__ import annotations

import random
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "geometries"))

from draws import draw_values  # noqa: E402

from bafflelens.base.errors import BafflelensError  # noqa: E402
from bafflelens.base.medium import Air  # noqa: E402
from bafflelens.bem.engines import solve  # noqa: E402
from bafflelens.bem.problem import HelmholtzProblem  # noqa: E402
from bafflelens.bem.sweep import power_balance  # noqa: E402
from bafflelens.mesh.mesh import Mesh  # noqa: E402
from bafflelens.mesh.quality import MeshSize  # noqa: E402
from bafflelens.mesh.source_motion import normal_velocity  # noqa: E402
from bafflelens.shapes.meshing.geometry import mesh_shape  # noqa: E402
from bafflelens.shapes.meshing.loading import check_parameters, load_shape  # noqa: E402
from bafflelens.shapes.meshing.moving_parts import source_motions  # noqa: E402
from bafflelens.shapes.meshing.parameters import Shape  # noqa: E402

MESHES = 300
SOLVED = 10  # one in so many
FREQUENCY_HZ = 600.0
TIME_LIMIT_S = 60.0
SMALL_ANGLE_DEG, SMALL_ANGLE_SHARE = 10.0, 1e-3
POWER_TOLERANCE = 0.02
SIZES = tuple(
    MeshSize(
        source_size_m=edge,
        growth=2.0,
        growth_distance_m=0.2,
        largest_m=0.04,
        curvature_elements=8,
    )
    for edge in (0.03, 0.008)
)


@dataclass
class Tally:
    """What came of the draws."""

    refused: dict[str, int] = field(default_factory=dict)
    sound: dict[str, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    balances: list[float] = field(default_factory=list)


def main(meshes: int = MESHES, seed: int = 1) -> int:
    """Draw, mesh and solve; print what came of it and return how many are unsound."""
    shapes = [load_shape(path) for path in sorted((ROOT / "geometries").glob("*.py"))]
    generator = random.Random(seed)
    tally = Tally()
    for number in range(meshes):
        shape = shapes[number % len(shapes)]
        values = _next_values(shape, generator, tally)
        fault = _try(shape, values, tally, solved=number % SOLVED == 0)
        if fault:
            tally.faults.append(f"{shape.name}: {fault}; {_changed(shape, values)}")
        else:
            tally.sound[shape.name] = tally.sound.get(shape.name, 0) + 1
        if (number + 1) % 20 == 0:
            print(f"{number + 1} of {meshes}, {len(tally.faults)} unsound", flush=True)
    for shape in shapes:
        refused, sound = tally.refused.get(shape.name, 0), tally.sound.get(shape.name, 0)
        print(f"{shape.name:18} {sound:4} sound, {refused:5} refused")
    print(
        f"two meshes: median {np.median(tally.seconds):.1f} s, longest {max(tally.seconds):.1f} s"
    )
    off = np.abs(np.array(tally.balances) - 1)
    print(f"power balance of {len(off)}: median {np.median(off):.2%}, largest {off.max():.2%} off")
    print("\n".join(tally.faults) or "all sound")
    return len(tally.faults)


def _next_values(shape: Shape, generator: random.Random, tally: Tally) -> dict[str, float]:
    """Return the next draw that breaks no rule, and count those that do."""
    while True:
        values = draw_values(shape, generator)
        if not check_parameters(shape, values):
            return values
        tally.refused[shape.name] = tally.refused.get(shape.name, 0) + 1


def _try(shape: Shape, values: dict[str, float], tally: Tally, *, solved: bool) -> str:
    """Mesh a draw, and solve it if asked; return what is wrong, or nothing."""
    begin = time.perf_counter()
    try:
        meshes = mesh_shape(shape, values, SIZES, TIME_LIMIT_S)
    except BafflelensError as error:
        return str(error)
    tally.seconds.append(time.perf_counter() - begin)
    for mesh in meshes:
        few = int((mesh.smallest_angles_deg < SMALL_ANGLE_DEG).sum())
        if few > max(1, SMALL_ANGLE_SHARE * mesh.n_triangles):
            return f"{few} of {mesh.n_triangles} triangles under {SMALL_ANGLE_DEG:g} degrees"
    if solved:
        tally.balances.append(_balance(shape, values, meshes[0]))
        if abs(tally.balances[-1] - 1) > POWER_TOLERANCE:
            return f"power balance {tally.balances[-1]:.4f}"
    return ""


def _balance(shape: Shape, values: dict[str, float], mesh: Mesh) -> float:
    """Return the power through the surface over that far away, all sources driven alike."""
    velocity = normal_velocity(mesh, source_motions(shape, values), FREQUENCY_HZ)
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=FREQUENCY_HZ,
        air=Air(),
        normal_velocity=velocity.sum(axis=0, keepdims=True),
        symmetry=shape.symmetry,
    )
    return float(power_balance(solve(problem)))


def _changed(shape: Shape, values: dict[str, float]) -> str:
    defaults = shape.defaults
    return ", ".join(
        f"{key} = {value:g}" for key, value in values.items() if value != defaults[key]
    )


if __name__ == "__main__":
    sys.exit(min(main(*(int(word) for word in sys.argv[1:3])), 1))
