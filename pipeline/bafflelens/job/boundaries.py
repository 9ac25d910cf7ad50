# SPDX-License-Identifier: GPL-3.0-or-later
"""What moves and what absorbs: a shape's own statements, and what a job says instead."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from bafflelens.base.errors import GeometryError, InputError, invalid
from bafflelens.job.domes import read_domes
from bafflelens.job.sections import Job
from bafflelens.job.solve_sections import NOMINAL_TOLERANCE, SourceSection
from bafflelens.mesh.absorbers import Absorber, PorousLayer
from bafflelens.mesh.dome_motions import DomeFamily
from bafflelens.mesh.source_motion import SourceMotion, VelocityTable
from bafflelens.mesh.surface_tables import read_admittance_table, read_velocity_table
from bafflelens.shapes.meshing.moving_parts import (
    motions_and_absorbers,
    source_motions,
    surface_absorbers,
)
from bafflelens.shapes.meshing.parameters import Shape


@dataclass(frozen=True, kw_only=True)
class Boundaries:
    """What a job says of surfaces that move or absorb.

    Attributes
    ----------
    motions : mapping of str to str
        ``axial`` or ``radial``, by source.
    velocities : mapping of str to VelocityTable
        By source.
    absorbers : mapping of str to Absorber
        By surface.
    tables : mapping of str to Path
        The text files behind them, by key.
    families : mapping of str to DomeFamily
        How domes plausibly move, by source.
    """

    motions: Mapping[str, str] = field(default_factory=dict)
    velocities: Mapping[str, VelocityTable] = field(default_factory=dict)
    absorbers: Mapping[str, Absorber] = field(default_factory=dict)
    tables: Mapping[str, Path] = field(default_factory=dict)
    families: Mapping[str, DomeFamily] = field(default_factory=dict)

    def motions_of(self, shape: Shape, values: Mapping[str, float]) -> tuple[SourceMotion, ...]:
        """Return how the moving surfaces of a shape move.

        Parameters
        ----------
        shape : Shape
            The shape.
        values : mapping of str to float
            Parameter values by key; a parameter that is left out has its default.
        """
        return self._as_stated(source_motions(shape, values))

    def absorbers_of(self, shape: Shape, values: Mapping[str, float]) -> dict[str, Absorber]:
        """Return what covers the surfaces of a shape, by name; arguments as in `motions_of`."""
        return {**surface_absorbers(shape, values), **self.absorbers}

    def both_of(
        self, shape: Shape, values: Mapping[str, float]
    ) -> tuple[tuple[SourceMotion, ...], dict[str, Absorber]]:
        """Return `motions_of` and `absorbers_of`; the script is executed once for both."""
        motions, absorbers = motions_and_absorbers(shape, values)
        return self._as_stated(motions), {**absorbers, **self.absorbers}

    def _as_stated(self, motions: Sequence[SourceMotion]) -> tuple[SourceMotion, ...]:
        """Return motions with what the job says of them."""
        return tuple(
            replace(
                motion,
                motion=self.motions[motion.name],
                table=self.velocities.get(motion.name),
            )
            if motion.name in self.motions
            else motion
            for motion in motions
        )


def read_boundaries(
    job: Job, folder: Path, copies: Mapping[str, Path]
) -> tuple[Boundaries, list[str]]:
    """Return what a job says of its surfaces, and every fault of it, one line each.

    Parameters
    ----------
    job : Job
        The job.
    folder : Path
        What its paths are relative to.
    copies : mapping of str to Path
        Text tables by key that stand for those that the job names.
    """
    faults: list[str] = []
    velocities: dict[str, VelocityTable] = {}
    absorbers: dict[str, Absorber] = {}
    tables: dict[str, Path] = {}
    lowest, highest = job.frequencies.frequencies_hz[0], job.frequencies.frequencies_hz[-1]
    for name, source in job.sources.items():
        if source.velocity_table is None:
            continue
        key = f"sources.{name}.velocity_table"
        tables[key] = copies.get(key, folder / source.velocity_table)
        try:
            velocities[name] = read_velocity_table(tables[key])
        except InputError as error:
            faults += [f"key '{key}': {fault}" for fault in error.faults]
            continue
        last = float(velocities[name].frequencies_hz[-1])
        if last < highest * (1 - NOMINAL_TOLERANCE):
            rule = f"a table up to the highest frequency solved, {highest:.0f} Hz"
            faults.append(invalid(f"key '{key}'", f"{tables[key]} up to {last:g} Hz", rule))
    for name, surface in job.surfaces.items():
        if surface.thickness_mm is not None and surface.flow_resistivity_kpa_s_m2 is not None:
            absorbers[name] = PorousLayer(
                thickness_m=surface.thickness_mm / 1e3,
                flow_resistivity=surface.flow_resistivity_kpa_s_m2 * 1e3,
                incidence=surface.incidence,
            )
        if surface.admittance_table is None:
            continue
        key = f"surfaces.{name}.admittance_table"
        tables[key] = copies.get(key, folder / surface.admittance_table)
        try:
            absorbers[name] = found = read_admittance_table(tables[key])
        except InputError as error:
            faults += [f"key '{key}': {fault}" for fault in error.faults]
            continue
        first, last = (float(found.frequencies_hz[i]) for i in (0, -1))
        if first > lowest * (1 + NOMINAL_TOLERANCE) or last < highest * (1 - NOMINAL_TOLERANCE):
            rule = f"a table from {lowest:.0f} to {highest:.0f} Hz, all that is solved"
            given = f"{tables[key]} from {first:g} to {last:g} Hz"
            faults.append(invalid(f"key '{key}'", given, rule))
    if absorbers and job.solve.engine == "bempp":
        rule = "'direct' where a surface absorbs: the other engine solves rigid bodies only"
        faults.append(invalid("key 'solve.engine'", job.solve.engine, rule))
    families, further, dome_faults = read_domes(job, folder, copies)
    faults += dome_faults
    boundaries = Boundaries(
        motions={name: source.motion for name, source in job.sources.items()},
        velocities=velocities,
        absorbers=absorbers,
        tables=tables | further,
        families=families,
    )
    return boundaries, faults


def source_name_faults(
    sources: Mapping[str, SourceSection], shapes: Sequence[Shape]
) -> Iterable[str]:
    """Yield a fault for each section [sources.<name>] that no shape has a source for."""
    if not sources:
        return
    known: dict[str, None] = {}
    for shape in shapes:
        try:
            known |= dict.fromkeys(motion.name for motion in source_motions(shape, {}))
        except GeometryError as error:
            yield from error.faults
            return
    for name in sources:
        if name not in known:
            yield unknown_part("sources", name, list(known), "source")


def surface_name_faults(names: Iterable[str], known: Sequence[str]) -> list[str]:
    """Return a fault for each section [surfaces.<name>] that no shape has a surface for."""
    unknown = [name for name in names if name not in known]
    return [unknown_part("surfaces", name, known, "surface") for name in unknown]


def unknown_part(section: str, name: str, known: Sequence[str], what: str) -> str:
    """Return the message for a section whose name no shape knows.

    Examples
    --------
    >>> unknown_part("surfaces", "flet", ["baffle", "felt"], "surface")
    "Invalid section [surfaces.flet]. Must be named after a surface of the shapes; perhaps 'felt'."
    """
    nearest = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    choice = f"perhaps '{nearest[0]}'" if nearest else "there are " + ", ".join(known)
    rule = f"named after a {what} of the shapes; {choice}"
    return f"Invalid section [{section}.{name}]. Must be {rule}."
