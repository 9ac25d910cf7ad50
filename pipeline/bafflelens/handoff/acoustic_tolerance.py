# SPDX-License-Identifier: GPL-3.0-or-later
r"""How far each place of a front may be off before the score changes by a stated amount.

With s the slope of the score, in dB per mm of a round place that stands out (a squared cosine,
`bafflelens.mockup.clay_map.places.bump_height`), a place may be off by

.. math:: t = 0.1 \; \mathrm{dB} / |s|

That is a straight line. It is followed from `LEAST_MM`, which no scan tells better, to `MOST_MM`:
where the slope is smaller than that, it is no better known than itself.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.closest_point import shares
from bafflelens.base.conventions import BoolArray, FloatArray, IntArray
from bafflelens.base.errors import InputError
from bafflelens.base.place_words import NEAR_M, where
from bafflelens.base.progress import Progress
from bafflelens.handoff.rays import first_hits
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.clay_map.kept_slope import LEAST_DB_PER_MM, USUAL_ACROSS_MM, KeptSlope
from bafflelens.store import RunFolder

CHANGE_DB: Final = 0.1
ACROSS_MM: Final = USUAL_ACROSS_MM
LEAST_MM: Final = 0.1
MOST_MM: Final = CHANGE_DB / LEAST_DB_PER_MM
NOT_ASKED: Final = (
    "how far each place may be off is not drawn: its slopes were not kept; "
    "`bafflelens handoff --tolerance-map` computes them"
)

_STEP_M: Final = 2e-3
_EVERY: Final = 3  # so many steps from a row of the table to the next
_MOST_PLACES: Final = 8


@dataclass(frozen=True, kw_only=True)
class TightPlace:
    """A place that may be off by less than those around it.

    Attributes
    ----------
    centre_m : tuple of float
        Where, x, y, z.
    surface : str
        Name of the surface that it is on.
    slope_db : float
        Change of the score for each mm that it stands out; positive is worse.
    is_mirrored : bool
        Whether the other side has the same.
    """

    centre_m: tuple[float, float, float]
    surface: str
    slope_db: float
    is_mirrored: bool

    @property
    def allowed_mm(self) -> float:
        """What it may be off."""
        return float(allowed_mm(np.array(self.slope_db)))

    @property
    def worse_if(self) -> str:
        """Which way off is worse."""
        return "proud" if self.slope_db > 0 else "set back"

    @property
    def text(self) -> str:
        """Where it is, in words."""
        return where(np.array(self.centre_m), is_mirrored=self.is_mirrored)


@dataclass(frozen=True, kw_only=True, eq=False)
class AcousticTolerance:
    """The front of a candidate, and what a place of it may be off.

    Attributes
    ----------
    y_m, z_m : (n_y,), (n_z,) arrays
        Places, in equal steps.
    x_m : (n_y, n_z) array
        The frontmost surface; NaN beside it.
    surface : (n_y, n_z) array of str
        Its name.
    slope_db : (n_y, n_z) array
        Change of the score for each mm that a place stands out; positive is worse. NaN where
        nothing is formed, or the mesh is too coarse to tell.
    places : tuple of TightPlace
        Where it may be off by least, the tightest first.
    """

    y_m: FloatArray
    z_m: FloatArray
    x_m: FloatArray
    surface: np.ndarray[Any, np.dtype[np.str_]]
    slope_db: FloatArray
    places: tuple[TightPlace, ...]

    @property
    def text(self) -> str:
        """The tightest place, in a line."""
        if not self.places:
            return (
                f"no place changes the score by {CHANGE_DB:g} dB within {MOST_MM:g} mm, "
                f"over {ACROSS_MM:g} mm"
            )
        tightest = self.places[0]
        return (
            f"tightest {tightest.text}: {tightest.allowed_mm:.1f} mm off over {ACROSS_MM:g} mm "
            f"change the score by {CHANGE_DB:g} dB; all of the front: the drawing's last sheet"
        )

    def facts(self, table: str) -> dict[str, Any]:
        """Return what a manifest says of it, with the name of its table."""
        return {
            "change_db": CHANGE_DB,
            "across_mm": ACROSS_MM,
            "range_mm": [LEAST_MM, MOST_MM],
            "table": table,
            "places": [
                {
                    "centre_mm": [round(1e3 * value, 1) for value in place.centre_m],
                    "both_sides": place.is_mirrored,
                    "surface": place.surface,
                    "allowed_mm": round(place.allowed_mm, 2),
                    "db_per_mm": round(place.slope_db, 4),
                    "worse_if": place.worse_if,
                }
                for place in self.places
            ],
        }


def allowed_mm(slope_db: FloatArray) -> FloatArray:
    """Return what places may be off, in mm, within the range that is followed.

    Parameters
    ----------
    slope_db : array
        Change of the score in dB per mm; NaN stays.

    Examples
    --------
    >>> allowed_mm(np.array([0.2, -0.05, 0.001])).tolist()
    [0.5, 2.0, 5.0]
    """
    return np.asarray(
        CHANGE_DB / np.clip(np.abs(slope_db), CHANGE_DB / MOST_MM, CHANGE_DB / LEAST_MM)
    )


def front_tolerance(
    folder: RunFolder, candidate_id: str, progress: Progress, *, compute: bool
) -> AcousticTolerance | str:
    """Return what places of a candidate may be off, or why that is not known.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate_id : str
        Id of the candidate.
    progress : Progress
        Told how far slopes are that have to be computed.
    compute : bool
        Whether slopes that were not kept are computed.
    """
    kept = folder.load_slope(candidate_id)
    if kept is not None:
        return on_the_front(KeptSlope.from_arrays(kept, str(folder.slope_path(candidate_id))))
    if not compute:
        return NOT_ASKED
    from bafflelens.mockup.clay_map.slopes import candidate_slopes, candidate_with_slopes

    try:
        slopes = candidate_slopes(candidate_with_slopes(folder, candidate_id), progress)
    except InputError as error:
        return f"how far each place may be off is not known: {error}"
    return on_the_front(KeptSlope.of(slopes))


def tolerance_text(found: AcousticTolerance | str) -> str:
    """Return what a candidate's places may be off, or why that is not known, as a sentence."""
    text = found if isinstance(found, str) else found.text
    return f"{text[0].upper()}{text[1:]}."


def on_the_front(kept: KeptSlope) -> AcousticTolerance:
    """Return what places of the front may be off, on a grid of y and z.

    Parameters
    ----------
    kept : KeptSlope
        Slope of the score.
    """
    from bafflelens.mockup.clay_map.places import change_of_bumps  # loads the solver

    change, is_told = change_of_bumps(kept, 1e-3 * ACROSS_MM)
    copies = 2 ** len(kept.symmetry)
    mesh = kept.mesh.whole(kept.symmetry)
    low, high = mesh.vertices.min(axis=0)[1:], mesh.vertices.max(axis=0)[1:]
    y, z = (_steps(low[axis], high[axis]) for axis in range(2))
    left, up = np.meshgrid(y, z, indexing="ij")
    ahead = float(mesh.vertices[:, 0].max()) + _STEP_M
    starts = np.column_stack((np.full(left.size, ahead), left.ravel(), up.ravel()))
    distance, owner = first_hits(mesh, starts, np.array([-1.0, 0.0, 0.0]), owners=True)
    hit = np.isfinite(distance)
    x = np.where(hit, ahead - distance, np.nan)
    told = np.tile(is_told, copies)
    points = np.column_stack((np.where(hit, x, 0.0), starts[:, 1:]))
    value = _between_corners(mesh, np.tile(change, copies), told, owner, points)
    slope = np.where(hit & told[owner], value, np.nan).reshape(left.shape)
    surface = np.where(hit, mesh.surface[owner], "").reshape(left.shape)
    found = AcousticTolerance(
        y_m=y, z_m=z, x_m=x.reshape(left.shape), surface=surface, slope_db=slope, places=()
    )
    places = tuple(_tightest(found, is_mirrored="y" in kept.symmetry))
    return AcousticTolerance(**{**vars(found), "places": places})


def _steps(low: float, high: float) -> FloatArray:
    """Return places in equal steps, alike on both sides of 0, within an extent."""
    first, last = int(np.ceil(low / _STEP_M)), int(np.floor(high / _STEP_M))
    return np.asarray(_STEP_M * np.arange(first, last + 1), dtype=float)


def _between_corners(
    mesh: Mesh, value: FloatArray, told: BoolArray, owner: IntArray, points: FloatArray
) -> FloatArray:
    """Return values of triangles at places on them, straight between the means at corners."""
    at_corner = mesh.at_vertices(value, np.where(told, mesh.areas, 0.0))
    corners = mesh.triangles[owner]
    share = shares(mesh.vertices, corners, points)
    return np.asarray((share * at_corner[corners]).sum(axis=1))


def _tightest(found: AcousticTolerance, *, is_mirrored: bool) -> Iterator[TightPlace]:
    """Yield the tightest places, none within a bump's width of another."""
    left, up = np.meshgrid(found.y_m, found.z_m, indexing="ij")
    free = np.isfinite(found.slope_db)
    if is_mirrored:
        free &= left >= 0
    size = np.where(free, np.abs(found.slope_db), 0.0)
    for _ in range(_MOST_PLACES):
        at = np.unravel_index(int(size.argmax()), size.shape)
        if size[at] <= LEAST_DB_PER_MM:
            return
        x, y, z = (float(part[at]) for part in (found.x_m, left, up))
        yield TightPlace(
            centre_m=(x, y, z),
            surface=str(found.surface[at]),
            slope_db=float(found.slope_db[at]),
            is_mirrored=is_mirrored and y >= NEAR_M,
        )
        size[np.hypot(left - y, up - z) < 1e-3 * ACROSS_MM] = 0.0


def tolerance_csv(found: AcousticTolerance) -> bytes:
    """Return the front as a table, a row every few mm where something is known.

    Parameters
    ----------
    found : AcousticTolerance
        What is written.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("x_mm", "y_mm", "z_mm", "surface", "allowed_mm", "db_per_mm"))
    allowed = allowed_mm(found.slope_db)
    for row in range(0, len(found.y_m), _EVERY):
        for column in range(0, len(found.z_m), _EVERY):
            slope = found.slope_db[row, column]
            if np.isnan(slope):
                continue
            place = (found.x_m[row, column], found.y_m[row], found.z_m[column])
            writer.writerow(
                (
                    *(f"{1e3 * value:.1f}" for value in place),
                    found.surface[row, column],
                    f"{allowed[row, column]:.2f}",
                    f"{slope:+.4f}",
                )
            )
    return stream.getvalue().encode()
