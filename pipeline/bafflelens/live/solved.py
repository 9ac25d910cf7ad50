# SPDX-License-Identifier: GPL-3.0-or-later
"""What is solved of a run, as the page needs it: as it plays, where anything looks."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path
from typing import Final

import numpy as np
import xarray as xr

import bafflelens
from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray, direction_vectors
from bafflelens.base.digests import digest_of
from bafflelens.base.errors import BafflelensError
from bafflelens.base.provenance import source_digest
from bafflelens.base.status import Status
from bafflelens.directivity.direction_set import SPHERE_STEP_DEG, directions
from bafflelens.directivity.far_field_data import complex_variables, in_directions, is_solved
from bafflelens.directivity.polars import LISTENING_WINDOW, positions
from bafflelens.directivity.source_sums import power_values, source_values
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import BASELINE_ID, faults_of, searched_of
from bafflelens.job.shape_sections import Choices, Setting, Span
from bafflelens.live.drawn_levels import DrawnLevels
from bafflelens.live.estimate import Estimate, Estimator
from bafflelens.live.field_levels import about_source
from bafflelens.live.frames import drawing_of
from bafflelens.live.learning import estimator_of, fewest_shapes
from bafflelens.live.shape_kernel import Kernel
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.criteria import needed_directions
from bafflelens.scoring.score import Score, score
from bafflelens.scoring.target import Target
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.parameters import Shape, broken_rules, value_faults
from bafflelens.shapes.meshing.shape_script import ShapeScript
from bafflelens.store import RunFolder
from bafflelens.store.system_response import played

JUDGED_DEG: Final = 60.0
"""So far from the axis must the error band of an estimate hold."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """A shape that was solved.

    Attributes
    ----------
    id : str
        Of the candidate; empty for a draft that is none.
    values : mapping of str to float
        Its parameters.
    dataset : xarray.Dataset
        As it plays, with one source, in the directions that anything looks at.
    """

    id: str
    values: Mapping[str, float]
    dataset: xr.Dataset


@dataclass(frozen=True, kw_only=True, eq=False)
class Judge:
    """How a job judges.

    Attributes
    ----------
    loaded : LoadedJob
        The job.
    folder : RunFolder
        The run.
    """

    loaded: LoadedJob
    folder: RunFolder

    @property
    def target(self) -> Target:
        """What is asked of the levels."""
        job = self.loaded.job
        return job.target.target(job.room.room)

    @property
    def searched(self) -> dict[str, Setting]:
        """Settings of the parameters that the job searches, by key."""
        return searched_of(self.loaded)

    @cached_property
    def _script(self) -> ShapeScript:
        """The script of the searched shape: executing it for every move would take too long."""
        return load_script(self.loaded.shape.script)

    def faults(self, values: Mapping[str, float]) -> list[str]:
        """Return the rules of the shape and the constraints of the job that values break."""

        def check(shape: Shape, given: Mapping[str, float]) -> list[str]:
            return value_faults(shape, given) or broken_rules(self._script, shape, given)

        return faults_of(self.loaded, values, check)

    def source_centre(self, values: Mapping[str, float]) -> FloatArray:
        """Return where the source on the reference axis is, or the one nearest to it, in m."""
        motions, _ = self.loaded.boundaries.both_of(self.loaded.shape, values)
        centres = np.array([motion.centre for motion in motions])
        return np.asarray(centres[np.hypot(centres[:, 1], centres[:, 2]).argmin()])

    def as_played(self, dataset: xr.Dataset) -> xr.Dataset:
        """Return what was solved as it plays, in the directions that are looked at."""
        found = played(self.folder, self.loaded, dataset)
        return in_directions(found, needed_directions(found, self.target))

    @cached_property
    def looked_at(self) -> tuple[int, ...]:
        """Numbers of the directions that a draft is solved in; empty for all."""
        if self.loaded.loudspeaker.crossover is not None:  # it may need them all
            return ()
        everywhere = directions()
        grid = xr.Dataset(
            coords={
                "azimuth_deg": ("direction", everywhere.azimuth_deg),
                "elevation_deg": ("direction", everywhere.elevation_deg),
                "weight_sr": ("direction", everywhere.weight),
            },
            attrs={"sphere_step_deg": SPHERE_STEP_DEG},
        )
        return tuple(map(int, needed_directions(grid, self.target)))

    def score_of(self, dataset: xr.Dataset, baseline: xr.Dataset | None) -> Score:
        """Return the score of a shape as it plays, against the baseline solved alike."""
        return score(dataset, self.target, self.loaded.job.score.settings, baseline)


def limits_of(setting: Setting) -> tuple[float, float]:
    """Return lowest and highest value of a parameter that is searched."""
    if isinstance(setting, Span):
        return setting.low, setting.high
    values = setting.values if isinstance(setting, Choices) else (setting.value,)
    return min(values), max(values)


def answers_of(
    judge: Judge, known: Container[str] = (), only: Container[str] | None = None
) -> dict[str, Answer]:
    """Return the candidates of a run that are solved in full, the baseline among them, by id.

    Those whose ids are known are left out, and with ``only`` all others than these.
    """
    found = {}
    for candidate in judge.folder.candidates():
        if only is not None and candidate.id not in only:
            continue
        if candidate.id in known or not judge.folder.has_directivity(candidate.id):
            continue
        if (candidate.is_baseline and candidate.id != BASELINE_ID) or is_carved(candidate.id):
            continue
        try:
            dataset = judge.as_played(judge.folder.load_directivity(candidate.id))
        except BafflelensError:  # its plate waits, or its file is damaged: it stays out
            continue
        found[candidate.id] = Answer(
            id=candidate.id, values=dict(candidate.values), dataset=dataset
        )
    return found


@dataclass(frozen=True, kw_only=True, eq=False)
class Learned:
    """An estimator, and what its estimates are seen beside.

    Attributes
    ----------
    estimator : Estimator
        What it is.
    template : xarray.Dataset
        A solved shape: frequencies, directions, air.
    drawing : DrawnLevels
        What is drawn of an estimate.
    baseline : xarray.Dataset or None
        Solved alike.
    score_off_db : float
        95 % of scores of shapes that were left out are within so many dB; NaN until that is
        known, or if none has a score.
    is_judged : bool
        Whether that was looked at.
    digest : str
        Of all that it was learned from.
    """

    estimator: Estimator
    template: xr.Dataset
    drawing: DrawnLevels
    baseline: xr.Dataset | None
    score_off_db: float = float("nan")
    is_judged: bool = False
    digest: str = ""

    def dataset_of(self, estimate: Estimate) -> xr.Dataset:
        """Return an estimate as a directivity dataset, which everything that judges takes."""
        return _filled(self.template, self.estimator, estimate.field, estimate.power)


@dataclass(frozen=True, kw_only=True)
class Found:
    """What took its time when a run was learned from: kept, it is there at once.

    Attributes
    ----------
    digest : str
        Of all that it was learned from.
    kernels : tuple of Kernel
        Of the `Estimator`.
    score_off_db : float
        Of `Learned`.
    """

    digest: str
    kernels: tuple[Kernel, ...]
    score_off_db: float


def learned_from(
    judge: Judge,
    answers: Mapping[str, Answer],
    baseline: xr.Dataset | None,
    found: Found | None = None,
) -> Learned | None:
    """Learn from solved shapes; None while there are too few alike.

    What was found before is taken where it was found from the same.
    """
    searched = judge.searched
    shapes = [a for name, a in answers.items() if name != BASELINE_ID]
    shapes = [a for a in shapes if set(searched) <= set(a.values) and _is_whole(a.dataset)]
    by_grid: dict[bytes, list[Answer]] = {}
    for answer in shapes:
        by_grid.setdefault(answer.dataset["frequency"].values.tobytes(), []).append(answer)
    shapes = max(by_grid.values(), key=len, default=[])
    limits = np.array([limits_of(setting) for setting in searched.values()])
    if not searched or len(shapes) < fewest_shapes(len(searched)):
        return None
    template = shapes[0].dataset
    chosen = np.flatnonzero(is_solved(template))
    template = template.isel(frequency=chosen)
    values = np.array([[answer.values[key] for key in searched] for answer in shapes])
    fields = np.array([_about_source(judge, answer)[chosen] for answer in shapes])
    power = np.array([power_values(answer.dataset)[chosen] for answer in shapes])
    beside = None if baseline is None else source_values(baseline)
    digest = digest_of(_program(), judge.loaded.text, values, fields, power, beside).hex()
    is_known = found is not None and found.digest == digest
    estimator = estimator_of(
        values,
        fields,
        power,
        frequency_hz=np.asarray(template["frequency"].values, dtype=float),
        low=limits[:, 0],
        high=limits[:, 1],
        window=np.array(positions(template, LISTENING_WINDOW)),
        judged=judged_directions(template),
        kernels=found.kernels if found is not None and is_known else (),
    )
    return Learned(
        estimator=estimator,
        template=template,
        drawing=drawing_of(template, judge.target),
        baseline=baseline,
        score_off_db=found.score_off_db if found is not None and is_known else math.nan,
        is_judged=is_known,
        digest=digest,
    )


def with_score_band(judge: Judge, learned: Learned, share: float = 0.95) -> Learned:
    """Return the same with how far scores are off, found by leaving each shape out."""
    fields, power = learned.estimator.left_out()
    off_db = []
    for number in range(learned.estimator.n_shapes):
        known = learned.estimator
        true = _filled(
            learned.template, known, known.fields[number], np.exp(known.log_power[number])
        )
        guessed = _filled(learned.template, known, fields[number], power[number])
        scores = [judge.score_of(one, learned.baseline).total_db for one in (true, guessed)]
        off_db.append(abs(scores[0] - scores[1]))
    finite = [value for value in off_db if np.isfinite(value)]
    if not finite:
        return replace(learned, is_judged=True)
    level = min(share * (len(finite) + 1) / len(finite), 1.0)
    return replace(learned, score_off_db=float(np.quantile(finite, level)), is_judged=True)


def judged_directions(dataset: xr.Dataset) -> IntArray:
    """Return the numbers of the directions on both orbits within 60 degrees of the axis."""
    azimuth, elevation = dataset["azimuth_deg"].values, dataset["elevation_deg"].values
    in_front = (elevation == 0) & (np.abs(azimuth) <= JUDGED_DEG)
    return np.flatnonzero(in_front | ((azimuth == 0) & (np.abs(elevation) <= JUDGED_DEG)))


@cache
def _program() -> str:
    """Return a digest of the source that what is found follows from."""
    return source_digest(Path(bafflelens.__file__).parent, ("live", "directivity", "scoring"))


def _about_source(judge: Judge, answer: Answer) -> ComplexArray:
    """Return the far field of a solved shape about its source, (n_frequencies, n_directions)."""
    dataset = answer.dataset
    frequency_hz = np.asarray(dataset["frequency"].values, dtype=float)
    return about_source(
        source_values(dataset),
        2 * np.pi * frequency_hz / dataset.attrs["air_sound_speed_m_s"],
        direction_vectors(dataset["azimuth_deg"].values, dataset["elevation_deg"].values),
        judge.source_centre(answer.values),
    )


def _filled(
    template: xr.Dataset, estimator: Estimator, field: np.ndarray, power: FloatArray
) -> xr.Dataset:
    filled = np.asarray(field, dtype=complex)[np.newaxis]
    matrix = power.astype(complex)[np.newaxis, np.newaxis]
    return template.assign(complex_variables(filled, matrix))


def _is_whole(dataset: xr.Dataset) -> bool:
    return bool(np.isfinite(source_values(dataset)[is_solved(dataset)]).all()) and bool(
        np.any(dataset["status"].values == Status.SOLVED)
    )
