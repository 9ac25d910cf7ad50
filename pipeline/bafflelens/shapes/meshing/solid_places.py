# SPDX-License-Identifier: GPL-3.0-or-later
"""The corners, curves and faces of a solid in gmsh's model, and where the nodes of a mesh lie."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.mesh.places import VertexPlaces

_STEPS_ALONG_CURVE: Final = 128
_EVEN_CURVES: Final = ("Line", "Circle")  # their parameter grows with their length


def solid_digest(model: Any, groups: Mapping[str, list[int]]) -> str:
    """Return a digest of how a solid hangs together, wherever its points lie.

    It holds the number and kind of every corner, curve and face, what each is bounded by, and the
    name of each face. Two solids of one digest differ in lengths and angles only.

    Parameters
    ----------
    model : gmsh.model
        The model, synchronised.
    groups : mapping of str to list of int
        Faces of each named surface.
    """
    entities = [
        [dimension, tag, model.getType(dimension, tag), _boundary(model, dimension, tag)]
        for dimension in (1, 2)
        for _, tag in model.getEntities(dimension)
    ]
    named = {name: sorted(faces) for name, faces in groups.items()}
    return hashlib.sha256(json.dumps([entities, named], sort_keys=True).encode()).hexdigest()


def _boundary(model: Any, dimension: int, tag: int) -> list[int]:
    """Return what bounds a curve or a face; the number of what runs backwards is negative."""
    around = model.getBoundary([(dimension, tag)], combined=False, oriented=True)
    return [int(other) for _, other in around]


def places_on(model: Any, tags: IntArray, solid: str) -> VertexPlaces:
    """Return where the nodes of gmsh's current mesh lie on its solid, but no volume ratio.

    Parameters
    ----------
    model : gmsh.model
        The model, with its mesh.
    tags : (n_vertices,) integer array
        gmsh's number of each vertex.
    solid : str
        Digest of the solid.
    """
    row = np.zeros(int(tags.max()) + 1, dtype=np.int64)
    row[tags] = np.arange(len(tags))
    entity = np.zeros((len(tags), 2), dtype=np.int64)
    share = np.zeros((len(tags), 2))
    for dimension in range(3):
        for _, tag in model.getEntities(dimension):
            nodes, _, parameters = model.mesh.getNodes(dimension, tag, False, dimension > 0)
            if not len(nodes):
                continue
            here = row[np.asarray(nodes, dtype=np.int64)]
            entity[here] = dimension, tag
            if dimension == 1:
                share[here, 0] = length_shares(model, tag, np.asarray(parameters))
            elif dimension == 2:
                low, high = parameter_range(model, tag)
                share[here] = (np.reshape(parameters, (-1, 2)) - low) / (high - low)
    return VertexPlaces(entity=entity, share=share, solid=solid, volume_ratio=0.0)


def volume_ratio(model: Any, mesh_volume_m3: float) -> float:
    """Return the volume of a mesh over that of the model's solids; 0 if it has none."""
    solid = float(sum(model.occ.getMass(3, tag) for _, tag in model.getEntities(3)))
    return mesh_volume_m3 / solid if solid > 0 else 0.0


def parameter_range(model: Any, face: int) -> tuple[FloatArray, FloatArray]:
    """Return the least and the largest two parameters of a face, each a (2,) array."""
    low, high = model.getParametrizationBounds(2, face)
    return np.asarray(low, dtype=float), np.asarray(high, dtype=float)


def length_shares(model: Any, curve: int, parameters: FloatArray) -> FloatArray:
    """Return which share of a curve's length lies before points with these parameters."""
    along, length = _measured(model, curve)
    return np.asarray(np.interp(parameters, along, length / length[-1]))


def points_at_shares(model: Any, curve: int, shares: FloatArray) -> FloatArray:
    """Return the points, (n, 3) in m, before which these shares of a curve's length lie."""
    along, length = _measured(model, curve)
    parameters = np.interp(shares, length / length[-1], along)
    return np.asarray(model.getValue(1, curve, parameters), dtype=float).reshape(-1, 3)


def _measured(model: Any, curve: int) -> tuple[FloatArray, FloatArray]:
    """Return parameters along a curve and the length up to each, in any unit.

    Of a curve whose parameter grows evenly with its length the ends are enough.
    """
    (low,), (high,) = model.getParametrizationBounds(1, curve)
    if model.getType(1, curve) in _EVEN_CURVES:
        return np.array([low, high]), np.array([0.0, 1.0])
    along = np.linspace(low, high, _STEPS_ALONG_CURVE + 1)
    points = np.reshape(model.getValue(1, curve, along), (-1, 3))
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return along, np.concatenate(([0.0], np.cumsum(steps)))
