# SPDX-License-Identifier: GPL-3.0-or-later
"""One lens built in several ways: far fields of its script, its CAD file and its scan.

For each frequency the largest and the rms difference in dB from the script's own mesh (its left
half), over both orbits within 60 degrees and above -20 dB re maximum. ``carved`` is the scan of
another lens, laid on from the first: there the reference is the other lens's own mesh.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from shapes import front_directions, radiation, shipped

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))
from cad import write_step
from scans import Faults, make_scan

from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.mesh.quality import MeshSize
from bafflelens.mockup.scan.clay import take_scan
from bafflelens.mockup.scan.clay_model import ClayScanRequest
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

AIR = Air()
# 45 to 47.55 degrees and 120 to 128 mm: up to 2.3 mm off, at the same depth of the dome
CARVED = {
    "lens.opening_height_mm": 128.0,
    "lens.wall_half_angle_deg": 47.55,
    "lens.lip_radius_mm": 26.0,
}
ELEMENTS = 8.0  # a wavelength
TIME_LIMIT_S = 300.0


def main() -> None:
    """Print a line a frequency and way."""
    shape, _ = shipped("vertical_lens")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cad = load_shape(write_step(shape, {}, folder))
        scanned = load_shape(_scanned(shape, {}, folder / "scan"))
        carved = load_shape(_scanned(shape, CARVED, folder / "carved"))
        print("Hz      way      triangles  largest (dB)  rms (dB)")
        for frequency in [float(word) for word in sys.argv[1:]] or [2000.0, 5000.0, 10_000.0]:
            own = _level(shape, {}, frequency)
            other = _level(shape, CARVED, frequency)
            for way, candidate, reference in (
                ("step", cad, own),
                ("scan", scanned, own),
                ("carved", carved, other),
                ("(shift)", None, own),
            ):
                found = other if candidate is None else _level(candidate, {}, frequency)
                counts = reference[0] > reference[0].max() - 20
                error = (found[0] - reference[0])[counts]
                print(
                    f"{frequency:6.0f}  {way:8s} {found[1]:9d} {np.abs(error).max():13.2f} "
                    f"{np.sqrt(np.mean(error**2)):9.2f}",
                    flush=True,
                )


def _scanned(shape, values, out):
    """Return the declaration of a scan without noise, whose nominal shape is the default one."""
    size = MeshSize(
        source_size_m=0.003, growth=2.0, growth_distance_m=0.2, largest_m=0.008,
        curvature_elements=32,
    )  # fmt: skip
    (mesh,) = mesh_shape(shape, values, [size], TIME_LIMIT_S)
    made = make_scan(mesh.mirrored("y"), Faults(without=("dome", "surround")))
    path = made.write(out.with_suffix(".ply"))
    take_scan(ClayScanRequest(scan=path, shape=shape, values={}, nominal_name="default", out=out))
    return out / f"{path.stem}.toml"


def _level(shape, values, frequency):
    size = MeshSize(
        source_size_m=AIR.sound_speed / frequency / ELEMENTS,
        growth=1.5,
        growth_distance_m=0.2,
        largest_m=0.03,
        curvature_elements=12,
    )
    (mesh,) = mesh_shape(shape, values, [size], TIME_LIMIT_S)
    problem = radiation(shape, source_motions(shape, values), mesh, frequency, AIR)
    solution = solve_burton_miller(problem, settings=EngineSettings(tolerance=2e-4))
    far = solution.far_field(front_directions())[0]
    return 20 * np.log10(np.abs(far)), mesh.n_triangles


if __name__ == "__main__":
    main()
