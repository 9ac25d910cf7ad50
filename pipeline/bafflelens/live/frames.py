# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes to the page of a shape: its levels, its score, its surface and sections."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import FloatArray
from bafflelens.directivity.polars import (
    LISTENING_WINDOW,
    arc_shares,
    orbit_directions,
    orbit_levels_db,
    positions,
)
from bafflelens.live.drawn_levels import DrawnCurve, DrawnLevels, DrawnPlane
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.plane_cuts import cut_by_plane
from bafflelens.mesh.surface_names import surface_kind
from bafflelens.report.curves import requirements_of, towards_of
from bafflelens.scoring.criteria import (
    ARC_HALF_WIDTH_DEG,
    LOWEST_LEVEL_DB,
    edge_angles,
    patch_shares,
)
from bafflelens.scoring.score import Score
from bafflelens.scoring.target import Target

ESTIMATED: Final = "estimated"
DRAFT: Final = "draft"
SOLVED: Final = "solved"

_PLANES: Final = ("horizontal", "vertical")
_STEP: Final = 2  # every other direction of an orbit: 5 degrees are enough for a small map


def levels_of(dataset: xr.Dataset, target: Target) -> dict[str, FloatArray]:
    """Return what is drawn of a shape as it plays.

    Parameters
    ----------
    dataset : xarray.Dataset
        With one source.
    target : Target
        Gives the angles of bounces and sides.

    Returns
    -------
    dict of str to array
        ``frequency`` in Hz, ``angle`` in degrees, levels on both orbits re the listening window
        in dB, and levels towards floor, ceiling and sides.
    """
    found: dict[str, FloatArray] = {"frequency": dataset["frequency"].values}
    for plane in _PLANES:
        angle, level = orbit_levels_db(dataset, plane)
        found["angle"] = angle[::_STEP]
        found[plane] = level[:, ::_STEP]
    towards = towards_of(dataset, target)
    return found | {one.key: towards.level_db[one.key] for one in requirements_of(target)}


def drawing_of(dataset: xr.Dataset, target: Target) -> DrawnLevels:
    """Return what `levels_of` looks at in datasets like one, for estimates of others."""
    orbits = {plane: orbit_directions(dataset, plane) for plane in _PLANES}
    curves = []
    for wanted in requirements_of(target):
        is_side = wanted.key == "side"
        chosen, angle = orbits["horizontal" if is_side else "vertical"]
        nearest = int(chosen[np.argmin(np.abs(angle - wanted.limit.angle_deg))])
        if is_side:
            directions, shares = chosen, _edge_shares(angle, wanted.limit.angle_deg)
        else:
            seat_deg = target.seat_azimuth_deg
            patches = [patch_shares(dataset, one, seat_deg) for one in wanted.limit.angles_deg]
            directions = np.flatnonzero(np.any(patches, axis=0))
            shares = np.array([patch[directions] / patch.sum() for patch in patches])
        curves.append(
            DrawnCurve(
                name=wanted.key,
                directions=directions,
                shares=shares,
                is_lowest=is_side,
                lowest_db=LOWEST_LEVEL_DB,
                banded=nearest,
            )
        )
    return DrawnLevels(
        frequency_hz=np.asarray(dataset["frequency"].values, dtype=float),
        window=np.array(positions(dataset, LISTENING_WINDOW)),
        planes=tuple(
            DrawnPlane(name=name, directions=chosen[::_STEP], angle_deg=angle[::_STEP])
            for name, (chosen, angle) in orbits.items()
        ),
        curves=tuple(curves),
    )


def _edge_shares(orbit_deg: FloatArray, edge_deg: float) -> FloatArray:
    return arc_shares(orbit_deg, edge_angles(edge_deg), ARC_HALF_WIDTH_DEG)


def limits_of_target(target: Target, frequency_hz: FloatArray) -> list[dict[str, Any]]:
    """Return what is asked towards floor, ceiling and sides, at some frequencies."""
    return [
        {
            "key": wanted.key,
            "title": wanted.title,
            "upper": wanted.is_upper,
            "angle_deg": wanted.limit.angle_deg,
            "frequency_hz": [float(f) for f in frequency_hz],
            "level_db": [json_number(v) for v in wanted.limit.level_at(frequency_hz)],
        }
        for wanted in requirements_of(target)
    ]


def score_lines(score: Score) -> dict[str, Any]:
    """Return a score and its terms."""
    return {
        "total_db": json_number(score.total_db),
        "gaps": list(score.gaps),
        "terms": [
            {"name": term.label, "cost_db": json_number(term.cost_db), "note": term.note}
            for term in score.terms
        ],
    }


def json_number(value: float) -> float | None:
    """Return a number that JSON can hold; None for NaN."""
    return float(value) if math.isfinite(value) else None


def shape_arrays(mesh: Mesh, symmetry: tuple[str, ...]) -> tuple[list[str], dict[str, Any]]:
    """Return the kinds of surfaces of a mesh, and what is drawn of it, in mm.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which it is mirrored.

    Returns
    -------
    kinds : list of str
        Of its surfaces.
    arrays : dict of str to array
        ``corners`` (n_triangles, 9), ``kind`` (n_triangles,) with the place of its kind, and
        ``side``, segments of the vertical section, (n, 4).
    """
    mesh = mesh.whole(symmetry)
    names, numbers = np.unique(mesh.surface, return_inverse=True)
    of_name = [surface_kind(str(name)) or "other" for name in names]
    kinds = sorted(set(of_name))
    place = np.array([kinds.index(kind) for kind in of_name], dtype=float)
    corners = mesh.corners * 1e3
    segments = cut_by_plane(mesh.corners, 1) * 1e3
    return kinds, {
        "corners": corners.reshape(-1, 9),
        "kind": place[numbers],
        "side": segments[:, :, [0, 2]].reshape(-1, 4),
    }
