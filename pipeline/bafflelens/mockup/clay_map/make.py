# SPDX-License-Identifier: GPL-3.0-or-later
"""The clay map of a candidate, from slopes to pictures, list, table and field."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import meshio
import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.base.writing import require_new_folder, write_folder
from bafflelens.mockup.clay_map.kept_slope import USUAL_ACROSS_MM, KeptSlope
from bafflelens.mockup.clay_map.pictures import parts_picture, score_picture
from bafflelens.mockup.clay_map.places import (
    USUAL_AMOUNT_MM,
    ClayMap,
    ClayPlace,
    mapped,
)
from bafflelens.mockup.clay_map.second_step import SecondStep, solve_second_step
from bafflelens.mockup.clay_map.slopes import Slopes, candidate_with_slopes
from bafflelens.mockup.clay_map.words import list_text
from bafflelens.scoring.score_slope import OBJECTIVES
from bafflelens.store import RunFolder

SMALLEST_ACROSS_MM: Final = 10.0
LARGEST_ACROSS_MM: Final = 150.0
HIGHEST_MM: Final = 20.0


@dataclass(frozen=True, kw_only=True)
class ClayMapRequest:
    """What a clay map is asked for.

    Attributes
    ----------
    folder : RunFolder
        The run.
    candidate : str
        Id of the candidate.
    out : Path
        Folder that is made.
    amount_mm : float
        How much clay is added or taken at a place.
    across_mm : float
        Width of a bump at its foot.
    with_second_step : bool
        Whether the proposal is solved.
    """

    folder: RunFolder
    candidate: str
    out: Path
    amount_mm: float = USUAL_AMOUNT_MM
    across_mm: float = USUAL_ACROSS_MM
    with_second_step: bool = True

    def __post_init__(self) -> None:
        faults = []
        if not 0 < self.amount_mm <= HIGHEST_MM:
            rule = f"above 0 and at most {HIGHEST_MM:g} mm"
            faults.append(invalid("option '--amount-mm'", f"{self.amount_mm:g}", rule))
        if not SMALLEST_ACROSS_MM <= self.across_mm <= LARGEST_ACROSS_MM:
            rule = f"{SMALLEST_ACROSS_MM:g} to {LARGEST_ACROSS_MM:g} mm"
            faults.append(invalid("option '--across-mm'", f"{self.across_mm:g}", rule))
        if faults:
            raise InputError(faults)


def make_clay_map(request: ClayMapRequest, progress: Progress) -> str:
    """Write the clay map of a candidate and return its list of places.

    Parameters
    ----------
    request : Request
        What is asked for.
    progress : Progress
        Who is told.

    Raises
    ------
    InputError
        If the candidate cannot be mapped; see `slopes`.
    StoreError
        If the folder is there already, or cannot be written.
    """
    require_new_folder(request.out)
    solved = candidate_with_slopes(request.folder, request.candidate)
    found, places = mapped(solved, request.across_mm, request.amount_mm, progress)
    step = None
    if places and request.with_second_step:
        step = solve_second_step(solved, found.slopes, places, found.across_m, progress)
    name = f"{request.candidate} of {request.folder.name}"
    text = list_text(name, found, places, step)
    write_folder(request.out, _files(name, found, places, step, text))
    return text


def keep_clay_map(folder: RunFolder, candidate: str, progress: Progress) -> None:
    """Keep the clay map of a candidate in its run, for the report; it has no second step.

    Its slopes are kept as well: a hand-off draws from them how far each place may be off.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate : str
        Id of the candidate.
    progress : Progress
        Who is told.

    Raises
    ------
    InputError
        If the candidate cannot be mapped; see `slopes`.
    StoreError
        If it cannot be written.
    """
    solved = candidate_with_slopes(folder, candidate)
    found, places = mapped(solved, USUAL_ACROSS_MM, USUAL_AMOUNT_MM, progress)
    picture = score_picture(found, places, f"Clay map, {candidate}")
    folder.save_slope(candidate, KeptSlope.of(found.slopes).arrays())
    folder.save_clay_map(candidate, picture, list_text(candidate, found, places, None))


def _files(
    name: str,
    found: ClayMap,
    places: Sequence[ClayPlace],
    step: SecondStep | None,
    text: str,
) -> dict[str, bytes]:
    return {
        "clay_map.png": score_picture(found, places, f"Clay map, {name}"),
        "parts.png": parts_picture(found, f"Clay map by parts of the score, {name}"),
        "places.txt": text.encode(),
        "places.csv": places_csv(places),
        "frequencies.csv": frequencies_csv(found.slopes),
        "slopes.vtu": field_vtu(found),
    }


def places_csv(places: Sequence[ClayPlace]) -> bytes:
    """Return the places as a table, a row each."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    where = ("place", "x_mm", "y_mm", "z_mm", "surface", "both_sides")
    what = ("amount_mm", "from_hz", "to_hz", *(f"{name}_db" for name in OBJECTIVES))
    writer.writerow((*where, *what))
    for number, place in enumerate(places, start=1):
        centre = (f"{1e3 * c:.1f}" for c in place.centre)
        changes = (f"{place.change_db[name]:+.3f}" for name in OBJECTIVES)
        there = (number, *centre, place.surface, "yes" if place.is_mirrored else "no")
        band = (f"{place.from_hz:.0f}", f"{place.to_hz:.0f}")
        writer.writerow((*there, f"{place.amount_mm:+g}", *band, *changes))
    return stream.getvalue().encode()


def frequencies_csv(slopes: Slopes) -> bytes:
    """Return how much of the slope lies at each frequency: mean size over the surface.

    Columns are the integral of the magnitude of the slope over the surface, in dB per mm of
    displacement of all of it, as if every place moved the way that helps.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["frequency_hz", *(f"{name}_db_per_mm" for name in OBJECTIVES)])
    for n, frequency_hz in enumerate(slopes.frequencies_hz):
        sizes = [1e-3 * np.abs(slopes.density[name][n]) @ slopes.mesh.areas for name in OBJECTIVES]
        writer.writerow([f"{frequency_hz:.1f}", *(f"{size:.4f}" for size in sizes)])
    return stream.getvalue().encode()


def field_vtu(found: ClayMap) -> bytes:
    """Return the surface with its slopes for a viewer in three dimensions, lengths in mm.

    For the score and its parts the change in dB per mm of one bump with its centre there, and
    the slope itself in dB per mm and cm^2.
    """
    slopes = found.slopes
    values = {f"{name}_db_per_mm": found.per_mm[name] for name in OBJECTIVES} | {
        f"{name}_db_per_mm_cm2": 1e-7 * slopes.density[name].sum(axis=0) for name in OBJECTIVES
    }
    values["is_clay"] = slopes.is_clay.astype(np.int32)
    mesh, copies = slopes.mesh.whole(slopes.symmetry), 2 ** len(slopes.symmetry)
    grid = meshio.Mesh(
        1e3 * mesh.vertices,
        [("triangle", mesh.triangles)],
        cell_data={name: [np.tile(v, copies)] for name, v in values.items()},
    )
    with tempfile.TemporaryDirectory(prefix="bafflelens_field_") as scratch:
        path = Path(scratch) / "slopes.vtu"
        grid.write(path, file_format="vtu")
        return path.read_bytes()
