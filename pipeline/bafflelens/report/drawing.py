# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings of one candidate of a job: in space, in sections, and its mesh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.job.cost_estimate import band_mesh_sizes, job_bands
from bafflelens.job.dimensions import dimensions_in
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import Candidate, draw
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.report.section_picture import section_picture
from bafflelens.report.shape_picture import (
    elements_per_wavelength,
    mesh_picture,
    shape_picture,
)
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.store import write_file

# For the view and the sections: smooth to the eye at any frequency.
_SMOOTH: Final = MeshSize(
    source_size_m=0.004,
    growth=3.0,
    growth_distance_m=0.2,
    largest_m=0.02,
    curvature_elements=36,
)


@dataclass(frozen=True, kw_only=True)
class SolidFacts:
    """What there is to say about a shape and its mesh.

    Attributes
    ----------
    volume_m3, area_m2 : float
        Of the whole body.
    areas_m2 : dict of str to float
        Area of each named surface of the whole body.
    n_triangles : int
        Triangles of the mesh that is solved, at `frequency_hz`.
    is_half : bool
        Whether that is the kept part of a symmetric shape.
    frequency_hz : float
        Top of the band that the mesh is made for, in Hz.
    fewest_elements, most_elements : float
        Elements a wavelength there.
    smallest_angle_deg : float
        Smallest angle of any triangle, in degrees.
    """

    volume_m3: float
    area_m2: float
    areas_m2: dict[str, float]
    n_triangles: int
    is_half: bool
    frequency_hz: float
    fewest_elements: float
    most_elements: float
    smallest_angle_deg: float


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """The pictures of one candidate.

    Attributes
    ----------
    pictures : dict of str to bytes
        Content of each file by the end of its name, such as ``space.png``.
    solid : SolidFacts
        What there is to say beside them.
    dimensions : dict of str to float
        What is built of its parameters, by key.
    """

    pictures: dict[str, bytes]
    solid: SolidFacts
    dimensions: dict[str, float] = field(default_factory=dict)


def draw_candidate(
    loaded: LoadedJob,
    candidate_id: str,
    progress: Progress,
    known: Sequence[CandidateResult] | None = None,
) -> Drawing:
    """Draw one candidate of a job, or of a run.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    candidate_id : str
        ``baseline``, ``c001`` ...
    progress : Progress
        Told about each step.
    known : sequence of CandidateResult, optional
        The candidates of a run; otherwise those that the job draws.

    Raises
    ------
    InputError
        If the job has no such candidate.
    MeshingError
        If it cannot be meshed.
    """
    drawn: Sequence[Candidate | CandidateResult] = known or draw(loaded).everything
    everything = {candidate.id: candidate for candidate in drawn}
    if candidate_id not in everything:
        last = list(everything)[-1]
        rule = f"'baseline', or a candidate of this job up to '{last}'"
        raise InputError(f"{loaded.path}: " + invalid("option '--candidate'", candidate_id, rule))
    candidate = everything[candidate_id]
    shape = loaded.shape_of(candidate.id)
    highest = job_bands(loaded)[-1]
    frequency = highest.mesh_frequency_hz
    with progress.bar(4.0, "drawing") as advance:
        smooth, solved = mesh_shape(
            shape,
            candidate.values,
            [_SMOOTH, *band_mesh_sizes(loaded, [highest])],
            loaded.job.solve.mesh_time_limit_s,
        )
        advance(1.0, f"{shape.name} meshed")
        wavelength = loaded.job.air.medium.sound_speed / frequency
        pictures = {"space.png": shape_picture(smooth, shape.symmetry)}
        advance(1.0, "drawn in space")
        pictures["sections.svg"] = section_picture(smooth, shape.symmetry).encode("utf-8")
        advance(1.0, "sections drawn")
        pictures["mesh.png"] = mesh_picture(solved, shape.symmetry, wavelength)
        advance(1.0, "mesh drawn")
    facts = solid_facts(solved, smooth, shape.symmetry, frequency, wavelength)
    dimensions = dimensions_in(loaded)(candidate.id, candidate.values)
    return Drawing(pictures=pictures, solid=facts, dimensions=dimensions)


def solid_facts(
    solved: Mesh,
    smooth: Mesh,
    symmetry: tuple[str, ...],
    frequency_hz: float,
    wavelength_m: float,
) -> SolidFacts:
    """Return what there is to say about a shape and its mesh.

    Parameters
    ----------
    solved, smooth : Mesh
        The mesh that is solved, and a finer one, from which volume and areas are taken.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which both are mirrored.
    frequency_hz, wavelength_m : float
        Top of the band and its wavelength.
    """
    parts = 2 ** len(symmetry)
    names = [str(name) for name in np.unique(smooth.surface)]
    areas = {name: parts * float(smooth.areas[smooth.surface == name].sum()) for name in names}
    elements = elements_per_wavelength(solved, wavelength_m)
    return SolidFacts(
        volume_m3=parts * smooth.volume,
        area_m2=sum(areas.values()),
        areas_m2=areas,
        n_triangles=solved.n_triangles,
        is_half=bool(symmetry),
        frequency_hz=frequency_hz,
        fewest_elements=float(elements.min()),
        most_elements=float(elements.max()),
        smallest_angle_deg=float(solved.smallest_angles_deg.min()),
    )


def write_drawing(drawing: Drawing, folder: Path, name: str) -> list[Path]:
    """Write the pictures into a folder and return their paths.

    Parameters
    ----------
    drawing : Drawing
        The drawing.
    folder : Path
        The folder; it is made if it is missing.
    name : str
        Beginning of each file name.

    Raises
    ------
    InputError
        If the folder cannot be made.
    StoreError
        If they cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        rule = f"a folder that can be made ({error.strerror})"
        raise InputError(invalid("option '--out'", folder, rule)) from error
    paths = []
    for ending, content in drawing.pictures.items():
        paths.append(folder / f"{name}_{ending}")
        write_file(paths[-1], content, replace_existing=True)
    return paths
