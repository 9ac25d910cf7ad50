# SPDX-License-Identifier: GPL-3.0-or-later
"""Scans of vertical lenses that were made wrong in known ways: what `inspect` says of them.

Prints for each what was planted, what was found with its uncertainty at 95 %, and the verdict.

    python tests/benchmarks/inspection.py [noise in mm]
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "references"))

from handed import write_handed  # noqa: E402
from scans import Faults, make_scan  # noqa: E402

from bafflelens.base.errors import BafflelensError  # noqa: E402
from bafflelens.handoff.datum import datum_of  # noqa: E402
from bafflelens.handoff.regions import regions_of  # noqa: E402
from bafflelens.handoff.scanned import ScanRequest, inspect_scan  # noqa: E402
from bafflelens.mesh.mesh import Mesh  # noqa: E402
from bafflelens.mesh.quality import MeshSize  # noqa: E402
from bafflelens.shapes.meshing.geometry import mesh_shape  # noqa: E402
from bafflelens.shapes.meshing.loading import load_shape  # noqa: E402
from bafflelens.shapes.meshing.moving_parts import source_motions  # noqa: E402

SIZE = MeshSize(
    source_size_m=0.003, growth=2.0, growth_distance_m=0.2, largest_m=0.008, curvature_elements=48
)
TOLERANCES = {
    "lens.opening_height_mm": 0.5,
    "lens.wall_half_angle_deg": 0.6,
    "lens.lip_radius_mm": 4.0,
    "lens.side_angle_deg": 1.5,
    "lens.rim_gap_mm": 0.3,
    "cabinet.width_mm": None,
    "cabinet.edge_radius_mm": 3.0,
}


@dataclass(frozen=True)
class Case:
    """One part as made: dimensions, walls that stand proud, and how it was scanned."""

    name: str
    values: dict[str, float] = field(default_factory=dict)
    proud: dict[str, float] = field(default_factory=dict)
    faults: Faults = field(default_factory=Faults)
    unit: str = "mm"


def cases(noise_mm: float) -> list[Case]:
    """Return the parts."""
    scan = Faults(noise_mm=noise_mm, without=("dome", "surround"))
    return [
        Case("only shifted and turned", faults=scan),
        Case("upper wall 0.8 mm proud", proud={"upper wall": 0.8}, faults=scan),
        Case("opening 1 mm too wide", {"lens.opening_height_mm": 121.0}, faults=scan),
        Case("the same, front only", {"lens.opening_height_mm": 121.0},
             faults=replace(scan, front_only_mm=60.0, seed=3)),
        Case("lip 6 mm too large", {"lens.lip_radius_mm": 26.0}, faults=scan),
        Case("rim gap 0.6 mm too wide", {"lens.rim_gap_mm": 1.6}, faults=scan),
        Case("both", {"lens.opening_height_mm": 121.0}, {"lower wall": 0.5}, scan),
        Case("dent of 2 mm", faults=replace(scan, dent=((0.0, 60.0, -150.0), 2.0, 15.0))),
        Case("half covered", faults=replace(scan, holes=(((-20.0, 0.0, 60.0), 55.0),))),
        Case("in metres", faults=replace(scan, scale=1.0)),
        Case("in inches", faults=replace(scan, scale=1 / 0.0254)),
    ]  # fmt: skip


def made(shape, case: Case) -> tuple[Mesh, dict[str, float]]:
    """Return the part as a mesh, both halves, and how proud its walls are on average, in mm."""
    values = {**shape.defaults, **case.values}
    (mesh,) = mesh_shape(shape, values, [SIZE], 120.0)
    mesh = mesh.mirrored("y")
    region = regions_of(mesh, source_motions(shape, values))
    normals = np.zeros_like(mesh.vertices)
    for i in range(3):
        np.add.at(normals, mesh.triangles[:, i], mesh.normals)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    vertices = mesh.vertices.copy()
    means = {}
    for name, height_mm in case.proud.items():
        # The inner vertices: the wall meets its neighbours in a slope of one element.
        inside = np.unique(mesh.triangles[region == name])
        inside = np.setdiff1d(inside, np.unique(mesh.triangles[region != name]))
        vertices[inside] += height_mm * 1e-3 * normals[inside]
        share = np.isin(mesh.triangles[region == name], inside).mean(axis=1)
        means[name] = height_mm * float(np.average(share, weights=mesh.areas[region == name]))
    return Mesh(vertices, mesh.triangles, mesh.surface), means


def main() -> None:
    """Inspect all of them."""
    noise_mm = float(sys.argv[1]) if len(sys.argv) > 1 else 0.1
    shape = load_shape(ROOT / "geometries" / "vertical_lens.py")
    start = time.perf_counter()
    datum = datum_of(shape, shape.defaults, 120.0)
    print(f"nominal surface, {len(datum.keys)} dimensions: {time.perf_counter() - start:.0f} s")
    units = {parameter.key: parameter.unit for parameter in shape.parameters}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        handed = write_handed(
            folder / "handed", datum, dict(shape.defaults), units, TOLERANCES, "vertical_lens.py"
        )
        inside, planted = 0, 0
        for number, case in enumerate(cases(noise_mm)):
            part, means = made(shape, case)
            scan = make_scan(part, case.faults).write(folder / f"s{number}.ply")
            start = time.perf_counter()
            try:
                found = inspect_scan(
                    ScanRequest(
                        folder=handed, scan=scan, out=folder / f"o{number}", unit=case.unit
                    )
                )
            except BafflelensError as error:
                print(f"\n{case.name}: refused: {error}")
                continue
            seconds = time.perf_counter() - start
            print(f"\n{case.name}: {found.verdict} ({seconds:.0f} s)")
            for line in found.reasons:
                print(f"    {line}")
            print(f"  causes: {', '.join(found.explanation.causes) or 'none'}")
            for item in found.dimensions:
                true = case.values.get(item.name, shape.defaults[item.name])
                true -= shape.defaults[item.name]
                if item.state == "not told by this scan":
                    continue
                planted += 1
                inside += abs(item.off - true) <= item.uncertainty
                if item.name in case.values:
                    print(
                        f"  {item.name}: planted {true:+.2f}, found {item.off:+.2f} +- "
                        f"{item.uncertainty:.2f}"
                    )
            for item in found.regions:
                if item.name in case.proud:
                    print(
                        f"  {item.name}: planted mean {means[item.name]:+.2f}, found "
                        f"{item.off:+.2f} +- {item.uncertainty:.2f}"
                    )
            if number < 4 and len(sys.argv) > 2:
                kept = Path(sys.argv[2]) / f"case_{number}"
                kept.mkdir(parents=True, exist_ok=True)
                for file in (folder / f"o{number}").iterdir():
                    (kept / file.name).write_bytes(file.read_bytes())
        print(f"\n{inside} of {planted} dimensions within their uncertainty at 95 %")


if __name__ == "__main__":
    main()
