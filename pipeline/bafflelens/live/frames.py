# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes to the page: frames of 32-bit floats behind a short header in JSON.

`live.framing` says how they lie in a frame. The header names each array's place and shape.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import FloatArray
from bafflelens.directivity.polars import orbit_directions, orbit_levels_db
from bafflelens.live.estimate import USEFUL_DB, Estimate
from bafflelens.live.framing import framed
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.plane_cuts import cut_by_plane
from bafflelens.mesh.surface_names import surface_kind
from bafflelens.report.curves import requirements_of, towards_of
from bafflelens.scoring.score import Score
from bafflelens.scoring.target import Target

ESTIMATED: Final = "estimated"
DRAFT: Final = "draft"
SOLVED: Final = "solved"

_PLANES: Final = ("horizontal", "vertical")
_STEP: Final = 2  # every other direction of an orbit: 5 degrees are enough for a small map


def frame(header: Mapping[str, Any], arrays: Mapping[str, Any]) -> bytes:
    """Return a frame with its arrays, NaN where there is no number."""
    places, blocks, offset = {}, [], 0
    for name, values in arrays.items():
        block = np.ascontiguousarray(values, dtype="<f4")
        places[name] = {"at": offset, "shape": list(block.shape)}
        blocks.append(block.tobytes())
        offset += block.size
    return framed({**header, "arrays": places}, b"".join(blocks))


def levels_of(
    dataset: xr.Dataset, target: Target, estimate: Estimate | None = None
) -> dict[str, FloatArray]:
    """Return what is drawn of a shape as it plays.

    Parameters
    ----------
    dataset : xarray.Dataset
        With one source.
    target : Target
        Gives the angles of bounces and sides.
    estimate : Estimate, optional
        Where it is one: what its band says. Levels that it knows too little of are NaN.

    Returns
    -------
    dict of str to array
        ``frequency`` in Hz, ``angle`` in degrees, levels on both orbits re the listening window
        in dB with their ``..._band``, and levels towards floor, ceiling and sides.
    """
    found: dict[str, FloatArray] = {"frequency": dataset["frequency"].values}
    for plane in _PLANES:
        angle, level = orbit_levels_db(dataset, plane)
        found["angle"] = angle[::_STEP]
        if estimate is not None:
            chosen, _ = orbit_directions(dataset, plane)
            band = estimate.band_db[:, chosen]
            level = np.where(band > USEFUL_DB, np.nan, level)
            found[f"{plane}_band"] = band[:, ::_STEP]
        found[plane] = level[:, ::_STEP]
    towards = towards_of(dataset, target)
    for wanted in requirements_of(target):
        level = towards.level_db[wanted.key]
        if estimate is not None:
            plane = "horizontal" if wanted.key == "side" else "vertical"
            chosen, angle = orbit_directions(dataset, plane)
            nearest = int(np.argmin(np.abs(angle - wanted.limit.angle_deg)))
            band = estimate.band_db[:, chosen[nearest]]
            level = np.where(band > USEFUL_DB, np.nan, level)
            found[f"{wanted.key}_band"] = band
        found[wanted.key] = level
    return found


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
        ``corners`` (n_triangles, 9), ``kind`` (n_triangles,) with the place of its kind, and the
        segments of the vertical and of the horizontal section, (n, 4).
    """
    mesh = mesh.whole(symmetry)
    names = [surface_kind(str(name)) or "other" for name in mesh.surface]
    kinds = sorted(set(names))
    place = {kind: i for i, kind in enumerate(kinds)}
    corners = mesh.corners * 1e3
    sections = {}
    for name, across, up in (("side", 1, 2), ("plan", 2, 1)):
        segments = cut_by_plane(mesh.corners, across) * 1e3
        sections[name] = segments[:, :, [0, up]].reshape(-1, 4)
    return kinds, {
        "corners": corners.reshape(-1, 9),
        "kind": np.array([place[name] for name in names], dtype=float),
        **sections,
    }
