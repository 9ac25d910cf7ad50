# SPDX-License-Identifier: GPL-3.0-or-later
"""Slits of air and thin walls, found on the mesh."""

import bodies
import numpy as np
import pytest

from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.thin_gaps import narrowest_gap, warnings_of, worst_wall


def block(slot_mm=None, wall_mm=None):
    """Block of 40 mm with a slot of air, or a wall that stands on it, at its top."""
    x = np.arange(-20, 21, 5) / 1e3
    z = np.arange(-20, 21, 5) / 1e3
    if slot_mm or wall_mm:
        half = (slot_mm or wall_mm) / 2e3
        x = np.sort(np.concatenate([x[x != 0], [-half, half]]))
    filled = np.ones((x.size - 1, 8, z.size - 1), dtype=bool)
    middle = np.flatnonzero(np.abs((x[1:] + x[:-1]) / 2) < 1e-9)
    if slot_mm:
        filled[middle, :, 4:] = False
    if wall_mm:
        filled[:, :, 4:] = False
        filled[middle, :, 4:] = True
    y = np.arange(-20, 21, 5) / 1e3
    return bodies.blocks(x, y, z, filled)


@pytest.mark.parametrize("width_mm", [0.1, 0.45])
def test_a_narrow_slot_is_a_gap(width_mm):
    mesh = block(slot_mm=width_mm)
    mesh.require_closed()
    gap, where = narrowest_gap(mesh)
    assert gap == pytest.approx(width_mm / 1e3)
    assert abs(where[0]) == pytest.approx(width_mm / 2e3)
    assert where[2] > 0
    (text,) = warnings_of(mesh)
    assert text.startswith(f"a gap of {width_mm:.2f} mm at (")
    assert "narrower than 0.5 mm: without the viscosity of air it resonates too sharply" in text


@pytest.mark.parametrize("mesh", [block(), block(slot_mm=0.6), block(wall_mm=0.3)])
def test_wide_slots_and_walls_are_no_gaps(mesh):
    assert narrowest_gap(mesh)[0] == np.inf
    assert not any("gap" in text for text in warnings_of(mesh))


def test_a_gap_between_a_small_face_and_a_large_one():
    """Two bodies 0.3 mm apart, the elements of one four times as long."""
    small = bodies.moved(bodies.box((0.02, 0.02, 0.02), (8, 8, 8)), shift=(0.0203, 0, 0))
    large = bodies.box((0.02, 0.04, 0.04), (2, 4, 4))
    mesh = Mesh(
        np.concatenate([large.vertices, small.vertices]),
        np.concatenate([large.triangles, small.triangles + len(large.vertices)]),
        np.concatenate([large.surface, small.surface]),
    )
    assert narrowest_gap(mesh)[0] == pytest.approx(0.3e-3)


def test_a_gap_across_the_mirror_plane():
    """The half y > 0 of two bodies whose flanks face each other across y = 0."""
    half = bodies.moved(bodies.box((0.02, 0.02, 0.02), (4, 4, 4)), shift=(0, 0.01015, 0))
    assert warnings_of(half) == ()
    (text,) = warnings_of(half, ("y",))
    assert text.startswith("a gap of 0.30 mm")


def sheared(mesh):
    """Move the points of the face x > 0 along it, so that the faces are no mirror images."""
    vertices = mesh.vertices.copy()
    inner = (vertices[:, 0] > 0) & (np.abs(vertices[:, 1]) < 0.019) & (vertices[:, 2] > 0.001)
    inner &= vertices[:, 2] < 0.019
    vertices[inner, 1] += 0.002
    return Mesh(vertices, mesh.triangles, mesh.surface)


def test_a_thin_wall_counts_where_its_faces_are_not_meshed_alike():
    alike = block(wall_mm=1.0)
    assert worst_wall(alike)[0] == np.inf
    thickness, edge, where = worst_wall(sheared(alike))
    assert thickness == pytest.approx(1e-3)
    assert edge > 4e-3
    assert where[2] > 0
    (text,) = warnings_of(sheared(alike))
    assert text.startswith("a wall of 1.0 mm at (")
    assert "even on the finest mesh: about 0.2 dB less sure" in text


def test_a_thick_wall_does_not_count():
    assert worst_wall(sheared(block(wall_mm=3.0)))[0] == np.inf
