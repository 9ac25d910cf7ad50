# SPDX-License-Identifier: GPL-3.0-or-later
"""The zip file of each candidate, and the summary of all: loaded while the first solid is made."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import MeshingError
from bafflelens.base.loading import without_collector
from bafflelens.base.progress import Advance, Progress
from bafflelens.base.provenance import versions
from bafflelens.handoff.acoustic_tolerance import (
    AcousticTolerance,
    front_tolerance,
    tolerance_text,
)
from bafflelens.handoff.archive import zipped
from bafflelens.handoff.candidate_files import candidate_files, print_files, share_of
from bafflelens.handoff.carved_shape import is_scanned
from bafflelens.handoff.checks import Check
from bafflelens.handoff.expected import expected_csv
from bafflelens.handoff.known_sound import KnownSound, known_sound_of
from bafflelens.handoff.making_order import Made
from bafflelens.handoff.manifest import NAME, manifest_bytes
from bafflelens.handoff.sheet import allowed_changes
from bafflelens.handoff.shortlist import Listed, short_list
from bafflelens.handoff.solid_export import SolidBegun
from bafflelens.handoff.subject import Handed, RankedRun, Subject, solid_of
from bafflelens.handoff.summary_pages import summary_pdf
from bafflelens.mockup.measurement.measured import ORBITS
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import RankedRow
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.store import write_folder

_SHARE_OF_SUMMARY: Final = 2.0  # a candidate


@dataclass(frozen=True, kw_only=True)
class Pack:
    """One candidate as exported.

    Attributes
    ----------
    made : Made
        What was made.
    stem : str
        Of the names of its files.
    facts : dict
        For its manifest.
    files : dict of str to bytes
        Its files without the manifest.
    """

    made: Made
    stem: str
    facts: dict[str, Any]
    files: dict[str, bytes]

    @property
    def archive(self) -> str:
        """Name of the zip file."""
        return f"{self.stem}.zip"


def pack_all(
    run: RankedRun,
    subjects: Sequence[Subject],
    first: SolidBegun | None,
    out: Path,
    progress: Progress,
    *,
    tolerance_map: bool,
) -> tuple[Handed, ...]:
    """Write the folder of a hand-off; see `package.hand_off`.

    Parameters
    ----------
    run : RankedRun
        The run.
    subjects : sequence of Subject
        Its candidates that are handed off.
    first : SolidBegun or None
        The solid of the first one.
    out : Path
        Folder that is made.
    progress : Progress
        Told about each step.
    tolerance_map : bool
        Whether slopes that were not kept are computed.
    """
    tolerances = [
        front_tolerance(
            run.folder,
            subject.row.candidate.id,
            progress,
            compute=tolerance_map or is_carved(subject.row.candidate.id),
        )
        for subject in subjects
    ]
    shares = [share_of(one.shape, has_solid=not is_scanned(one.shape)) for one in subjects]
    facts = _facts_of_run(run)
    packs: list[Pack] = []
    heard: dict[str, KnownSound] = {}
    with progress.bar(sum(shares) + _SHARE_OF_SUMMARY * len(subjects), "handing off") as advance:

        def hear(row: RankedRow) -> None:
            heard[row.candidate.id] = known_sound_of(run.folder, run.loaded, run.ranking, row)
            advance(_SHARE_OF_SUMMARY)

        for subject, tolerance in zip(subjects, tolerances, strict=True):
            hearing = partial(hear, subject.row)
            is_first = subject is subjects[0]
            solid = nullcontext(first) if is_first else solid_of(subject)
            with solid as begun, without_collector():  # it finds next to nothing in pages, too
                packs.append(pack_candidate(subject, begun, tolerance, facts, advance, hearing))
            advance(0.0, f"{subject.row.candidate.id} exported")
        for subject in subjects:
            if subject.row.candidate.id not in heard:  # it has no solid
                hear(subject.row)
        made = [pack.made for pack in packs]
        found = short_list(run.folder, run.loaded, run.record, run.ranking, made, heard)
        files = {f"{run.folder.name}_summary.pdf": summary_pdf(found)}
        for pack, listed in zip(packs, found.listed, strict=True):
            files[pack.archive] = _zipped(pack, listed)
        advance(0.0, "summary written")
    facts |= {
        "candidates": [pack.made.row.candidate.id for pack in packs],
        "make_in_turn": [listed.row.candidate.id for listed in found.in_turn],
    }
    files[NAME] = manifest_bytes(facts, files)
    write_folder(out, files)
    return tuple(_handed(pack) for pack in packs)


def pack_candidate(
    subject: Subject,
    begun: SolidBegun | None,
    tolerance: AcousticTolerance | str,
    facts_of_run: Mapping[str, Any],
    advance: Advance,
    meanwhile: Callable[[], None],
) -> Pack:
    """Export one candidate, and advance by its share.

    Parameters
    ----------
    subject : Subject
        The candidate.
    begun : SolidBegun or None
        Its solid; None of a scan, which has none.
    tolerance : AcousticTolerance or str
        What each place of its front may be off, or why that is not known.
    facts_of_run : mapping
        What the manifest says of the run.
    advance : callable
        Told as each piece is done; by `share_of` in all.
    meanwhile : callable
        Called while the solid is made.

    Raises
    ------
    MeshingError
        If a solid cannot be exported that was not carved.
    """
    row, shape, warnings = subject.row, subject.shape, list(subject.warnings)
    candidate = row.candidate
    facts: dict[str, Any] = {
        **facts_of_run,
        "candidate": candidate.id,
        "revision": subject.revision,
        "geometry": shape.script.name,
        "values": subject.values,
        "dimensions": dict(row.dimensions),
        "units": {parameter.key: parameter.unit for parameter in shape.parameters},
        "score_db": candidate.score.total_db if candidate.score else None,
        "place": row.place,
        "tolerances": _tolerances(row.robustness),
    }
    checks: tuple[Check, ...] = ()
    files: dict[str, bytes] | None
    if begun is None:
        files, reason = None, "this shape is a scan and has no parametric solid"
    else:
        try:
            found = candidate_files(subject, begun, tolerance, facts, advance, meanwhile)
        except MeshingError as error:
            if subject.carved is None:
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
        files = print_files(subject.stem, subject.body, subject.title)
        advance(share_of(shape, has_solid=False))
    facts["warnings"] = warnings
    made = Made(
        row=row,
        revision=subject.revision,
        checks=checks,
        warnings=tuple(warnings),
        tolerance=tolerance_text(tolerance),
    )
    return Pack(made=made, stem=subject.stem, facts=facts, files=files)


def _zipped(pack: Pack, listed: Listed) -> bytes:
    """Return a candidate's zip file, with what its measurement should show."""
    files = dict(pack.files)
    if listed.expected is not None:
        for plane in ORBITS:
            name = f"expected/{pack.stem}_{plane}.csv"
            files[name] = expected_csv(listed.expected, plane)
    files[NAME] = manifest_bytes(pack.facts, files)
    return zipped(files)


def _tolerances(robustness: Robustness | None) -> dict[str, float] | str:
    """Return the change that costs 0.5 dB by key, or as far as anything is known."""
    if robustness is None:
        return "not computed"
    return {key: found.change for key, found in allowed_changes(robustness).items()}


def _handed(pack: Pack) -> Handed:
    failed = [f"Failed check: {check.name}: {check.text}" for check in pack.made.failed]
    return Handed(
        candidate=pack.made.row.candidate.id,
        archive=pack.archive,
        remarks=(*pack.made.warnings, *failed),
    )


def _facts_of_run(run: RankedRun) -> dict[str, Any]:
    folder, record = run.folder, run.record
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
