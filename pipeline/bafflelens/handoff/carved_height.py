# SPDX-License-Identifier: GPL-3.0-or-later
"""A carved front's height as one smooth function of y and z, from the heights that were carved.

Carving moves each place of the front along the reference axis by a height h(y, z). It is kept on
the grid that it was carved on; here a cubic tensor-product spline is laid through it by least
squares, and held against the vertices of the mesh that was moved by it, too. Where a file keeps
only such vertices, it is laid through these. Where nothing moved the spline is exactly 0, so that
nothing that stays is touched by the fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import ndimage, sparse
from scipy.interpolate import BSpline
from scipy.sparse import linalg
from scipy.spatial import cKDTree

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.meshing.mesh_morph import HeightField, SurfaceDeviation

LARGEST_M: Final = 5e-5
"""How far the smooth solid may be from what was carved."""

_STEPS_M: Final = (0.006, 0.004, 0.003, 0.002, 0.001)
_AIM_M: Final = 5e-6
_DEAR_M: Final = 0.0015  # a smaller step is tried only where the others do not do
_MOVED_M: Final = 1e-7
_STIFFNESS: Final = 1e-7  # of second differences: enough for where there is no vertex
_FORWARD: Final = 0.02  # x of a normal: a wall along the reference axis stays though it is cut
_DEGREE: Final = 3


@dataclass(frozen=True, eq=False)
class SmoothHeight:
    """Height of a carved front.

    Attributes
    ----------
    surfaces : tuple of str
        Names of the surfaces that move.
    knots_y, knots_z : (n + 4,), (m + 4,) arrays
        Knots, in m.
    amounts : (n, m) array
        Of the splines, in m.
    worst_m, rms_m : float
        Largest distance from what was carved and from the vertices that it moved, along the axis,
        and root mean square of that from what was carved.
    where_m : tuple of float
        Where the largest is, x, y, z.
    """

    surfaces: tuple[str, ...]
    knots_y: FloatArray
    knots_z: FloatArray
    amounts: FloatArray
    worst_m: float
    rms_m: float
    where_m: tuple[float, float, float]

    def at(self, points: FloatArray) -> FloatArray:
        """Return the height at points (n, 3), in m; 0 beside the front."""
        y, z = points[:, 1], points[:, 2]
        inside = _is_within(y, self.knots_y) & _is_within(z, self.knots_z)
        found = np.zeros(len(points))
        left = BSpline.design_matrix(y[inside], self.knots_y, _DEGREE)
        up = BSpline.design_matrix(z[inside], self.knots_z, _DEGREE)
        found[inside] = np.asarray(up.multiply(left @ self.amounts).sum(axis=1)).ravel()
        return found

    def moved(self, points: FloatArray) -> FloatArray:
        """Return points (n, 3), each moved by its height."""
        found = np.array(points, dtype=float)
        found[:, 0] += self.at(points)
        return found


def moves_along_x(deviation: SurfaceDeviation) -> bool:
    """Tell whether a surface moved along the reference axis alone, as carving moves it."""
    return bool(
        deviation.displacement[:, 0].any()
        and not deviation.displacement[:, 1:].any()
        and deviation.seen.all()
    )


def smooth_height(deviation: SurfaceDeviation) -> SmoothHeight:
    """Return the height of a carved front as a smooth function.

    Parameters
    ----------
    deviation : SurfaceDeviation
        The nominal mesh, both halves, and where its vertices moved.

    Raises
    ------
    MeshingError
        If no spline is within `LARGEST_M` of the vertices.
    """
    nominal, forward = deviation.nominal, deviation.displacement[:, 0]
    has_moved = np.abs(forward[nominal.triangles]).max(axis=1) > _MOVED_M
    surfaces = tuple(sorted({str(name) for name in nominal.surface[has_moved]}))
    on_front = np.unique(nominal.triangles[np.isin(nominal.surface, surfaces)])
    vertices, moved = nominal.vertices[on_front], forward[on_front]
    points, height, stays = vertices, moved, _staying(nominal, surfaces)
    if deviation.field is not None:
        points, height = _on_grid(deviation.field, vertices)
    best: SmoothHeight | None = None
    for step_m in _STEPS_M:
        if best is not None and step_m < _DEAR_M and best.worst_m <= LARGEST_M / 2:
            break
        found = _fitted(surfaces, points, height, step_m, stays)
        if best is None or found.worst_m < best.worst_m:
            best = found
        if best.worst_m <= _AIM_M:
            break
    assert best is not None  # there is at least one step
    best = _held_against(best, vertices, moved)
    if best.worst_m > LARGEST_M:
        require_close("carved surface", best.worst_m, best.where_m)
    return best


def _on_grid(field: HeightField, vertices: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the places (n, 3) of a grid of heights, x of the nearest vertex, and the heights."""
    y, z = np.meshgrid(field.y_m, field.z_m, indexing="ij")
    across = np.column_stack((y.ravel(), z.ravel()))
    nearest = cKDTree(vertices[:, 1:]).query(across)[1]
    return np.column_stack((vertices[nearest, 0], across)), field.height_m.ravel()


def _held_against(
    found: SmoothHeight, vertices: FloatArray, forward_m: FloatArray
) -> SmoothHeight:
    """Return a height whose largest distance is that from vertices as well."""
    off = np.abs(found.at(vertices) - forward_m)
    worst = int(off.argmax())
    if off[worst] <= found.worst_m:
        return found
    x, y, z = (float(value) for value in vertices[worst])
    return replace(found, worst_m=float(off[worst]), where_m=(x, y, z))


def require_close(what: str, off_m: float, where_m: tuple[float, ...]) -> None:
    """Raise, with place and size, if a fit is farther off than `LARGEST_M`."""
    if off_m <= LARGEST_M:
        return
    x, y, z = (1e3 * value for value in where_m)
    rule = f"within {1e3 * LARGEST_M:g} mm of smooth faces"
    value = f"{1e3 * off_m:.3f} mm off at ({x:.1f}, {y:.1f}, {z:.1f}) mm"
    raise MeshingError(invalid(what, value, rule))


def _fitted(
    surfaces: tuple[str, ...],
    points: FloatArray,
    height: FloatArray,
    step_m: float,
    stays: FloatArray,
) -> SmoothHeight:
    """Return the spline of one step between knots, and how far it is from the vertices."""
    knots_y, knots_z = _knots(points[:, 1], step_m), _knots(points[:, 2], step_m)
    shape = (len(knots_y) - _DEGREE - 1, len(knots_z) - _DEGREE - 1)
    left = BSpline.design_matrix(points[:, 1], knots_y, _DEGREE)
    up = BSpline.design_matrix(points[:, 2], knots_z, _DEGREE)
    # Row by row the product of both: entry (i, j) of a vertex stands in column i * m + j.
    fit = sparse.csr_array(
        (
            (left.data.reshape(-1, 4, 1) * up.data.reshape(-1, 1, 4)).ravel(),
            (left.indices.reshape(-1, 4, 1) * shape[1] + up.indices.reshape(-1, 1, 4)).ravel(),
            16 * np.arange(len(points) + 1),
        ),
        shape=(len(points), shape[0] * shape[1]),
    )
    free = _is_free(points, height, knots_y, knots_z, step_m, stays).ravel()
    bent = [
        sparse.kron(_second(shape[0]), sparse.eye_array(shape[1])),
        sparse.kron(sparse.eye_array(shape[0]), _second(shape[1])),
    ]
    normal = (fit.T @ fit + _STIFFNESS * sum(b.T @ b for b in bent)).tocsc()
    amounts = np.zeros(len(free))
    amounts[free] = linalg.spsolve(normal[free][:, free], (fit.T @ height)[free])
    off = np.abs(fit @ amounts - height)
    worst = int(off.argmax())
    has_moved = np.abs(height) > _MOVED_M
    x, y, z = (float(value) for value in points[worst])
    return SmoothHeight(
        surfaces=surfaces,
        knots_y=knots_y,
        knots_z=knots_z,
        amounts=amounts.reshape(shape),
        worst_m=float(off[worst]),
        rms_m=float(np.sqrt(np.mean(off[has_moved] ** 2))),
        where_m=(x, y, z),
    )


def _is_free(
    points: FloatArray,
    height: FloatArray,
    knots_y: FloatArray,
    knots_z: FloatArray,
    step_m: float,
    stays: FloatArray,
) -> BoolArray:
    """Return which amounts may differ from 0: those in whose middle the front has moved.

    A spline reaches two steps; those that would reach a face that stays are left at 0.
    """
    y, z = knots_y[2:-2], knots_z[2:-2]
    left, up = np.meshgrid(y, z, indexing="ij")
    nearest = cKDTree(points[:, 1:]).query(np.column_stack((left.ravel(), up.ravel())))[1]
    has_moved = (np.abs(height) > _MOVED_M)[nearest].reshape(left.shape)
    for place in points[np.abs(height) > _MOVED_M][:, 1:]:
        row, column = np.rint((place - [y[0], z[0]]) / step_m).astype(int)
        has_moved[row, column] = True
    free = np.asarray(ndimage.binary_closing(has_moved) | has_moved, dtype=bool)
    if len(stays):
        nodes = np.column_stack((left.ravel(), up.ravel()))
        away = cKDTree(stays).query(nodes, p=np.inf, distance_upper_bound=2 * step_m)[0]
        free &= ~np.isfinite(away).reshape(free.shape)
    return free


def _staying(nominal: Mesh, surfaces: Sequence[str]) -> FloatArray:
    """Return places across, (n, 2), of what looks forward and does not move, such as a driver."""
    corners = nominal.corners[
        ~np.isin(nominal.surface, surfaces) & (nominal.normals[:, 0] > _FORWARD)
    ]
    sides = (corners + np.roll(corners, 1, axis=1)) / 2
    return np.concatenate((corners.reshape(-1, 3), sides.reshape(-1, 3)))[:, 1:]


def _knots(values: FloatArray, step_m: float) -> FloatArray:
    """Return knots in equal steps, alike on both sides of 0, around all values."""
    first = int(np.floor(values.min() / step_m)) - _DEGREE - 1
    last = int(np.ceil(values.max() / step_m)) + _DEGREE + 1
    return np.asarray(step_m * np.arange(first, last + 1), dtype=float)


def _is_within(values: FloatArray, knots: FloatArray) -> BoolArray:
    return np.asarray((values >= knots[_DEGREE]) & (values <= knots[-_DEGREE - 1]))


def _second(count: int) -> sparse.dia_array:
    ones = np.ones(count)
    return sparse.dia_array(
        (np.array([ones, -2 * ones, ones]), [0, 1, 2]), shape=(count - 2, count)
    )
