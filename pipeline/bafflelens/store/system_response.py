# SPDX-License-Identifier: GPL-3.0-or-later
"""What the candidates of a run sound like: their sources summed as the job says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from bafflelens.base.conventions import ComplexArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.crossover import accelerations, owner_of
from bafflelens.directivity.dome_mixtures import (
    as_sources,
    dome_radius_m,
    has_profiles,
    mixed_by,
    mixing,
    without_profiles,
)
from bafflelens.directivity.far_field_data import in_directions
from bafflelens.directivity.interpolated import shown
from bafflelens.directivity.lobe import Meeting, find_meeting
from bafflelens.directivity.loudspeaker import play, strengths_of
from bafflelens.job.job_file import LoadedJob
from bafflelens.mesh.dome_motions import member_shares
from bafflelens.store import RunFolder

if TYPE_CHECKING:
    import xarray as xr


def played(folder: RunFolder, loaded: LoadedJob, dataset: xr.Dataset) -> xr.Dataset:
    """Return a candidate's directivity as it plays, with one source, where it is shown.

    Parameters
    ----------
    folder : RunFolder
        The run, which holds the plates that drivers were measured in.
    loaded : LoadedJob
        Says how the sources are driven.
    dataset : xarray.Dataset
        What was solved, at 1 m/s^2 for each source; interpolated here if that is to be.

    Raises
    ------
    InputError
        If a plate is missing, or as in `bafflelens.directivity.loudspeaker.play`.
    """
    return play(shown(without_profiles(dataset)), loaded.loudspeaker, plates_of(folder, loaded))


def members_played(
    folder: RunFolder, loaded: LoadedJob, dataset: xr.Dataset, directions: IntArray | None = None
) -> Iterator[xr.Dataset]:
    """Yield a candidate's directivity as it plays with each plausible motion of its domes.

    Parameters
    ----------
    folder, loaded, dataset
        As in `played`. Nothing is yielded where no profiles were solved.
    directions : array of int, optional
        Numbers of the directions that are needed; all if left out, and where a crossover needs
        them all.
    """
    if not has_profiles(dataset) or not loaded.boundaries.families:
        return
    plates = plates_of(folder, loaded)
    everything = shown(as_sources(dataset))
    if directions is not None and loaded.loudspeaker.crossover is None:
        everything = in_directions(everything, directions)
    for weights in member_mixings(loaded, dataset, everything):
        yield play(mixed_by(everything, weights), loaded.loudspeaker, plates)


def member_mixings(
    loaded: LoadedJob, dataset: xr.Dataset, everything: xr.Dataset
) -> Iterator[ComplexArray]:
    """Yield what each plausible motion of the domes is mixed of, as `dome_mixtures.mixing` does.

    Parameters
    ----------
    loaded : LoadedJob
        Says what the motions are.
    dataset : xarray.Dataset
        What was solved, with profiles.
    everything : xarray.Dataset
        The same with profiles as sources, where it is shown.
    """
    families = loaded.boundaries.families
    sources = [str(name) for name in dataset["source"].values]
    profiles = [str(name) for name in dataset["profile"].values]
    domes = {name: dome_radius_m(dataset, name) for name in families if name in sources}
    frequency = everything["frequency"].values
    for number in range(max(len(families[name].members) for name in domes)):
        shares: dict[str, ComplexArray] = {}
        for name, radius_m in domes.items():
            family = families[name]
            member = family.members[number % len(family.members)]
            rows, _ = member_shares(member, family.profiles, radius_m, frequency)
            own = [known for known in profiles if known.partition("/")[0] == name]
            shares |= dict(zip(own, rows, strict=True))
        yield mixing(everything, sources, shares)


def driver_strengths(
    folder: RunFolder, loaded: LoadedJob, dataset: xr.Dataset
) -> ComplexArray | None:
    """Return the acceleration of each source at the rated voltage; None if none is needed."""
    crossover = loaded.loudspeaker.crossover
    if crossover is None or crossover.mode != "electrical":
        return None
    return strengths_of(shown(dataset), loaded.loudspeaker, plates_of(folder, loaded))


def accelerations_as_played(
    folder: RunFolder, loaded: LoadedJob, dataset: xr.Dataset, only: str = ""
) -> ComplexArray:
    """Return the acceleration of each source at the solved frequencies, as the job plays it.

    Parameters
    ----------
    folder, loaded, dataset
        As in `played`.
    only : str
        Name of the only source that moves, at 1 m/s^2; empty for what the job says.

    Returns
    -------
    (n_sources, n_frequencies) complex array
        In m/s^2, for exp(-i omega t); NaN where it is not known.

    Raises
    ------
    InputError
        If there are several sources and nothing says how they are driven, or no such source.
    """
    names = [str(name) for name in dataset["source"].values]
    ones = np.ones((len(names), dataset.sizes["frequency"]), dtype=complex)
    if only:
        if only not in names:
            raise InputError(invalid("source", only, "one of " + ", ".join(names)))
        return np.asarray(ones * (np.array(names) == only)[:, np.newaxis])
    loudspeaker = loaded.loudspeaker
    if loudspeaker.crossover is not None and len(names) > 1:
        strengths = None
        if loudspeaker.crossover.mode == "electrical":
            strengths = strengths_of(dataset, loudspeaker, plates_of(folder, loaded))
        return accelerations(dataset, loudspeaker.crossover, strengths)
    if len(names) > 1:
        rule = "named with --source, or driven through a crossover of the job: there are several"
        raise InputError(invalid("sources", ", ".join(names), rule))
    if loudspeaker.is_absolute and not missing_plates(folder, loaded):
        owners = {known.driver.name for known in loudspeaker.drivers}
        if owner_of(names[0], owners):
            return strengths_of(dataset, loudspeaker, plates_of(folder, loaded))
    return ones


def meeting_of(folder: RunFolder, loaded: LoadedJob, dataset: xr.Dataset) -> Meeting | None:
    """Return where the ways of a candidate meet, and each of them by itself.

    None where it has one way, or the ways do not meet in the solved band.
    """
    crossover = loaded.loudspeaker.crossover
    if crossover is None:
        return None
    dataset = shown(dataset)
    return find_meeting(dataset, crossover, driver_strengths(folder, loaded, dataset))


def plates_of(folder: RunFolder, loaded: LoadedJob) -> dict[str, xr.Dataset]:
    """Return the solved plates that drivers were measured in, by id, as they are shown."""
    needed = sorted(loaded.loudspeaker.plates) if loaded.loudspeaker.is_absolute else ()
    return {
        name: shown(folder.load_directivity(name))
        for name in needed
        if folder.has_directivity(name)
    }


def missing_plates(folder: RunFolder, loaded: LoadedJob) -> list[str]:
    """Return the plates that must still be solved before a candidate can be judged."""
    if not loaded.loudspeaker.is_absolute:
        return []
    return sorted(name for name in loaded.loudspeaker.plates if not folder.has_directivity(name))
