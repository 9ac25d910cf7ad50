# SPDX-License-Identifier: GPL-3.0-or-later
"""All files of one candidate that has a solid, its pieces made at once where processors are free.

The solid, its part, the surface that a part is inspected against and how each dimension moves that
surface are made by processes of their own; checks and pages follow here as soon as what they need
is there.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.processor import usable_processors
from bafflelens.base.progress import Advance
from bafflelens.handoff.acoustic_tolerance import AcousticTolerance, tolerance_csv
from bafflelens.handoff.as_made import JOB
from bafflelens.handoff.calipers import form_csv, form_pdf, symbols_of
from bafflelens.handoff.checks import Check, making_checks
from bafflelens.handoff.corner_checks import corners_as_made, corners_of_part, with_corners
from bafflelens.handoff.datum import NAME as DATUM
from bafflelens.handoff.datum import begin_datum, shaped_by
from bafflelens.handoff.inner_corners import regions_off
from bafflelens.handoff.lens_dimensions import LensDimensions
from bafflelens.handoff.likeness import Likeness, likeness
from bafflelens.handoff.limits import region_limits
from bafflelens.handoff.manifest import FORMS
from bafflelens.handoff.part_checks import part_checks, with_part
from bafflelens.handoff.part_dimensions import measured_dimensions
from bafflelens.handoff.part_pieces import PartPlan
from bafflelens.handoff.part_plan import NO_PART
from bafflelens.handoff.part_rows import part_rows
from bafflelens.handoff.printing import stl_bytes, three_mf_bytes
from bafflelens.handoff.sheet import Sheet, sheet_pdf, views_of
from bafflelens.handoff.solid import Solid
from bafflelens.handoff.solid_export import SolidBegun
from bafflelens.handoff.subject import Subject
from bafflelens.handoff.template_dxf import dxf_bytes
from bafflelens.handoff.templates import (
    Template,
    on_few_pages,
    printed_templates,
    templates_of,
    templates_pdf,
)
from bafflelens.job.handoff_section import ANALYSED
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.surface_names import GUIDING_KINDS, surface_kind
from bafflelens.report.shape_picture import shape_views
from bafflelens.shapes.cad.declared_text import declaration_bytes
from bafflelens.shapes.meshing.parameters import Shape

_SHARE_OF_SOLID: Final = 6.0  # about so many times as long as one dimension of the inspection
_SHARE_OF_CHECKS: Final = 2.0
_SHARE_OF_PAGES: Final = 2.0


@dataclass(frozen=True, kw_only=True)
class FilesMade:
    """What was made of a candidate.

    Attributes
    ----------
    files : dict of str to bytes
        By their names in its zip file.
    facts : dict
        For the manifest.
    checks : tuple of Check
        Whether it can be made.
    remarks : tuple of str
        How near the faces of a carved one are to what was carved.
    """

    files: dict[str, bytes]
    facts: dict[str, Any]
    checks: tuple[Check, ...]
    remarks: tuple[str, ...]


def share_of(shape: Shape, *, has_solid: bool) -> float:
    """Return what `candidate_files` advances by in all."""
    rest = _SHARE_OF_SOLID + _SHARE_OF_CHECKS + _SHARE_OF_PAGES
    return rest + (len(shaped_by(shape)) if has_solid else 0)


def candidate_files(
    subject: Subject,
    begun: SolidBegun,
    tolerance: AcousticTolerance | str,
    facts: Mapping[str, Any],
    advance: Advance,
    meanwhile: Callable[[], None],
) -> FilesMade:
    """Take the solid of a candidate, check it, and draw it.

    Parameters
    ----------
    subject : Subject
        The candidate.
    begun : SolidBegun
        Its solid.
    tolerance : AcousticTolerance or str
        What each place of its front may be off, or why that is not known.
    facts : mapping
        What the manifest says of it already.
    advance : callable
        Told as each piece is done; by `share_of` in all.
    meanwhile : callable
        Called once while the solid is made.

    Raises
    ------
    MeshingError
        If a solid or the nominal surface cannot be made.
    """
    told = _one_at_a_time(advance)
    shape, settings, plan, motions = (
        subject.shape, subject.settings, subject.plan, subject.motions
    )  # fmt: skip
    with (
        ThreadPoolExecutor(usable_processors()) as pool,
        ThreadPoolExecutor(1) as aside,  # not behind all surfaces
    ):
        limit_s = subject.mesh_time_limit_s
        datum = cache(begin_datum(pool, shape, subject.values, limit_s, told=lambda: told(1.0)))
        try:
            meanwhile()
            body = begun.body()
            picture = aside.submit(shape_views, body.mesh)
            same = likeness(subject.analysed, shape.symmetry, body)
            checks = making_checks(body, same, motions, settings)
            table = measured_dimensions(body, motions)
            files = _body_files(subject, body)
            told(_SHARE_OF_CHECKS)
            solid = begun.whole(body)
            told(_SHARE_OF_SOLID, f"{subject.row.candidate.id}: solid exported")
            corners = None
            if plan is not None:
                files |= _part_files(subject, solid)
                of_part = part_checks(solid, subject.body, same, plan, motions, settings)
                checks = with_part(checks, of_part)
                table = replace(table, rows=(*table.rows, *part_rows(solid, plan, settings)))
                corners = corners_of_part(solid, motions)
            # All that needs no surface of another dimension: these are there last.
            views = views_of(solid, motions, table.rows, plan)
            forms = _forms(subject, table, facts)
            if corners is not None and len(corners.turn):
                there = corners_as_made(solid, corners, settings)
                nominal = datum()
                off = regions_off(
                    corners, settings.cutter_mm / 2e3, nominal, region_limits(facts, nominal)
                )
                checks = with_corners(checks, solid, corners, settings, off, there)
            sheet = _sheet(subject, solid, same, checks, table, picture.result().small, tolerance)
            files[f"{subject.stem}_drawing.pdf"] = sheet_pdf(sheet, views)
            files |= {f"checks/{c.file}.png": c.picture for c in checks if c.marked}
            told(_SHARE_OF_PAGES)
            files[DATUM] = datum().to_bytes()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    found = {
        "solid": _facts_of_solid(solid, same),
        "checks": [{"name": c.name, "state": c.state, "text": c.text} for c in checks],
        "symbols": symbols_of(table.rows),
        "part": _facts_of_part(solid, plan),
        **({"fit": asdict(solid.fit)} if solid.fit else {}),
        "acoustic_tolerance": _facts_of_tolerance(subject, tolerance),
    }
    if isinstance(tolerance, AcousticTolerance):
        files[_table_of(subject)] = tolerance_csv(tolerance)
    files |= forms
    files[JOB] = subject.job
    return FilesMade(files=files, facts=found, checks=checks, remarks=_remarks(solid))


def _one_at_a_time(advance: Advance) -> Advance:
    """Return the same for several threads."""
    lock = threading.Lock()

    def told(amount: float, text: str = "") -> None:
        with lock:
            advance(amount, text)

    return told


def _body_files(subject: Subject, body: Solid) -> dict[str, bytes]:
    """Return the files of the analysed body: solid, what to print from, and templates."""
    stem, page, motions = subject.stem, subject.settings.page, subject.motions
    centre = [1e3 * value for value in motions[0].centre]
    rim = 1e3 * motions[0].outer_radius_m
    before = {section.name: section for section in body.before}
    templates = list(templates_of(body.sections, subject.label, centre, rim, before=before))
    shaped = _shaped_mm(body.mesh)

    def few(most: int) -> list[Template]:
        return list(
            printed_templates(
                body.sections, subject.label, centre, rim, shaped, before=before, most=most
            )
        )

    names = body.mesh.surface.tolist()
    return {
        f"{stem}.step": body.step,
        f"{stem}.toml": declaration_bytes(subject.title, f"{stem}.step", names, motions),
        **print_files(stem, body.mesh, subject.title),
        **{f"templates/{item.name}.dxf": dxf_bytes(item) for item in templates},
        f"templates/{stem}_{page}.pdf": templates_pdf(on_few_pages(few, page), page),
    }


def _sheet(
    subject: Subject,
    solid: Solid,
    same: Likeness,
    checks: tuple[Check, ...],
    table: LensDimensions,
    picture: bytes,
    tolerance: AcousticTolerance | str,
) -> Sheet:
    """Return what the drawing says."""
    return Sheet(
        run=subject.run,
        candidate=subject.row.candidate.id,
        revision=subject.revision,
        date=subject.created_utc[:10],
        shape=subject.shape,
        dimensions=subject.row.dimensions,
        solid=solid,
        likeness=same,
        motions=subject.motions,
        checks=checks,
        warnings=(*subject.warnings, *_remarks(solid)),
        robustness=subject.row.robustness,
        settings=subject.settings,
        rows=table.rows,
        form=table.form,
        plan=subject.plan,
        picture=picture,
        tolerance=tolerance,
    )


def _forms(subject: Subject, table: LensDimensions, facts: Mapping[str, Any]) -> dict[str, bytes]:
    """Return the forms to write readings on."""
    formed = [item.key for item in shaped_by(subject.shape) if item.key in subject.row.dimensions]
    form = f"{FORMS}{subject.stem}_readings"
    return {
        f"{form}.csv": form_csv(table.rows, facts, formed),
        f"{form}.pdf": form_pdf(table.rows, facts, formed, subject.title),
    }


def _part_files(subject: Subject, solid: Solid) -> dict[str, bytes]:
    """Return the part as it is made, each of its pieces as solid and to print from."""
    files = {}
    for piece in solid.pieces:
        stem = f"part/{subject.stem}_{piece.name}"
        files[f"{stem}.step"] = piece.step
        files |= print_files(stem, piece.mesh, f"{subject.title} {piece.name}")
    return files


def _facts_of_part(solid: Solid, plan: PartPlan | None) -> dict[str, Any]:
    """Return how the part is made, for the manifest."""
    if plan is None:
        return {"made": ANALYSED, "text": NO_PART}
    pieces = {
        piece.name: {
            "volume_mm3": piece.volume_m3 * 1e9,
            "areas_mm2": {name: area * 1e6 for name, area in sorted(piece.areas_m2.items())},
            "off_mm": piece.off_m * 1e3,
        }
        for piece in solid.pieces
    }
    return {"made": plan.made, "sheets_mm": plan.sheets, "thick_mm": plan.thick, "pieces": pieces}


def _table_of(subject: Subject) -> str:
    return f"tolerance/{subject.stem}_tolerance.csv"


def _facts_of_tolerance(subject: Subject, found: AcousticTolerance | str) -> dict[str, Any]:
    """Return what each place may be off, or why that is not known, for the manifest."""
    return {"text": found} if isinstance(found, str) else found.facts(_table_of(subject))


def _remarks(solid: Solid) -> tuple[str, ...]:
    return (f"Carved: {solid.fit.text}",) if solid.fit else ()


def _shaped_mm(mesh: Mesh) -> FloatArray:
    """Return places on what guides sound, (n, 3); on all of the front where nothing does."""
    kinds = np.array([surface_kind(name) for name in mesh.surface.tolist()])
    guides = np.isin(kinds, GUIDING_KINDS)
    front = ~np.char.startswith(mesh.surface, "cabinet")
    shaped = guides if guides.any() else front
    return np.asarray(mesh.corners[shaped].reshape(-1, 3) * 1e3)


def print_files(stem: str, mesh: Mesh, title: str) -> dict[str, bytes]:
    """Return the files to print from."""
    return {f"{stem}.stl": stl_bytes(mesh), f"{stem}.3mf": three_mf_bytes(mesh, title)}


def _facts_of_solid(solid: Solid, same: Likeness) -> dict[str, Any]:
    return {
        "volume_mm3": solid.volume_m3 * 1e9,
        "area_mm2": solid.area_m2 * 1e6,
        "box_mm": (solid.box_m * 1e3).tolist(),
        "chord_mm": solid.chord_m * 1e3,
        "volume_share": same.volume_share,
        "largest_distance_mm": same.largest_mm,
        "corners_mm": same.corners_mm,
    }
