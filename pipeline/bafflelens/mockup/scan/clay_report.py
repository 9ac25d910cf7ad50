# SPDX-License-Identifier: GPL-3.0-or-later
"""The report on a clay model, in words."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mockup.scan.clay_model import OFF_M, ClayModel, ClayScanRequest
from bafflelens.mockup.scan.fitting import FARTHEST_BRIDGED_M
from bafflelens.mockup.scan.picture import deviation_place_text

_LARGEST_OFF_SHARE: Final = 0.02
_SMALL_HOLE_M: Final = 0.02


def report_text(
    request: ClayScanRequest, model: ClayModel, motions: tuple[SourceMotion, ...]
) -> str:
    """Return the report on a scan, as text with a few tables."""
    lines = [
        f"Clay model from {request.scan.name}",
        f"  nominal shape   {request.nominal_name}",
        f"  scan            {model.n_triangles:,} triangles, read in {request.unit}",
        *_repair_lines(model),
        *_hole_lines(model, motions),
        *_pose_lines(request, model),
    ]
    lines += [
        "",
        "Solid",
        f"  distance of the scan from the solid: {model.fit_rms_m * 1e3:.2f} mm rms, 99 % within "
        f"{model.fit_p99_m * 1e3:.2f} mm (the scan's own noise included)",
        f"  seen by the scanner: {model.spreads[0].seen:.0%} of the surface; gaps are bridged "
        "smoothly, and where nothing was",
        f"  seen within {FARTHEST_BRIDGED_M * 1e3:g} mm the nominal shape is taken. The driver is "
        "the nominal one, in its nominal place.",
    ]
    if model.off_share > _LARGEST_OFF_SHARE:
        lines.append(
            f"  WARNING: {model.off_share:.1%} of the scan lies more than {OFF_M * 1e3:g} mm off "
            "the solid: the clay differs too much from this nominal shape there."
        )
    lines += ["", "Deviation from the nominal shape in mm (positive where clay is proud of it)"]
    lines.append(f"  {'surface':<16}{'seen':>6}{'mean':>8}{'rms':>8}{'lowest':>8}{'highest':>9}")
    for row in model.spreads:
        numbers = (row.mean_m, row.rms_m, row.low_m, row.high_m)
        shown = [f"{value * 1e3:.2f}" if row.seen else "-" for value in numbers]
        lines.append(
            f"  {row.surface:<16}{row.seen:>6.0%}{shown[0]:>8}{shown[1]:>8}{shown[2]:>8}"
            f"{shown[3]:>9}"
        )
    lines += ["", "Largest dents and humps"]
    found = [
        "  " + deviation_place_text(number, place).replace("\n   ", "")
        for number, place in enumerate(model.places, start=1)
    ]
    return "\n".join(lines + (found or ["  none over 0.4 mm"])) + "\n"


def _repair_lines(model: ClayModel) -> list[str]:
    done = model.repairs
    counts = [
        (done.merged, "repeated vertices merged"),
        (done.broken, "triangles without area or with bad corners dropped"),
        (done.doubled, "repeated triangles dropped"),
        (done.islands, "loose pieces dropped"),
        (done.turned, "triangles turned to face outwards"),
        (done.spikes, "spikes removed"),
    ]
    found = [
        f"{count:,} {what if count > 1 else _singular(what)}" for count, what in counts if count
    ]
    if model.turned_inside_out:
        found.append("the whole scan turned: it faced inwards")
    return ["", "Repairs", *(f"  {line}" for line in found or ["nothing to mend"])]


def _singular(words: str) -> str:
    """Return words about several things for one.

    Examples
    --------
    >>> _singular("loose pieces dropped"), _singular("repeated vertices merged")
    ('loose piece dropped', 'repeated vertex merged')
    """
    words = words.replace("vertices", "vertex")
    return re.sub(r"(piece|spike|triangle)s\b", r"\1", words)


def _hole_lines(model: ClayModel, motions: tuple[SourceMotion, ...]) -> list[str]:
    if not model.repairs.holes:
        return ["  no holes"]
    lines, others = [], []
    for hole in model.repairs.holes:
        centre = model.pose.applied_to(hole.centre)
        at_driver = any(
            np.linalg.norm(centre - np.asarray(motion.centre)) < motion.outer_radius_m
            and hole.width_m < 4 * motion.outer_radius_m
            for motion in motions
        )
        if at_driver:
            lines.append(
                f"  driver's hole, {hole.width_m * 1e3:.0f} mm wide: closed with the nominal dome"
            )
        else:
            others.append((hole.width_m, centre))
    small = [width for width, _ in others if width < _SMALL_HOLE_M]
    for width, (x, y, z) in [hole for hole in others if hole[0] >= _SMALL_HOLE_M][:8]:
        how = "bridged" if width < 2 * FARTHEST_BRIDGED_M else "nominal shape beyond it"
        lines.append(
            f"  hole {width * 1e3:.0f} mm wide around ({x * 1e3:.0f}, {y * 1e3:.0f}, "
            f"{z * 1e3:.0f}) mm: {how}"
        )
    if small:
        lines.append(f"  {len(small)} holes under {_SMALL_HOLE_M * 1e3:g} mm: bridged")
    return lines


def _pose_lines(request: ClayScanRequest, model: ClayModel) -> list[str]:
    pose = model.pose
    how = "by registration to the nominal shape"
    if model.marks:
        how = "by marks" + (", refined by registration" if request.refine else "")
    turn = float(np.degrees(Rotation.from_matrix(pose.rotation).magnitude()))
    x, y, z = pose.shift * 1e3
    lines = [
        "",
        f"Pose, {how}",
        f"  turned by {turn:.2f} degrees, then shifted by ({x:.2f}, {y:.2f}, {z:.2f}) mm",
        f"  residual {pose.rms_m * 1e3:.2f} mm rms over {pose.kept_share:.0%} of the points; the "
        f"median of all is {pose.median_m * 1e3:.2f} mm",
    ]
    if model.marks:
        shown = ", ".join(f"{name} {off * 1e3:.2f}" for name, off in model.marks)
        lines.append(f"  marks off by (mm): {shown}")
    elif request.shape.symmetry:
        lines.append(
            "  The nominal shape is its own mirror image: a mirrored scan would fit, too."
        )
    return lines
