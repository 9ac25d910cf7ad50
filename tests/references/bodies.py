# SPDX-License-Identifier: GPL-3.0-or-later
"""Bodies whose sound field is known, as triangle meshes, without a mesher.

Every builder returns a closed `Mesh` (or the kept part of a mirrored one) with normals into the
air. The axis of bodies of revolution is x.
"""

from __future__ import annotations

import numpy as np

from bafflelens.mesh.mesh import Mesh

_GOLDEN = (1 + 5**0.5) / 2
_ICOSAHEDRON = (
    [
        *[(-1, _GOLDEN, 0), (1, _GOLDEN, 0), (-1, -_GOLDEN, 0), (1, -_GOLDEN, 0)],
        *[(0, -1, _GOLDEN), (0, 1, _GOLDEN), (0, -1, -_GOLDEN), (0, 1, -_GOLDEN)],
        *[(_GOLDEN, 0, -1), (_GOLDEN, 0, 1), (-_GOLDEN, 0, -1), (-_GOLDEN, 0, 1)],
    ],
    [
        *[(0, 11, 5), (0, 5, 1), (0, 1, 7), (0, 7, 10), (0, 10, 11)],
        *[(1, 5, 9), (5, 11, 4), (11, 10, 2), (10, 7, 6), (7, 1, 8)],
        *[(3, 9, 4), (3, 4, 2), (3, 2, 6), (3, 6, 8), (3, 8, 9)],
        *[(4, 9, 5), (2, 4, 11), (6, 2, 10), (8, 6, 7), (9, 8, 1)],
    ],
)
_OCTANT = ([(1, 0, 0), (0, 1, 0), (0, 0, 1)], [(0, 1, 2)])


# ---------------------------------------------------------------- spheres
def icosphere(divisions):
    """Sphere of 20 divisions^2 nearly equal triangles, with the volume of radius 1."""
    return equal_volume(_blown_up(*_ICOSAHEDRON, divisions))


def octasphere(divisions, symmetry=()):
    """Sphere of 8 divisions^2 triangles that is cut by no coordinate plane.

    Only the part where the coordinates of ``symmetry`` are positive is returned.
    """
    mesh = _blown_up(*_OCTANT, divisions)
    for plane in "xyz":
        mesh = mesh.mirrored(plane)
    return kept_part(equal_volume(mesh), symmetry)


def capped_sphere(edge, half_angle, symmetry=()):
    """Sphere whose edges follow the rim of a cap: surfaces ``cap`` and ``rigid``."""
    n_cap = max(2, round(half_angle / edge))
    n_rest = max(2, round((np.pi - half_angle) / edge))
    angle = np.concatenate(
        [
            np.linspace(0, half_angle, n_cap + 1),
            np.linspace(half_angle, np.pi, n_rest + 1)[1:],
        ]
    )
    names = ["cap"] * n_cap + ["rigid"] * n_rest
    mesh = revolved(np.cos(angle), np.sin(angle), np.full(angle.size, edge), names)
    return kept_part(equal_volume(mesh), symmetry)


def equal_volume(mesh):
    """Scale a faceted unit sphere to the volume of the round one.

    An inscribed polyhedron is too small by a relative h^2 / 8: the solver would be blamed for
    what the facets do.
    """
    scale = (4 * np.pi / 3 / mesh.volume) ** (1 / 3)
    return Mesh(mesh.vertices * scale, mesh.triangles, mesh.surface)


def _blown_up(corners, faces, divisions):
    points: list[np.ndarray] = []
    triangles = []
    n = divisions
    for face in faces:
        a, b, c = (np.array(corners[i], dtype=float) for i in face)
        number = {}
        for i in range(n + 1):
            for j in range(n + 1 - i):
                number[i, j] = len(points)
                points.append(a + (b - a) * i / n + (c - a) * j / n)
        for i in range(n):
            for j in range(n - i):
                triangles.append((number[i, j], number[i + 1, j], number[i, j + 1]))
                if i + j < n - 1:
                    triangles.append((number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]))
    vertices = np.array(points)
    vertices /= np.linalg.norm(vertices, axis=1)[:, None]
    return merged(vertices[np.array(triangles)], "sphere")


# ------------------------------------------------- bodies of revolution
def revolved(x, radius, edge, names, quarter=False):
    """Turn a profile about the x axis, from the front end on the axis to the rear end.

    Parameters
    ----------
    x, radius : (n_rings,) array
        The profile; the first and the last radius are zero.
    edge : (n_rings,) array
        Wanted edge length around each ring.
    names : sequence of n_rings - 1 str
        Surface between one ring and the next.
    quarter : bool
        Only the part with positive y and z.
    """
    corners, surface = [], []
    rings = [_arc(*ring) for ring in zip(x, radius, edge, strict=True)]
    for front, rear, name in zip(rings, rings[1:], names, strict=False):
        band = _zip(front, rear)
        corners += band
        surface += [name] * len(band)
    mesh = merged(np.array(corners), np.array(surface))
    return mesh if quarter else mesh.mirrored("y").mirrored("z")


def _arc(x, radius, edge):
    """A quarter of a ring, in points from the y axis to the z axis."""
    if radius < 1e-12:
        return np.array([[x, 0.0, 0.0]])
    angle = np.linspace(0, np.pi / 2, max(2, round(radius * np.pi / 2 / edge) + 1))
    points = np.stack([np.full(angle.size, x), radius * np.cos(angle), radius * np.sin(angle)])
    points[np.abs(points) < 1e-12] = 0
    return points.T


def _zip(front, rear):
    """Triangles between two arcs; the arc that lags behind in angle moves on."""
    i, j, triangles = 0, 0, []
    while i < len(front) - 1 or j < len(rear) - 1:
        next_front = (i + 1) / (len(front) - 1) if i < len(front) - 1 else np.inf
        next_rear = (j + 1) / (len(rear) - 1) if j < len(rear) - 1 else np.inf
        if next_front <= next_rear:
            triangles.append((front[i], rear[j], front[i + 1]))
            i += 1
        else:
            triangles.append((front[i], rear[j], rear[j + 1]))
            j += 1
    return triangles


def round_baffle(radius, piston_radius, thickness, edge, rim_edge):
    """Quarter of a disk with a piston in its front face (towards +x), refined at the rim.

    Surfaces ``piston`` and ``rigid``; the front face lies at x = thickness / 2. Edges shrink
    towards the rim, where the pressure has the singularity of a sharp edge.
    """
    rest = _graded(radius - piston_radius, edge, rim_edge)
    flat = np.concatenate(
        [
            np.linspace(0, piston_radius, max(2, round(piston_radius / edge)) + 1),
            radius - rest[::-1][1:],
        ]
    )
    rim = np.linspace(1, -1, max(1, round(thickness / rim_edge)) + 1)[1:-1] * thickness / 2
    profile = np.concatenate([flat, np.full(rim.size, radius), flat[::-1]])
    x = np.concatenate(
        [np.full(flat.size, thickness / 2), rim, np.full(flat.size, -thickness / 2)]
    )
    around = np.full(profile.size, edge)
    middle = (profile[1:] + profile[:-1]) / 2
    names = np.where((middle < piston_radius) & (x[1:] > 0), "piston", "rigid")
    return revolved(x, profile, around, list(names), quarter=True)


def _graded(length, edge, first):
    """Distances 0 .. length whose steps grow from ``first`` by half up to ``edge``."""
    steps = [first]
    while sum(steps) < length:
        steps.append(min(edge, 1.5 * steps[-1]))
    distance = np.concatenate([[0.0], np.cumsum(steps)])
    return distance * length / distance[-1]


# ---------------------------------------------------------------- blocks
def box(size, divisions, symmetry=(), name="rigid"):
    """Box centred at the origin, ``divisions`` cells along each axis."""
    x, y, z = (np.linspace(-s / 2, s / 2, n + 1) for s, n in zip(size, divisions, strict=True))
    return kept_part(blocks(x, y, z, np.ones(divisions, dtype=bool), name), symmetry)


def blocks(x, y, z, filled, name="rigid"):
    """Surface of the filled cells of a rectilinear grid, four triangles a face.

    Parameters
    ----------
    x, y, z : arrays
        Grid lines in m.
    filled : (len(x) - 1, len(y) - 1, len(z) - 1) bool array
        Which cells are solid.
    name : str
        Surface name of all triangles.
    """
    lines = (np.asarray(x), np.asarray(y), np.asarray(z))
    padded = np.pad(filled, 1).astype(int)
    corners = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        change = np.diff(padded, axis=axis)
        for cell in np.argwhere(change != 0):
            outward = -change[tuple(cell)]
            quad = np.empty((4, 3))
            for corner, (du, dv) in enumerate([(0, 0), (1, 0), (1, 1), (0, 1)]):
                quad[corner, axis] = lines[axis][cell[axis]]
                quad[corner, u] = lines[u][cell[u] - 1 + du]
                quad[corner, v] = lines[v][cell[v] - 1 + dv]
            if outward < 0:
                quad = quad[::-1]
            middle = quad.mean(axis=0)
            corners += [(quad[i], quad[(i + 1) % 4], middle) for i in range(4)]
    return merged(np.array(corners), name)


# ----------------------------------------------------------------- helpers
def merged(corners, surface):
    """Mesh of (n, 3, 3) triangle corners; equal corners become one vertex."""
    flat = np.asarray(corners, dtype=float).reshape(-1, 3)
    _, first, number = np.unique(flat.round(9), axis=0, return_index=True, return_inverse=True)
    triangles = number.reshape(-1, 3)
    return Mesh(flat[first], triangles, np.broadcast_to(surface, len(triangles)).copy())


def kept_part(mesh, symmetry):
    """The triangles where the coordinates of ``symmetry`` are positive."""
    axes = ["xyz".index(plane) for plane in symmetry]
    keep = np.all(mesh.centroids[:, axes] > 0, axis=1)
    return Mesh(mesh.vertices, mesh.triangles[keep], mesh.surface[keep]).without_unused_vertices()


def renamed(mesh, name, where):
    """The same mesh with the triangles of the mask ``where`` on surface ``name``."""
    return Mesh(mesh.vertices, mesh.triangles, np.where(where, name, mesh.surface))


def moved(mesh, matrix=None, shift=(0.0, 0.0, 0.0)):
    """The mesh turned by a rotation matrix and shifted."""
    matrix = np.eye(3) if matrix is None else matrix
    return Mesh(mesh.vertices @ matrix.T + np.asarray(shift), mesh.triangles, mesh.surface)


def rotation(axis, angle):
    """Matrix of the rotation about an axis (Rodrigues)."""
    x, y, z = np.asarray(axis) / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def mean_edge(mesh):
    """Edge of the equilateral triangle of mean area, the h of convergence tests."""
    return float(np.sqrt(4 / np.sqrt(3) * mesh.areas.mean()))


def slope(sizes, errors):
    """Observed order of convergence: slope of log error over log size."""
    return float(np.polyfit(np.log(sizes), np.log(errors), 1)[0])
