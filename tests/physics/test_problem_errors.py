# SPDX-License-Identifier: GPL-3.0-or-later
"""What a radiation problem refuses, with the message that says why."""

import re

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import InputError, MeshingError
from bafflelens.bem.engines import ENGINES, solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.absorbers import PorousLayer
from bafflelens.mesh.mesh import Mesh

MESH = bodies.box((0.3, 0.4, 0.4), (2, 2, 2))
N = MESH.n_triangles


def problem(**changes):
    given = {
        "mesh": MESH,
        "frequency_hz": 1000.0,
        "air": radiating.AIR,
        "normal_velocity": np.ones((1, N), dtype=complex),
    }
    return HelmholtzProblem(**{**given, **changes})


def broken(value):
    velocity = np.ones((1, N), dtype=complex)
    velocity[0, 3] = value
    return velocity


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"frequency_hz": 0.0}, "Invalid frequency '0.0'. Must be above 0 Hz."),
        ({"frequency_hz": -3.0}, "Invalid frequency '-3.0'. Must be above 0 Hz."),
        ({"frequency_hz": float("nan")}, "Invalid frequency 'nan'. Must be above 0 Hz."),
        (
            {"normal_velocity": np.ones((1, 7), dtype=complex)},
            f"Invalid shape of normal_velocity '(1, 7)'. Must be (n_sources, {N}): one column a "
            "triangle.",
        ),
        (
            {"normal_velocity": np.ones(N, dtype=complex)},
            f"Invalid shape of normal_velocity '({N},)'. Must be (n_sources, {N})",
        ),
        (
            {"normal_velocity": broken(np.nan)},
            "Invalid normal_velocity 'not finite'. Must be finite everywhere.",
        ),
        (
            {"normal_velocity": broken(1j * np.inf)},
            "Invalid normal_velocity 'not finite'. Must be finite everywhere.",
        ),
        (
            {"symmetry": ("y", "y")},
            "Invalid symmetry '('y', 'y')'. Must be distinct planes of x, y, z.",
        ),
        ({"symmetry": ("w",)}, "Invalid symmetry '('w',)'. Must be distinct planes of x, y, z."),
        (
            {"symmetry": ("x",)},
            "Invalid mesh with mirror plane x = 0 'x down to -0.15 m'. Must be on or in front of "
            "the plane (x not below 0): an image source cannot stand for a recess behind it.",
        ),
        (
            {"admittance": np.zeros(3, dtype=complex)},
            f"Invalid shape of admittance '(3,)'. Must be ({N},): one value a triangle.",
        ),
        (
            {"admittance": np.full(N, -0.1 + 0.5j)},
            "Invalid admittance '(-0.1+0.5j)'. Must be of real part 0 or above",
        ),
    ],
)
def test_refused(changes, message):
    with pytest.raises(InputError, match=re.escape(message)):
        problem(**changes)


def test_every_fault_is_named_at_once():
    with pytest.raises(InputError) as caught:
        problem(frequency_hz=-1.0, normal_velocity=broken(np.nan), symmetry=("x", "w"))
    assert len(caught.value.faults) == 4


def test_unknown_engine():
    message = "Invalid engine 'fast'. Must be one of direct, gpu, bempp."
    with pytest.raises(InputError, match=re.escape(message)):
        solve(problem(), "fast")


def test_any_callable_is_an_engine():
    asked = []
    given = problem()
    assert solve(given, asked.append) is None
    assert asked == [given]
    assert list(ENGINES) == ["direct", "gpu", "bempp"]


def test_second_engine_refuses_an_admittance():
    with pytest.raises(InputError, match="the second engine solves rigid bodies only"):
        solve(problem(admittance=np.full(N, 0.1 + 0j)), "bempp")


def sphere_problem(mesh, symmetry=()):
    return radiating.problem(mesh, np.ones(mesh.n_triangles), 10.0, symmetry)


def shifted(mesh, *shift):
    return bodies.moved(mesh, np.eye(3), np.array(shift))


def with_vertices(mesh, number, place):
    vertices = mesh.vertices.copy()
    vertices[number] = place
    return Mesh(vertices, mesh.triangles, mesh.surface)


def together(*meshes):
    corners = np.concatenate([mesh.corners for mesh in meshes])
    return bodies.merged(corners, np.concatenate([mesh.surface for mesh in meshes]))


SPHERE = bodies.icosphere(2)
BROKEN = {
    "open": (Mesh(SPHERE.vertices, SPHERE.triangles[1:], SPHERE.surface[1:]), "3 free edges"),
    "inverted": (
        Mesh(SPHERE.vertices, SPHERE.triangles[:, ::-1], SPHERE.surface),
        "Must have outward normals",
    ),
    "one shell inverted": (
        together(SPHERE, shifted(Mesh(SPHERE.vertices / 2, SPHERE.triangles[:, ::-1],
                                      SPHERE.surface), 5, 0, 0)),
        "above 0 for every closed shell",
    ),
    "overlapping shells": (together(SPHERE, shifted(SPHERE, 1.5, 0, 0)), "overlapping at ("),
    "one in another": (
        together(
            SPHERE, Mesh(0.5 * SPHERE.vertices, SPHERE.triangles, SPHERE.surface)
        ),
        "overlapping at (",
    ),
    "self-crossing": (with_vertices(SPHERE, 0, -3 * SPHERE.vertices[0]), "overlapping at ("),
    "not a number": (with_vertices(SPHERE, 3, np.nan), "Invalid vertex 3 of the mesh '(nan"),
    "zero area": (
        with_vertices(SPHERE, SPHERE.triangles[7, 0], SPHERE.vertices[SPHERE.triangles[7, 1]]),
        "Must be of an area above 0, on every triangle",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", BROKEN)
def test_solve_refuses_what_is_no_body(kind):
    """Boundary elements give numbers on anything; up to 81 dB off was seen on such meshes."""
    mesh, message = BROKEN[kind]
    with np.errstate(invalid="ignore"), pytest.raises(MeshingError, match=re.escape(message)):
        solve(sphere_problem(mesh))


def test_solve_takes_bodies_apart_and_halves_of_them():
    asked = []
    apart = together(SPHERE, shifted(SPHERE, 2.5, 0, 0))
    solve(sphere_problem(apart), asked.append)
    half = bodies.capped_sphere(0.5, 0.5, ("y",))
    solve(sphere_problem(half, ("y",)), asked.append)
    assert len(asked) == 2


def test_a_mesh_that_was_checked_is_not_looked_at_again():
    asked = []
    given = sphere_problem(BROKEN["open"][0])
    solve(given, asked.append, checked=True)
    assert asked == [given]


@pytest.mark.parametrize(
    ("resistivity", "thickness", "message"),
    [
        (10.0, 0.01, "Invalid flow resistivity '10.0'. Must be from 1000 to 200000 Pa s/m^2."),
        (1e6, 0.01, "Invalid flow resistivity '1000000.0'. Must be from 1000 to 200000"),
        (1e4, 0.0, "Invalid layer thickness '0.0'. Must be above 0 m."),
    ],
)
def test_porous_layer_refused(resistivity, thickness, message):
    with pytest.raises(InputError, match=re.escape(message)):
        PorousLayer(flow_resistivity=resistivity, thickness_m=thickness)
