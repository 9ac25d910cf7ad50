# SPDX-License-Identifier: GPL-3.0-or-later
"""After making: the scan of a part against its hand-off; read `inspect_scan`."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.errors import InputError, StoreError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.handoff.as_made import job_as_made
from bafflelens.handoff.datum import NAME as DATUM
from bafflelens.handoff.datum import Datum
from bafflelens.handoff.deviation_model import Explanation, explain
from bafflelens.handoff.judging import PASS, UNSEEN, Findings, Judged, judge
from bafflelens.handoff.manifest import Opened, open_archive
from bafflelens.handoff.scan_picture import regions_picture
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.scan.findings import DeviationPlace, places, spreads
from bafflelens.mockup.scan.fitting import distances, fit
from bafflelens.mockup.scan.marks import read_marks
from bafflelens.mockup.scan.picture import deviation_picture, deviation_place_text
from bafflelens.mockup.scan.placing import placed, require_likely_size, unit_in_m
from bafflelens.mockup.scan.registration import Pose
from bafflelens.mockup.scan.repair import read_scan, repair
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.store import require_new_folder, write_folder

SCANNER_MM: Final = 0.05
_SYMMETRIC_M: Final = 2e-4
_MM: Final = 1e3

RULE: Final = """\
The rule
  U is the uncertainty at 95 %: scanner, noise and registration together. Something is within its
  limit if it is off by no more than the limit less U, over it if by more than the limit and U;
  between, this scan cannot tell.
  A region is judged by its root mean square where the change that costs 0.5 dB is known, for that
  bounds what it does to the sound; else, by the general tolerance, where it is furthest off.
  rework       a dimension or region is over the change that costs 0.5 dB, or a place of a region
               over the general tolerance
  scan again   nothing seen is, but less than 80 % of a region of the front was seen
  re-simulate  something is too near its limit to tell, or a dimension over a general tolerance
               where nobody has solved what it costs, or several together use up their 0.5 dB
  pass         none of these
  Dimensions that the scan does not tell do not stand in the way: the regions that they move are
  judged. Take calipers for them."""


@dataclass(frozen=True, kw_only=True)
class ScanRequest:
    """What is to be inspected.

    Attributes
    ----------
    folder : Path
        The hand-off.
    scan : Path
        The scanner's file.
    out : Path
        Folder that is made.
    candidate : str
        Which one, if the folder holds several.
    unit : str
        Unit of the scanner's file.
    marks : Path or None
        File of marks that tell the pose.
    scanner_mm : float
        How exact the scanner is over the part, by its maker, at 95 %.
    """

    folder: Path
    scan: Path
    out: Path
    candidate: str = ""
    unit: str = "mm"
    marks: Path | None = None
    scanner_mm: float = SCANNER_MM


@dataclass(frozen=True, kw_only=True)
class Inspection:
    """What came of a scan.

    Attributes
    ----------
    verdict : {"pass", "rework", "scan again", "re-simulate"}
        What follows.
    reasons : tuple of str
        Why, a line each; what is to be done first.
    dimensions, regions : tuple of Judged
        All of them.
    explanation : Explanation
        What the deviation was taken apart into.
    pose : Pose
        Where the scan was put.
    noise_m : float
        Scatter of the scanned points about the surface laid through them, in m.
    places : tuple of Place
        Dents and humps.
    report : str
        All of it.
    """

    verdict: str
    reasons: tuple[str, ...]
    dimensions: tuple[Judged, ...]
    regions: tuple[Judged, ...]
    explanation: Explanation
    pose: Pose
    noise_m: float
    places: tuple[DeviationPlace, ...]
    report: str


def inspect_scan(request: ScanRequest, progress: Progress | None = None) -> Inspection:
    """Compare the scan of a part with its hand-off; write report and pictures.

    Parameters
    ----------
    request : ScanRequest
        What is to be inspected.
    progress : Progress, optional
        Who is told.

    Raises
    ------
    StoreError
        If the folder is no hand-off, was changed, or the new folder holds something.
    GeometryError
        If the scan cannot be used: unreadable, in another unit, mirrored, of another shape.
    InputError
        If an option is wrong.
    """
    require_new_folder(request.out)
    if not 0 < request.scanner_mm <= 5:
        rule = "a number above 0, at most 5"
        raise InputError(invalid("option '--scanner-mm'", request.scanner_mm, rule))
    unit_m = unit_in_m(request.unit)
    opened = open_archive(request.folder, request.candidate)
    datum = _datum(opened)
    marks = read_marks(request.marks, unit_m) if request.marks else ()
    raw = read_scan(request.scan, unit_m)
    scan, repairs = repair(request.scan, raw)
    require_likely_size(request.scan.name, request.unit, scan, datum.nominal)
    with (progress or Silent()).bar(18.0, "inspecting the scan") as advance:
        scan, pose, _ = placed(
            scan,
            datum.nominal,
            closed=repairs.closed,
            marks=marks,
            refine=True,
            advance=lambda share, text="": advance(9.0 * share, text),
        )
        moving = np.unique(datum.nominal.surface[datum.is_driver]).tolist()
        laid = fit(scan, datum.nominal, moving, lambda share, text="": advance(7 * share, text))
        off, _ = distances(scan, laid.clay, moving)
        noise_m = 1.4826 * float(np.median(np.abs(off)))
        explanation = explain(datum, laid.height, laid.seen)
        advance(1.0, "deviation taken apart")
        found = judge(opened.manifest, datum, laid, explanation, request.scanner_mm)
        corrected = _corrected(datum, laid, explanation)
        dents = places(corrected)
        report = _report(request, opened, found, explanation, pose, noise_m, corrected, dents)
        title = f"{request.scan.name}: {found.verdict}; {opened.stem}"
        files = {
            "report.txt": report.encode(),
            "deviation.png": deviation_picture(corrected, spreads(corrected)[0], dents, title),
            "regions.png": regions_picture(found.regions, found.dimensions, title),
        }
        if found.verdict != PASS:
            files["as_made.toml"] = job_as_made(opened, _clay_folder(request), request.scan.stem)
        write_folder(request.out, files)
        advance(1.0, "written")
    return Inspection(
        verdict=found.verdict,
        reasons=found.reasons,
        dimensions=found.dimensions,
        regions=found.regions,
        explanation=explanation,
        pose=pose,
        noise_m=noise_m,
        places=dents,
        report=report,
    )


def _datum(opened: Opened) -> Datum:
    if DATUM not in opened.files:
        rule = f"one that holds {DATUM}; those of scanned shapes and of older versions do not"
        raise StoreError(invalid("hand-off", opened.where, rule))
    return Datum.from_bytes(f"{opened.where}/{DATUM}", opened.files[DATUM])


def _corrected(datum: Datum, laid: SurfaceDeviation, explanation: Explanation) -> SurfaceDeviation:
    """Return the deviation without what registration had left of the pose, named by regions."""
    mesh = Mesh(datum.nominal.vertices, datum.nominal.triangles, datum.region)
    return SurfaceDeviation(mesh, laid.displacement, explanation.height, laid.seen)


def _report(
    request: ScanRequest,
    opened: Opened,
    found: Findings,
    explanation: Explanation,
    pose: Pose,
    noise_m: float,
    corrected: SurfaceDeviation,
    dents: Sequence[DeviationPlace],
) -> str:
    manifest = opened.manifest
    lines = [
        f"Inspection of {request.scan.name} against {opened.stem} rev {manifest['revision']}",
        "",
        f"Verdict: {found.verdict}",
        *(f"  {line}" for line in found.reasons),
    ]
    if found.verdict != PASS:
        lines += ["", "To solve it as it is", *_commands(request, opened)]
    causes = ", ".join(explanation.causes) or "nothing"
    lines += [
        "",
        f"What explains the deviation: {causes}; rest {explanation.rest_m * _MM:.2f} mm rms",
        "",
        "Dimensions (a g marks the general tolerance, ISO 2768-m: no acoustic limit is known)",
        f"  {'dimension':<30}{'off':>8}{'U':>7}{'limit':>9}  ",
    ]
    for item in found.dimensions:
        lines.append(
            f"  {item.name + ' ' + item.unit:<30}{item.off:>+8.2f}{item.uncertainty:>7.2f}"
            f"{item.limit_text:>9}  {item.state}"
        )
    lines += [
        "",
        "Regions in mm (positive where material is to be removed; a g: judged at the furthest "
        "place)",
        f"  {'region':<20}{'seen':>6}{'mean':>8}{'rms':>7}{'U':>7}{'lowest':>8}{'highest':>9}"
        f"{'limit':>9}",
    ]
    for item in found.regions:
        lines.append(_region_row(item))
    shown = [
        deviation_place_text(n, place).replace("\n   ", "")
        for n, place in enumerate(dents, start=1)
    ]
    lines += ["", "Dents and humps", *(f"  {line}" for line in shown or ["none over 0.4 mm"])]
    lines += ["", *_uncertainty_lines(request, explanation, pose, noise_m, corrected.nominal)]
    return "\n".join([*lines, "", RULE]) + "\n"


def _commands(request: ScanRequest, opened: Opened) -> list[str]:
    """Return the commands that make a candidate of the scan and solve it."""
    manifest = opened.manifest
    marks = f" --marks {shlex.quote(str(request.marks))} --refine" if request.marks else ""
    return [
        f"  bafflelens scan {shlex.quote(str(request.scan))} --unit {request.unit} --nominal "
        f"results/{manifest['run']} --candidate {manifest['candidate']}{marks} --out "
        f"{shlex.quote(str(_clay_folder(request)))}",
        f"  bafflelens run {shlex.quote(str(request.out / 'as_made.toml'))}",
    ]


def _clay_folder(request: ScanRequest) -> Path:
    return request.out / "clay"


def _region_row(item: Judged) -> str:
    if item.state == UNSEEN:
        return f"  {item.name:<20}{item.seen:>6.0%}  {item.state}"
    return (
        f"  {item.name:<20}{item.seen:>6.0%}{item.off:>+8.2f}{item.rms:>7.2f}"
        f"{item.uncertainty:>7.2f}{item.low:>+8.2f}{item.high:>+9.2f}{item.limit_text:>9}  "
        f"{item.state}"
    )


def _uncertainty_lines(
    request: ScanRequest, explanation: Explanation, pose: Pose, noise_m: float, nominal: Mesh
) -> list[str]:
    turn = math.degrees(float(np.linalg.norm(explanation.turn)))
    x, y, z = explanation.shift * _MM
    spread = [value for name, value in explanation.spread.items()]
    lines = [
        "Uncertainty",
        f"  scanner {request.scanner_mm:g} mm, as its maker says or assumed; its points scatter "
        f"by {noise_m * _MM:.2f} mm about the surface laid through them",
        f"  registration: {pose.rms_m * _MM:.2f} mm rms over {pose.kept_share:.0%} of the points; "
        f"fitted together with the causes it moved by ({x:+.2f}, {y:+.2f}, {z:+.2f}) mm and "
        f"{turn:.3f} degrees, and is good to {2 * max(spread) * _MM:.2f} mm in the worst region",
    ]
    if _is_symmetric(nominal):
        lines.append(
            "  The nominal shape is its own mirror image: a mirrored scan would fit, too, with "
            "left and right exchanged."
        )
    return lines


def _is_symmetric(nominal: Mesh) -> bool:
    image = nominal.centroids * (1.0, -1.0, 1.0)
    surface = searchable(nominal.vertices, nominal.triangles)
    return bool(np.quantile(closest(surface, image).distance, 0.99) < _SYMMETRIC_M)
