# SPDX-License-Identifier: GPL-3.0-or-later
"""What the engine on a graphics card does: pairs a second, sizes, a full-band candidate.

`card.py FOLDER` reads the candidate's meshes from FOLDER, made by `card.py FOLDER --make` on a
machine with gmsh; without a folder they are made on the spot.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from candidate import AIR, candidate_bands, candidate_meshes, candidate_motions

from bafflelens.bem import card
from bafflelens.bem.card_mesh import CardFrequency, send
from bafflelens.bem.card_system import matrix_fits
from bafflelens.bem.gpu_engine import CardSettings, solve_on_card
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.sweep import power_balance, solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh


def main(folder: Path | None, make: bool) -> None:
    """Print the table."""
    if folder and make:
        folder.mkdir(parents=True, exist_ok=True)
        for n, mesh in enumerate(candidate_meshes()):
            mesh.save(folder / f"band{n}.npz")
        return
    if reason := card.missing_card():
        msg = f"not run: {reason}"
        raise SystemExit(msg)
    print(f"card: {card.card_name()}")
    pairs_a_second()
    sizes()
    meshes = (
        tuple(Mesh.load(folder / f"band{n}.npz") for n in range(len(candidate_bands())))
        if folder
        else candidate_meshes()
    )
    candidate(meshes)


def pairs_a_second() -> None:
    """Double-layer and hypersingular pairs formed and used, 60,000 by 60,000."""
    on_card, problem = send(_box(60_000)), None
    problem = _problem(on_card.mesh, 5000.0)
    frequency = CardFrequency.of(on_card, problem)
    vector = card.cupy.ones((1, on_card.size), dtype=np.complex64)
    seconds = _timed(lambda: frequency.layers(vector, single=False), 5)
    print(f"pairs: {on_card.size**2 / seconds / 1e9:.0f} billion a second, formed and used")


def sizes() -> None:
    """Time of one frequency at growing sizes, six elements a wavelength."""
    print(" unknowns   way          send s   solve s  iterations  residual  power balance")
    for wanted in (2_000, 8_000, 32_000, 65_000, 200_000):
        mesh = _box(wanted)
        frequency = AIR.sound_speed / 6.5 / np.sqrt(mesh.areas.mean() * 4 / 3**0.5)
        problem = _problem(mesh, min(frequency, 20_000.0))
        on_card = None

        def again(mesh=mesh):
            nonlocal on_card
            on_card = send(mesh)

        sending = _timed(again, 1)
        ways = {"iterative": CardSettings(direct=False)}
        if wanted <= 65_000:
            ways["direct"] = CardSettings(direct=True)
        for way, settings in ways.items():
            solution = None

            def solve(problem=problem, on_card=on_card, settings=settings):
                nonlocal solution
                solution = solve_on_card(problem, on_card=on_card, settings=settings)

            seconds = _timed(solve, 1)
            stored = "stored" if matrix_fits(mesh.n_triangles) else "on the fly"
            print(
                f"{mesh.n_triangles:9d}   {way:10s} {sending:8.2f} {seconds:9.2f} "
                f"{solution.iterations:11d} {solution.residual:9.1e} "
                f"{power_balance(solution):10.4f}   {stored}, {problem.frequency_hz:.0f} Hz",
                flush=True,
            )
            solution = None


def candidate(meshes: tuple[Mesh, ...]) -> None:
    """The vertical lens, 500 Hz to 20 kHz, standard quality: solving on finished meshes."""
    bands, (motions, symmetry) = candidate_bands(), candidate_motions()
    for turn in ("first", "second"):
        begun = time.perf_counter()
        count, failed = 0, 0
        for band, mesh in zip(bands, meshes, strict=True):
            result = solve_band(
                mesh, motions, band, air=AIR, directions=directions().vectors,
                symmetry=symmetry, engine="gpu",
            )  # fmt: skip
            count += len(result.outcomes)
            failed += sum(outcome.status == "failed" for outcome in result.outcomes)
        seconds = time.perf_counter() - begun
        print(
            f"candidate, {turn} time: {count} frequencies in {len(bands)} bands, "
            f"{min(m.n_triangles for m in meshes)} to {max(m.n_triangles for m in meshes)} "
            f"unknowns: {seconds:.2f} s, {failed} failed"
        )


def _box(wanted: int) -> Mesh:
    """A cabinet of 0.21 x 0.40 x 0.25 m in about so many equal triangles, piston in front."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
    import bodies

    size = np.array([0.25, 0.21, 0.40])
    area = 2 * (size[0] * size[1] + size[1] * size[2] + size[2] * size[0])
    edge = np.sqrt(4 * area / wanted)  # four triangles a square
    return bodies.box(tuple(size), tuple(int(n) for n in np.maximum(1, np.round(size / edge))))


def _problem(mesh: Mesh, frequency: float) -> HelmholtzProblem:
    x, y, z = mesh.centroids.T
    piston = (x > 0.1249) & (y**2 + z**2 < 0.015**2)
    return HelmholtzProblem(
        mesh=mesh, frequency_hz=frequency, air=AIR, normal_velocity=piston[None].astype(complex)
    )


def _timed(function, times: int) -> float:
    """Return the median time in s, warmed up where it is called more than once."""
    stream = card.cupy.cuda.get_current_stream()
    taken = []
    for _ in range(times + (times > 1)):
        stream.synchronize()
        begun = time.perf_counter()
        function()
        stream.synchronize()
        taken.append(time.perf_counter() - begun)
    return float(np.median(taken[times > 1 :]))


if __name__ == "__main__":
    given = [argument for argument in sys.argv[1:] if not argument.startswith("-")]
    main(Path(given[0]) if given else None, "--make" in sys.argv)
