# SPDX-License-Identifier: GPL-3.0-or-later
"""What clay would do to a solved shape, and how a carved one came to be, as the page shows it."""

from __future__ import annotations

from typing import Any

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.progress import Progress
from bafflelens.live.array_frames import frame
from bafflelens.live.frames import json_number
from bafflelens.mesh.mesh import Mesh
from bafflelens.run.carving.keeping import kept_steps
from bafflelens.scoring.carved import is_carved, parent_of
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.store import RunFolder


def map_frame(folder: RunFolder, candidate_id: str, progress: Progress) -> bytes:
    """Return the clay map of a candidate: dB per mm over its surface, and where to begin.

    Raises
    ------
    InputError
        If its surface pressure was not kept, or its score has no slope left.
    """
    # Slow to load, and a page that starts needs none of it.
    from bafflelens.mockup.clay_map.kept_slope import USUAL_ACROSS_MM
    from bafflelens.mockup.clay_map.places import (
        USUAL_AMOUNT_MM,
        mapped,
    )
    from bafflelens.mockup.clay_map.slopes import candidate_with_slopes
    from bafflelens.mockup.clay_map.words import no_place_text, place_text

    solved = candidate_with_slopes(folder, candidate_id)
    found, places = mapped(solved, USUAL_ACROSS_MM, USUAL_AMOUNT_MM, progress)
    slopes = found.slopes
    lines = [place_text(place, USUAL_ACROSS_MM) for place in places]
    return _clay_frame(
        candidate_id,
        slopes.mesh,
        np.where(slopes.is_clay, found.with_images["score"], np.nan),
        slopes.symmetry,
        title=f"What clay does to the score, bumps {USUAL_ACROSS_MM:.0f} mm across",
        unit="dB per mm",
        better=-1,  # adding is better where it lowers the score
        lines=lines or [no_place_text(USUAL_ACROSS_MM)],
        steps=[],
    )


def carved_frame(folder: RunFolder, candidate_id: str) -> bytes | None:
    """Return how far a carved candidate was moved, and the steps that led there.

    None for a candidate that was not carved here.

    Raises
    ------
    StoreError
        If what was kept of it is damaged.
    """
    path = folder.carved_deviation(candidate_id)
    if not is_carved(candidate_id) or not path.is_file():
        return None
    moved = SurfaceDeviation.load(path)
    is_moved = np.abs(moved.displacement[moved.nominal.triangles]).max(axis=(1, 2)) > 0
    steps = [
        {
            "number": step.number,
            "score_db": json_number(step.score_db),
            "outward_mm": 1e3 * step.outward_m,
            "inward_mm": 1e3 * step.inward_m,
        }
        for step in kept_steps(folder, candidate_id)
    ]
    return _clay_frame(
        candidate_id,
        moved.clay,
        np.where(is_moved, 1e3 * moved.height, np.nan),
        (),
        title=f"Carved from {parent_of(candidate_id)}: mm added or taken",
        unit="mm",
        better=1,
        lines=[],
        steps=steps,
    )


def _clay_frame(
    candidate_id: str,
    mesh: Mesh,
    values: FloatArray,
    symmetry: tuple[str, ...],
    **header: Any,
) -> bytes:
    """Return a surface with a number on each triangle, NaN where nothing can be moved."""
    values = np.tile(values, 2 ** len(symmetry))
    known = np.abs(values[np.isfinite(values)])
    # A few triangles at edges may stand out; they must not wash out all the rest.
    most = float(np.quantile(known, 0.99)) if len(known) else 0.0
    return frame(
        {"kind": "clay", "id": candidate_id, "most": most, **header},
        {"corners": 1e3 * mesh.whole(symmetry).corners.reshape(-1, 9), "value": values},
    )
