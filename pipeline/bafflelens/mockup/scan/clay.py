# SPDX-License-Identifier: GPL-3.0-or-later
"""A clay model, from the scanner's file to a candidate of a job: read `take_scan`."""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, StoreError, invalid
from bafflelens.base.progress import Advance, Progress, Silent
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mockup.scan.findings import DeviationPlace, Spread, places, spreads
from bafflelens.mockup.scan.fitting import FARTHEST_BRIDGED_M, distances, fit
from bafflelens.mockup.scan.marks import ScanMark, read_marks
from bafflelens.mockup.scan.picture import deviation_picture, deviation_place_text
from bafflelens.mockup.scan.registration import Pose, pose_from_marks, refined, register
from bafflelens.mockup.scan.repair import Repairs, Scan, read_scan, repair
from bafflelens.shapes.cad.declaration import UNITS_M, nearest_of
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape

_FINE: Final = MeshSize(
    source_size_m=0.004,
    growth=2.5,
    growth_distance_m=0.2,
    largest_m=0.012,
    curvature_elements=24,
)
_TIME_LIMIT_S: Final = 120.0
_LIKELY_SIZE: Final = (0.25, 1.3)  # of the nominal shape, for a scan of all or a part of it
_OFF_M: Final = 1e-3
_LARGEST_OFF_SHARE: Final = 0.02
_SMALL_HOLE_M: Final = 0.02


@dataclass(frozen=True, kw_only=True)
class ClayScanRequest:
    """What is to be done with a scan.

    Attributes
    ----------
    scan : Path
        The scanner's file.
    shape : Shape
        The nominal shape.
    values : mapping of str to float
        Its parameters.
    nominal_name : str
        Which candidate of which job that is, for people.
    out : Path
        Folder that is made.
    unit : str
        Unit of the scanner's file.
    marks : Path or None
        File of marks that tell the pose.
    refine : bool
        Whether the pose by marks is refined by registration.
    """

    scan: Path
    shape: Shape
    values: Mapping[str, float]
    nominal_name: str
    out: Path
    unit: str = "mm"
    marks: Path | None = None
    refine: bool = False


@dataclass(frozen=True, kw_only=True)
class ClayModel:
    """What came of a scan.

    Attributes
    ----------
    n_triangles : int
        Of the scan as it was read.
    repairs : Repairs
        What was mended; places in the reference frame.
    turned_inside_out : bool
        Whether the whole open scan had to be turned to face outwards.
    pose : Pose
        From the scan's frame to the reference frame.
    marks : tuple of (name, residual in m)
        How far each mark is off, if there were any.
    deviation : Deviation
        From the nominal shape.
    spreads, places : tuple
        Its statistics, its dents and humps.
    fit_rms_m, fit_p99_m, off_share : float
        Distances of the scan from the finished solid, and the share of it over 1 mm off.
    """

    n_triangles: int
    repairs: Repairs
    turned_inside_out: bool
    pose: Pose
    marks: tuple[tuple[str, float], ...]
    deviation: SurfaceDeviation
    spreads: tuple[Spread, ...]
    places: tuple[DeviationPlace, ...]
    fit_rms_m: float
    fit_p99_m: float
    off_share: float


def take_scan(request: ClayScanRequest, progress: Progress | None = None) -> tuple[ClayModel, str]:
    """Make a candidate of a scan: a folder with solid, deviation, picture and report.

    Parameters
    ----------
    request : Request
        What is to be done.
    progress : Progress, optional
        Who is told.

    Returns
    -------
    ClayModel, str
        What came of it, and the report.

    Raises
    ------
    GeometryError
        If the scan cannot be used; nothing is written then.
    MeshingError
        If the nominal shape cannot be meshed, or the clay differs too much from it.
    StoreError
        If the folder exists or cannot be written.
    """
    _require_free(request.out)
    unit_m = unit_in_m(request.unit)
    marks = read_marks(request.marks, unit_m) if request.marks else ()
    raw = read_scan(request.scan, unit_m)
    scan, repairs = repair(request.scan, raw)
    motions = source_motions(request.shape, request.values)
    with (progress or Silent()).bar(20.0, "taking the scan") as advance:
        nominal = _nominal_mesh(request)
        require_likely_size(request.scan.name, request.unit, scan, nominal)
        advance(3.0, "nominal shape meshed")
        scan, pose, turned = placed(
            scan,
            nominal,
            closed=repairs.closed,
            marks=marks,
            refine=request.refine,
            advance=lambda share, text="": advance(9.0 * share, text),
        )
        advance(0.0, f"pose found, residual {pose.rms_m * 1e3:.2f} mm")
        moving = sorted({n for m in motions for n in (*m.piston_surfaces, *m.taper_surfaces)})
        deviation = fit(scan, nominal, moving, lambda share, text="": advance(7.0 * share, text))
        model = _model(raw, scan, repairs, turned, pose, marks, deviation, moving)
        report = report_text(request, model, motions)
        _write(request, model, report)
        advance(1.0, "written")
    return model, report


def unit_in_m(unit: str) -> float:
    """Return the length of a unit in m.

    Raises
    ------
    GeometryError
        If there is no such unit.
    """
    if unit not in UNITS_M:
        raise GeometryError(invalid("option '--unit'", unit, nearest_of(unit, UNITS_M)))
    return UNITS_M[unit]


def _require_free(out: Path) -> None:
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise StoreError(invalid("folder", out, "one that does not exist yet, or is empty"))


def _nominal_mesh(request: ClayScanRequest) -> Mesh:
    (mesh,) = mesh_shape(request.shape, request.values, [_FINE], _TIME_LIMIT_S)
    for plane in request.shape.symmetry:
        mesh = mesh.mirrored(plane)
    return mesh


def require_likely_size(name: str, unit: str, scan: Scan, nominal: Mesh) -> None:
    """Raise unless a scan is about as large as its nominal shape.

    Parameters
    ----------
    name : str
        Of the file, for the message.
    unit : str
        In which it was read.
    scan : Scan
        The scan.
    nominal : Mesh
        The nominal shape, both halves.

    Raises
    ------
    GeometryError
        With both sizes, and the unit in which the scan would fit.
    """
    found, wanted = _across(scan.vertices), _across(nominal.vertices)
    low, high = _LIKELY_SIZE
    if low * wanted <= found <= high * wanted:
        return
    unit_m = UNITS_M[unit]
    fitting = [
        n for n, m in UNITS_M.items() if low * wanted <= found * m / unit_m <= high * wanted
    ]
    hint = ""
    if fitting:
        best = min(fitting, key=lambda n: abs(np.log(found * UNITS_M[n] / unit_m / wanted)))
        would = found * UNITS_M[best] / unit_m * 1e3
        hint = f"; were the file in {best}, it would be {would:.0f} mm: --unit {best}"
    value = f"{found * 1e3:.3g} mm across, if its unit is {unit}"
    rule = f"about that of the nominal shape, {wanted * 1e3:.0f} mm, or of a part of it{hint}"
    raise GeometryError(invalid(f"size of scan '{name}'", value, rule))


def _across(points: FloatArray) -> float:
    """Return the largest distance between two points, nearly: the same in any pose."""
    end = points.mean(axis=0)
    largest = 0.0
    for _ in range(4):
        distance = np.linalg.norm(points - end, axis=1)
        end = points[int(distance.argmax())]
        largest = max(largest, float(distance.max())) if largest else 1e-12
    return largest


def placed(
    scan: Scan,
    nominal: Mesh,
    *,
    closed: bool,
    marks: tuple[ScanMark, ...],
    refine: bool,
    advance: Advance,
) -> tuple[Scan, Pose, bool]:
    """Return the scan in the reference frame, its pose, and whether it had to be turned.

    Parameters
    ----------
    scan : Scan
        The scan, repaired.
    nominal : Mesh
        The nominal shape, both halves.
    closed : bool
        Whether the scan came closed, so that its outside is known.
    marks : tuple of Mark
        Marks that tell the pose; without any it is found by registration.
    refine : bool
        Whether a pose by marks is refined by registration.
    advance : Advance
        Told of progress; the whole is 1.

    Raises
    ------
    GeometryError
        As `register` does; or if the marks put the scan elsewhere.
    """
    turned = False
    if marks:
        pairs = [(mark.scan, mark.nominal) for mark in marks]
        pose = pose_from_marks(pairs, scan, nominal)
        if not closed:
            other = pose_from_marks(pairs, scan.turned(), nominal)
            turned = other.score_m < 0.5 * pose.score_m
        if turned:
            scan, pose = scan.turned(), other
        _require_near(pose)
        pose = refined(pose, scan, nominal) if refine else pose
        advance(1.0)
    else:
        try:
            pose = register(scan, nominal, advance)
        except GeometryError:
            if closed:
                raise
            # An open surface does not tell its outside; a mirrored file often lost it, too.
            turned = True
            try:
                pose = register(scan.turned(), nominal, advance)
            except GeometryError as second:
                if "mirror" in str(second):
                    raise
                turned = False
            if not turned:
                raise
            scan = scan.turned()
    return scan.moved(pose.rotation, pose.shift), pose, turned


def _require_near(pose: Pose) -> None:
    """Raise if the marks put the scan where the nominal shape is not."""
    if pose.median_m > 0.01:
        value = f"{pose.median_m * 1e3:.1f} mm off the nominal shape (median) when put by marks"
        rule = "within 10 mm: check which mark is which, the candidate, and for a mirror image"
        raise GeometryError(invalid("scan", value, rule))


def _model(
    raw: Scan,
    scan: Scan,
    repairs: Repairs,
    turned: bool,
    pose: Pose,
    marks: tuple[ScanMark, ...],
    deviation: SurfaceDeviation,
    moving: list[str],
) -> ClayModel:
    distance, area = distances(scan, deviation.clay, moving)
    away = np.abs(distance)
    order = np.argsort(away)
    share = np.cumsum(area[order]) / area.sum()
    return ClayModel(
        n_triangles=len(raw.triangles),
        repairs=repairs,
        turned_inside_out=turned,
        pose=pose,
        marks=tuple(
            (mark.name, float(np.linalg.norm(_moved(mark.scan, pose) - mark.nominal)))
            for mark in marks
        ),
        deviation=deviation,
        spreads=spreads(deviation),
        places=places(deviation),
        fit_rms_m=float(np.sqrt(np.average(distance**2, weights=area))),
        fit_p99_m=float(away[order][np.searchsorted(share, 0.99)]),
        off_share=float(area[away > _OFF_M].sum() / area.sum()),
    )


def _moved(points: FloatArray, pose: Pose) -> FloatArray:
    return np.asarray(points @ pose.rotation.T + pose.shift)


# ------------------------------------------------------------------------------ the report


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
            f"  WARNING: {model.off_share:.1%} of the scan lies more than {_OFF_M * 1e3:g} mm off "
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
        centre = _moved(hole.centre, model.pose)
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


# ------------------------------------------------------------------------------- the folder


def _write(request: ClayScanRequest, model: ClayModel, report: str) -> None:
    """Write the folder: under a temporary name, then renamed."""
    script = request.shape.script
    stem = request.scan.stem
    if f"{stem}.toml" == script.name:
        stem += "_scan"
    title = f"Clay model {request.scan.name}, scanned; nominal shape: {request.nominal_name}"
    declaration = [
        "# Written by `bafflelens scan`. In a job: [geometry] script = the path of this file.",
        f"title = {json.dumps(title)}",
        f"nominal = {json.dumps(script.name)}",
        f"deviation = {json.dumps(f'{stem}_deviation.npz')}",
        "",
        "[values]",
        *(f"{json.dumps(key)} = {float(value)!r}" for key, value in request.values.items()),
    ]
    picture = deviation_picture(
        model.deviation, model.spreads[0], model.places, f"{request.scan.name}: deviation"
    )
    try:
        request.out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=request.out.parent, prefix=".new-") as scratch:
            new = Path(scratch) / "scan"
            new.mkdir()
            for file in (script, *request.shape.companions):
                shutil.copyfile(file, new / file.name)
            (new / f"{stem}.toml").write_text("\n".join(declaration) + "\n", encoding="utf-8")
            model.deviation.save(new / f"{stem}_deviation.npz")
            (new / "solid.stl").write_bytes(stl_bytes(model.deviation.clay))
            (new / "deviation.png").write_bytes(picture)
            (new / "report.txt").write_text(report, encoding="utf-8")
            if request.out.is_dir():
                request.out.rmdir()
            new.replace(request.out)
    except OSError as error:
        rule = f"a folder that can be written ({error.strerror})"
        raise StoreError(invalid("folder", request.out, rule)) from error


def stl_bytes(mesh: Mesh) -> bytes:
    """Return a mesh as a binary STL file in mm."""
    record = np.zeros(
        mesh.n_triangles,
        dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")],
    )
    record["normal"] = mesh.normals
    record["corners"] = mesh.corners * 1e3
    header = b"bafflelens solid, lengths in mm".ljust(80)
    return header + np.uint32(mesh.n_triangles).tobytes() + record.tobytes()
