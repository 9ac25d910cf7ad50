# SPDX-License-Identifier: GPL-3.0-or-later
"""From ranked candidates to a folder for the prototype shop.

What is imported here is quickly loaded, so that the first solid is begun at once.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.loading import without_collector
from bafflelens.base.progress import Progress
from bafflelens.base.provenance import shapes_digest, versions
from bafflelens.base.status import Status
from bafflelens.handoff.carved_shape import carved_from
from bafflelens.handoff.subject import Handed, RankedRun, Subject, solid_of
from bafflelens.job.job_file import LoadedJob
from bafflelens.report.summary import rank_run
from bafflelens.scoring.ranking import RankedRow
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.store import RunFolder, RunRecord, require_new_folder

_REVISION_DIGITS: Final = 8


def hand_off(
    folder: RunFolder,
    names: Sequence[str],
    out: Path,
    progress: Progress,
    *,
    top: int = 0,
    tolerance_map: bool = False,
) -> tuple[Handed, ...]:
    """Write a folder with one zip file a candidate, one summary sheet and a manifest.

    Parameters
    ----------
    folder : RunFolder
        The run.
    names : sequence of str
        Ids of candidates; may be empty if `top` says how many.
    out : Path
        Folder that is made; nothing is overwritten.
    progress : Progress
        Told about each step.
    top : int
        So many of the best candidates as well.
    tolerance_map : bool
        Whether slopes are computed, of which it is drawn what each place may be off, for
        candidates whose slopes were not kept and that were not carved.

    Raises
    ------
    InputError
        If a candidate is unknown, failed, or was not solved.
    StoreError
        If the folder holds something, or cannot be written.
    MeshingError
        If a solid cannot be exported.
    """
    require_new_folder(out)
    loaded, record = folder.load_job(), folder.load_record()
    ranking = rank_run(folder, record, loaded)
    rows = _chosen(ranking, names, top)
    subjects = [_subject(folder, loaded, record, row) for row in rows]
    with solid_of(subjects[0]) as first:
        # Slow to load, and not needed before the first solid is there.
        with without_collector():
            from bafflelens.handoff.packing import pack_all

        run = RankedRun(folder=folder, loaded=loaded, record=record, ranking=ranking)
        return pack_all(run, subjects, first, out, progress, tolerance_map=tolerance_map)


def _chosen(rows: Sequence[RankedRow], names: Sequence[str], top: int) -> list[RankedRow]:
    """Return the rows that are asked for, best first, each once."""
    by_name = {row.candidate.id: row for row in rows}
    best = [row for row in rows if row.status == Status.RANKED and not row.candidate.is_baseline]
    wanted = [*names, *(row.candidate.id for row in best[:top])]
    if not wanted:
        rule = "ids of candidates, or --top N for the best"
        raise InputError(invalid("candidates", "none", rule))
    faults = []
    for name in wanted:
        if name not in by_name:
            rule = "one of this run: " + ", ".join(by_name)
            faults.append(invalid("candidate", name, rule))
        elif by_name[name].status == Status.FAILED:
            reasons = "; ".join(by_name[name].reasons) or "see the report"
            faults.append(invalid("candidate", name, f"one that did not fail ({reasons})"))
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    return [row for name, row in by_name.items() if name in wanted]


def _subject(folder: RunFolder, loaded: LoadedJob, record: RunRecord, row: RankedRow) -> Subject:
    """Return a candidate as it is handed off."""
    candidate = row.candidate
    shape = loaded.shape_of(candidate.id)
    values = {**shape.defaults, **candidate.values}
    return Subject(
        run=folder.name,
        created_utc=record.created_utc,
        job=(folder.path / "job.toml").read_bytes(),
        row=row,
        shape=shape,
        values=values,
        carved=carved_from(shape),
        revision=revision_of(shape, values, loaded),
        stem=f"{folder.name}_{candidate.id}",
        analysed=folder.load_mesh(candidate.id),
        warnings=tuple(_warnings(loaded, record, row)),
        settings=loaded.job.handoff,
        mesh_time_limit_s=loaded.job.solve.mesh_time_limit_s,
    )


def revision_of(shape: Shape, values: Mapping[str, float], loaded: LoadedJob) -> str:
    """Return eight digits that change with script, building blocks, values or [handoff]."""
    found = hashlib.sha256(shapes_digest().encode())
    for path in (shape.script, *shape.companions):
        found.update(Path(path).read_bytes())
    found.update(json.dumps(dict(sorted(values.items()))).encode())
    found.update(loaded.job.handoff.model_dump_json().encode())
    return found.hexdigest()[:_REVISION_DIGITS]


def _warnings(loaded: LoadedJob, record: RunRecord, row: RankedRow) -> list[str]:
    found = []
    if loaded.job.solve.quality == "draft":
        found.append(
            "Warning: solved at draft quality only; solve it at standard before much is cut"
        )
    if row.status == Status.INCOMPLETE:
        found.append("Warning: not completely solved: " + "; ".join(row.reasons))
    made, now = record.versions.get("bafflelens", "unknown"), versions()["bafflelens"]
    if made != now:
        found.append(
            f"Warning: the run was made by bafflelens {made}, this is {now}; "
            "the solid is compared with the analysed mesh all the same"
        )
    return found
