# SPDX-License-Identifier: GPL-3.0-or-later
"""One lens built in several ways radiates the same: its script, its CAD file, a scan of its clay.

At 2 kHz and 8 elements a wavelength, both orbits within 60 degrees. The 0.2 dB are what is asked
of the project; `tests/benchmarks/same_shape.py` measures it up to 10 kHz. The scan is of *another*
lens than the nominal shape that it is laid on from, up to 2.3 mm off: by itself that changes the
field by about half a decibel, so that a pipeline which returned the nominal shape would fail.
"""

from pathlib import Path

import numpy as np
import pytest
from cad import write_step
from scans import Faults, make_scan

from bafflelens.base.conventions import direction_vectors
from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.mockup.scan import clay
from bafflelens.mockup.scan.clay import take_scan
from bafflelens.mockup.scan.clay_model import ClayScanRequest
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

FREQUENCY_HZ = 2000.0
SCRIPT = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
CARVED = {
    "lens.opening_height_mm": 128.0,
    "lens.wall_half_angle_deg": 47.55,
    "lens.lip_radius_mm": 26.0,
}
SCANNED = MeshSize(
    source_size_m=0.004, growth=2.0, growth_distance_m=0.2, largest_m=0.01, curvature_elements=24
)


def level_db(shape, values):
    """Level over both orbits in dB."""
    size = MeshSize(
        source_size_m=Air().sound_speed / FREQUENCY_HZ / 8,
        growth=1.5,
        growth_distance_m=0.2,
        largest_m=0.03,
        curvature_elements=12,
    )
    (mesh,) = mesh_shape(shape, values, [size], 120.0)
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=FREQUENCY_HZ,
        air=Air(),
        normal_velocity=normal_velocity(mesh, source_motions(shape, values), FREQUENCY_HZ),
        symmetry=shape.symmetry,
    )
    angle = np.arange(-60, 61, 5.0)
    orbits = np.concatenate(
        (direction_vectors(angle, 0 * angle), direction_vectors(0 * angle, angle))
    )
    return 20 * np.log10(np.abs(solve(problem, engine="direct").far_field(orbits)[0]))


@pytest.fixture(scope="module")
def lens():
    shape = load_shape(SCRIPT)
    return shape, level_db(shape, {})


def test_a_step_file_radiates_like_its_script(lens, tmp_path):
    shape, own = lens
    imported = load_shape(write_step(shape, {}, tmp_path))
    assert imported.symmetry == ()
    np.testing.assert_allclose(level_db(imported, {}), own, atol=0.2)


def test_a_scan_of_another_lens_radiates_like_that_lens(lens, tmp_path, monkeypatch):
    monkeypatch.setattr(clay, "deviation_picture", lambda *_: b"")
    shape, own = lens
    other = level_db(shape, CARVED)
    assert np.abs(other - own).max() > 0.4
    (mesh,) = mesh_shape(shape, CARVED, [SCANNED], 120.0)
    made = make_scan(mesh.mirrored("y"), Faults(without=("dome", "surround")))
    path = made.write(tmp_path / "clay.ply")
    take_scan(
        ClayScanRequest(
            scan=path, shape=shape, values={}, nominal_name="x", out=tmp_path / "taken"
        )
    )
    np.testing.assert_allclose(
        level_db(load_shape(tmp_path / "taken" / "clay.toml"), {}), other, atol=0.2
    )
