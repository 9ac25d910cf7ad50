# SPDX-License-Identifier: GPL-3.0-or-later
"""What a directivity dataset says in the trade's terms: polars, beamwidth, directivity index.

Every function takes a dataset with one source (a sum of sources is made one by
`bafflelens.directivity.source_sums.summed`). A frequency that failed is NaN throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.far_field_data import impedance
from bafflelens.directivity.source_sums import power_values, source_sum, source_values

if TYPE_CHECKING:
    import xarray as xr

PLANES: Final = ("horizontal", "vertical")
REFERENCES: Final = ("listening_window", "on_axis", "maximum")

# ANSI/CTA-2034-A section 5.2: nine positions as (azimuth, elevation) in degrees.
LISTENING_WINDOW: Final = (
    (0.0, 0.0),
    *((azimuth, 0.0) for azimuth in (-30.0, -20.0, -10.0, 10.0, 20.0, 30.0)),
    *((0.0, elevation) for elevation in (-10.0, 10.0)),
)

_NULL: Final = 1e-30  # Pa.m; stands for an exact null, so that its level stays finite


def orbit(dataset: xr.Dataset, plane: str) -> xr.DataArray:
    """Return the complex far field on one orbit.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    plane : {"horizontal", "vertical"}
        The orbit. Angles are positive to the loudspeaker's left, or up.

    Returns
    -------
    xarray.DataArray
        (frequency, angle), complex, Pa.m; ``angle`` from -180 to 180 degrees, so that the
        direction straight behind is there at both ends.

    Raises
    ------
    InputError
        If the plane is unknown, or there are several sources.
    """
    chosen, closed = orbit_directions(dataset, plane)
    field = source_sum(dataset).isel(direction=chosen)
    attributes = {"units": "degree", "long_name": f"Angle in the {plane} plane"}
    return (
        field.drop_vars(("azimuth_deg", "elevation_deg", "weight_sr"))
        .rename(direction="angle")
        .assign_coords(angle=("angle", closed, attributes))
        .assign_attrs(long_name=f"Far field on the {plane} orbit")
    )


def orbit_levels_db(dataset: xr.Dataset, plane: str) -> tuple[FloatArray, FloatArray]:
    """Return angles and levels re the listening window on one orbit, as plain arrays.

    The same as `relative_level_db`, for those that ask often: a score must stay fast.

    Returns
    -------
    angle_deg : (n_angles,) array
        As in `orbit`.
    level_db : (n_frequencies, n_angles) array
        In dB.
    """
    chosen, angle = orbit_directions(dataset, plane)
    level = decibels(source_values(dataset, directions=chosen))
    return angle, level - decibels(window_amplitude(dataset))[:, np.newaxis]


def level_db(field: xr.DataArray, reference: float = 1.0) -> xr.DataArray:
    """Return the level of a field in dB, 20 lg of its modulus over a reference.

    Parameters
    ----------
    field : xarray.DataArray
        Complex or real amplitude.
    reference : float
        Amplitude that counts as 0 dB, in the unit of `field`.

    Returns
    -------
    xarray.DataArray
        The shape of `field`; an exact null is very low but finite.
    """
    level = field.copy(data=decibels(field.values) - decibels(np.float64(reference)))
    return level.rename("level").assign_attrs(units="dB", long_name="Level")


def window_amplitude(dataset: xr.Dataset) -> FloatArray:
    """Return the listening-window average as an amplitude, (n_frequencies,), in Pa.m.

    The root of the mean square over nine positions: on axis, +-10, +-20 and +-30 degrees
    horizontally, +-10 degrees vertically (ANSI/CTA-2034-A section 5.2).
    """
    field = source_values(dataset, directions=positions(dataset, LISTENING_WINDOW))
    return np.asarray(np.sqrt(np.mean(np.abs(field) ** 2, axis=1)))


def on_axis_level_db(dataset: xr.Dataset) -> xr.DataArray:
    """Return the on-axis response, (frequency,), in dB re 20 uPa at 1 m.

    It holds for an r.m.s. acceleration of 1 m/s^2, not for a voltage: its shape is the
    loudspeaker's, its height is not.
    """
    return _response(dataset, on_axis(dataset), "On axis")


def listening_window_level_db(dataset: xr.Dataset) -> xr.DataArray:
    """Return the listening-window response, (frequency,), as `on_axis_level_db` does."""
    return _response(dataset, window_amplitude(dataset), "Listening window")


def relative_level_db(
    dataset: xr.Dataset, plane: str, reference: str = "listening_window"
) -> xr.DataArray:
    """Return the level on one orbit re a reference: the data of a contour map.

    Parameters
    ----------
    dataset, plane
        As in `orbit`.
    reference : {"listening_window", "on_axis", "maximum"}
        What counts as 0 dB at each frequency. With ``on_axis`` a dip on the axis makes a
        loudspeaker look wide; ``maximum`` is the loudest direction of that orbit.

    Returns
    -------
    xarray.DataArray
        (frequency, angle), in dB.

    Raises
    ------
    InputError
        If the plane or the reference is unknown.
    """
    field = orbit(dataset, plane)
    if reference == "listening_window":
        zero = window_amplitude(dataset)
    elif reference == "on_axis":
        zero = np.abs(on_axis(dataset))
    elif reference == "maximum":
        zero = np.abs(field.values).max(axis=1)
    else:
        raise InputError(invalid("reference", reference, "one of " + ", ".join(REFERENCES)))
    level = field.copy(data=decibels(field.values) - decibels(zero)[:, np.newaxis])
    name = reference.replace("_", " ").replace("on axis", "the axis")
    return level.rename("level").assign_attrs(units="dB", long_name=f"Level re {name}")


def directivity_index_db(dataset: xr.Dataset, reference: str = "on_axis") -> xr.DataArray:
    r"""Return the directivity index, (frequency,), in dB re a full sphere.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    reference : {"on_axis", "listening_window"}
        What is compared with the mean over the sphere: the axis, as the index is defined, or
        the listening-window average, which a hump or a dip on the axis hardly moves.

    Raises
    ------
    InputError
        If the reference is unknown.

    Notes
    -----
    .. math:: 10 \lg \frac{4 \pi |F|^2}{2 \rho c W}

    with the far field F of the reference and the radiated power W, which comes from the solver
    and so does not depend on an angular grid.
    """
    if reference == "on_axis":
        amplitude, where = np.abs(on_axis(dataset)), "on the axis"
    elif reference == "listening_window":
        amplitude, where = window_amplitude(dataset), "of the listening window"
    else:
        rule = "one of on_axis, listening_window"
        raise InputError(invalid("reference of the directivity index", reference, rule))
    index = index_of(dataset, amplitude)
    return curve(dataset, index, "directivity_index", "dB", f"Directivity index {where}")


def index_of(dataset: xr.Dataset, amplitude: FloatArray) -> FloatArray:
    """Return the index that `directivity_index_db` does, (n_frequencies,), as a plain array.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    amplitude : (n_frequencies,) array
        Modulus of the far field in the direction that counts, in Pa.m.
    """
    power = 2 * impedance(dataset) * power_values(dataset)
    return np.asarray(10 * np.log10(4 * np.pi * amplitude**2 / power))


def beamwidth(
    dataset: xr.Dataset, plane: str, drop_db: float = 6.0, reference: str = "on_axis"
) -> xr.Dataset:
    """Return the angles where the level first falls by `drop_db` on either side of the axis.

    Parameters
    ----------
    dataset, plane
        As in `orbit`.
    drop_db : float
        Fall of level that ends the beam, in dB.
    reference : str
        What the fall is counted from, as in `relative_level_db`.

    Returns
    -------
    xarray.Dataset
        Over ``frequency``: ``low_deg`` and ``high_deg``, the first crossings to the right (or
        below) and to the left (or above), interpolated in dB between directions, NaN where
        there is none; ``width_deg``, the angle between them, NaN unless there are both;
        ``no_crossing``, true where a solved frequency lacks a crossing; ``re_entrant``, true
        where the level rises above the fall again further out.
    """
    import xarray as xr

    level = relative_level_db(dataset, plane, reference)
    angle = level["angle"].values
    right, left = angle <= 0, angle >= 0
    found: dict[str, list[float]] = {"low_deg": [], "high_deg": []}
    re_entrant = []
    for row in level.values:
        low, low_again = first_fall(-angle[right][::-1], row[right][::-1], drop_db)
        high, high_again = first_fall(angle[left], row[left], drop_db)
        found["low_deg"].append(-low)
        found["high_deg"].append(high)
        re_entrant.append(low_again or high_again)
    low_deg, high_deg = (np.array(values) for values in found.values())
    width = high_deg - low_deg
    solved = np.isfinite(level.values).all(axis=1)
    degree = {"units": "degree"}
    crossing = f"where the level is {drop_db:g} dB down"
    return xr.Dataset(
        {
            "low_deg": ("frequency", low_deg, degree | {"long_name": f"First angle {crossing}"}),
            "high_deg": ("frequency", high_deg, degree | {"long_name": f"First angle {crossing}"}),
            "width_deg": ("frequency", width, degree | {"long_name": f"Beamwidth, {plane}"}),
            "no_crossing": (
                "frequency",
                solved & np.isnan(width),
                {"long_name": "There is no crossing on at least one side"},
            ),
            "re_entrant": (
                "frequency",
                np.array(re_entrant),
                {"long_name": "The level rises above the fall again further out"},
            ),
        },
        coords={"frequency": level["frequency"]},
        attrs={"plane": plane, "drop_db": drop_db, "reference": reference},
    )


def positions(dataset: xr.Dataset, angles: Sequence[tuple[float, float]]) -> list[int]:
    """Return the number of each direction, by azimuth and elevation in degrees.

    Raises
    ------
    InputError
        If the dataset lacks one of them.
    """
    azimuth, elevation = (
        np.asarray(dataset.variables[name].values, dtype=float).tobytes()
        for name in ("azimuth_deg", "elevation_deg")
    )
    number = _numbers(azimuth, elevation)
    missing = [pair for pair in angles if pair not in number]
    if missing:
        msg = invalid("directions of the dataset", missing[0], "among those it holds")
        raise InputError(msg)
    return [number[pair] for pair in angles]


@lru_cache(maxsize=8)
def _numbers(azimuth_deg: bytes, elevation_deg: bytes) -> dict[tuple[float, float], int]:
    """Return the number of each direction; all datasets of a run have the same."""
    where = zip(np.frombuffer(azimuth_deg), np.frombuffer(elevation_deg), strict=True)
    return {(float(azimuth), float(elevation)): i for i, (azimuth, elevation) in enumerate(where)}


def first_fall(angle: FloatArray, level: FloatArray, drop_db: float) -> tuple[float, bool]:
    """Return the angle where level first reaches -drop_db, and whether it comes back.

    The angles rise from 0 on. An axis that is itself below the fall has no beam: NaN.
    """
    fallen = level <= -drop_db
    if not np.isfinite(level).all() or fallen[0] or not fallen.any():
        return float("nan"), False
    outer = int(np.argmax(fallen))
    inner = outer - 1
    share = (level[inner] + drop_db) / (level[inner] - level[outer])
    crossing = angle[inner] + share * (angle[outer] - angle[inner])
    return float(crossing), bool((~fallen[outer:]).any())


def on_axis(dataset: xr.Dataset) -> ComplexArray:
    """Return the complex far field on the axis, (n_frequencies,), in Pa.m."""
    (axis,) = positions(dataset, ((0.0, 0.0),))
    return source_values(dataset, directions=[axis])[:, 0]


def orbit_directions(dataset: xr.Dataset, plane: str) -> tuple[IntArray, FloatArray]:
    """Return the numbers of the directions on an orbit and their angles from -180 to 180."""
    azimuth = dataset.variables["azimuth_deg"].values
    elevation = dataset.variables["elevation_deg"].values
    if plane == "horizontal":
        chosen = np.flatnonzero(elevation == 0)
        angle = azimuth[chosen]
    elif plane == "vertical":
        behind = azimuth == 180
        chosen = np.flatnonzero((azimuth == 0) | behind)
        over = np.where(elevation >= 0, 180 - elevation, -180 - elevation)
        angle = np.where(behind, over, elevation)[chosen]
    else:
        raise InputError(invalid("plane", plane, "one of " + ", ".join(PLANES)))
    rising = np.argsort(angle)
    order = np.concatenate((rising[-1:], rising))  # angle 180 comes first again as -180
    return chosen[order], np.concatenate(([-180.0], angle[rising]))


def arc_shares(
    orbit_deg: FloatArray, angles_deg: Sequence[float] | FloatArray, half_width_deg: float
) -> FloatArray:
    """Return how the angles of an orbit share in the means around some, (n_angles, n_orbit)."""
    distance = np.abs(orbit_deg[np.newaxis] - np.asarray(angles_deg)[:, np.newaxis])
    near = (distance <= half_width_deg + 1e-9).astype(float)
    return np.asarray(near / near.sum(axis=1, keepdims=True))


def decibels(amplitude: ComplexArray | FloatArray | np.float64) -> FloatArray:
    """Return 20 lg of a modulus; an exact null is very low but finite."""
    return np.asarray(20 * np.log10(np.maximum(np.abs(amplitude), _NULL)))


def response_db(amplitude: ComplexArray | FloatArray) -> FloatArray:
    """Return the level in dB re 20 uPa at 1 m of a far field in Pa.m, as a plain array."""
    return decibels(amplitude) - decibels(np.float64(REFERENCE_PRESSURE_PA))


def _response(
    dataset: xr.Dataset, amplitude: ComplexArray | FloatArray, what: str
) -> xr.DataArray:
    level = response_db(amplitude)
    meaning = f"{what}, dB re 20 uPa at 1 m for 1 m/s^2 r.m.s."
    return curve(dataset, level, "level", "dB", meaning)


def curve(
    dataset: xr.Dataset, values: FloatArray, name: str, units: str, long_name: str
) -> xr.DataArray:
    """Return values over frequency with their name and unit."""
    import xarray as xr

    # Finished arrays need no conversion, which takes time and for which xarray would load dask.
    attributes = {"units": units, "long_name": long_name}
    variable = xr.Variable("frequency", np.asarray(values), attributes, fastpath=True)
    return xr.DataArray(variable, coords={"frequency": dataset["frequency"]}, name=name)
