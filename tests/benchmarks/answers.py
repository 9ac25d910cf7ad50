# SPDX-License-Identifier: GPL-3.0-or-later
"""What answers of earlier shapes on one mesh save: steps and processor time, and what it costs.

The mesh of a lens is moved by four smooth bumps of at most `LARGEST_M`; so many shapes are solved,
then `NEW` others with the answers of 0, 1, 4, 8 and 12 of them as first guesses. Given are the
residual that the sampled rows tell of the guess, over what it is on all rows and over that of the
best combination; steps to the residual that the quality asks for, processor time of the whole
frequency and its ratio to that without answers in the same run, and by how much the far field
within 60 degrees and 20 dB differs from a solve to `CONVERGED`.

Then a band as a run solves it, its frequencies from the top down with those before as guesses:
its processor time with and without answers of `SHAPES` shapes.

Usage: answers.py [one | band] [HZ ...]
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

import numpy as np
from shapes import front_directions, meshes, radiation, shipped
from whole_equation import WholeEquation, largest_db

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.combination import best_combination
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.earlier_answers import (
    EarlierAnswers,
    envelope,
    guesses,
    made_for,
    ways_from_sources,
)
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.iteration import best_start
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.sweep import solve_band
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, mesh_size, tolerance

AIR = Air()
SHAPE = "vertical_lens"
FREQUENCIES_HZ = (3000.0, 8000.0)
SIZES = (0, 1, 4, 8, 12)
SHAPES = 12
NEW = 3
LARGEST_M = 4e-3
BUMP_M = 0.022
BUMPS_M = ((0.03, 0.05), (0.03, -0.05), (0.06, 0.0), (0.0, 0.09))
AT_REST_M = 0.012  # from the moving surfaces
CONVERGED = 1e-6
STEP_HZ = 350.0


def main(what: list[str]) -> None:
    """Print both tables, or the one asked for."""
    chosen = [float(hz) for hz in what if hz.replace(".", "").isdigit()] or FREQUENCIES_HZ
    for frequency_hz in chosen:
        shape, motions = shipped(SHAPE)
        (mesh,) = meshes(shape, [mesh_size("standard", frequency_hz, AIR)], {})
        made = moved_shapes(mesh, {n for m in motions for n in m.piston_surfaces})
        if what[:1] != ["band"]:
            one_frequency(frequency_hz, made)
        if what[:1] != ["one"]:
            a_band(frequency_hz, made)


def moved_shapes(mesh: Mesh, moving: set[str]) -> list[Mesh]:
    """Return a mesh moved by bumps of random height along the axis."""
    corners = mesh.vertices[np.unique(mesh.triangles[np.isin(mesh.surface, list(moving))])]
    near = np.array([np.linalg.norm(corners - v, axis=1).min() for v in mesh.vertices])
    share = 1 - np.exp(-((near / AT_REST_M) ** 2))
    share /= 1 + np.exp(-(mesh.vertices[:, 0] + 0.03) / 0.006)  # the front, not the rear
    y, z = mesh.vertices[:, 1], mesh.vertices[:, 2]
    bumps = [
        np.exp(-((y - left) ** 2 + (z - up) ** 2) / (2 * BUMP_M**2)) * share
        for left, up in BUMPS_M
    ]
    random, found = np.random.default_rng(1), []
    while len(found) < SHAPES + NEW:
        vertices = mesh.vertices.copy()
        vertices[:, 0] += random.uniform(-LARGEST_M, LARGEST_M, len(bumps)) @ np.array(bumps)
        moved = Mesh(vertices, mesh.triangles, mesh.surface)
        if not len(crossing_triangles(moved)):
            found.append(moved)
    return found


def one_frequency(frequency_hz: float, made: list[Mesh]) -> None:
    """Print what answers of so many shapes save at one frequency."""
    shape, motions = shipped(SHAPE)
    settings = EngineSettings(tolerance=tolerance("standard"))
    wavenumber = AIR.wavenumber(frequency_hz)

    def solved(
        mesh: Mesh, spanned: ComplexArray | None, settings: EngineSettings
    ) -> tuple[HelmholtzSolution, float]:
        problem = radiation(shape, motions, mesh, frequency_hz, AIR)
        discretisation = discretise(mesh, shape.symmetry)
        begun = time.process_time()
        found = solve_burton_miller(
            problem,
            discretisation=discretisation,
            settings=settings,
            guesses=spanned,
        )
        return found, time.process_time() - begun

    solved(made[0], None, settings)  # compiles
    known = [
        envelope(
            solved(mesh, None, settings)[0].guess, wavenumber, ways_from_sources(mesh, motions)
        )
        for mesh in made[:SHAPES]
    ]
    print(f"{SHAPE}, {frequency_hz:.0f} Hz, {made[0].n_triangles} unknowns, {NEW} new shapes")
    print("shapes  first residual  over true  over best  steps      seconds  ratio  largest dB")
    alone = 0.0
    for size in SIZES:
        residuals, told, more, steps, seconds, off = [], [], [], [], [], []
        for mesh in made[SHAPES:]:
            spanned = guesses(known[:size], wavenumber, ways_from_sources(mesh, motions))
            found, took = solved(mesh, spanned, settings)
            exact, _ = solved(mesh, None, replace(settings, tolerance=CONVERGED))
            residuals.append(found.start_residual)
            if size:
                true, best = true_residuals(found.problem, spanned)
                told.append(found.start_residual / true)
                more.append(true / best)
            steps.append(found.iterations)
            seconds.append(took)
            off.append(largest_db(found, exact))
        alone = alone or sum(seconds)
        print(
            f"{size:6d} {max(residuals):15.1e}  {_range(told)}  {_range(more)}  "
            f"{' '.join(map(str, steps)):10s} "
            f"{sum(seconds) / NEW:7.3f} {sum(seconds) / alone:6.2f} {max(off):11.4f}",
            flush=True,
        )


def true_residuals(problem: HelmholtzProblem, spanned: ComplexArray) -> tuple[float, float]:
    """Return what the combination from sampled rows leaves of all rows, and what the best does."""
    whole = WholeEquation(problem)
    combined = best_combination(problem, whole.at, spanned)
    best = best_start(whole.multiply, whole.sides, spanned, np).residuals
    return whole.left_by(combined.pressure), whole.relative(best)


def _range(ratios: list[float]) -> str:
    return f"{min(ratios):.2f}-{max(ratios):.2f}" if ratios else " " * 9


def a_band(top_hz: float, made: list[Mesh]) -> None:
    """Print what answers of `SHAPES` shapes save in a band of frequencies."""
    shape, motions = shipped(SHAPE)
    frequencies = tuple(np.arange(top_hz, top_hz / 2 ** (1 / 3), -STEP_HZ)[::-1].tolist())
    band = Band(frequencies_hz=frequencies, mesh_frequency_hz=top_hz)
    body = MovingBody(air=AIR, symmetry=shape.symmetry, motions=motions, absorbers={})
    nothing = EarlierAnswers(made_for=made_for(made[0], body))

    def solved(mesh: Mesh, earlier: EarlierAnswers | None) -> tuple[FloatArray, list[int], float]:
        begun = time.process_time()
        found = solve_band(
            mesh,
            motions,
            band,
            air=AIR,
            directions=front_directions(),
            symmetry=shape.symmetry,
            earlier=earlier,
        )
        took = time.process_time() - begun
        if found.answers is not None:
            for frequency, each in found.answers.envelopes.items():
                known.setdefault(frequency, []).append(each)
        levels = 20 * np.log10(np.abs(found.far_field[0]))
        return levels, [outcome.iterations for outcome in found.outcomes], took

    known: dict[float, list[ComplexArray]] = {}
    for mesh in made[:SHAPES]:
        solved(mesh, nothing)
    earlier = replace(nothing, envelopes={f: np.concatenate(each) for f, each in known.items()})
    print(f"band of {len(frequencies)} frequencies to {top_hz:.0f} Hz, {STEP_HZ:.0f} Hz apart")
    print("steps without   with       processor s without  with  ratio  largest dB between them")
    for mesh in made[SHAPES:]:
        alone, before, took = solved(mesh, None)
        helped, after, less = solved(mesh, earlier)
        heard = alone > alone.max(axis=1, keepdims=True) - 20
        print(
            f"{' '.join(map(str, before)):15s} {' '.join(map(str, after)):10s} "
            f"{took:19.2f} {less:5.2f} {less / took:6.2f} "
            f"{np.abs(alone - helped)[heard].max():11.4f}",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
