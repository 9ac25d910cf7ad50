# SPDX-License-Identifier: GPL-3.0-or-later
"""A scan of a clay model, made: a mesh turned, shifted, noisy, torn and dented in known ways.

Invented: it stands for what a structured-light scanner gives, with the usual faults.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What is wrong with a scan; lengths in mm, places in the reference frame.

    ``dent`` is a place, a depth and a radius (of a Gaussian pressed in against the normal);
    ``holes`` are places and radii; ``front_only_mm`` drops all that lies farther back.
    """

    seed: int = 1
    halvings: int = 0  # of all edges first, so that the points lie closer
    noise_mm: float = 0.0
    dent: tuple[tuple[float, float, float], float, float] | None = None
    holes: tuple[tuple[tuple[float, float, float], float], ...] = ()
    without: tuple[str, ...] = ()
    spikes: int = 0
    island: bool = False
    front_only_mm: float | None = None
    pose: bool = True
    scale: float = 1000.0
    mirrored: bool = False
    inside_out: bool = False


@dataclass(frozen=True)
class MadeScan:
    """A scan and the pose that the pipeline has to find."""

    vertices: np.ndarray = field(repr=False)
    triangles: np.ndarray = field(repr=False)
    rotation: np.ndarray
    shift_m: np.ndarray

    def write(self, path: Path) -> Path:
        """Write the scan as STL, PLY or OBJ, told by the ending."""
        import trimesh

        trimesh.Trimesh(self.vertices, self.triangles, process=False).export(path)
        return path


def make_scan(mesh: Mesh, faults: Faults) -> MadeScan:
    """Return a scan of a mesh (both halves) with faults; ``rotation`` and shift undo its pose."""
    rng = np.random.default_rng(faults.seed)
    for _ in range(faults.halvings):
        mesh = _halved(mesh)
    vertices, triangles = mesh.vertices.copy(), mesh.triangles
    normals = np.zeros_like(vertices)
    for i in range(3):
        np.add.at(normals, triangles[:, i], mesh.normals * mesh.areas[:, None])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    original = vertices.copy()
    if faults.dent:
        place, depth, radius = faults.dent
        away = np.linalg.norm(original - np.array(place) * 1e-3, axis=1)
        vertices -= normals * (depth * 1e-3 * np.exp(-((away / (radius * 1e-3)) ** 2)))[:, None]
    vertices += rng.normal(0, faults.noise_mm * 1e-3, vertices.shape)
    keep = ~np.isin(mesh.surface, faults.without)
    middle = original[triangles].mean(axis=1)
    for place, radius in faults.holes:
        keep &= np.linalg.norm(middle - np.array(place) * 1e-3, axis=1) > radius * 1e-3
    if faults.front_only_mm is not None:
        keep &= (middle[:, 0] > -faults.front_only_mm * 1e-3) & (mesh.normals[:, 0] > -0.2)
    triangles = triangles[keep]
    for vertex in rng.choice(np.unique(triangles), faults.spikes, replace=False):
        vertices[vertex] += normals[vertex] * rng.uniform(0.008, 0.03)
    if faults.island:
        scrap = np.array([[0.4, 0.2, 0.1], [0.41, 0.2, 0.1], [0.4, 0.21, 0.1], [0.41, 0.21, 0.11]])
        triangles = np.concatenate((triangles, np.array([[0, 1, 2], [1, 3, 2]]) + len(vertices)))
        vertices = np.concatenate((vertices, scrap))
    if faults.mirrored:
        vertices = vertices * (1.0, -1.0, 1.0)
        triangles = triangles[:, ::-1]
    if faults.inside_out:
        triangles = triangles[:, ::-1]
    turn, shift = np.eye(3), np.zeros(3)
    if faults.pose:
        turn = Rotation.random(rng=rng).as_matrix()
        shift = rng.uniform(-0.5, 0.5, 3)
    placed = (vertices @ turn.T + shift) * faults.scale
    used, number = np.unique(triangles, return_inverse=True)
    return MadeScan(placed[used], number.reshape(-1, 3), turn.T, -turn.T @ shift)


def _halved(mesh: Mesh) -> Mesh:
    """Divide every triangle into four."""
    edges = np.sort(
        np.concatenate([mesh.triangles[:, [i, (i + 1) % 3]] for i in range(3)]), axis=1
    )
    unique, number = np.unique(edges, axis=0, return_inverse=True)
    middle = (number.reshape(3, -1) + len(mesh.vertices)).T
    a, b, c = mesh.triangles.T
    ab, bc, ca = middle.T
    quarters = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return Mesh(
        np.concatenate((mesh.vertices, mesh.vertices[unique].mean(axis=1))),
        np.concatenate([np.stack(quarter, axis=1) for quarter in quarters]),
        np.tile(mesh.surface, 4),
    )
