# SPDX-License-Identifier: GPL-3.0-or-later
"""Profiles of domes in a directivity dataset, and the mixtures of them that are judged.

Profiles are sources of a kind of their own: they have the dimension ``profile`` beside ``source``,
so that whatever reads a dataset finds the rigid sources as ever.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bafflelens.base.conventions import ComplexArray
from bafflelens.directivity.far_field_data import complex_variables, described, far_field
from bafflelens.directivity.source_sums import power_matrix

if TYPE_CHECKING:
    import xarray as xr

_DIMENSIONS = ("profile", "moving", "moving_b")


def has_profiles(dataset: xr.Dataset) -> bool:
    """Tell whether profiles of domes were solved besides the sources."""
    return "profile" in dataset.dims


def without_profiles(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset of the sources as such."""
    return dataset.drop_dims([name for name in _DIMENSIONS if name in dataset.dims])


def as_sources(dataset: xr.Dataset) -> xr.Dataset:
    """Return a dataset in which profiles come after the sources as if they were some."""
    profiles = [str(name) for name in dataset["profile"].values]
    owners = [_owner_number(dataset, name) for name in profiles]
    parts = [dataset[f"profile_far_field_{part}"].values for part in ("real", "imag")]
    field = np.concatenate([far_field(dataset).values, parts[0] + 1j * parts[1]])
    power = dataset["profile_power_real"].values + 1j * dataset["profile_power_imag"].values
    centres = dataset["source_centre_m"].transpose("source", "axis").values
    names = np.array([*map(str, dataset["source"].values), *profiles])
    kept = without_profiles(dataset).drop_dims(
        [name for name in ("source", "source_b", "microphone") if name in dataset.dims]
    )
    result = kept.assign_coords(source=("source", names), source_b=("source_b", names)).assign(
        complex_variables(field, power.transpose(1, 2, 0))
        | {"source_centre_m": (("source", "axis"), np.concatenate([centres, centres[owners]]))}
    )
    return described(result)


def mixed(
    everything: xr.Dataset, sources: Sequence[str], shares: dict[str, ComplexArray]
) -> xr.Dataset:
    """Return the sources with their profiles mixed in.

    Parameters
    ----------
    everything, sources, shares
        As in `mixing`.
    """
    return mixed_by(everything, mixing(everything, sources, shares))


def mixing(
    everything: xr.Dataset, sources: Sequence[str], shares: dict[str, ComplexArray]
) -> ComplexArray:
    """Return what each source and profile has in each source as it moves.

    Parameters
    ----------
    everything : xarray.Dataset
        From `as_sources`, where it is shown.
    sources : sequence of str
        Names of the sources as such.
    shares : dict of str to (n_frequencies,) array
        What each profile has in its source's motion; one that is left out has no share.

    Returns
    -------
    (n_sources, n_sources_and_profiles, n_frequencies) complex array
        1 for the source itself.
    """
    names = [str(name) for name in everything["source"].values]
    n_frequencies = everything.sizes["frequency"]
    weights = np.zeros((len(sources), len(names), n_frequencies), dtype=complex)
    for number, source in enumerate(sources):
        weights[number, names.index(source)] = 1
    for name, values in shares.items():
        weights[sources.index(name.partition("/")[0]), names.index(name)] = values
    return weights


def mixed_by(everything: xr.Dataset, weights: ComplexArray) -> xr.Dataset:
    """Return the sources that a `mixing` makes of everything."""
    field = np.einsum("smf,mfd->sfd", weights, far_field(everything).values)
    power = np.einsum("smf,fmn,tnf->stf", weights.conj(), power_matrix(everything), weights)
    first = everything.isel(source=slice(len(weights)), source_b=slice(len(weights)))
    return first.assign(complex_variables(field, power))


def dome_radius_m(dataset: xr.Dataset, source: str) -> float:
    """Return the radius of a source's dome in m."""
    names = [str(name).partition("/")[0] for name in dataset["profile"].values]
    return float(dataset["profile_radius_m"].values[names.index(source)])


def _owner_number(dataset: xr.Dataset, profile: str) -> int:
    sources = [str(name) for name in dataset["source"].values]
    return sources.index(profile.partition("/")[0])
