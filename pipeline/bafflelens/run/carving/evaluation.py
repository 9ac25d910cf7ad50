# SPDX-License-Identifier: GPL-3.0-or-later
"""What a carved surface scores, and the slope of that with the heights, on the workers.

The meshes of the shape that is carved are moved with the surface: same triangles, other places,
so that the score is a smooth function of the heights. Where the moved triangles have become too
long or too thin for what they are to carry, the shape is meshed anew, finer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from itertools import count
from typing import Any, Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import SolveError, invalid
from bafflelens.bem.earlier_answers import EarlierAnswers
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.job.solve_costs import band_memory
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.run.carving.band_work import (
    moved_band,
    plane_waves_of_band,
    slope_from_fields,
    slope_of_band,
)
from bafflelens.run.carving.displacement import CarvedHeight, Places, Radii
from bafflelens.run.carving.followed import softened_slope
from bafflelens.run.judging import score_of
from bafflelens.run.state import Run
from bafflelens.scoring.quieter import Quieter, above_db
from bafflelens.scoring.score import Score
from bafflelens.store.system_response import played
from bafflelens.workers.work_units import SolveSettings

SOFTNESS_DB: Final = 0.3
"""Over so many dB kinks of the score are softened while it is followed, to begin with."""

LEAST_SOFTNESS_DB: Final = 0.03

_SHARPER: Final = 1 / 3

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

    @cached_property
    def movable(self) -> IntArray:
        """Numbers of the triangles of which a corner may move."""
        corner_moves = self.places.share[self.mesh.triangles] > 0
        return np.flatnonzero(self.is_carved & corner_moves.any(axis=1))

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
    radii : Radii
        Smallest radii of the finished surface.
    dataset : xarray.Dataset
        What was solved.
    weights : (n_sources, n_frequencies, n_directions) complex array
        Slope of what is followed with respect to the far field.
    meshes, surfaces : tuple
        The moved meshes, and what was left on them, band by band.
    works : tuple
        What the pool calls the work that solved them.
    """

    score: Score
    softened_db: float
    bending_db: float
    louder_db: float
    above_db: float
    radii: Radii
    dataset: xr.Dataset
    weights: ComplexArray
    meshes: tuple[Mesh, ...]
    surfaces: tuple[SurfacePressure, ...]
    works: tuple[Any, ...] = ()


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
    softness_db : float
        Over how many dB kinks are softened.
    """

    def __init__(
        self,
        run: Run,
        settings: SolveSettings,
        height: CarvedHeight,
        bases: Sequence[CarvedMesh],
        baseline: xr.Dataset | None,
        quieter: Quieter | None = None,
        softness_db: float = SOFTNESS_DB,
    ) -> None:
        self._run = run
        self._settings = settings
        self._height = height
        self._bases = tuple(bases)
        self._baseline = baseline
        self._quieter = quieter
        self.softness_db = softness_db
        job = run.loaded.job
        self._target = job.target.target(job.room.room)
        self.work_s = {_FIELD: 0.0, _SLOPE: 0.0}

    def value(self, amounts: FloatArray) -> tuple[float, Evaluated] | None:
        """Return what is made small, but for the cost of bending, and what came with it.

        None where the surface is tighter than it may be, and where the surface would meet itself.
        """
        if not self._height.keeps_radius(amounts):
            return None
        meshes = tuple(base.moved(self._height, amounts) for base in self._bases)
        if len(crossing_triangles(meshes[-1])):
            return None
        results, works = self._solved(meshes)
        for mesh, result in zip(meshes, results, strict=True):
            if result.answers is not None:
                self._run.pool.answers.keep(mesh, self._settings, result.answers)
        dataset = self._dataset(results)
        found = score_of(self._run, dataset)
        if not found.is_complete:
            raise SolveError(invalid("carved shape", "; ".join(found.gaps), "solved throughout"))
        softened, louder, weights = softened_slope(
            self._run, dataset, self._baseline, self._quieter, self.softness_db
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
            radii=self._height.radii(amounts),
            louder_db=louder,
            above_db=above,
            dataset=dataset,
            weights=weights,
            meshes=meshes,
            surfaces=tuple(result.surface for result in results if result.surface is not None),
            works=works,
        )
        return softened + louder, evaluated

    def sharpened(self, found: Evaluated) -> tuple[float, Evaluated]:
        """Return what is made small of what was found, and follow it from here on, less softened.

        A softened score hardly falls where each term costs less than the softness.
        """
        self.softness_db = max(_SHARPER * self.softness_db, LEAST_SOFTNESS_DB)
        softened, louder, weights = softened_slope(
            self._run, found.dataset, self._baseline, self._quieter, self.softness_db
        )
        sharper = replace(found, softened_db=softened, louder_db=louder, weights=weights)
        return softened + louder, sharper

    def slope(self, amounts: FloatArray, found: Evaluated) -> FloatArray:
        """Return the slope of what is made small, with respect to the amounts."""
        tasks, first = [], 0
        for mesh, base, surface in zip(found.meshes, self._bases, found.surfaces, strict=True):
            last = first + len(base.band.frequencies_hz)
            part = found.weights[:, first:last]
            tasks.append((mesh, base.band, self._settings, surface, part, base.movable))
            first = last
        if self._settings.on_card:
            names = self._submit_in_two(tasks)
        else:
            names, _ = self._submit(_SLOPE, slope_of_band, tasks, found.meshes, found.works)
        densities: list[FloatArray] = self._outcomes(_SLOPE, names)
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

    def _solved(self, meshes: Sequence[Mesh]) -> tuple[list[BandResult], tuple[Any, ...]]:
        """Return what comes of each band on its moved mesh, and the work that solved it."""
        settings = self._settings
        tasks = [
            (self._run.methods, mesh, base.band, settings, self._earlier(mesh, base.band))
            for mesh, base in zip(meshes, self._bases, strict=True)
        ]
        names, works = self._submit(_FIELD, moved_band, tasks, meshes)
        return self._outcomes(_FIELD, names), works

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

    def _submit(
        self,
        what: str,
        function: Any,
        tasks: Sequence[tuple[Any, ...]],
        meshes: Sequence[Mesh],
        besides: Sequence[Any] = (),
    ) -> tuple[list[str], tuple[Any, ...]]:
        """Have each band worked on, the largest first; return what outcomes and works are called.

        Each is worked on where the work ``besides`` it was done.
        """
        order = next(_names)
        names = [f"carving {order} {what} {number}" for number in range(len(tasks))]
        works = dict.fromkeys(range(len(tasks)))
        for number in reversed(works):
            works[number] = self._run.pool.submit(
                names[number],
                function,
                *tasks[number],
                priority=float(number),
                memory=self._memory(meshes[number]),
                card=self._settings.on_card,
                beside=besides[number] if besides else None,
            )
        return names, tuple(works.values())

    def _submit_in_two(self, tasks: Sequence[tuple[Any, ...]]) -> list[str]:
        """Have plane waves solved on the card, and slopes made of them elsewhere meanwhile."""
        order = next(_names)
        names = [f"carving {order} {_SLOPE} {number}" for number in range(len(tasks))]
        for number in reversed(range(len(tasks))):
            mesh, band, settings, surface, weights, wanted = tasks[number]
            fields = self._run.pool.submit(
                f"{names[number]}, plane waves",
                plane_waves_of_band,
                *(mesh, band, settings, weights),
                priority=float(number),
                memory=self._memory(mesh),
                card=True,
            )
            self._run.pool.submit(
                names[number],
                slope_from_fields,
                *(mesh, band, settings, surface, weights, wanted, fields),
                priority=float(number),
            )
        return names

    def _memory(self, mesh: Mesh) -> Callable[[], float]:
        settings = self._settings
        memory = band_memory(mesh.n_triangles, len(settings.symmetry), settings.engine)
        return partial(float, memory)

    def _outcomes(self, what: str, names: Sequence[str]) -> list[Any]:
        """Return what came of pieces of work, in order, once all that is out is done."""
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
