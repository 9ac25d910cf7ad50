# SPDX-License-Identifier: GPL-3.0-or-later
"""A clay model, from the scanner's file to a candidate of a job: read `take_scan`."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.errors import StoreError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.stl import stl_bytes
from bafflelens.mockup.scan.clay_model import OFF_M, ClayModel, ClayScanRequest
from bafflelens.mockup.scan.clay_report import report_text
from bafflelens.mockup.scan.findings import places, spreads
from bafflelens.mockup.scan.fitting import distances, fit
from bafflelens.mockup.scan.marks import ScanMark, read_marks
from bafflelens.mockup.scan.picture import deviation_picture
from bafflelens.mockup.scan.placing import placed, require_likely_size, unit_in_m
from bafflelens.mockup.scan.registration import Pose
from bafflelens.mockup.scan.repair import Repairs, Scan, read_scan, repair
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.shapes.meshing.moving_parts import source_motions

_FINE: Final = MeshSize(
    source_size_m=0.004,
    growth=2.5,
    growth_distance_m=0.2,
    largest_m=0.012,
    curvature_elements=24,
)
_TIME_LIMIT_S: Final = 120.0


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
        moving = sorted({n for m in motions for n in m.surfaces})
        deviation = fit(scan, nominal, moving, lambda share, text="": advance(7.0 * share, text))
        model = _model(raw, scan, repairs, turned, pose, marks, deviation, moving)
        report = report_text(request, model, motions)
        _write(request, model, report)
        advance(1.0, "written")
    return model, report


def _require_free(out: Path) -> None:
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise StoreError(invalid("folder", out, "one that does not exist yet, or is empty"))


def _nominal_mesh(request: ClayScanRequest) -> Mesh:
    (mesh,) = mesh_shape(request.shape, request.values, [_FINE], _TIME_LIMIT_S)
    return mesh.whole(request.shape.symmetry)


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
            (mark.name, float(np.linalg.norm(pose.applied_to(mark.scan) - mark.nominal)))
            for mark in marks
        ),
        deviation=deviation,
        spreads=spreads(deviation),
        places=places(deviation),
        fit_rms_m=float(np.sqrt(np.average(distance**2, weights=area))),
        fit_p99_m=float(away[order][np.searchsorted(share, 0.99)]),
        off_share=float(area[away > OFF_M].sum() / area.sum()),
    )


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
