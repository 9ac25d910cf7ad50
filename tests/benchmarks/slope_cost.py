# SPDX-License-Identifier: GPL-3.0-or-later
"""What the slopes over the surface of a candidate cost, against its solve.

The ninth lens of ``jobs/first_lens.toml``: its bands are solved as a run solves them, the score
and its three parts give their slopes with the far field, and those over the surface follow for
all four, from what a run keeps: of the continuous fields, as carving takes them, and of the
discretised equation, as clay maps do. All is done band after band in one process, so that others
on the machine disturb it alike, and processor time is what counts.

::

    python tests/benchmarks/slope_cost.py [quality ...]

A row a band, and ratios of slopes to solve: over all bands, and over those alone in which the
score has a slope. The last lines tell what the tolerance of the slopes' linear system is worth:
the error of the slope of the score over the surface (root mean square, against 1e-4) and the
processor time of the slopes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.node_slopes import discretised_slope
from bafflelens.bem.plane_waves import TOLERANCE
from bafflelens.bem.surface_slope import prepare_slopes, surface_slope
from bafflelens.bem.sweep import BandResult, solve_band
from bafflelens.bem.system_matrix import Workspace
from bafflelens.bem.warm_up import warm_up
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.job.cost_estimate import band_mesh_sizes, job_bands
from bafflelens.job.job_file import LoadedJob, load_job
from bafflelens.job.sampling import draw
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.scoring.loudspeaker_slope import played_score_slope
from bafflelens.scoring.score_slope import OBJECTIVES
from bafflelens.shapes.meshing.geometry import mesh_shape

JOB = Path(__file__).parents[2] / "jobs" / "first_lens.toml"
NUMBER = 8  # c009
TOLERANCES = (1e-4, TOLERANCE, 2 * TOLERANCE, 4 * TOLERANCE)
TIME_LIMIT_S = 300.0

SlopeFunction = Callable[..., FloatArray]
"""From problem, pressure, directions, weights and tolerance."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """The candidate at one quality."""

    loaded: LoadedJob
    body: MovingBody
    bands: tuple[Band, ...]
    meshes: tuple[Mesh, ...]

    def solved(self, number: int) -> BandResult:
        """Solve one band as a run does."""
        return solve_band(
            self.meshes[number],
            self.body.motions,
            self.bands[number],
            air=self.body.air,
            directions=directions().vectors,
            absorbers=self.body.absorbers,
            symmetry=self.body.symmetry,
            quality=self.loaded.job.solve.quality,
            keep_surface=True,
        )


def main(*qualities: str) -> None:
    """Print both tables for each quality."""
    warm_up(print)
    for quality in qualities or ("draft", "standard"):
        case = case_of(quality)
        results = [case.solved(number) for number in range(len(case.bands))]
        weights = weights_of(case, results)
        for prepare in (continuous, discretised):  # what is compiled in the first call
            slopes_of(case, results[0], weights, prepare)
        print_cost(case, weights, quality)
        for prepare in (continuous, discretised):
            print_tolerances(case, results, weights, prepare)


def case_of(quality: str) -> Case:
    """Return the lens with its meshes."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / JOB.name
        text = JOB.read_text(encoding="utf-8").replace('"../', f'"{JOB.parents[1]}/')
        path.write_text(text.replace('"standard"', f'"{quality}"'), encoding="utf-8")
        loaded = load_job(path)
    values = draw(loaded).candidates[NUMBER].values
    motions, absorbers = loaded.boundaries.both_of(loaded.shape, values)
    bands = job_bands(loaded)
    return Case(
        loaded=loaded,
        body=MovingBody(
            air=loaded.job.air.medium,
            symmetry=loaded.shape.symmetry,
            motions=motions,
            absorbers=absorbers,
        ),
        bands=bands,
        meshes=mesh_shape(loaded.shape, values, band_mesh_sizes(loaded, bands), TIME_LIMIT_S),
    )


def weights_of(case: Case, results: list[BandResult]) -> dict[float, ComplexArray]:
    """Return the slopes of score and parts with the far field where they have one, by Hz."""
    job = case.loaded.job
    dataset = assemble_dataset(
        directions(),
        results,
        ["tweeter"],
        air=case.body.air,
        mesh_info={"quality": job.solve.quality},
        engine="direct",
        versions={},
        source_centres=np.array([motion.centre for motion in case.body.motions]),
    )
    found = played_score_slope(
        dataset,
        case.loaded.loudspeaker,
        {},
        job.target.target(job.room.room),
        job.score.settings,
    )
    weights = np.stack([found.weights[name] for name in OBJECTIVES])
    return {
        hz: weights[:, :, n]
        for n, hz in enumerate(dataset["frequency"].values.tolist())
        if np.any(weights[:, :, n])
    }


def continuous(mesh: Mesh, symmetry: tuple[str, ...]) -> SlopeFunction:
    """Return what gives slopes of the continuous fields on a mesh."""
    prepared = prepare_slopes(mesh, symmetry)
    return partial(surface_slope, prepared=prepared, workspace=Workspace())


def discretised(mesh: Mesh, symmetry: tuple[str, ...]) -> SlopeFunction:
    """Return what gives slopes of the discretised equation on a mesh."""
    discretisation = discretise(mesh, symmetry)
    return partial(discretised_slope, discretisation=discretisation, workspace=Workspace())


def slopes_of(
    case: Case,
    result: BandResult,
    weights: Mapping[float, ComplexArray],
    prepare: Callable[[Mesh, tuple[str, ...]], SlopeFunction],
    tolerance: float = TOLERANCE,
) -> dict[float, FloatArray]:
    """Return the slopes on the mesh of a band, from what is kept, as a clay map takes them."""
    surface = result.surface
    assert surface is not None
    wanted = [hz for hz in surface.frequencies_hz.tolist() if hz in weights]
    if not wanted:
        return {}
    slope_of = prepare(surface.mesh, surface.symmetry)
    return {
        hz: slope_of(
            case.body.problem(surface.mesh, hz),
            surface.pressure[:, surface.frequencies_hz.tolist().index(hz)].astype(complex),
            directions().vectors,
            weights[hz],
            tolerance=tolerance,
        )
        for hz in wanted
    }


def print_cost(case: Case, weights: Mapping[float, ComplexArray], quality: str) -> None:
    """Print the cost of slopes over that of the solve, band by band."""
    print(
        f"\n{quality}: triangles, frequencies, with a slope; solve, slopes of the fields, of the "
        "equation in s"
    )
    spent = []
    for number, band in enumerate(case.bands):
        start = time.process_time()
        result = case.solved(number)
        seconds = [time.process_time() - start]
        for prepare in (continuous, discretised):
            start = time.process_time()
            found = slopes_of(case, result, weights, prepare)
            seconds.append(time.process_time() - start)
        spent.append(seconds)
        print(
            f"{case.meshes[number].n_triangles:>6} {len(band.frequencies_hz):>3} {len(found):>3}  "
            + " ".join(f"{one:>6.2f}" for one in seconds),
            flush=True,
        )
    has_slope = [any(hz in weights for hz in band.frequencies_hz) for band in case.bands]
    solve, *slopes = np.sum(spent, axis=0)
    some, *_ = np.sum(np.array(spent)[has_slope], axis=0)
    for what, seconds in zip(("fields", "equation"), slopes, strict=True):
        print(
            f"slopes of the {what}, {seconds:.2f} s, over the solve: whole candidate "
            f"({solve:.2f} s) {seconds / solve:.2f}, bands with a slope alone {seconds / some:.2f}"
        )


def print_tolerances(
    case: Case,
    results: list[BandResult],
    weights: Mapping[float, ComplexArray],
    prepare: Callable[[Mesh, tuple[str, ...]], SlopeFunction],
) -> None:
    """Print what tolerances of the slopes' linear system are worth, on one band."""
    number = max(n for n, band in enumerate(case.bands) if band.frequencies_hz[0] in weights)
    areas = case.meshes[number].areas
    exact: dict[float, FloatArray] = {}
    for tolerance in TOLERANCES:
        start = time.process_time()
        found = slopes_of(case, results[number], weights, prepare, tolerance)
        spent = time.process_time() - start
        exact = exact or found
        errors = [
            float(
                np.sqrt((found[hz][0] - exact[hz][0]) ** 2 @ areas / (exact[hz][0] ** 2 @ areas))
            )
            for hz in exact
        ]
        text = ", ".join(
            f"{error:.1%} at {hz:.0f} Hz" for hz, error in zip(exact, errors, strict=True)
        )
        print(
            f"{prepare.__name__}, tolerance {tolerance:g}: {spent:.2f} s, error {text}", flush=True
        )


if __name__ == "__main__":
    main(*sys.argv[1:])
