# SPDX-License-Identifier: GPL-3.0-or-later
"""The directivity dataset: what a solved candidate sounds like in every direction.

One dataset holds one candidate, all sources, all frequencies. Units and names are attached here
and nowhere earlier.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import (
    REFERENCE_AXIS,
    REFERENCE_POINT,
    TIME_CONVENTION,
    ComplexArray,
    FloatArray,
    IntArray,
)
from bafflelens.base.errors import StoreError, invalid
from bafflelens.base.medium import Air
from bafflelens.base.netcdf import read_dataset, write_dataset
from bafflelens.base.status import Status
from bafflelens.directivity.direction_set import SPHERE_STEP_DEG, DirectionSet

if TYPE_CHECKING:  # it loads the solver, which a ranking does without
    import xarray as xr

    from bafflelens.bem.sweep import BandResult

SOURCE_ACCELERATION: Final = "1 m/s^2 along each source's own axis"

_PER_FREQUENCY: Final = {
    "status": ("", "What became of the frequency: solved or failed"),
    "reason": ("", "Why it failed, or a remark"),
    "iterations": ("1", "Iterations of the linear solver, 0 for a direct solve"),
    "residual": ("1", "Relative residual of the linear system"),
    "start_residual": ("1", "That of the first guess, before any iteration; 1 without one"),
    "earlier_shapes": ("1", "Shapes before whose answers on the same mesh were the first guess"),
    "seconds": ("s", "Wall time"),
    "unknowns": ("1", "Size of the linear system"),
    "power_balance": ("1", "Power through the surface over power in the far field"),
}
_TEXT: Final = ("status", "reason")
_NEEDED: Final = (
    "source",
    "source_b",
    "frequency",
    "azimuth_deg",
    "elevation_deg",
    "weight_sr",
    "far_field_real",
    "far_field_imag",
    "cross_power_real",
    "cross_power_imag",
    *_TEXT,
)


def assemble_dataset(
    direction_set: DirectionSet,
    band_results: Sequence[BandResult],
    source_names: Sequence[str],
    *,
    air: Air,
    mesh_info: Mapping[str, str | int | float],
    engine: str,
    versions: Mapping[str, str],
    microphones_m: Sequence[float] = (),
    source_centres: FloatArray | None = None,
    profiles: Mapping[str, float] | None = None,
) -> xr.Dataset:
    """Join the bands of one candidate into its directivity dataset.

    Parameters
    ----------
    direction_set : DirectionSet
        The directions that the bands were evaluated in.
    band_results : sequence of BandResult
        In any order; no frequency twice.
    source_names : sequence of str
        One a source, in the order of the band results.
    air : Air
        The air that was solved for.
    mesh_info : mapping
        What to record about the meshes; each key becomes the attribute ``mesh_<key>``.
    engine : str
        Name of the solver's engine.
    versions : mapping
        Version of each program by name; each becomes the attribute ``version_<name>``.
    microphones_m : sequence of float
        Distances of the microphones on the axis, if the bands have their pressure, in m.
    source_centres : (n_sources, 3) array, optional
        Middle of each source's rim in m; the origin if left out.
    profiles : mapping of str to float, optional
        What the band results have after the sources: profiles of domes by name, with the radius
        of their dome in m (see `bafflelens.directivity.dome_mixtures`).

    Returns
    -------
    xarray.Dataset
        Dimensions ``source``, ``source_b``, ``frequency`` (Hz, rising) and ``direction``.
        ``far_field_real`` and ``far_field_imag`` (Pa.m for 1 m/s^2) are kept in single
        precision, 5e-7 dB, so that a dataset reads back from its file exactly as it was.

    Raises
    ------
    ValueError
        If bands, sources and directions do not fit together.
    """
    import xarray as xr

    if not band_results:
        msg = invalid("band results", "()", "at least one band")
        raise ValueError(msg)
    profiles, n_sources = profiles or {}, len(source_names)
    expected = (n_sources + len(profiles), direction_set.n_directions)
    for band in band_results:
        found = (band.far_field.shape[0], band.far_field.shape[2])
        if found != expected:
            msg = invalid("band result of (sources, directions)", found, f"{expected}")
            raise ValueError(msg)
    frequency = np.concatenate([band.frequencies_hz for band in band_results])
    if len(np.unique(frequency)) != len(frequency):
        doubled = sorted({float(f) for f in frequency if np.sum(frequency == f) > 1})
        msg = invalid("frequencies of the bands", doubled, "in one band each")
        raise ValueError(msg)

    rising = np.argsort(frequency)
    far_field = np.concatenate([band.far_field for band in band_results], axis=1)[:, rising]
    cross_power = np.concatenate([band.cross_power for band in band_results], axis=0)[rising]
    sources_power = cross_power[:, :n_sources, :n_sources]
    outcomes = [outcome for band in band_results for outcome in band.outcomes]
    records = {
        name: ("frequency", np.array([getattr(outcomes[i], name) for i in rising]))
        for name in _PER_FREQUENCY
    }
    attributes: dict[str, str | int | float] = {
        "source_acceleration": SOURCE_ACCELERATION,
        "time_convention": TIME_CONVENTION,
        "reference_axis": REFERENCE_AXIS,
        "reference_point": REFERENCE_POINT,
        "air_temperature_c": air.temperature_c,
        "air_relative_humidity_pct": air.relative_humidity_pct,
        "air_pressure_pa": air.pressure_pa,
        "air_sound_speed_m_s": air.sound_speed,
        "air_density_kg_m3": air.density,
        "sphere_step_deg": SPHERE_STEP_DEG,
        "engine": engine,
    }
    attributes |= {f"mesh_{key}": value for key, value in mesh_info.items()}
    attributes |= {f"version_{name}": version for name, version in versions.items()}
    centres = np.zeros((len(source_names), 3)) if source_centres is None else source_centres
    dataset = xr.Dataset(
        data_vars={
            **complex_variables(far_field[:n_sources], sources_power.transpose(1, 2, 0)),
            **records,
            "source_centre_m": (("source", "axis"), np.asarray(centres, dtype=float)),
        },
        coords={
            "source": ("source", np.array(source_names, dtype=str)),
            "source_b": ("source_b", np.array(source_names, dtype=str)),
            "frequency": ("frequency", frequency[rising]),
            "azimuth_deg": ("direction", direction_set.azimuth_deg),
            "elevation_deg": ("direction", direction_set.elevation_deg),
            "weight_sr": ("direction", direction_set.weight),
        },
        attrs=attributes,
    )
    if microphones_m and all(band.microphone_pressure.size for band in band_results):
        pressure = np.concatenate([band.microphone_pressure for band in band_results], axis=1)
        dataset = with_microphones(dataset, pressure[:n_sources, rising], microphones_m)
    if all(band.load.size for band in band_results):
        load = np.concatenate([band.load for band in band_results], axis=0)[rising]
        load = load[:, :n_sources, :n_sources]
        dataset = with_load(dataset, load.transpose(1, 2, 0))
    if profiles:
        dataset = add_profiles(
            dataset, far_field[n_sources:], cross_power, list(profiles), list(profiles.values())
        )
    return described(dataset)


def save(dataset: xr.Dataset, path: Path) -> None:
    """Write a dataset to ``path`` (netCDF-4): a temporary name first, then renamed.

    Raises
    ------
    StoreError
        If ``path`` exists (results are never overwritten) or cannot be written.
    """
    if path.exists():
        msg = invalid("result file", path, "a new name: results are never overwritten")
        raise StoreError(msg)
    temporary = path.with_name(path.name + ".part")
    try:
        write_dataset(dataset, temporary)
        temporary.replace(path)
    except OSError as error:
        msg = invalid("result file", path, f"in a folder that can be written ({error})")
        raise StoreError(msg) from error
    finally:
        temporary.unlink(missing_ok=True)


def load(path: Path) -> xr.Dataset:
    """Read a dataset that `save` has written, whole, into memory.

    Raises
    ------
    StoreError
        If the file is missing, cut short or no directivity dataset.
    """
    dataset = read_dataset(path)
    missing = [name for name in _NEEDED if name not in dataset.variables]
    if missing:
        rule = f"a directivity dataset saved by bafflelens (it lacks {', '.join(missing)})"
        msg = invalid("result file", path, rule)
        raise StoreError(msg)
    return dataset


def in_directions(dataset: xr.Dataset, directions: IntArray) -> xr.Dataset:
    """Return a directivity dataset in some of its directions, given by number.

    Selecting by an array, xarray asks a scheduler whether the array is one of its own, and
    loads it for that: a quarter of a second of a command that has no other use for it.
    """
    import xarray as xr

    def chosen(variable: xr.Variable) -> xr.Variable:
        if "direction" not in variable.dims:
            return variable
        values = variable.values.take(directions, axis=variable.dims.index("direction"))
        return xr.Variable(variable.dims, values, variable.attrs, fastpath=True)

    variables = {name: chosen(variable) for name, variable in dataset.variables.items()}
    beside = {name: variables.pop(name) for name in dataset.coords}
    coordinates = xr.Coordinates(beside, indexes=dict(dataset.xindexes))
    return xr.Dataset(variables, coordinates, dataset.attrs)


def far_field(dataset: xr.Dataset) -> xr.DataArray:
    """Return the complex far field, (source, frequency, direction), in Pa.m for 1 m/s^2."""
    real, imaginary = dataset["far_field_real"], dataset["far_field_imag"].values
    field = real.copy(data=real.values.astype(float) + 1j * imaginary.astype(float))
    return field.rename("far_field").assign_attrs(units="Pa.m", long_name="Far field for 1 m/s^2")


def microphone_pressure(dataset: xr.Dataset, distance_m: float) -> ComplexArray | None:
    """Return the pressure on the axis at a distance, for 1 m/s^2.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    distance_m : float
        From the reference point, in m.

    Returns
    -------
    (n_frequencies,) complex array or None
        In Pa; None if it was not asked for when the shape was solved.
    """
    if "microphone_m" not in dataset.coords:
        return None
    where = np.flatnonzero(np.isclose(dataset["microphone_m"].values, distance_m))
    if not where.size:
        return None
    chosen = dataset.isel(source=0, microphone=int(where[0]))
    return np.asarray(
        chosen["microphone_pressure_real"].values + 1j * chosen["microphone_pressure_imag"].values
    )


def source_named(dataset: xr.Dataset, name: str) -> xr.Dataset:
    """Return a directivity dataset with only one of the sources, at 1 m/s^2."""
    number = [str(source) for source in dataset["source"].values].index(name)
    return dataset.isel(source=[number], source_b=[number])


def is_solved(dataset: xr.Dataset) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which frequencies were solved, (n_frequencies,) bool."""
    return np.asarray(dataset.variables["status"].values == Status.SOLVED)


def solved_part(dataset: xr.Dataset) -> xr.Dataset:
    """Return a dataset at the frequencies that were solved, unchanged if all were.

    To choose some loads a scheduler, which takes longer than all else that is done with them.
    """
    solved = is_solved(dataset)
    return dataset if solved.all() else dataset.isel(frequency=solved)


def solved_frequencies(dataset: xr.Dataset) -> FloatArray:
    """Return the frequencies that were solved, also of an interpolated dataset, in Hz."""
    solved = dataset["frequency"].values[is_solved(dataset)]
    return np.asarray(dataset.attrs.get("solved_frequency_hz", solved), dtype=float)


def impedance(dataset: xr.Dataset) -> float:
    """Return the characteristic impedance of the dataset's air in Pa s/m."""
    return float(dataset.attrs["air_density_kg_m3"] * dataset.attrs["air_sound_speed_m_s"])


def with_microphones(
    dataset: xr.Dataset, pressure: ComplexArray, microphones_m: Sequence[float] | FloatArray
) -> xr.Dataset:
    """Return the dataset with the pressure at microphones on the axis."""
    dims = ("source", "frequency", "microphone")
    parts = {"real": ("Real", pressure.real), "imag": ("Imaginary", pressure.imag)}
    distance = {"units": "m", "long_name": "Distance of the microphone on the axis"}
    return dataset.assign(
        {
            f"microphone_pressure_{part}": (
                dims,
                values,
                {"units": "Pa", "long_name": f"{word} part of the pressure there for 1 m/s^2"},
            )
            for part, (word, values) in parts.items()
        }
    ).assign_coords(microphone_m=("microphone", np.array(microphones_m, dtype=float), distance))


def with_load(dataset: xr.Dataset, load: ComplexArray) -> xr.Dataset:
    """Return the dataset with the radiation impedance of the sources."""
    dims = ("source", "source_b", "frequency")
    subject = "force on source over velocity of source_b, weighted by the motion"
    parts = {
        "load_resistance": (load.real, f"Radiation resistance: {subject}"),
        "load_reactance": (-load.imag, f"Radiation reactance, a mass is positive: {subject}"),
    }
    return dataset.assign(
        {
            name: (dims, values, {"units": "N s/m", "long_name": text})
            for name, (values, text) in parts.items()
        }
    )


def add_profiles(
    dataset: xr.Dataset,
    field: ComplexArray,
    power: ComplexArray,
    names: Sequence[str],
    radii_m: Sequence[float],
) -> xr.Dataset:
    """Return a dataset of sources with their profiles.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset of the sources as such.
    field : (n_profiles, n_frequencies, n_directions) complex array
        Far field of each profile in Pa.m.
    power : (n_frequencies, n, n) complex array
        Power matrix of sources and profiles in W, in this order.
    names : sequence of str
        ``source/profile`` of each.
    radii_m : sequence of float
        Radius of each one's dome in m.
    """
    dims = ("profile", "frequency", "direction")
    power_dims = ("frequency", "moving", "moving_b")
    parts = {"real": np.real, "imag": np.imag}
    added = {}
    for part, of in parts.items():
        text = f"{part} part, profile of a dome for 1 m/s^2"
        added[f"profile_far_field_{part}"] = (
            dims,
            of(field).astype(np.float32),
            {"units": "Pa.m", "long_name": f"Far field, {text}"},
        )
        added[f"profile_power_{part}"] = (
            power_dims,
            of(power),
            {"units": "W", "long_name": f"Power matrix of sources and profiles, {part} part"},
        )
    radius = {"units": "m", "long_name": "Radius of the profile's dome"}
    return dataset.assign(added).assign_coords(
        profile=("profile", np.array(names, dtype=str)),
        profile_radius_m=("profile", np.asarray(radii_m, dtype=float), radius),
    )


def complex_variables(
    field: ComplexArray, cross_power: ComplexArray
) -> dict[str, tuple[tuple[str, ...], FloatArray]]:
    """Return far field and power matrix as the real variables that a netCDF file can hold."""
    field_dims = ("source", "frequency", "direction")
    power_dims = ("source", "source_b", "frequency")
    return {
        "far_field_real": (field_dims, field.real.astype(np.float32)),
        "far_field_imag": (field_dims, field.imag.astype(np.float32)),
        "cross_power_real": (power_dims, cross_power.real),
        "cross_power_imag": (power_dims, cross_power.imag),
    }


def described(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset with units and long names on everything."""
    part = {"real": "Real", "imag": "Imaginary"}
    meaning = {
        "frequency": ("Hz", "Frequency"),
        "azimuth_deg": ("degree", "Azimuth, positive to the loudspeaker's left"),
        "elevation_deg": ("degree", "Elevation, positive up"),
        "weight_sr": ("sr", "Quadrature weight over the sphere"),
        "source": ("", "Source"),
        "source_b": ("", "Source"),
        "source_centre_m": ("m", "Middle of the source's rim: x, y, z"),
        **_PER_FREQUENCY,
    }
    for suffix, word in part.items():
        meaning[f"far_field_{suffix}"] = (
            "Pa.m",
            f"{word} part of the far field for 1 m/s^2: p = value exp(ikr)/r",
        )
        meaning[f"cross_power_{suffix}"] = (
            "W",
            f"{word} part of the power matrix of the sources for 1 m/s^2 each",
        )
    for name, (units, long_name) in meaning.items():
        if name in dataset.variables:  # an interpolated dataset has nothing of single solves
            dataset[name].attrs = {"units": units, "long_name": long_name}
    return dataset
