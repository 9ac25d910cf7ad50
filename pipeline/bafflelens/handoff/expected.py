# SPDX-License-Identifier: GPL-3.0-or-later
"""What a measurement of a candidate should show: responses and polars, where a microphone stands.

Where the pressure on the surface was kept, levels are those at the planned microphone, which a
metre or two away differ from the far field by a decibel and more; otherwise those of the far
field, and that is said.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, ComplexArray, FloatArray
from bafflelens.base.errors import InputError
from bafflelens.base.octaves import octave_shares
from bafflelens.directivity.far_field_data import solved_part
from bafflelens.directivity.frequency_interpolation import LEAST_FREQUENCIES, interpolate
from bafflelens.directivity.polars import orbit
from bafflelens.job.job_file import LoadedJob
from bafflelens.mockup.comparison.radiator import Radiator, SurfaceRadiator
from bafflelens.mockup.measurement.measured import ORBITS, OrbitName, Setup
from bafflelens.mockup.measurement.measuring_room import Chamber
from bafflelens.mockup.measurement.microphones import microphone_positions
from bafflelens.mockup.measurement.planning import MeasurementPlan, plan_measurement
from bafflelens.store import RunFolder
from bafflelens.store.system_response import played

FAR_FIELD: Final = "far field"
_NULL: Final = 1e-30
_NOMINAL: Final = (10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80)  # IEC 61260-1, third-octaves


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """What to expect of one candidate.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        Rising, in Hz; none that is not known.
    angle_deg : (n_angles,) array
        -180 to 180 degrees, positive to the loudspeaker's left, and up.
    level_db : dict of str to (n_frequencies, n_angles) array
        By orbit, in dB re 20 uPa; only differences mean anything.
    where : str
        At which distance, in words.
    """

    frequency_hz: FloatArray
    angle_deg: FloatArray
    level_db: dict[OrbitName, FloatArray]
    where: str

    @property
    def on_axis_db(self) -> FloatArray:
        """Level on the axis, (n_frequencies,)."""
        return self.level_db["horizontal"][:, self.at(0.0)]

    def relative_db(self, plane: OrbitName) -> FloatArray:
        """Return the levels of an orbit re the axis, (n_frequencies, n_angles)."""
        return self.level_db[plane] - self.level_db[plane][:, [self.at(0.0)]]

    def at(self, angle_deg: float) -> int:
        """Return the number of the nearest angle."""
        return int(np.argmin(np.abs(self.angle_deg - angle_deg)))

    def nearest(self, frequency_hz: float) -> int:
        """Return the number of the nearest frequency on a logarithmic axis."""
        return int(np.argmin(np.abs(np.log(self.frequency_hz / frequency_hz))))

    def third_octave_db(self, plane: OrbitName, angle_deg: float, centre_hz: float) -> float:
        """Return the level of a third-octave re that on the axis; NaN where nothing is known.

        Both are means of the square of the pressure over the band.
        """
        share = octave_shares(
            self.frequency_hz, (centre_hz * 2 ** (-1 / 6), centre_hz * 2 ** (1 / 6))
        )
        power = 10 ** (self.level_db[plane][:, [self.at(angle_deg), self.at(0.0)]] / 10)
        there, axis = share @ power
        return float(10 * np.log10(there / axis)) if axis > 0 else float("nan")


def third_octaves(band_hz: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Return the third-octaves whose middle lies in a band: nominal and true middle, in Hz.

    Examples
    --------
    >>> [nominal for nominal, _ in third_octaves((2000.0, 4000.0))]
    [2000.0, 2500.0, 3150.0, 4000.0]
    """
    found = []
    for number in range(10, 50):
        true = 10 ** (number / 10)
        nominal = _NOMINAL[number % 10] * 10.0 ** (number // 10 - 1)
        if band_hz[0] * 0.98 <= true <= band_hz[1] * 1.02:
            found.append((nominal, true))
    return tuple(found)


def plan_of(
    folder: RunFolder, loaded: LoadedJob, candidate: str, radiator: SurfaceRadiator | None
) -> MeasurementPlan | str:
    """Return how to measure a candidate in the job's room, or why there is no plan."""
    job = loaded.job
    try:
        return plan_measurement(
            folder.load_mesh(candidate),
            Chamber(height_m=job.room.ceiling_height_m),
            (job.frequencies.from_hz, job.frequencies.to_hz),
            air=job.air.medium,
            field=radiator,
        )
    except InputError as error:
        return str(error)


def expected_of(
    folder: RunFolder,
    loaded: LoadedJob,
    candidate: str,
    radiator: Radiator | None,
    plan: MeasurementPlan | str,
) -> Expected | None:
    """Return what a measurement of a candidate should show; None if nothing of it is known.

    Parameters
    ----------
    folder : RunFolder
        The run.
    loaded : LoadedJob
        Its job.
    candidate : str
        A solved candidate.
    radiator : Radiator or None
        What it radiates, where the pressure on its surface was kept.
    plan : MeasurementPlan or str
        Where the microphone stands, if there is a plan.
    """
    dataset = played(folder, loaded, folder.load_directivity(candidate))
    dataset = solved_part(dataset)
    if isinstance(plan, MeasurementPlan) and radiator is not None:
        shown_hz = np.asarray(dataset["frequency"].values, dtype=float)
        return at_microphone(radiator, shown_hz, plan)
    return far_away(dataset)


def far_away(dataset: xr.Dataset) -> Expected | None:
    """Return the levels of the far field; None where no frequency is known."""
    level = {plane: _level_db(orbit(dataset, plane).values) for plane in ORBITS}
    known = np.isfinite(level["horizontal"]).all(axis=1) & np.isfinite(level["vertical"]).all(1)
    if not known.any():
        return None
    return Expected(
        frequency_hz=np.asarray(dataset["frequency"].values[known], dtype=float),
        angle_deg=np.asarray(orbit(dataset, "horizontal")["angle"].values, dtype=float),
        level_db={plane: values[known] for plane, values in level.items()},
        where=FAR_FIELD,
    )


def at_microphone(
    radiator: Radiator, shown_hz: FloatArray, plan: MeasurementPlan
) -> Expected | None:
    """Return the levels at the planned microphone, at the frequencies that are shown.

    Parameters
    ----------
    radiator : Radiator
        What it radiates, at the frequencies that were solved.
    shown_hz : (n_shown,) array
        Frequencies in Hz, rising; those outside of what was solved are left out.
    plan : MeasurementPlan
        Where the microphone stands.
    """
    solved = radiator.frequencies_hz
    if not solved.size:
        return None
    inside = (shown_hz >= solved[0] * (1 - 1e-9)) & (shown_hz <= solved[-1] * (1 + 1e-9))
    wanted = shown_hz[inside]
    is_between = not _are_same(wanted, solved) and solved.size >= LEAST_FREQUENCIES
    angle = np.arange(-180.0, 180.0 + plan.step_deg / 2, plan.step_deg)
    setup = Setup(distance_m=plan.chosen.distance_m, rotation_point_m=plan.body.axis_m)
    levels: dict[OrbitName, FloatArray] = {}
    for plane in ORBITS:
        points = microphone_positions(setup, plane, angle)
        pressure, _ = radiator.at(points, np.arange(solved.size))
        if is_between:
            pressure = interpolate(
                solved,
                pressure[np.newaxis],
                wanted,
                delays_s=radiator.shortest_way_m(points)[np.newaxis] / radiator.sound_speed,
                is_front=np.abs(angle) <= 90,
            ).far_field[0]
        levels[plane] = _level_db(pressure)
    return Expected(
        frequency_hz=wanted if is_between else solved,
        angle_deg=angle,
        level_db=levels,
        where=f"{plan.chosen.distance_m:g} m from the turntable",
    )


def _are_same(one: FloatArray, other: FloatArray) -> bool:
    return one.shape == other.shape and bool(np.allclose(one, other, rtol=1e-9))


def _level_db(pressure: ComplexArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(np.abs(pressure), _NULL) / REFERENCE_PRESSURE_PA))


def expected_csv(expected: Expected, plane: OrbitName) -> bytes:
    """Return an orbit as a table: a row a frequency, a column an angle, in dB re the axis."""
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    angles = [f"{angle:g} deg" for angle in expected.angle_deg]
    table.writerow([f"Hz ({plane}; {expected.where}; dB re axis)", *angles])
    for frequency, levels in zip(expected.frequency_hz, expected.relative_db(plane), strict=True):
        table.writerow([f"{frequency:.1f}", *(f"{level:.2f}" for level in levels)])
    return stream.getvalue().encode()
