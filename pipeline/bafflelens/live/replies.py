# SPDX-License-Identifier: GPL-3.0-or-later
"""What a page is sent of a shape that is known: its levels and score, and the shape itself."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import xarray as xr

from bafflelens.base.errors import BafflelensError, InputError, StoreError, invalid
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.live.array_frames import frame
from bafflelens.live.estimate import estimated
from bafflelens.live.frames import (
    DRAFT,
    ESTIMATED,
    SOLVED,
    json_number,
    levels_of,
    score_lines,
    shape_arrays,
)
from bafflelens.live.known import Known, key_of
from bafflelens.live.solved import Judge, Learned
from bafflelens.mesh.mesh import Mesh
from bafflelens.report.summary import candidates_of
from bafflelens.scoring.carved import is_carved, parent_of


def answer_frame(
    judge: Judge,
    header: Mapping[str, Any],
    dataset: xr.Dataset,
    mark: str,
    baseline: xr.Dataset | None,
    candidate_id: str,
) -> bytes:
    """Return score and levels of a shape, judged beside a baseline that is solved alike.

    With a draft comes the score of the baseline's draft: that of its full band is of other
    frequencies and another mesh.
    """
    more: dict[str, Any] = {"score": score_lines(judge.score_of(dataset, baseline))}
    if mark == DRAFT and baseline is not None:
        more["baseline_score"] = score_lines(judge.score_of(baseline, baseline))
    arrays = levels_of(dataset, judge.target)
    return frame({**header, "mark": mark, "id": candidate_id, **more}, arrays)


def estimated_frame(
    judge: Judge, header: Mapping[str, Any], learned: Learned, values: Mapping[str, float]
) -> bytes:
    """Return the estimate of a shape; its score comes after it, by `estimated_score`."""
    estimate = estimated(learned.estimator, tuple(values[key] for key in judge.searched))
    arrays = learned.drawing.levels(estimate)
    more = {"mark": ESTIMATED, "id": "", "score_off_db": json_number(learned.score_off_db)}
    return frame({**header, **more}, arrays)


def estimated_score(
    judge: Judge, learned: Learned, wish_number: int, values: Mapping[str, float]
) -> dict[str, Any]:
    """Return the score of an estimate, which takes longer than all the rest of it."""
    estimate = estimated(learned.estimator, tuple(values[key] for key in judge.searched))
    score = judge.score_of(learned.dataset_of(estimate), learned.baseline)
    return {"kind": "scored", "move": wish_number, "score": score_lines(score)}


def shape_frame(judge: Judge, mesh: Mesh, candidate_id: str, wish_number: int, name: str) -> bytes:
    """Return a shape as it was meshed."""
    shape = judge.loaded.shape_of(candidate_id or "")
    kinds, arrays = shape_arrays(mesh, shape.symmetry)
    header = {"kind": "shape", "move": wish_number, "id": name, "kinds": kinds}
    return frame(header, arrays)


def meshed_frames(known: Known, wish_number: int, values: Mapping[str, float]) -> list[bytes]:
    """Return a shape where it has been meshed already; else nothing."""
    answer = known.of(values)
    mesh = known.meshes.get(key_of(values))
    name = answer[0].id if answer is not None else ""
    if mesh is None and name:
        with suppress(BafflelensError, OSError):
            mesh = known.judge.folder.load_mesh(name)
    return [] if mesh is None else [shape_frame(known.judge, mesh, "", wish_number, name)]


def opened_frames(known: Known, wish_number: int, candidate_id: str) -> list[bytes]:
    """Return what is known of a candidate: levels and shape, for a look or as a reference.

    Raises
    ------
    InputError
        If it is not solved.
    """
    judge, folder = known.judge, known.judge.folder
    candidates = {candidate.id: candidate for candidate in candidates_of(folder)}
    draft = known.draft_baseline
    if candidate_id == BASELINE_ID and known.mark_of_baseline == DRAFT and draft:
        drawn = draft.dataset
        header = {"kind": "opened", "move": wish_number, "values": {}, "faults": []}
        return [answer_frame(judge, header, drawn, DRAFT, drawn, BASELINE_ID)]
    if candidate_id not in candidates or not folder.has_directivity(candidate_id):
        raise InputError(invalid("candidate", candidate_id, "one that is solved"))
    candidate = candidates[candidate_id]
    dataset = known.dataset_of(candidate_id)
    baseline = known.answers.get(BASELINE_ID)
    origin = candidate
    while is_carved(origin.id) and parent_of(origin.id) in candidates:
        origin = candidates[parent_of(origin.id)]  # a carved shape has no dimensions of its own
    values = {key: origin.values.get(key) for key in judge.searched}
    is_settable = not candidate.is_baseline and None not in values.values()
    header = {
        "kind": "opened",
        "move": wish_number,
        "values": values if is_settable else {},
        "is_carved": is_carved(candidate_id),
        "faults": [],
    }
    beside = baseline.dataset if baseline else None
    found = [answer_frame(judge, header, dataset, SOLVED, beside, candidate_id)]
    with suppress(BafflelensError, OSError):
        mesh = folder.load_mesh(candidate_id)
        found.append(shape_frame(judge, mesh, candidate_id, wish_number, candidate_id))
    if is_carved(candidate_id):
        from bafflelens.live.clay import carved_frame  # slow to load

        with suppress(StoreError):
            found += [one for one in (carved_frame(folder, candidate_id),) if one is not None]
    return found
