# SPDX-License-Identifier: GPL-3.0-or-later
"""What a carved surface scores, and the slope of that with the heights, on the workers.

The meshes of the shape that is carved are moved with the surface: same triangles, other places,
so that the score is a smooth function of the heights. Where the moved triangles have become too
long or too thin for what they are to carry, the shape is meshed anew, finer.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from typing import Any, Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import SolveError, invalid
from bafflelens.bem.card_mesh import send_where_wanted
from bafflelens.bem.earlier_answers import EarlierAnswers
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_slope import prepare_slopes, surface_slope
from bafflelens.bem.sweep import BandResult
from bafflelens.bem.system_matrix import Workspace
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.job.solve_costs import band_memory
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.run.carving.displacement import CarvedHeight, Places
from bafflelens.run.carving.followed import softened_slope
from bafflelens.run.judging import score_of
from bafflelens.run.state import Run
from bafflelens.scoring.quieter import Quieter, above_db
from bafflelens.scoring.score import Score
from bafflelens.store.system_response import played
from bafflelens.workers.work_units import Methods, SolveSettings, Timed

SOFTNESS_DB: Final = 0.3
"""Over so many dB kinks of the score are softened while it is followed."""

_LONGEST_GROWTH: Final = 1.5  # of an edge; the rule of a draft allows for a bit more
_GROWN_SHARE: Final = 0.02
_THIN_DEG: Final = 12.0
_THIN_SHARE: Final = 0.02
_FIELD: Final = "field"
_SLOPE: Final = "slope"
_names = count()


@dataclass(frozen=True, kw_only=True, eq=False)
class CarvedMesh:
    """A mesh of the shape that is carved, before it is, and how its vertices move.

    Attributes
    ----------
    mesh : Mesh
        The kept part where there is symmetry.
    band : Band
        What is solved on it.
    places : Places
        The limits at its vertices, 0 for those that stay.
    is_carved : (n_triangles,) array of bool
        Whether a triangle is one of those that may move.
    """

    mesh: Mesh
    band: Band
    places: Places
    is_carved: np.ndarray

    def moved(self, height: CarvedHeight, amounts: FloatArray) -> Mesh:
        """Return the mesh with its vertices moved along the pull direction."""
        vertices = self.mesh.vertices.copy()
        vertices[:, 0] += height.heights(amounts, self.places)[0]
        return Mesh(vertices, self.mesh.triangles, self.mesh.surface)


@dataclass(frozen=True, kw_only=True, eq=False)
class Evaluated:
    """What was found at one set of amounts.

    Attributes
    ----------
    score : Score
        The job's score, at the quality that is carved at.
    softened_db : float
        The same softened: what is followed.
    louder_db : float
        What being louder than the baseline towards floor and ceiling costs beside it.
    above_db : float
        Level in the worst third-octave towards floor or ceiling re the baseline's; NaN where
        that is not asked.
    bending_db : float
        What curvature near the limit costs.
    radius_m : float
        Smallest radius of what is added or taken.
    weights : (n_sources, n_frequencies, n_directions) complex array
        Slope of what is followed with respect to the far field.
    meshes, surfaces : tuple
        The moved meshes, and what was left on them, band by band.
    """

    score: Score
    softened_db: float
    bending_db: float
    louder_db: float
    above_db: float
    radius_m: float
    weights: ComplexArray
    meshes: tuple[Mesh, ...]
    surfaces: tuple[SurfacePressure, ...]


class Evaluation:
    """Scores and slopes of a shape as it is carved.

    Parameters
    ----------
    run : Run
        The run, with the job and the plan of the draft that is carved by.
    settings : SolveSettings
        How its bands are solved.
    height : CarvedHeight
        What is carved.
    bases : sequence of CarvedMesh
        The shape before, one mesh a band.
    baseline : xarray.Dataset or None
        What sensitivity is compared with, as it plays.
    quieter : Quieter, optional
        What floor and ceiling are to get at the most.
    """

    def __init__(
        self,
        run: Run,
        settings: SolveSettings,
        height: CarvedHeight,
        bases: Sequence[CarvedMesh],
        baseline: xr.Dataset | None,
        quieter: Quieter | None = None,
    ) -> None:
        self._run = run
        self._settings = settings
        self._height = height
        self._bases = tuple(bases)
        self._baseline = baseline
        self._quieter = quieter
        job = run.loaded.job
        self._target = job.target.target(job.room.room)
        self.work_s = {_FIELD: 0.0, _SLOPE: 0.0}

    def value(self, amounts: FloatArray) -> tuple[float, Evaluated] | None:
        """Return what is made small, but for the cost of bending, and what came with it.

        None past the smallest radius, and where the surface would meet itself.
        """
        radius = self._height.smallest_radius_m(amounts)
        if radius < self._height.room.radius_m:
            return None
        meshes = tuple(base.moved(self._height, amounts) for base in self._bases)
        if len(crossing_triangles(meshes[-1])):
            return None
        results: list[BandResult] = self._work(
            _FIELD,
            _moved_band,
            [
                (
                    self._run.methods,
                    mesh,
                    base.band,
                    self._settings,
                    self._earlier(mesh, base.band),
                )
                for mesh, base in zip(meshes, self._bases, strict=True)
            ],
            meshes,
        )
        for mesh, result in zip(meshes, results, strict=True):
            if result.answers is not None:
                self._run.pool.answers.keep(mesh, self._settings, result.answers)
        dataset = self._dataset(results)
        found = score_of(self._run, dataset)
        if not found.is_complete:
            raise SolveError(invalid("carved shape", "; ".join(found.gaps), "solved throughout"))
        softened, louder, weights = softened_slope(
            self._run, dataset, self._baseline, self._quieter, SOFTNESS_DB
        )
        above = np.nan
        if self._quieter is not None:
            heard = played(self._run.folder, self._run.loaded, dataset)
            above = float(above_db(heard, self._target, self._quieter).max())
        bending = self._height.bending(amounts)[0]
        evaluated = Evaluated(
            score=found,
            softened_db=softened,
            bending_db=bending,
            radius_m=radius,
            louder_db=louder,
            above_db=above,
            weights=weights,
            meshes=meshes,
            surfaces=tuple(result.surface for result in results if result.surface is not None),
        )
        return softened + louder, evaluated

    def slope(self, amounts: FloatArray, found: Evaluated) -> FloatArray:
        """Return the slope of what is made small, with respect to the amounts."""
        tasks, first = [], 0
        for mesh, base, surface in zip(found.meshes, self._bases, found.surfaces, strict=True):
            last = first + len(base.band.frequencies_hz)
            part = found.weights[:, first:last]
            tasks.append((mesh, base.band, self._settings, surface, part))
            first = last
        densities: list[FloatArray] = self._work(_SLOPE, _slope_of_band, tasks, found.meshes)
        total = np.zeros_like(amounts)
        for mesh, base, density in zip(found.meshes, self._bases, densities, strict=True):
            # A triangle moves out by the mean height of its corners times the cosine.
            moves = np.where(base.is_carved, mesh.areas * mesh.normals[:, 0], 0.0)
            by_height = np.zeros(len(mesh.vertices))
            np.add.at(by_height, mesh.triangles, (density * moves / 3)[:, np.newaxis])
            follows = self._height.heights(amounts, base.places)[1]
            total = total + self._height.slope(by_height, follows, base.places)
        return total

    def take_work_s(self) -> tuple[float, float]:
        """Return what fields and slopes took of the workers since this was last asked, in s."""
        taken = (self.work_s[_FIELD], self.work_s[_SLOPE])
        self.work_s = dict.fromkeys(self.work_s, 0.0)
        return taken

    def _earlier(self, mesh: Mesh, band: Band) -> EarlierAnswers | None:
        """Return what the steps before left on the same triangles."""
        if self._settings.engine != "direct":
            return None
        return self._run.pool.answers.earlier(mesh, self._settings, band.frequencies_hz)

    def _dataset(self, results: Sequence[BandResult]) -> xr.Dataset:
        motions = [motion for motion in self._settings.motions if motion.profile is None]
        profiles = self._settings.motions[len(motions) :]
        return assemble_dataset(
            directions(),
            results,
            [motion.name for motion in motions],
            air=self._settings.air,
            mesh_info={"quality": self._settings.quality},
            engine=self._settings.engine,
            versions=self._run.journal.versions,
            source_centres=np.array([motion.centre for motion in motions]),
            profiles={profile.name: profile.inner_radius_m for profile in profiles},
        )

    def _work(
        self, what: str, function: Any, tasks: Sequence[tuple[Any, ...]], meshes: Sequence[Mesh]
    ) -> list[Any]:
        """Have each band worked on, the largest first, and return what came of them in order."""
        order = next(_names)
        names = [f"carving {order} {what} {number}" for number in range(len(tasks))]
        for number in reversed(range(len(tasks))):
            memory = band_memory(
                meshes[number].n_triangles,
                len(self._settings.symmetry),
                self._settings.engine,
            )
            self._run.pool.submit(
                names[number],
                function,
                *tasks[number],
                priority=float(number),
                memory=partial(float, memory),
                card=self._settings.on_card,
            )
        found: dict[str, Any] = {}
        for outcome in self._run.pool.outcomes():
            if outcome.error:
                raise SolveError(outcome.error)
            found[outcome.name] = outcome.value.value
            self.work_s[what] += outcome.value.seconds
        return [found[name] for name in names]


def degraded(bases: Sequence[CarvedMesh], moved: Sequence[Mesh]) -> str:
    """Return why moved meshes no longer do; empty where they do.

    Parameters
    ----------
    bases : sequence of CarvedMesh
        The meshes before.
    moved : sequence of Mesh
        The same, moved.
    """
    for base, mesh in zip(bases, moved, strict=True):
        before, after = base.mesh, mesh
        grown = after.longest_edges > _LONGEST_GROWTH * before.longest_edges
        if grown.mean() > _GROWN_SHARE:
            return f"{grown.mean():.0%} of the triangles are stretched"
        thin = (after.smallest_angles_deg < _THIN_DEG) & (before.smallest_angles_deg >= _THIN_DEG)
        if thin.mean() > _THIN_SHARE:
            return f"{thin.mean():.0%} of the triangles have become thin"
    return ""


def _moved_band(
    methods: Methods,
    mesh: Mesh,
    band: Band,
    settings: SolveSettings,
    earlier: EarlierAnswers | None,
) -> Timed[BandResult]:
    """Solve one band on a mesh that is at hand, with what is left on its surface."""
    from bafflelens.workers.work_units import solve_candidate_band

    kept = replace(settings, keep_surface=True, keep_profiles=True)
    return solve_candidate_band(methods, Timed(value=(mesh,), seconds=0.0), 0, band, kept, earlier)


def _slope_of_band(
    mesh: Mesh,
    band: Band,
    settings: SolveSettings,
    surface: SurfacePressure,
    weights: ComplexArray,
) -> Timed[FloatArray]:
    """Return the slope over a mesh, summed over the frequencies of its band."""
    start = time.perf_counter()
    body = MovingBody(
        air=settings.air,
        symmetry=settings.symmetry,
        motions=settings.motions,
        absorbers=settings.absorbers,
    )
    prepared, workspace = prepare_slopes(mesh, settings.symmetry), Workspace()
    on_card = send_where_wanted(mesh, settings.symmetry, is_wanted=settings.on_card)
    heard = np.flatnonzero(np.any(weights != 0, axis=(0, 1)))
    towards = directions().vectors[heard]
    total = np.zeros(mesh.n_triangles)
    for number, frequency in enumerate(band.frequencies_hz):
        at = surface.at_frequency(frequency)
        part = weights[np.newaxis, :, number][..., heard]
        if at is None or not part.any():
            continue
        problem = body.problem(mesh, frequency)
        pressure = at.pressure[:, 0].astype(complex)
        total += surface_slope(
            problem,
            pressure,
            towards,
            part,
            prepared=prepared,
            workspace=workspace,
            on_card=on_card,
        )[0]
    return Timed(value=total, seconds=time.perf_counter() - start)
