# SPDX-License-Identifier: GPL-3.0-or-later
"""From ranked candidates to a folder for the prototype shop."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import InputError, MeshingError, invalid
from bafflelens.base.progress import Advance, Progress
from bafflelens.base.provenance import shapes_digest, versions
from bafflelens.base.status import Status
from bafflelens.handoff.acoustic_tolerance import (
    AcousticTolerance,
    front_tolerance,
    tolerance_text,
)
from bafflelens.handoff.archive import zipped
from bafflelens.handoff.candidate_files import (
    Subject,
    candidate_files,
    print_files,
    share_of,
)
from bafflelens.handoff.carved_shape import carved_from
from bafflelens.handoff.checks import Check
from bafflelens.handoff.expected import expected_csv
from bafflelens.handoff.manifest import NAME, manifest_bytes
from bafflelens.handoff.sheet import allowed_changes
from bafflelens.handoff.shortlist import Listed, Made, short_list
from bafflelens.handoff.summary_pages import summary_pdf
from bafflelens.job.job_file import LoadedJob
from bafflelens.mockup.measurement.measured import ORBITS
from bafflelens.report.summary import rank_run
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import RankedRow
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.shapes.cad.declaration import ScannedSolid, is_declaration, read_declaration
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.store import RunFolder, RunRecord, require_new_folder, write_folder

_REVISION_DIGITS: Final = 8
_SHARE_OF_SUMMARY: Final = 2.0  # a candidate


@dataclass(frozen=True, kw_only=True)
class Handed:
    """What was made of one candidate.

    Attributes
    ----------
    candidate : str
        Its id.
    archive : str
        Name of its zip file.
    remarks : tuple of str
        What the shop must know: warnings, failed checks.
    """

    candidate: str
    archive: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Pack:
    """One candidate as exported: what was made, and its files without the manifest."""

    made: Made
    stem: str
    facts: dict[str, Any]
    files: dict[str, bytes]

    @property
    def archive(self) -> str:
        """Name of the zip file."""
        return f"{self.stem}.zip"


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
    tolerances = [
        front_tolerance(
            folder,
            row.candidate.id,
            progress,
            compute=tolerance_map or is_carved(row.candidate.id),
        )
        for row in rows
    ]
    packs = []
    shapes = [loaded.shape_of(row.candidate.id) for row in rows]
    shares = [share_of(shape, has_solid=not _is_scanned(shape)) for shape in shapes]
    summary = _SHARE_OF_SUMMARY * len(rows)
    with progress.bar(sum(shares) + summary, "handing off") as advance:
        for row, tolerance in zip(rows, tolerances, strict=True):
            packs.append(_of_candidate(folder, loaded, record, row, tolerance, advance))
            advance(0.0, f"{row.candidate.id} exported")
        made = [pack.made for pack in packs]
        told = partial(advance, _SHARE_OF_SUMMARY)
        found = short_list(folder, loaded, record, ranking, made, told=told)
        files = {f"{folder.name}_summary.pdf": summary_pdf(found)}
        for pack, listed in zip(packs, found.listed, strict=True):
            files[pack.archive] = _zipped(pack, listed)
        advance(0.0, "summary written")
    facts = {
        **_facts_of_run(folder, record),
        "candidates": [pack.made.row.candidate.id for pack in packs],
        "make_in_turn": [listed.row.candidate.id for listed in found.in_turn],
    }
    files[NAME] = manifest_bytes(facts, files)
    write_folder(out, files)
    return tuple(_handed(pack) for pack in packs)


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


def _of_candidate(
    folder: RunFolder,
    loaded: LoadedJob,
    record: RunRecord,
    row: RankedRow,
    tolerance: AcousticTolerance | str,
    advance: Advance,
) -> _Pack:
    """Export one candidate, and advance by its share."""
    candidate = row.candidate
    shape = loaded.shape_of(candidate.id)
    values = {**shape.defaults, **candidate.values}
    revision = revision_of(shape, values, loaded)
    warnings = list(_warnings(loaded, record, row))
    analysed = folder.load_mesh(candidate.id)
    stem = f"{folder.name}_{candidate.id}"
    facts: dict[str, Any] = {
        **_facts_of_run(folder, record),
        "candidate": candidate.id,
        "revision": revision,
        "geometry": shape.script.name,
        "values": values,
        "dimensions": dict(row.dimensions),
        "units": {parameter.key: parameter.unit for parameter in shape.parameters},
        "score_db": candidate.score.total_db if candidate.score else None,
        "place": row.place,
        "tolerances": _tolerances(row.robustness),
    }
    checks: tuple[Check, ...] = ()
    files: dict[str, bytes] | None
    carved = carved_from(shape)
    subject = Subject(
        run=folder.name,
        created_utc=record.created_utc,
        job=(folder.path / "job.toml").read_bytes(),
        row=row,
        shape=shape,
        values=values,
        carved=carved,
        revision=revision,
        stem=stem,
        analysed=analysed,
        warnings=tuple(warnings),
        settings=loaded.job.handoff,
        mesh_time_limit_s=loaded.job.solve.mesh_time_limit_s,
        tolerance=tolerance,
    )
    if carved is None and _is_scanned(shape):
        files, reason = None, "this shape is a scan and has no parametric solid"
    else:
        try:
            found = candidate_files(subject, facts, advance)
        except MeshingError as error:
            if carved is None:
                raise
            files, reason = None, f"what was carved cannot be made of smooth faces ({error})"
        else:
            files, checks = found.files, found.checks
            facts |= found.facts
            warnings += found.remarks
    if files is None:
        tolerance = "what each place of the front may be off is not drawn: there is no drawing"
        warnings.append(
            f"Warning: {reason}; its surface as analysed is exported (STL, 3MF), and no STEP "
            "file, template or drawing"
        )
        files = print_files(stem, analysed.whole(shape.symmetry), subject.title)
        advance(share_of(shape, has_solid=False))
    facts["warnings"] = warnings
    made = Made(
        row=row,
        revision=revision,
        checks=checks,
        warnings=tuple(warnings),
        tolerance=tolerance_text(tolerance),
    )
    return _Pack(made=made, stem=stem, facts=facts, files=files)


def _zipped(pack: _Pack, listed: Listed) -> bytes:
    """Return a candidate's zip file, with what its measurement should show."""
    files = dict(pack.files)
    if listed.expected is not None:
        for plane in ORBITS:
            name = f"expected/{pack.stem}_{plane}.csv"
            files[name] = expected_csv(listed.expected, plane)
    files[NAME] = manifest_bytes(pack.facts, files)
    return zipped(files)


def _handed(pack: _Pack) -> Handed:
    failed = [f"Failed check: {check.name}: {check.text}" for check in pack.made.failed]
    return Handed(
        candidate=pack.made.row.candidate.id,
        archive=pack.archive,
        remarks=(*pack.made.warnings, *failed),
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


def _is_scanned(shape: Shape) -> bool:
    return is_declaration(shape.script) and isinstance(
        read_declaration(shape.script), ScannedSolid
    )


def _tolerances(robustness: Robustness | None) -> dict[str, float] | str:
    """Return the change that costs 0.5 dB by key, or as far as anything is known."""
    if robustness is None:
        return "not computed"
    return {key: found.change for key, found in allowed_changes(robustness).items()}


def _facts_of_run(folder: RunFolder, record: RunRecord) -> dict[str, Any]:
    job = (folder.path / "job.toml").read_bytes()
    return {
        "run": folder.name,
        "job": record.job,
        "job_sha256": hashlib.sha256(job).hexdigest(),
        "run_created_utc": record.created_utc,
        "run_versions": dict(record.versions),
        "run_commit": record.commit,
        "versions": versions(),
    }
