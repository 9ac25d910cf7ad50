# SPDX-License-Identifier: GPL-3.0-or-later
"""What carving gained and where, which leads a report where a run carved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.place_words import NEAR_M, where
from bafflelens.report import words
from bafflelens.report.view import CarvedView, Picture, RunView
from bafflelens.scoring.carved import is_carved, parent_of
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation

if TYPE_CHECKING:
    from bafflelens.job.job_file import LoadedJob
    from bafflelens.store import RunFolder

_MOST_PLACES: Final = 4
_APART_M: Final = 0.03
_LEAST_SHARE: Final = 0.4  # of the largest height: less is a shoulder
_LEAST_M: Final = 0.0005


@dataclass(frozen=True, kw_only=True)
class TermChange:
    """What a term of the score costs before and after, in dB."""

    label: str
    before_db: float
    after_db: float


@dataclass(frozen=True, kw_only=True)
class CarvingShown:
    """A carving as a report shows it.

    Attributes
    ----------
    id : str
        Of the carved shape.
    names : (str, str)
        Of parent and carved shape.
    gain : str
        What it gained, in a sentence.
    where : str
        Where material was added and taken, in a sentence.
    terms : tuple of TermChange
        The whole score first, then its terms where there is something to pay.
    before, after : Picture or None
        Both shapes in space, where they are drawn.
    picture : bytes
        Its way and its map, a PNG.
    sheet : str
        Its limits, and what was used of them.
    """

    id: str
    names: tuple[str, str]
    gain: str
    where: str
    terms: tuple[TermChange, ...]
    before: Picture | None
    after: Picture | None
    picture: bytes
    sheet: str


def carved_views(folder: RunFolder, loaded: LoadedJob) -> tuple[CarvedView, ...]:
    """Return what a run keeps of the shapes that were carved in it."""
    found = []
    for name, shape in loaded.carved_shapes.items():
        picture, sheet = folder.carving_paths(name)
        deviation = shape.script.parent / f"{name}_deviation.npz"
        if not (is_carved(name) and picture.exists() and sheet.exists() and deviation.exists()):
            continue
        moved = SurfaceDeviation.load(deviation)
        forward_m = moved.displacement[:, 0]
        found.append(
            CarvedView(
                id=name,
                parent=parent_of(name),
                where=where_text(moved.nominal.vertices, forward_m),
                added_m=max(0.0, float(forward_m.max())),
                taken_m=max(0.0, float(-forward_m.min())),
                picture=picture.read_bytes(),
                sheet=sheet.read_text(encoding="utf-8"),
            )
        )
    return tuple(found)


def where_text(points: FloatArray, forward_m: FloatArray) -> str:
    """Return where a surface was moved the most, in words.

    Parameters
    ----------
    points : (n, 3) array
        Places on it before, in m.
    forward_m : (n,) array
        How far each was moved forwards, in m.

    Examples
    --------
    >>> import numpy as np
    >>> where_text(np.array([[0, 0, 0.045], [0, 0.05, 0]]), np.array([0.008, -0.002]))
    'Added: 8.0 mm at 45 mm above the axis. Taken: 2.0 mm at 50 mm to its left of the axis.'
    """
    parts = []
    for verb, height in (("Added", forward_m), ("Taken", -forward_m)):
        places = _peaks(points, height)
        if places:
            parts.append(f"{verb}: {'; '.join(places)}.")
    return " ".join(parts) or "Nothing was moved."


def _peaks(points: FloatArray, height: FloatArray) -> list[str]:
    """Return the places of the largest heights, each some way off the others."""
    found: list[str] = []
    most = float(height.max(initial=0.0))
    free = height >= max(_LEAST_SHARE * most, _LEAST_M)
    while free.any() and len(found) < _MOST_PLACES:
        best = int(np.argmax(np.where(free, height, -np.inf)))
        centre = points[best]
        image = centre * np.array([1.0, -1.0, 1.0])
        distance = np.linalg.norm((points - image)[:, 1:], axis=1)
        has_image = abs(centre[1]) >= NEAR_M and bool(
            np.any((distance < NEAR_M) & (height > 0.9 * height[best]))
        )
        spot = where(centre, is_mirrored=has_image)
        found.append(f"{1e3 * height[best]:.1f} mm at {spot}")
        for middle in (centre, image) if has_image else (centre,):
            free &= np.linalg.norm((points - middle)[:, 1:], axis=1) >= _APART_M
    return found


def carvings_of(run: RunView, names: Mapping[str, str]) -> tuple[CarvingShown, ...]:
    """Return the carvings of a run, the one that gained the most first.

    Parameters
    ----------
    run : RunView
        The run.
    names : mapping of str to str
        What its candidates are called.
    """
    scores = {row.candidate.id: row.candidate.score for row in run.every_row or run.rows}
    pictures = {view.id: next((p for p in view.pictures if p.small), None) for view in run.views}
    found = []
    for carving in run.carvings:
        before, after = scores.get(carving.parent), scores.get(carving.id)
        if before is None or after is None:
            continue
        gained = before.total_db - after.total_db
        ids = (carving.parent, carving.id)
        called = tuple(names.get(id_, id_) for id_ in ids)
        gain = (
            f"Carving {called[0]} {'gained' if gained >= 0 else 'lost'} "
            f"{words.decibel_text(abs(gained), 2)} dB: its score went from "
            f"{words.decibel_text(before.total_db, 2)} to "
            f"{words.decibel_text(after.total_db, 2)} dB, both on fresh meshes."
        )
        costs = {term.name: term.cost_db for term in after.terms}
        whole = TermChange(label="Score", before_db=before.total_db, after_db=after.total_db)
        terms = [
            TermChange(label=t.label, before_db=t.cost_db, after_db=costs[t.name])
            for t in before.terms
            if t.name in costs and max(t.cost_db, costs[t.name]) >= words.SMALLEST_DB
        ]
        found.append(
            (
                gained,
                CarvingShown(
                    id=carving.id,
                    names=(called[0], called[1]),
                    gain=gain,
                    where=carving.where,
                    terms=(whole, *terms),
                    before=pictures.get(carving.parent),
                    after=pictures.get(carving.id),
                    picture=carving.picture,
                    sheet=carving.sheet,
                ),
            )
        )
    return tuple(shown for _, shown in sorted(found, key=lambda pair: -pair[0]))
