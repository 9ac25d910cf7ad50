# SPDX-License-Identifier: GPL-3.0-or-later
"""Directivity datasets that are solved where needed and shown at the frequencies of ISO 3 R80.

The file of a candidate holds the frequencies that were solved. Where these were chosen as
needed, it also says at which frequencies results are shown, and what the interpolation may be
off by there; `shown` makes the dataset that maps, criteria and sums are to use.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, direction_vectors
from bafflelens.base.status import Status
from bafflelens.directivity.far_field_data import (
    complex_variables,
    described,
    far_field,
    impedance,
    is_solved,
    with_load,
    with_microphones,
)
from bafflelens.directivity.frequency_interpolation import (
    LEAST_FREQUENCIES,
    Interpolated,
    further_frequencies,
    interpolate,
    interpolate_power,
    weights_between,
)
from bafflelens.directivity.radiation_impedance import radiation_impedance
from bafflelens.directivity.source_sums import power_matrix

if TYPE_CHECKING:
    import xarray as xr

_SOLVED: Final = Status.SOLVED
_FAILED: Final = Status.FAILED
_ERRORS: Final = {
    "interpolation_error_db": "in front (within 90 degrees of the axis)",
    "interpolation_error_behind_db": "behind",
}
_STATED: Final = "interpolation_stated_db"


def with_shown_frequencies(
    dataset: xr.Dataset,
    shown_hz: Sequence[float] | FloatArray,
    stated_error_db: float | Sequence[float],
) -> xr.Dataset:
    """Return a dataset that says where it is to be shown and how far off that may be.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset as solved.
    shown_hz : (n_shown,) array
        Frequencies to show, rising, in Hz.
    stated_error_db : float or (n_shown,) sequence of float
        What the interpolation may be off by, in dB.

    Returns
    -------
    xarray.Dataset
        With the coordinate ``shown_frequency`` and, over it, ``interpolation_error_db`` (in
        front) and ``interpolation_error_behind_db``; NaN where there is no telling.
    """
    wanted = np.asarray(shown_hz, dtype=float)
    frequency = {"units": "Hz", "long_name": "Frequencies of the shown result"}
    errors = np.full((2, len(wanted)), np.nan)
    inside = _within(dataset, wanted)
    if inside.any():
        found = _interpolation(dataset, wanted[inside])
        errors[:, inside] = found.error_db, found.error_behind_db
    variables = {
        name: (
            "shown_frequency",
            error,
            {"units": "dB", "long_name": f"Estimated interpolation error {where}"},
        )
        for (name, where), error in zip(_ERRORS.items(), errors, strict=True)
    }
    stated = np.broadcast_to(np.asarray(stated_error_db, dtype=float), wanted.shape)
    smallest = float(stated.min(initial=np.inf)) if wanted.size else 0.0
    if np.any(stated > smallest):
        meaning = {"units": "dB", "long_name": "Interpolation error that is stated"}
        variables[_STATED] = ("shown_frequency", stated, meaning)
    return dataset.assign(variables).assign_coords(
        shown_frequency=("shown_frequency", wanted, frequency)
    ).assign_attrs(interpolation_stated_error_db=smallest)  # fmt: skip


def frequencies_to_add(
    dataset: xr.Dataset, shown_hz: Sequence[float] | FloatArray, allowed_db: float
) -> tuple[float, ...]:
    """Return where to solve more, in Hz: in steps that may be off by more than is allowed.

    A frequency that failed is never returned again, but its neighbourhood may be.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset as solved.
    shown_hz : (n_shown,) array
        Frequencies to show, rising, in Hz.
    allowed_db : float
        What is allowed, in dB.
    """
    wanted = np.asarray(shown_hz, dtype=float)
    wanted = wanted[_within(dataset, wanted)]
    if not wanted.size:
        return ()
    found = _interpolation(dataset, wanted)
    more = further_frequencies(dataset["frequency"].values, wanted, found, allowed_db)
    return tuple(float(frequency) for frequency in more)


def interpolation_text(dataset: xr.Dataset) -> str:
    """Return what the interpolation may be off by, in words; empty where there is none.

    Parameters
    ----------
    dataset : xarray.Dataset
        As read from the file of a candidate, or as `shown` gives it.
    """
    if "interpolation_error_db" not in dataset:
        return ""
    front, behind = (_largest(dataset, name) for name in _ERRORS)
    stated_db = _stated_at(dataset, front[1])
    return (
        f"interpolation error at most {front[0]:.2f} dB within 90 degrees of the axis "
        f"(at {front[1]:.0f} Hz; {stated_db:g} dB stated), {behind[0]:.2f} dB behind"
    )


def interpolation_warning(dataset: xr.Dataset) -> str:
    """Return a line where the interpolation may be off by more than is stated; else empty."""
    if "interpolation_error_db" not in dataset:
        return ""
    error_db, at_hz = _largest(dataset, "interpolation_error_db", above=_stated_db(dataset))
    stated_db = _stated_at(dataset, at_hz)
    if not error_db > stated_db:
        return ""
    return (
        f"between the solved frequencies the level may be off by {error_db:.1f} dB at "
        f"{at_hz:.0f} Hz, more than the {stated_db:g} dB stated"
    )


def is_interpolated(dataset: xr.Dataset) -> bool:
    """Tell whether a dataset is what `shown` has made between solved frequencies."""
    return "solved_frequency_hz" in dataset.attrs


def shown(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset that results are shown and judged from.

    Parameters
    ----------
    dataset : xarray.Dataset
        As read from the file of a candidate.

    Returns
    -------
    xarray.Dataset
        The same, unless it has a coordinate ``shown_frequency``. Then ``frequency`` is that:
        far field and power are interpolated, ``interpolation_error_db`` and
        ``interpolation_error_behind_db`` say how far off that may be, the attribute
        ``solved_frequency_hz`` says what was solved, and what belongs to a solve alone
        (iterations, unknowns ...) is left out. The status is ``failed`` beyond what was solved,
        and next to a frequency that failed unless its neighbours make up for it.
    """
    if "shown_frequency" not in dataset.coords:
        return dataset
    wanted = dataset["shown_frequency"].values
    status, reason = _status(dataset, wanted)
    n_sources = dataset.sizes["source"]
    field = np.full((n_sources, len(wanted), dataset.sizes["direction"]), np.nan, dtype=complex)
    power = np.full((len(wanted), n_sources, n_sources), np.nan, dtype=complex)
    good = status == _SOLVED
    if good.any():
        field[:, good] = _interpolation(dataset, wanted[good]).far_field
        power[good] = _power(dataset, wanted[good], field[:, good])
    solved_hz = dataset["frequency"].values[is_solved(dataset)]
    kept = dataset.drop_dims(("frequency", "shown_frequency"))
    by_frequency = {
        "status": ("frequency", status),
        "reason": ("frequency", reason),
        **{name: ("frequency", dataset[name].values, dataset[name].attrs) for name in _ERRORS},
    }
    if _STATED in dataset:
        stated = dataset[_STATED]
        by_frequency[_STATED] = ("frequency", stated.values, stated.attrs)
    result = kept.assign_coords(frequency=("frequency", wanted)).assign(
        complex_variables(field, power.transpose(1, 2, 0)) | by_frequency
    )
    result = described(result.assign_attrs(solved_frequency_hz=solved_hz))
    return _with_further(dataset, result, good)


def weights_where_solved(dataset: xr.Dataset, weights: ComplexArray) -> ComplexArray:
    """Take weights on the far field as shown back to the far field as solved.

    Parameters
    ----------
    dataset : xarray.Dataset
        As read from the file of a candidate.
    weights : (n_values, n_sources, n_shown, n_directions) complex array
        On the far field of `shown`, as in `frequency_interpolation.weights_between`.

    Returns
    -------
    (n_values, n_sources, n_frequencies, n_directions) complex array
        On that of the dataset; 0 where a frequency failed.
    """
    if "shown_frequency" not in dataset.coords:
        return weights
    wanted = dataset["shown_frequency"].values
    good = _status(dataset, wanted)[0] == _SOLVED
    shape = (*weights.shape[:2], dataset.sizes["frequency"], weights.shape[3])
    found = np.zeros(shape, dtype=complex)
    if good.any():
        known, delays_s, is_front = _given(dataset)
        found[:, :, known] = weights_between(
            dataset["frequency"].values[known],
            far_field(dataset).values[:, known],
            wanted[good],
            weights[:, :, good],
            delays_s=delays_s,
            is_front=is_front,
        )
    return found


def largest_error_db(dataset: xr.Dataset, *, behind: bool = False) -> float:
    """Return what the interpolation may be off by, at most, in front or behind, in dB.

    NaN where nothing is interpolated, or there is no telling.
    """
    name = list(_ERRORS)[behind]
    return _largest(dataset, name)[0] if name in dataset else float("nan")


def _stated_db(dataset: xr.Dataset) -> FloatArray:
    """Return the error that is stated for each frequency of the estimate, in dB."""
    if _STATED in dataset:
        return np.asarray(dataset[_STATED].values)
    stated = float(dataset.attrs["interpolation_stated_error_db"])
    return np.full(dataset["interpolation_error_db"].shape, stated)


def _stated_at(dataset: xr.Dataset, frequency_hz: float) -> float:
    """Return the error that is stated for a frequency of the estimate, in dB."""
    (dimension,) = dataset["interpolation_error_db"].dims
    here = dataset[dimension].values == frequency_hz
    stated = _stated_db(dataset)
    return float(stated[here][0] if here.any() else stated.min(initial=np.inf))


def _largest(
    dataset: xr.Dataset, name: str, above: FloatArray | float = 0.0
) -> tuple[float, float]:
    """Return the largest error in dB and where it is, in Hz; NaN where there is no telling.

    It is that which is farthest ``above`` what is stated.
    """
    error = dataset[name].values
    (dimension,) = dataset[name].dims
    if not np.isfinite(error).any():
        return float("nan"), float("nan")
    worst = int(np.nanargmax(error - above))
    return float(error[worst]), float(dataset[dimension].values[worst])


def _within(dataset: xr.Dataset, wanted_hz: FloatArray) -> np.ndarray:
    """Return which frequencies lie within those solved; none if these are too few."""
    solved = dataset["frequency"].values[is_solved(dataset)]
    if len(solved) < LEAST_FREQUENCIES:
        return np.zeros(len(wanted_hz), dtype=bool)
    low, high = solved[0] * (1 - 1e-9), solved[-1] * (1 + 1e-9)
    return np.asarray((wanted_hz >= low) & (wanted_hz <= high))


def _interpolation(dataset: xr.Dataset, wanted_hz: FloatArray) -> Interpolated:
    solved, delays_s, is_front = _given(dataset)
    return interpolate(
        dataset["frequency"].values[solved],
        far_field(dataset).values[:, solved],
        wanted_hz,
        delays_s=delays_s,
        is_front=is_front,
    )


def _given(dataset: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what was solved, when sound arrives from each source, and what lies in front."""
    solved = np.flatnonzero(is_solved(dataset))
    directions = direction_vectors(dataset["azimuth_deg"].values, dataset["elevation_deg"].values)
    centres = dataset["source_centre_m"].transpose("source", "axis").values
    delays_s = -centres @ directions.T / dataset.attrs["air_sound_speed_m_s"]
    return solved, delays_s, directions[:, 0] > -1e-9


def _power(dataset: xr.Dataset, wanted_hz: FloatArray, field: ComplexArray) -> ComplexArray:
    solved = np.flatnonzero(is_solved(dataset))
    weight = dataset["weight_sr"].values / (2 * impedance(dataset))

    def on_grid(fields: ComplexArray) -> ComplexArray:
        weighted = np.moveaxis(fields, 1, 0)
        return np.asarray((weighted.conj() * weight) @ weighted.transpose(0, 2, 1))

    return interpolate_power(
        dataset["frequency"].values[solved],
        power_matrix(dataset)[solved],
        wanted_hz,
        grid_power=on_grid(far_field(dataset).values[:, solved]),
        shown_grid_power=on_grid(field),
    )


def _with_further(dataset: xr.Dataset, result: xr.Dataset, good: np.ndarray) -> xr.Dataset:
    """Add load and pressure at microphones, if the dataset has them, to the shown result."""
    solved = np.flatnonzero(is_solved(dataset))
    solved_hz, wanted_hz = dataset["frequency"].values[solved], result["frequency"].values[good]
    n_sources, n_shown = dataset.sizes["source"], result.sizes["frequency"]

    def between(values: ComplexArray, delays_s: FloatArray) -> ComplexArray:
        """Interpolate (n_sources, n_solved, n) values, NaN where nothing is shown."""
        found = np.full((n_sources, n_shown, values.shape[2]), np.nan, dtype=complex)
        if good.any():
            everywhere = np.ones(values.shape[2], dtype=bool)
            found[:, good] = interpolate(
                solved_hz, values, wanted_hz, delays_s=delays_s, is_front=everywhere
            ).far_field
        return found

    if "load_resistance" in dataset:
        load = radiation_impedance(dataset).transpose("source", "frequency", "source_b").values
        load = between(load[:, solved], np.zeros((n_sources, n_sources)))
        result = with_load(result, load.transpose(0, 2, 1))
    if "microphone_m" in dataset.coords:
        parts = [
            dataset[f"microphone_pressure_{part}"].transpose("source", "frequency", "microphone")
            for part in ("real", "imag")
        ]
        pressure = parts[0].values[:, solved] + 1j * parts[1].values[:, solved]
        distance = dataset["microphone_m"].values
        points = distance[:, np.newaxis] * np.array([1.0, 0.0, 0.0])
        centres = dataset["source_centre_m"].transpose("source", "axis").values
        ways = np.linalg.norm(points - centres[:, np.newaxis], axis=2)
        pressure = between(pressure, ways / dataset.attrs["air_sound_speed_m_s"])
        result = with_microphones(result, pressure, distance)
    return result


def _status(dataset: xr.Dataset, wanted_hz: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """Return status and reason at each frequency that is to be shown."""
    tried, solved = dataset["frequency"].values, is_solved(dataset)
    stated_db = _stated_db(dataset)
    error_db = dataset["interpolation_error_db"].values
    inside = _within(dataset, wanted_hz)
    status, reason = [], []
    for frequency, is_inside, error, allowed_db in zip(
        wanted_hz, inside, error_db, stated_db, strict=True
    ):
        if not is_inside:
            status.append(_FAILED)
            reason.append(f"nothing to interpolate between: {_listed(tried[~solved])} failed")
            continue
        between = _failed_between(tried, solved, frequency)
        bridged = error <= allowed_db
        status.append(_SOLVED if not between.size or bridged else _FAILED)
        if not between.size:
            reason.append("")
        elif bridged:
            reason.append(f"interpolated across {_listed(between)}, which failed")
        else:
            reason.append(f"{_listed(between)} failed, which leaves {error:.1f} dB open here")
    return np.array(status), np.array(reason)


def _failed_between(tried: FloatArray, solved: np.ndarray, frequency: float) -> FloatArray:
    """Return the failed frequencies between the solved neighbours of a frequency, in Hz."""
    known = tried[solved]
    upper = int(np.searchsorted(known, frequency * (1 - 1e-9)))
    if upper < len(known) and abs(known[upper] / frequency - 1) < 1e-9:
        return np.empty(0)
    low, high = known[upper - 1], known[upper]
    return np.asarray(tried[(tried > low) & (tried < high)])


def _listed(frequencies_hz: FloatArray) -> str:
    return ", ".join(f"{frequency:.0f}" for frequency in frequencies_hz) + " Hz"
