# SPDX-License-Identifier: GPL-3.0-or-later
"""After making: the scan of a part against its hand-off; read `inspect_scan`."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.errors import InputError, StoreError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.handoff.as_made import job_as_made
from bafflelens.handoff.datum import NAME as DATUM
from bafflelens.handoff.datum import Datum
from bafflelens.handoff.deviation_model import Explanation, explain, region_rms
from bafflelens.handoff.limits import limit_of, region_limits
from bafflelens.handoff.manifest import Opened, open_archive
from bafflelens.handoff.scan_picture import regions_picture
from bafflelens.handoff.spots import Spot, furthest_off
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

PASS: Final = "pass"
REWORK: Final = "rework"
SIMULATE: Final = "re-simulate"
AGAIN: Final = "scan again"

WITHIN: Final = "within"
OVER: Final = "over"
NEAR: Final = "too close to call"
UNKNOWN: Final = "over the general tolerance"
UNTOLD: Final = "not told by this scan"
UNSEEN: Final = "not seen"

SCANNER_MM: Final = 0.05
_LEAST_SEEN: Final = 0.8
_BENT_SHARE: Final = 0.1  # dimensions are taken to move surfaces in straight lines; assumed
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
class Judged:
    """A dimension or a region, and whether it is within its limit.

    Attributes
    ----------
    name, unit : str
        What it is.
    off : float
        How far off it is: a dimension's excess, a region's mean height (proud is positive).
    size : float
        What is judged: the amount of that; of a region the root mean square, or, where only the
        general tolerance is known, the amount at its furthest place.
    uncertainty : float
        U, at 95 per cent.
    allowed : float
        The limit; infinite where nothing that was solved costs anything.
    is_acoustic : bool
        Whether that is the change that costs 0.5 dB, or the general tolerance.
    state : str
        `WITHIN`, `OVER`, `NEAR`, `UNKNOWN`, `UNTOLD` or `UNSEEN`.
    low, high, seen : float
        Of a region: lowest and highest place, and the share of its area that was seen.
    rms : float
        Of a region, its root mean square.
    spot : Spot or None
        Of a region, where it is furthest off.
    """

    name: str
    unit: str
    off: float
    size: float
    uncertainty: float
    allowed: float
    is_acoustic: bool
    state: str
    low: float = math.nan
    high: float = math.nan
    seen: float = math.nan
    rms: float = math.nan
    spot: Spot | None = None

    @property
    def limit_text(self) -> str:
        """The limit in words."""
        if self.allowed == math.inf:
            return "any"
        return f"{self.allowed:.2g}" + ("" if self.is_acoustic else " g")


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


# --------------------------------------------------------------------------------- judging


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What is within its limit and what not, and what follows."""

    verdict: str
    reasons: tuple[str, ...]
    dimensions: tuple[Judged, ...]
    regions: tuple[Judged, ...]


def judge(
    manifest: dict[str, Any],
    datum: Datum,
    laid: SurfaceDeviation,
    explanation: Explanation,
    scanner_mm: float,
) -> Findings:
    """Hold dimensions and regions against their limits and say what follows.

    Parameters
    ----------
    manifest : dict
        The candidate's, with values, units and tolerances.
    datum : Datum
        The nominal surface.
    laid : Deviation
        The scan laid on it; only what was seen counts.
    explanation : Explanation
        What its heights were taken apart into.
    scanner_mm : float
        How exact the scanner is, at 95 per cent.
    """
    dimensions = _dimensions(manifest, datum, explanation, scanner_mm)
    regions = _regions(manifest, datum, laid, explanation, scanner_mm)
    rework = [_rework_line(item) for item in dimensions if item.state == OVER]
    rework += [_rework_line(item) for item in regions if item.state == OVER]
    front = _front_regions(datum)
    again = [
        f"scan the {item.name} again: {item.seen:.0%} of it was seen"
        for item in regions
        if item.name in front and item.seen < _LEAST_SEEN
    ]
    doubt = [
        f"{item.name}: off by {item.size:.2f} +- {item.uncertainty:.2f} {item.unit}, limit "
        f"{item.allowed:.2g}: {item.state}"
        for item in (*dimensions, *regions)
        if item.state in (NEAR, UNKNOWN)
    ]
    share = sum(
        item.size / item.allowed
        for item in dimensions
        if item.name in explanation.causes and item.is_acoustic and item.allowed < math.inf
    )
    if share > 1 and not rework:
        doubt.append(f"the dimensions that are off cost up to {0.5 * share:.2f} dB together")
    for verdict, reasons in ((REWORK, rework), (AGAIN, again), (SIMULATE, doubt)):
        if reasons:
            others = [line for line in (*again, *doubt) if line not in reasons]
            return Findings(
                verdict=verdict,
                reasons=(*reasons, *(others if verdict != SIMULATE else ())),
                dimensions=dimensions,
                regions=regions,
            )
    return Findings(verdict=PASS, reasons=(), dimensions=dimensions, regions=regions)


def _dimensions(
    manifest: dict[str, Any], datum: Datum, explanation: Explanation, scanner_mm: float
) -> tuple[Judged, ...]:
    found = []
    for key, movement in zip(datum.keys, datum.movement, strict=True):
        estimate = explanation.dimensions[key]
        largest = max(region_rms(datum, movement, ~datum.is_driver).values(), default=1e-3)
        scanner = scanner_mm / (largest * _MM)
        bent = _BENT_SHARE * abs(estimate.off)
        uncertainty = math.hypot(2 * estimate.deviation, scanner, bent)
        allowed, is_acoustic = limit_of(manifest, key, datum)
        state = _state(abs(estimate.off), uncertainty, allowed, is_known=is_acoustic)
        if not estimate.is_told or (state == NEAR and uncertainty > allowed / 2):
            state = UNTOLD
        found.append(
            Judged(
                name=key,
                unit=str(manifest["units"].get(key, "")),
                off=estimate.off,
                size=abs(estimate.off),
                uncertainty=uncertainty,
                allowed=allowed,
                is_acoustic=is_acoustic,
                state=state,
            )
        )
    return tuple(found)


def _regions(
    manifest: dict[str, Any],
    datum: Datum,
    laid: SurfaceDeviation,
    explanation: Explanation,
    scanner_mm: float,
) -> tuple[Judged, ...]:
    sizes = region_rms(datum, explanation.height, laid.seen)
    spots = furthest_off(datum.nominal, datum.region, explanation.height, laid.seen)
    found = []
    for name, (limit, is_acoustic) in region_limits(manifest, datum).items():
        where = datum.region == name
        areas, seen = datum.nominal.areas[where], laid.seen[where]
        share = float(areas[seen].sum() / areas.sum())
        height = explanation.height[where][seen] * _MM
        spread = explanation.spread.get(name, math.nan)
        is_seen = name in sizes and name in explanation.spread
        rms = sizes[name] * _MM if is_seen else math.nan
        size, uncertainty = rms, math.hypot(2 * spread * _MM, scanner_mm)
        spot = spots.get(name)
        if not is_acoustic and spot is not None:
            size = abs(spot.height_m) * _MM
            uncertainty = math.hypot(uncertainty, 2 * spot.scatter_m * _MM)
        state = _state(size, uncertainty, limit * _MM, is_known=True) if is_seen else UNSEEN
        found.append(
            Judged(
                name=name,
                unit="mm",
                off=float(np.average(height, weights=areas[seen])) if is_seen else math.nan,
                size=size,
                uncertainty=uncertainty,
                allowed=limit * _MM,
                is_acoustic=is_acoustic,
                state=state,
                low=float(height.min()) if is_seen else math.nan,
                high=float(height.max()) if is_seen else math.nan,
                seen=share,
                rms=rms,
                spot=spot,
            )
        )
    return tuple(found)


def _state(size: float, uncertainty: float, allowed: float, *, is_known: bool) -> str:
    """Return whether something is within its limit; `is_known` says if more has to be undone."""
    if size + uncertainty <= allowed:
        return WITHIN
    if size - uncertainty <= allowed:
        return NEAR
    return OVER if is_known else UNKNOWN


def _rework_line(item: Judged) -> str:
    if math.isnan(item.seen):
        return (
            f"bring {item.name} back by {-item.off:+.2f} {item.unit} (+- {item.uncertainty:.2f}; "
            f"it may be off by {item.allowed:.2g})"
        )
    if not item.is_acoustic and item.spot is not None:
        what = "take off the" if item.spot.height_m > 0 else "fill the"
        return (
            f"{what} {item.spot.text} at the {item.name} (+- {item.uncertainty:.2f}; ISO 2768-m "
            f"allows {item.allowed:.2g} mm)"
        )
    limit = f"{item.allowed:.2g} mm rms allowed"
    if abs(item.off) < item.size / 2:
        return (
            f"even out the {item.name}: from {item.low:+.2f} to {item.high:+.2f} mm, "
            f"{item.size:.2f} mm rms, {limit}"
        )
    what, most = ("remove", item.high) if item.off > 0 else ("add", -item.low)
    return (
        f"{what} {abs(item.off):.2f} mm (+- {item.uncertainty:.2f}) at the {item.name}, at most "
        f"{max(most, 0.0):.2f} mm; {limit}"
    )


def _front_regions(datum: Datum) -> set[str]:
    """Return the regions of which most is no cabinet and does not move."""
    cabinet = np.char.startswith(datum.nominal.surface.astype(str), "cabinet")
    areas = datum.nominal.areas
    found = set()
    for name in np.unique(datum.region[~datum.is_driver]).tolist():
        where = datum.region == name
        if areas[where & ~cabinet].sum() > areas[where].sum() / 2:
            found.add(name)
    return found


# ------------------------------------------------------------------------------ the report


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
