# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known of the sound of a candidate that is handed off: what it gains, what to expect."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import xarray as xr

from bafflelens.directivity.interpolated import largest_error_db
from bafflelens.handoff.expected import Expected, expected_of, plan_of
from bafflelens.job.job_file import LoadedJob
from bafflelens.mockup.comparison.simulation import kept_radiator
from bafflelens.mockup.measurement.planning import MeasurementPlan
from bafflelens.report.curves import towards_of
from bafflelens.report.shown import baseline_row
from bafflelens.report.words import Direction, directions_of
from bafflelens.scoring.ranking import RankedRow
from bafflelens.store import RunFolder
from bafflelens.store.system_response import missing_plates, played


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownSound:
    """What is known of the sound of a candidate, whatever is made of it.

    Attributes
    ----------
    interpolation_db : float
        What levels between solved frequencies may be off by; NaN without any.
    directions : mapping of str to Direction
        What it gains towards floor, ceiling and to the sides; empty where that is unknown.
    plan : MeasurementPlan or str
        How to measure it, or why there is no plan.
    expected, baseline : Expected or None
        What to expect of it and of the baseline, in the same place; None where that is unknown.
    """

    interpolation_db: float
    directions: Mapping[str, Direction]
    plan: MeasurementPlan | str
    expected: Expected | None
    baseline: Expected | None


def known_sound_of(
    folder: RunFolder, loaded: LoadedJob, rows: Sequence[RankedRow], row: RankedRow
) -> KnownSound:
    """Return what is known of the sound of a candidate.

    Parameters
    ----------
    folder, loaded
        The run and its job.
    rows : sequence of RankedRow
        The whole ranking.
    row : RankedRow
        The candidate.
    """
    name, baseline = row.candidate.id, baseline_row(rows)
    radiator = kept_radiator(folder, name)
    plan = plan_of(folder, loaded, name, radiator)
    is_known = not missing_plates(folder, loaded)
    expected = expected_of(folder, loaded, name, radiator, plan) if is_known else None
    own, reference = (_played_alone(folder, loaded, one) for one in (name, baseline.candidate.id))
    return KnownSound(
        interpolation_db=math.nan if own is None else largest_error_db(own),
        directions=_directions(loaded, own, reference),
        plan=plan,
        expected=expected,
        baseline=_same_place(folder, loaded, baseline, row, plan, expected),
    )


def _played_alone(folder: RunFolder, loaded: LoadedJob, name: str) -> xr.Dataset | None:
    """Return a candidate's directivity as it plays; None where that is not known."""
    if not folder.has_directivity(name) or missing_plates(folder, loaded):
        return None
    return played(folder, loaded, folder.load_directivity(name))


def _directions(
    loaded: LoadedJob, own: xr.Dataset | None, reference: xr.Dataset | None
) -> dict[str, Direction]:
    """Return what a candidate gains; empty where it or the baseline is not known."""
    if own is None or reference is None:
        return {}
    job = loaded.job
    target = job.target.target(job.room.room)
    gained, beside = towards_of(own, target), towards_of(reference, target)
    return directions_of(gained, beside, target, job.score.settings.band_hz)


def _same_place(
    folder: RunFolder,
    loaded: LoadedJob,
    baseline: RankedRow,
    row: RankedRow,
    plan: MeasurementPlan | str,
    expected: Expected | None,
) -> Expected | None:
    """Return what to expect of the baseline in the same place; None if that is not known."""
    name = baseline.candidate.id
    if expected is None or name == row.candidate.id or not folder.has_directivity(name):
        return None
    found = expected_of(folder, loaded, name, kept_radiator(folder, name), plan)
    return found if found is not None and found.where == expected.where else None
