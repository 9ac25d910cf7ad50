# SPDX-License-Identifier: GPL-3.0-or-later
"""What a report is told about a run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import xarray as xr

from bafflelens.directivity.lobe import Meeting
from bafflelens.mesh.mesh import Mesh
from bafflelens.report.dimensions import Dimension
from bafflelens.scoring.ranking import NOT_MESHED_AGAIN, RankedRow, Remeshing
from bafflelens.scoring.score import ScoreSettings
from bafflelens.scoring.target import Room, Target

if TYPE_CHECKING:
    from bafflelens.shapes.meshing.parameters import Parameter


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A picture of a shape.

    Attributes
    ----------
    title : str
        What it shows, in a few words.
    png : bytes
        A PNG file; empty where there is an `svg`.
    svg : str
        An SVG file.
    alt : str
        What it shows, for those who cannot see it; the title if left out.
    small : bytes
        A PNG file of the same for a small place; empty where there is none.
    """

    title: str
    png: bytes = b""
    svg: str = ""
    alt: str = ""
    small: bytes = b""


@dataclass(frozen=True, kw_only=True, eq=False)
class CandidateView:
    """What there is to show of one candidate besides its row in the ranking.

    Attributes
    ----------
    id : str
        As in the ranking.
    parameters : tuple of Parameter
        What the shape's parameters are; one that is missing is shown by its key alone.
    dataset : xarray.Dataset
        Its directivity dataset, with one source.
    solved : xarray.Dataset or None
        The frequencies that were solved, where `dataset` is interpolated between them or a sum
        of sources; None where that is `dataset` itself.
    mesh : Mesh or None
        The finest mesh, for its size; None if it is not known.
    pictures : tuple of Picture
        Pictures of the shape, for instance in space and in section.
    opening : Picture or None
        The section close to the axis with the dimensions that matter.
    dimensions : tuple of Dimension
        Those.
    meeting : Meeting or None
        Where the ways of its crossover meet; None where there is no such place.
    clay : (bytes, str) or None
        Picture and list of its clay map; None where none was kept.
    """

    id: str
    parameters: tuple[Parameter, ...]
    dataset: xr.Dataset
    solved: xr.Dataset | None = None
    mesh: Mesh | None = None
    pictures: tuple[Picture, ...] = ()
    opening: Picture | None = None
    dimensions: tuple[Dimension, ...] = ()
    meeting: Meeting | None = None
    clay: tuple[bytes, str] | None = None


@dataclass(frozen=True, kw_only=True)
class CarvedView:
    """What is kept of a carving.

    Attributes
    ----------
    id, parent : str
        Of the carved shape, and of what it was made of.
    where : str
        Where material was added and taken, in words.
    added_m, taken_m : float
        The most that was added and taken along the reference axis, in m.
    picture : bytes
        Its way and its map, a PNG.
    sheet : str
        Its limits, and what was used of them.
    """

    id: str
    parent: str
    where: str
    added_m: float
    taken_m: float
    picture: bytes
    sheet: str


@dataclass(frozen=True, kw_only=True)
class Failure:
    """A piece of work that failed.

    Attributes
    ----------
    candidate : str
        Candidate's id.
    what : str
        What failed: ``mesh``, ``band 2``, ``2818 Hz`` ...
    reason : str
        Why.
    """

    candidate: str
    what: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Timing:
    """How long a step of the run took.

    Attributes
    ----------
    step : str
        The step.
    seconds : float
        Time in s.
    note : str
        What is meant: wall time, time summed over the workers ...
    """

    step: str
    seconds: float
    note: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class RunView:
    """Everything that a report shows.

    Attributes
    ----------
    name : str
        Name of the run.
    folder : str
        Its folder as a person would give it on the command line.
    title, why, scenario : str
        What was asked, as in the job; the last two may be empty.
    job_text : str
        The job file as given.
    created_utc : str
        When the run began, ISO 8601.
    status : str
        How it ended, in words.
    rows : tuple of RankedRow
        The ranking, baseline included.
    views : tuple of CandidateView
        Whatever candidates there are datasets of, in any order. All of them are compared with
        the baseline in the table; the best are drawn.
    target : Target
        What was asked of the levels.
    settings : ScoreSettings
        How the score counts.
    room : Room or None
        For what arrives at the seat; not shown without it.
    every_row : tuple of RankedRow
        The ranking with those, too, that are not listed; empty where `rows` is all of it.
    ranges : mapping of str to (float, float)
        Lowest and highest value of each parameter that was searched, as the job says; what the
        candidates reach counts for one that is missing.
    origins : mapping of str to tuple of str
        Sizes of the shape in words, by whether the job searches, gives or leaves them.
    detailed : int
        How many of the best are shown in detail, besides the baseline.
    thumbnails : int
        How many of the best have small maps, besides the baseline.
    carvings : tuple of CarvedView
        The shapes that were carved from others.
    failures : tuple of Failure
        Pieces of work that failed; what the ranking and the datasets say is added to them.
    remarks : tuple of str
        What the user should know besides.
    second_opinion : str or None
        What the other engine says of the same shape; None if it was not asked.
    remeshing : Remeshing
        Which score differences mean anything.
    timings : tuple of Timing
        How long each step took.
    versions : mapping of str to str
        Version of each program.
    host : mapping of str to str
        The machine, ``{"processor": "...", "workers": "2"}``.
    """

    name: str
    title: str
    job_text: str
    created_utc: str
    status: str
    rows: tuple[RankedRow, ...]
    views: tuple[CandidateView, ...]
    target: Target
    settings: ScoreSettings = field(default_factory=ScoreSettings)
    room: Room | None = None
    why: str = ""
    scenario: str = ""
    folder: str = "RUN"
    every_row: tuple[RankedRow, ...] = ()
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    origins: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    detailed: int = 4
    thumbnails: int = 6
    carvings: tuple[CarvedView, ...] = ()
    failures: tuple[Failure, ...] = ()
    remarks: tuple[str, ...] = ()
    second_opinion: str | None = None
    remeshing: Remeshing = NOT_MESHED_AGAIN
    timings: tuple[Timing, ...] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    host: Mapping[str, str | int | float] = field(default_factory=dict)
