# SPDX-License-Identifier: GPL-3.0-or-later
"""Error of each quality level against a uniform mesh more than twice as fine.

Both orbits within 60 degrees of the axis, where the level is above -20 dB re maximum. The uniform
meshes need a graphics card above some 5 kHz; without one those lines are left out, and said so.

`convergence.py FOLDER` reads the meshes from FOLDER, made by `convergence.py FOLDER --make` on a
machine with gmsh (minutes); without a folder they are made on the spot.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from shapes import front_directions, meshes, radiation, shipped

from bafflelens.base.medium import Air
from bafflelens.bem import card
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.gpu_engine import CardSettings, solve_on_card
from bafflelens.bem.sweep import power_balance
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import QUALITIES, MeshSize, mesh_size, tolerance

AIR = Air()
LENS = "vertical_lens"
CASES = {
    "plain baffle": ("plain_baffle", {}),
    "lens, 15 mm deep": (
        LENS,
        {
            "lens.opening_height_mm": 90.0,
            "lens.wall_half_angle_deg": 62.0,
            "lens.side_angle_deg": 84.0,
        },
    ),
    "lens, 40 mm deep": (
        LENS,
        {"lens.opening_height_mm": 120.0, "lens.wall_half_angle_deg": 47.0},
    ),
    "lens, thin lips": (LENS, {"lens.lip_radius_mm": 5.0}),
}
# Frequency and elements a wavelength of the uniform mesh: more than twice those of `fine`, but
# at 20 kHz, where that would be 900,000 elements.
REFERENCES = (
    (500.0, 22.5),
    (1000.0, 22.5),
    (2000.0, 22.5),
    (4000.0, 22.5),
    (8000.0, 22.5),
    (12000.0, 22.5),
    (20000.0, 16.0),
)
LARGEST_ON_PROCESSOR = 26_000


def main(folder: Path | None, make: bool) -> None:
    """Print a line a shape, frequency and level."""
    print("shape              Hz     level     triangles  reference  largest dB  rms dB  balance")
    for number, (name, (script, values)) in enumerate(CASES.items()):
        for frequency, elements in REFERENCES:
            files = [
                (folder or Path()) / f"case{number}-{frequency:.0f}-{level}.npz"
                for level in ("reference", *QUALITIES)
            ]
            if make and all(file.exists() for file in files):
                continue
            if folder and not make:
                if not all(file.exists() for file in files):
                    continue
                found = [_load(file) for file in files]
            else:
                found = _make(script, values, frequency, elements)
            if make:
                folder.mkdir(parents=True, exist_ok=True)
                for file, mesh in zip(files, found, strict=True):
                    _save(file, mesh)
                print(name, frequency, [mesh.n_triangles for mesh in found], flush=True)
            else:
                _compare(name, script, frequency, found)


def _make(script: str, values: dict[str, float], frequency: float, elements: float) -> list[Mesh]:
    shape, _ = shipped(script)
    size = AIR.sound_speed / frequency / elements
    uniform = MeshSize(
        source_size_m=size,
        growth=1.0,
        growth_distance_m=0.25,
        largest_m=min(size, 0.015),
        curvature_elements=48,
    )
    rules = [uniform, *(mesh_size(level, frequency, AIR) for level in QUALITIES)]
    return list(meshes(shape, rules, values))


def _save(file: Path, mesh: Mesh) -> None:
    """Write a mesh small: 0.1 um steps, numbers of vertices as differences."""
    names, number = np.unique(mesh.surface, return_inverse=True)
    steps = np.round(mesh.vertices * 1e7).astype(np.int32)
    np.savez_compressed(
        file,
        vertices=np.diff(steps, axis=0, prepend=0),
        triangles=np.diff(mesh.triangles.astype(np.int32), axis=0, prepend=0),
        names=names,
        surface=number.astype(np.uint8),
    )


def _load(file: Path) -> Mesh:
    with np.load(file) as data:
        return Mesh(
            np.cumsum(data["vertices"], axis=0, dtype=np.int64) * 1e-7,
            np.cumsum(data["triangles"], axis=0, dtype=np.int64),
            data["names"][data["surface"]],
        )


def _compare(name: str, script: str, frequency: float, found: list[Mesh]) -> None:
    if found[0].n_triangles > LARGEST_ON_PROCESSOR and card.missing_card():
        print(f"{name:16s} {frequency:6.0f} left out: {found[0].n_triangles} triangles, no card")
        return
    begun = time.perf_counter()
    reference, _ = _level(script, found[0], frequency, 1e-4)
    seconds = time.perf_counter() - begun
    counts = reference > reference.max() - 20
    for level, mesh in zip(QUALITIES, found[1:], strict=True):
        given, balance = _level(script, mesh, frequency, tolerance(level))
        error = (given - reference)[counts]
        print(
            f"{name:16s} {frequency:6.0f} {level:9s} {mesh.n_triangles:9d} "
            f"{found[0].n_triangles:10d} {np.abs(error).max():11.2f} "
            f"{np.sqrt(np.mean(error**2)):7.2f} {balance:8.4f}"
            + (f"   reference {seconds:.0f} s" if level == "draft" else ""),
            flush=True,
        )


def _level(script: str, mesh: Mesh, frequency: float, residual: float):
    shape, motions = shipped(script)
    problem = radiation(shape, motions, mesh, frequency, AIR)
    if card.missing_card():
        solution = solve_burton_miller(problem, settings=EngineSettings(tolerance=residual))
    else:
        solution = solve_on_card(problem, settings=CardSettings(tolerance=residual))
    far = solution.far_field(front_directions())[0]
    return 20 * np.log10(np.abs(far)), power_balance(solution)


if __name__ == "__main__":
    given = [argument for argument in sys.argv[1:] if not argument.startswith("-")]
    main(Path(given[0]) if given else None, "--make" in sys.argv)
