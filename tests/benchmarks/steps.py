# SPDX-License-Identifier: GPL-3.0-or-later
"""Steps of the iteration: what a residual costs and is worth, and what earlier frequencies save.

First every shipped shape, each quality on its own mesh: steps at several residuals, and by how
much the far field of both orbits within 60 degrees and 20 dB then differs from that at
`CONVERGED`. The matrix is formed once for all of them. A quality may leave a tenth of the error
that it states.

Then the frequencies of a lens's bands from the top down, as a run solves them, standard quality:
steps and processor time of the iteration with the solutions of so many earlier frequencies as
first guesses, and with Krylov vectors of the last frequency recycled besides (the harmonic Ritz
vectors nearest to zero, taken out of the iteration: M. L. Parks et al., SIAM J. Sci. Comput. 28
(2006) 1651, citation from memory). Ratios are to no guess in the same run.

Usage: steps.py [residuals | recycling] [SHAPE ...]
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

import numpy as np
from scipy import linalg
from shapes import GEOMETRIES, front_directions, meshes, radiation, shipped

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import assemble, expected_pressure
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.earlier_answers import envelope, guesses, ways_from_sources
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.iteration import best_start
from bafflelens.bem.layers import AtFrequency, single_layers
from bafflelens.bem.linear_solver import LinearSystem, solve_linear_system
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.system_matrix import Workspace
from bafflelens.mesh.quality import mesh_size, stated_error_db, tolerance

AIR = Air()
FREQUENCIES_HZ = {"draft": (4e3, 12e3), "standard": (2e3, 8e3), "fine": (2e3,)}
RESIDUALS = (3e-3, 1e-3, 5e-4, 2e-4, 1e-4)
CONVERGED = 1e-6
RECYCLED_FROM = "vertical_lens"
BANDS_HZ = {3000: np.arange(2200, 3001, 100), 5000: np.arange(3300, 5001, 340)}
EARLIER = (0, 1, 2, 3, 4, 6)
RITZ_VECTORS = (4, 8)


def main(what: list[str]) -> None:
    """Print both tables, or the one asked for."""
    names = what[1:] or sorted(path.stem for path in GEOMETRIES.glob("*.py"))
    if what[:1] != ["recycling"]:
        residuals(names)
    if what[:1] != ["residuals"]:
        recycling()


def residuals(names: list[str]) -> None:
    """Print steps and the change of the far field for every shape, quality and frequency."""
    print("shape            quality      Hz  unknowns  steps and largest dB, stated dB")
    print(" " * 42 + "".join(f"{residual:15.0e}" for residual in RESIDUALS))
    worst = {quality: np.zeros(len(RESIDUALS)) for quality in FREQUENCIES_HZ}
    total = {quality: np.zeros(len(RESIDUALS)) for quality in FREQUENCIES_HZ}
    for name in names:
        shape, motions = shipped(name)
        for quality, chosen in FREQUENCIES_HZ.items():
            rules = [mesh_size(quality, frequency, AIR) for frequency in chosen]
            for frequency, mesh in zip(chosen, meshes(shape, rules, {}), strict=True):
                problem = radiation(shape, motions, mesh, frequency, AIR)
                system, sides = _system(problem, tolerance(quality))
                reference = _levels(problem, _solved(system, sides, CONVERGED)[0])
                heard = reference > reference.max(axis=1, keepdims=True) - 20
                row = []
                for residual in RESIDUALS:
                    pressure, steps = _solved(system, sides, residual)
                    off = np.abs(_levels(problem, pressure) - reference)[heard].max()
                    row.append((steps, off))
                steps, off = np.array(row).T
                total[quality] += steps
                worst[quality] = np.maximum(worst[quality], off)
                cells = "".join(f"{s:7d} {o:7.4f}" for s, o in row)
                print(
                    f"{name:16s} {quality:8s} {frequency:6.0f} {mesh.n_triangles:9d} {cells}",
                    flush=True,
                )
    for quality in FREQUENCIES_HZ:
        share = total[quality] / total[quality][-1]
        print(
            f"{quality}: in use {tolerance(quality):.0e}, allowed "
            f"{0.1 * stated_error_db(quality):.2f} dB; largest dB and steps against 1e-4: "
            + ", ".join(
                f"{residual:.0e}: {off:.3f}, {part:.2f}"
                for residual, off, part in zip(RESIDUALS, worst[quality], share, strict=True)
            )
        )


@dataclass(frozen=True)
class _Iterated:
    pressure: ComplexArray
    steps: int
    seconds: float
    ritz: ComplexArray


def recycling() -> None:
    """Print what earlier frequencies save in the bands of a lens."""
    shape, motions = shipped(RECYCLED_FROM)
    quality = "standard"
    ways = [(earlier, 0) for earlier in EARLIER]
    ways += [(earlier, ritz) for earlier in (0, 6) for ritz in RITZ_VECTORS]
    for mesh_hz, frequencies in BANDS_HZ.items():
        (mesh,) = meshes(shape, [mesh_size(quality, mesh_hz, AIR)], {})
        path = ways_from_sources(mesh, motions)
        found: dict[tuple[int, int], list[_Iterated]] = {way: [] for way in ways}
        wavenumbers: list[float] = []
        multiplied = 0.0
        for frequency in frequencies[::-1]:
            problem = radiation(shape, motions, mesh, float(frequency), AIR)
            system, sides = _system(problem, tolerance(quality))
            multiplied = _seconds(lambda: system.multiply(sides[:1]), 3)  # noqa: B023
            for way in ways:
                earlier, number = way
                known = [
                    envelope(each.pressure, wavenumber, path)
                    for wavenumber, each in zip(wavenumbers, found[way], strict=True)
                ]
                spanned = guesses(known[-earlier:] if earlier else [], problem.wavenumber, path)
                ritz = found[way][-1].ritz[:number] if number and found[way] else None
                found[way].append(
                    _iterate(system, sides, tolerance(quality), spanned, ritz, number)
                )
            wavenumbers.append(problem.wavenumber)
        step_hz = abs(frequencies[1] - frequencies[0])
        print(
            f"{RECYCLED_FROM}, {mesh.n_triangles} unknowns, {len(frequencies)} frequencies to "
            f"{mesh_hz} Hz, {step_hz:.0f} Hz apart; one product {multiplied * 1e3:.1f} ms"
        )
        print(
            "earlier  Ritz vectors  steps                          mean  processor s  of no guess"
        )
        whole = sum(each.seconds for each in found[ways[0]])
        for earlier, number in ways:
            each = found[earlier, number]
            steps, seconds = [one.steps for one in each], sum(one.seconds for one in each)
            print(
                f"{earlier:7d} {number:13d}  {' '.join(map(str, steps)):30s} "
                f"{np.mean(steps):5.1f} {seconds:12.3f} {seconds / whole:12.2f}",
                flush=True,
            )


def _iterate(
    system: LinearSystem,
    sides: ComplexArray,
    residual: float,
    guesses: ComplexArray | None,
    ritz: ComplexArray | None,
    wanted: int,
) -> _Iterated:
    """Solve for one side by GMRES, with what is recycled taken out of the iteration."""
    begun = time.process_time()
    size = sides.shape[1]
    basis = np.zeros((0, size), complex) if ritz is None else ritz
    images = system.multiply(basis).T if len(basis) else np.zeros((size, 0), complex)
    orthogonal, triangle = np.linalg.qr(images)
    start = best_start(system.multiply, sides[:1], guesses, np)
    solution, left = start.solutions[0], start.residuals[0]
    if len(basis):
        weights = orthogonal.conj().T @ left
        solution = solution + np.linalg.solve(triangle, weights) @ basis
        left = left - orthogonal @ weights
    goal = residual * np.linalg.norm(sides[0])
    scale = np.linalg.norm(left)
    krylov, images_of = [left / scale], []
    hessenberg = np.zeros((101, 100), complex)
    shares = np.zeros((len(basis), 100), complex)
    steps, weights = 0, np.zeros(0, complex)
    while steps < 100 and scale > goal:
        image = system.multiply(krylov[-1][None])[0]
        images_of.append(image)
        steps += 1
        shares[:, steps - 1] = orthogonal.conj().T @ image
        vector = image - orthogonal @ shares[:, steps - 1]
        stack = np.array(krylov)
        for _ in range(2):
            parts = stack.conj() @ vector
            vector = vector - parts @ stack
            hessenberg[:steps, steps - 1] += parts
        length = np.linalg.norm(vector)
        hessenberg[steps, steps - 1] = length
        krylov.append(vector / length)
        target = np.zeros(steps + 1, complex)
        target[0] = scale
        small = hessenberg[: steps + 1, :steps]
        weights = np.linalg.lstsq(small, target, rcond=None)[0]
        if np.linalg.norm(small @ weights - target) <= goal:
            break
    if steps:
        solution = solution + weights @ np.array(krylov[:steps])
        if len(basis):
            solution = solution - np.linalg.solve(triangle, shares[:, :steps] @ weights) @ basis
    found = np.zeros((0, size), complex)
    if wanted:
        found = _ritz(
            np.array([*basis, *krylov[:steps]]), np.array([*images.T, *images_of]), wanted
        )
    return _Iterated(solution[None], steps, time.process_time() - begun, found)


def _ritz(vectors: ComplexArray, images: ComplexArray, wanted: int) -> ComplexArray:
    """Return the harmonic Ritz vectors with values nearest to zero, (at most wanted, size)."""
    if not len(vectors):
        return vectors
    left, right = images.conj() @ images.T, images.conj() @ vectors.T
    values, shares = linalg.eig(left, right)
    chosen = np.argsort(np.abs(values))[:wanted]
    return np.ascontiguousarray(np.linalg.qr((shares[:, chosen].T @ vectors).T)[0].T)


def _system(problem: HelmholtzProblem, residual: float) -> tuple[LinearSystem, ComplexArray]:
    at = AtFrequency(discretise(problem.mesh, problem.symmetry), problem.wavenumber)
    sides = single_layers(at, at.everywhere, np.asarray(problem.pressure_gradient))
    expected = expected_pressure(sides, 0.1)
    return assemble(at, EngineSettings(tolerance=residual), Workspace(), expected), sides


def _solved(
    system: LinearSystem, sides: ComplexArray, residual: float
) -> tuple[ComplexArray, int]:
    found = solve_linear_system(system, sides, tolerance=residual)
    return found.solutions, found.iterations


def _levels(problem: HelmholtzProblem, pressure: ComplexArray) -> ComplexArray:
    solution = HelmholtzSolution(
        problem=problem,
        surface_pressure=pressure,
        engine="direct",
        iterations=0,
        residual=0.0,
        remarks=(),
    )
    return 20 * np.log10(np.abs(solution.far_field(front_directions())))


def _seconds(work: Callable[[], object], times: int) -> float:
    """Return the least processor time of a few trials."""
    seconds = []
    for _ in range(times):
        begun = time.process_time()
        work()
        seconds.append(time.process_time() - begun)
    return min(seconds)


if __name__ == "__main__":
    main(sys.argv[1:])
