# SPDX-License-Identifier: GPL-3.0-or-later
"""What is kept of a carving: every step as it is taken, and in the end the shape itself."""

from __future__ import annotations

import json
from dataclasses import asdict, astuple, dataclass

import numpy as np

from bafflelens import store
from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh
from bafflelens.run.carving.displacement import Radii
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.mesh_morph import HeightField, SurfaceDeviation
from bafflelens.store import RunFolder


@dataclass(frozen=True, kw_only=True, eq=False)
class CarvedStep:
    """One step of a carving; number 0 is the parent.

    Attributes
    ----------
    number : int
        Of the step.
    limits : str
        Within which limits it was taken.
    amounts, slope : (n_y, n_z) arrays
        Of the bumps, and the slope of what is made small with these.
    value, softened_db, score_db : float
        What is made small but for the cost of bending, the softened score that is most of it, and
        the score, in dB.
    objectives_db : tuple of 3 floats
        Vertical control, horizontal width and side effects, in dB.
    outward_m, inward_m : float
        Most that was added and taken, in m.
    radii : Radii
        Smallest radii of the finished surface.
    seconds : float
        Time that the step took by the clock.
    work_s : (fields, slopes)
        Time that the workers took for it together, in s.
    louder_db, above_db : float
        What being louder than the baseline towards floor and ceiling costs, and the level in the
        worst third-octave re the baseline's, in dB; NaN where that is not asked.
    meshes : int
        On which meshes: 1 are those of the beginning, and those that are made anew count on.
        Values on others differ by what the meshes themselves are off by.
    softness_db : float
        Over how many dB kinks were softened in what was made small.
    """

    number: int
    limits: str
    amounts: FloatArray
    slope: FloatArray
    value: float
    score_db: float
    softened_db: float
    objectives_db: tuple[float, float, float]
    outward_m: float
    inward_m: float
    radii: Radii
    seconds: float
    work_s: tuple[float, float]
    louder_db: float = 0.0
    above_db: float = float("nan")
    meshes: int = 1
    softness_db: float = 0.3

    @property
    def followed_db(self) -> float:
        """The score, and what being louder than the baseline costs."""
        return self.score_db + self.louder_db

    @property
    def text(self) -> str:
        """The step in words."""
        radius_m = self.radii.radius_m
        radius = f", radius {1e3 * radius_m:.0f} mm" if radius_m < 1 else ""
        return (
            f"score {self.score_db:.2f} dB, {1e3 * self.outward_m:.1f} mm out, "
            f"{1e3 * self.inward_m:.1f} mm in{radius}{self._above_text}"
        )

    @property
    def _above_text(self) -> str:
        if not np.isfinite(self.above_db):
            return ""
        return f", floor and ceiling at most {self.above_db:+.1f} dB re baseline"


def keep_step(folder: RunFolder, name: str, step: CarvedStep) -> None:
    """Keep a step, so that a carving that is stopped goes on from there."""
    folder.save_carved_step(name, step.number, {**asdict(step), "radii": astuple(step.radii)})


def kept_steps(folder: RunFolder, name: str) -> tuple[CarvedStep, ...]:
    """Return the steps of a carving as they were kept."""
    found = []
    for content in folder.load_carved_steps(name):
        vertical_db, horizontal_db, side_effects_db = content.pop("objectives_db")
        objectives_db = (float(vertical_db), float(horizontal_db), float(side_effects_db))
        fields_s, slopes_s = content.pop("work_s")
        work_s = (float(fields_s), float(slopes_s))
        # Steps of before kept the radius of what was added or taken; none goes on from them.
        numbers = content.pop("radii", [content.pop("radius_m", np.inf)])
        radii = Radii(*(float(number) for number in numbers))
        found.append(
            CarvedStep(objectives_db=objectives_db, work_s=work_s, radii=radii, **content)
        )
    return tuple(found)


def keep_shape(
    run: Run,
    parent: CandidateResult,
    name: str,
    *,
    nominal: Mesh,
    forward_m: FloatArray,
    field: HeightField,
    symmetry: tuple[str, ...],
    text: str,
) -> None:
    """Make a shape of the carved surface, and a candidate of the run.

    It is the declaration that scans use: the parent, and how far its surface is moved. So it is
    meshed afresh at any quality, and what is done with a scan can be done with it.

    Parameters
    ----------
    run : Run
        The run.
    parent : CandidateResult
        What was carved.
    name : str
        Id of what came of it.
    nominal : Mesh
        A fine mesh of the parent, both halves.
    forward_m : (n_vertices,) array
        By how much each of its vertices moves forwards, in m.
    field : HeightField
        The same heights where they are carved, which a hand-off's smooth faces are laid through.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes of the carved shape.
    text : str
        What it is, in a line.
    """
    shape = run.shape_of(parent)
    displacement = np.zeros(nominal.vertices.shape)
    displacement[:, 0] = forward_m
    proud = forward_m[nominal.triangles].mean(axis=1) * nominal.normals[:, 0]
    seen = np.ones(nominal.n_triangles, dtype=bool)
    deviation = SurfaceDeviation(
        nominal=nominal, displacement=displacement, height=proud, seen=seen, field=field
    )
    values = {**shape.defaults, **parent.values}
    declaration = [
        "# Written by `bafflelens carve`. In a job: [geometry] script = the path of this file.",
        f"title = {json.dumps(f'{parent.id}, carved: {text}')}",
        f"nominal = {json.dumps(shape.script.name)}",
        f"deviation = {json.dumps(f'{name}_deviation.npz')}",
        f"symmetry = {json.dumps(list(symmetry))}",
        "",
        "[values]",
        *(f"{json.dumps(key)} = {float(value)!r}" for key, value in values.items()),
    ]
    run.folder.add_carved_shape(
        name,
        files=(shape.script, *shape.companions),
        declaration="\n".join(declaration) + "\n",
        save_deviation=deviation.save,
    )
    if name in {candidate.id for candidate in run.folder.candidates()}:
        return
    carved = CandidateResult(
        id=name,
        label=f"{parent.label}, carved from {parent.id}",
        is_baseline=False,
        values={},
        score=None,
        status=store.WAITING,
    )
    run.folder.add_candidates([carved])
