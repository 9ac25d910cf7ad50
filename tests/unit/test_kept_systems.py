# SPDX-License-Identifier: GPL-3.0-or-later
"""Matrices that a band was solved with, taken for the plane waves of its slopes.

No outside value: what is kept and what is formed anew are one equation.
"""

from dataclasses import replace

import bodies
import numpy as np
import pytest

from bafflelens.base.medium import Air
from bafflelens.bem import burton_miller, kept_systems, plane_waves
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.kept_systems import KeptSystems
from bafflelens.bem.linear_solver import LinearSystem
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.run.carving import band_work
from bafflelens.workers.work_units import Methods, SolveSettings

BAND = Band(frequencies_hz=(900.0, 1000.0), mesh_frequency_hz=1000.0)
MOTION = SourceMotion(
    name="tweeter",
    axis=(1.0, 0.0, 0.0),
    centre=(0.1, 0.0, 0.0),
    piston_surfaces=("dome",),
    taper_surfaces=(),
    inner_radius_m=0.05,
    outer_radius_m=0.06,
)
SETTINGS = SolveSettings(
    motions=(MOTION,), air=Air(), symmetry=("y",), engine="direct", quality="draft"
)


def box(size_m=0.2):
    mesh = bodies.box((size_m, 0.3, 0.3), (4, 6, 6), ("y",))
    x, y, z = mesh.centroids.T
    is_dome = (x > size_m / 2 - 1e-6) & (np.hypot(y, z) < 0.06)
    return bodies.renamed(mesh, "dome", is_dome)


@pytest.fixture
def formed(monkeypatch):
    """Return the sizes of the matrices that plane waves had formed."""
    sizes = []
    assemble = plane_waves.assemble

    def counted(at, *given, **named):
        sizes.append(at.mesh.n_triangles)
        return assemble(at, *given, **named)

    monkeypatch.setattr(plane_waves, "assemble", counted)
    monkeypatch.setattr(band_work, "_left", {})
    return sizes


def weights(settings=SETTINGS):
    shape = (len(settings.motions), len(BAND.frequencies_hz), len(directions().vectors))
    found = np.zeros(shape, dtype=complex)
    found[:, :, [3, 40, 99]] = [1.0, -0.5j, 0.3 + 0.2j]
    return found


def slope(mesh, settings=SETTINGS):
    result = band_work.moved_band(Methods(), mesh, BAND, settings, None).value
    return result, partial_slope(mesh, result.surface, settings)


def partial_slope(mesh, surface, settings=SETTINGS):
    wanted = np.arange(mesh.n_triangles)
    return band_work.slope_of_band(mesh, BAND, settings, surface, weights(settings), wanted).value


def test_a_slope_takes_the_matrices_that_its_band_was_solved_with(formed):
    result, found = slope(box())
    assert formed == []
    again = partial_slope(box(), result.surface)  # nothing is left of them now
    assert formed == [box().n_triangles] * len(BAND.frequencies_hz)
    np.testing.assert_allclose(found, again, atol=1e-6 * np.abs(again).max())
    assert np.abs(found).max() > 0


@pytest.mark.parametrize("changed", ["mesh", "air", "triangles"])
def test_matrices_of_something_else_are_not_taken(changed, formed):
    band_work.moved_band(Methods(), box(), BAND, SETTINGS, None)
    mesh, settings = box(), SETTINGS
    if changed == "mesh":
        mesh = box(0.21)
    elif changed == "air":
        settings = replace(SETTINGS, air=Air(temperature_c=5.0))
    else:
        mesh = Mesh(mesh.vertices, mesh.triangles[::-1], mesh.surface[::-1])
    other = band_work.plane_waves_of_band(mesh, BAND, settings, weights()).value
    assert len(formed) == len(BAND.frequencies_hz)
    alone = band_work.plane_waves_of_band(mesh, BAND, settings, weights()).value
    np.testing.assert_allclose(other[0], alone[0], rtol=1e-9)


def test_what_takes_too_much_memory_is_not_kept(monkeypatch):
    monkeypatch.setattr(kept_systems, "MOST_BYTES", 100)

    def system(nbytes):
        return LinearSystem(
            size=1, multiply=lambda given: given, full_matrix=lambda: None, nbytes=nbytes
        )

    kept = KeptSystems(discretisation=discretise(box(), ("y",)))
    for frequency_hz, nbytes in ((4.0, 60), (3.0, 50), (2.0, 40)):
        kept.keep(frequency_hz, system(nbytes))
    assert list(kept.by_frequency) == [4.0, 2.0]
    assert kept.nbytes == 100


def test_the_memory_of_a_matrix_is_known():
    kept = KeptSystems.none_yet(box(), ("y",))
    band_work.solve_candidate_band(
        Methods(), band_work.Timed(value=(box(),), seconds=0.0), 0, BAND, SETTINGS, None, kept
    )
    assert set(kept.by_frequency) == set(BAND.frequencies_hz)
    packed = 4 * box().n_triangles ** 2
    for held in kept.by_frequency.values():
        assert packed < held.nbytes < 4 * packed  # near pairs are exact


def test_a_matrix_that_is_kept_is_as_exact_for_other_waves(monkeypatch):
    """Blocks of low rank are else exact where what radiates is loud, and plane waves are not."""
    asked = []
    assemble = burton_miller.assemble

    def looked_at(at, settings, workspace, expected=None, **named):
        asked.append(expected is None)
        return assemble(at, settings, workspace, expected, **named)

    monkeypatch.setattr(burton_miller, "assemble", looked_at)
    meshes = band_work.Timed(value=(box(),), seconds=0.0)
    for kept in (None, KeptSystems.none_yet(box(), ("y",))):
        band_work.solve_candidate_band(Methods(), meshes, 0, BAND, SETTINGS, None, kept)
    assert asked == [False, False, True, True]
