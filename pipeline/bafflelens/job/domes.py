# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job says of how domes plausibly move: ``[domes.<source>]``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from bafflelens.base.errors import GeometryError, InputError, invalid
from bafflelens.job.sections import Job
from bafflelens.job.solve_sections import NOMINAL_TOLERANCE, DomeSection
from bafflelens.mesh.dome_motions import DomeFamily, DomeMember, draw_members
from bafflelens.mesh.dome_profiles import profiles_of
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mesh.surface_tables import read_velocity_table
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape


def read_domes(
    job: Job, folder: Path, copies: Mapping[str, Path]
) -> tuple[dict[str, DomeFamily], dict[str, Path], list[str]]:
    """Return the families of a job by source, the files they name by key, and the faults.

    Parameters
    ----------
    job : Job
        The job.
    folder : Path
        What its paths are relative to.
    copies : mapping of str to Path
        Text tables by key that stand for those that the job names.
    """
    families: dict[str, DomeFamily] = {}
    tables: dict[str, Path] = {}
    faults: list[str] = []
    highest = float(job.frequencies.frequencies_hz[-1])
    for name, section in job.domes.items():
        further: list[DomeMember] = []
        if section.velocity_table is not None:
            key = f"domes.{name}.velocity_table"
            tables[key] = copies.get(key, folder / section.velocity_table)
            try:
                table = read_velocity_table(tables[key])
            except InputError as error:
                faults += [f"key '{key}': {fault}" for fault in error.faults]
                continue
            last = float(table.frequencies_hz[-1])
            if last < highest * (1 - NOMINAL_TOLERANCE):
                rule = f"a table up to the highest frequency solved, {highest:.0f} Hz"
                faults.append(invalid(f"key '{key}'", f"{tables[key]} up to {last:g} Hz", rule))
            further.append(DomeMember(table=table))
        if name in job.sources and job.sources[name].velocity_table is not None:
            rule = "left out where [sources] gives a velocity table: that is how the dome moves"
            faults.append(f"Invalid section [domes.{name}]. Must be {rule}.")
        families[name] = _family(section, further)
    return families, tables, faults


def _family(section: DomeSection, further: Sequence[DomeMember]) -> DomeFamily:
    drawn = draw_members(section.effects, section.ranges, section.members, section.seed)
    profiles = profiles_of(rocking="rocking" in section.effects)
    return DomeFamily(profiles=profiles, members=(*drawn, *further))


def dome_faults(families: Mapping[str, DomeFamily], shapes: Sequence[Shape]) -> Iterable[str]:
    """Yield what does not fit between families and the sources of the shapes."""
    try:
        motions = {m.name: m for shape in shapes for m in source_motions(shape, {})}
    except GeometryError:
        return  # said where the sources are read
    planes = {axis for shape in shapes for axis in shape.symmetry}
    for name, family in families.items():
        if name not in motions:
            rule = "named after a source of the shapes; there are " + ", ".join(motions)
            yield f"Invalid section [domes.{name}]. Must be {rule}."
            continue
        radius_mm = 1e3 * motions[name].inner_radius_m
        for member in family.members:
            if member.table is None:
                continue
            last_mm = 1e3 * float(member.table.radii_m[-1])
            if last_mm > radius_mm * (1 + 1e-6):
                key = f"key 'domes.{name}.velocity_table'"
                rule = f"within the dome, whose radius is {radius_mm:g} mm"
                yield invalid(key, f"a profile out to {last_mm:g} mm", rule)
        if any(profile.kind == "rocking" for profile in family.profiles) and "z" in planes:
            rule = "without 'rocking' where z = 0 is a mirror plane: the dome tilts up and down"
            yield f"Invalid section [domes.{name}]. Must be {rule}."


def with_profiles(
    motions: Sequence[SourceMotion], families: Mapping[str, DomeFamily]
) -> tuple[SourceMotion, ...]:
    """Return motions, and after them the profiles of those that have a family.

    A profile is named ``source/profile``.
    """
    further = [
        replace(motion, name=f"{motion.name}/{kind.kind}{kind.order or ''}", profile=kind)
        for motion in motions
        if motion.name in families
        for kind in families[motion.name].profiles
    ]
    return (*motions, *further)
