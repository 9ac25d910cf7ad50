# SPDX-License-Identifier: GPL-3.0-or-later
"""What can be said of a job's target before anything is solved."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Final

from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.lobe import region_of
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shape_sections import Choices, Fixed, Setting, Span
from bafflelens.job.solve_sections import NOMINAL_TOLERANCE
from bafflelens.scoring.criteria import bounce_level_db
from bafflelens.scoring.reach import SIX_DB_DOWN, Flared, OutOfReach, flared_opening, out_of_reach

if TYPE_CHECKING:
    import xarray as xr

_SIZED_PARTS: Final = ("dome", "cabinet")

OPENING_KEYS: Final = ("opening_height_mm", "mouth_height_mm")
"""Names of parameters that are the height of a mouth. In a part ``upper`` or ``lower`` it counts
from the axis; a lower one of 0 is as the upper one."""
WALL_KEY: Final = "wall_half_angle_deg"
"""Name of a parameter that is the angle of the walls above and below from the axis."""


def target_remarks(loaded: LoadedJob) -> tuple[str, ...]:
    """Return a line for each bounce whose target the shapes of a job are too low to reach."""
    height_m, found = tallest_opening_m(loaded), bounces_out_of_reach(loaded)
    if height_m is None:
        return ()
    speed, wall_deg = loaded.job.air.medium.sound_speed, narrowest_wall_deg(loaded)
    remarks = []
    for bounce in found:
        flared = None
        if wall_deg is not None and 0 < wall_deg < 90:
            band_hz = (bounce.six_db_down_hz / 2, max(bounce.to_hz, bounce.six_db_down_hz))
            flared = flared_opening(height_m, wall_deg, bounce.angle_deg, band_hz, speed)
        remarks.append(_remark(bounce, height_m, flared, speed))
    return tuple(remarks)


def bounces_out_of_reach(loaded: LoadedJob) -> tuple[OutOfReach, ...]:
    """Return the bounces whose target the tallest opening of a search is too low for."""
    height_m, job = tallest_opening_m(loaded), loaded.job
    if height_m is None:
        return ()
    return out_of_reach(job.target.target(job.room.room), height_m, job.air.medium.sound_speed)


def narrowest_wall_deg(loaded: LoadedJob) -> float | None:
    """Return the least angle of straight walls from the axis in a search; None if it has none."""
    angles = [
        _bound(loaded, parameter.key, parameter.default, min)
        for parameter in loaded.shape.parameters
        if parameter.key.rpartition(".")[2] == WALL_KEY
    ]
    return min(angles, default=None)


def default_remarks(loaded: LoadedJob) -> tuple[str, ...]:
    """Return a line that names sizes of dome and cabinet which the job leaves to the script."""
    given = loaded.job.geometry.parameters
    left = [
        f"{parameter.key} = {parameter.default:g} ({parameter.help})"
        for parameter in loaded.shape.parameters
        if parameter.key.partition(".")[0] in _SIZED_PARTS
        and parameter.key not in given
        and parameter.default
    ]
    if not left:
        return ()
    return (f"not given by the job, so the script's defaults hold: {', '.join(left)}",)


def band_remarks(loaded: LoadedJob) -> tuple[str, ...]:
    """Return a line where the results end below the frequency that the job names."""
    section = loaded.job.frequencies
    last = section.frequencies_hz[-1]
    if last >= section.to_hz * (1 - NOMINAL_TOLERANCE):
        return ()
    return (
        f"results end at {last:.0f} Hz, not at frequencies.to_hz = {section.to_hz:g}: that is "
        f"the last of the standard frequencies, {section.per_octave} an octave, up to there",
    )


def handover_remarks(loaded: LoadedJob) -> tuple[str, ...]:
    """Return a line for each handover whose octave the scored band of a job does not hold."""
    crossover, band = loaded.loudspeaker.crossover, loaded.job.score
    if crossover is None:
        return ()
    passes = {
        part.frequency_hz
        for way in crossover.ways
        for part in way.filters
        if part.kind == "high-pass"
        and any(
            other.kind == "low-pass" and other.frequency_hz < 2 * part.frequency_hz
            for lower in crossover.ways
            if lower is not way
            for other in lower.filters
        )
    }
    remarks = []
    for frequency_hz in sorted(passes):
        low, high = region_of(frequency_hz)
        if low < band.from_hz or high > band.to_hz:
            remarks.append(
                f"the ways hand over at {frequency_hz:g} Hz, and the score looks only at "
                f"{band.from_hz:g} to {band.to_hz:g} Hz: a hole or a tilted lobe there costs "
                f"nothing; to judge the octave around it, let [score] reach from {low:.0f} to "
                f"{high:.0f} Hz"
            )
    return tuple(remarks)


def tallest_opening_m(loaded: LoadedJob) -> float | None:
    """Return the height in m of the tallest opening in the search.

    None if the shape has no parameter of such a name.
    """
    heights_mm = {}
    for parameter in loaded.shape.parameters:
        part, _, name = parameter.key.rpartition(".")
        if name in OPENING_KEYS:
            heights_mm[part] = _bound(loaded, parameter.key, parameter.default, max)
    if not heights_mm:
        return None
    upper_mm = heights_mm.pop("upper", 0.0)
    both_mm = upper_mm + (heights_mm.pop("lower", 0.0) or upper_mm)
    return max(both_mm, *heights_mm.values(), 0.0) * 1e-3


def line_on_reach(name: str, dataset: xr.Dataset, bounce: OutOfReach, azimuth_deg: float) -> str:
    """Return what a candidate sends to a bounce from where an even opening would be 6 dB down.

    Empty where nothing is solved there.

    Parameters
    ----------
    name : str
        Its id.
    dataset : xarray.Dataset
        Its directivity, with one source.
    bounce : OutOfReach
        The bounce.
    azimuth_deg : float
        Azimuth of the seat.
    """
    frequency = dataset["frequency"].values
    band = is_solved(dataset) & (frequency >= bounce.six_db_down_hz) & (frequency <= bounce.to_hz)
    if not band.any():
        return ""
    level = bounce_level_db(dataset, bounce.angle_deg, azimuth_deg)[band]
    least, most = int(level.argmin()), int(level.argmax())
    at_khz = [f"{frequency[band][number] / 1000:.2g} kHz" for number in (least, most)]
    return (
        f"solved: towards the {bounce.name} bounce at {bounce.angle_deg:+.0f} degrees {name}, the "
        f"best, has {level[least]:+.1f} dB at {at_khz[0]} at the lowest and {level[most]:+.1f} dB "
        f"at {at_khz[1]} at the highest, re the listening window, from "
        f"{bounce.six_db_down_hz / 1000:.2g} kHz on, where an opening that moved evenly would "
        "begin to have less than -6 dB"
    )


def _bound(
    loaded: LoadedJob, key: str, default: float, of: Callable[[Iterable[float]], float]
) -> float:
    """Return the largest or smallest value that a parameter has in a search."""
    setting: Setting = loaded.job.geometry.parameters.get(key, Fixed(default))
    match setting:
        case Fixed(value):
            return value
        case Span(low, high):
            return of((low, high))
        case Choices(values):
            return of(values)


def _remark(bounce: OutOfReach, height_m: float, flared: Flared | None, sound_speed: float) -> str:
    return (
        f"the target is out of reach below {bounce.below_hz / 1000:.2g} kHz for the "
        f"{bounce.name} bounce at {bounce.angle_deg:+.0f} degrees: at best, if all of the opening "
        f"of {height_m * 1e3:g} mm, the tallest searched, moved evenly and in phase, it would be "
        f"6 dB down there from {bounce.six_db_down_hz / 1000:.2g} kHz on (0.6 c / (H sin angle), "
        f"common practice). {_walls(flared, sound_speed)} What is missing costs every candidate "
        "alike."
    )


def _walls(flared: Flared | None, sound_speed: float) -> str:
    """Say what walls at an angle leave of that."""
    if flared is None:
        return (
            "Walls at an angle and ways of different length inside the opening make it less, and "
            "higher up again: what was solved tells."
        )
    half_a_wave_hz = sound_speed / (2 * flared.path_difference_m)
    most = f"{-flared.lowest_db:.1f} dB down there at most, at {flared.at_hz / 1000:.2g} kHz"
    if flared.less_from_hz is not None:
        then = f", and less than 6 dB again from {flared.less_from_hz / 1000:.2g} kHz on"
    else:
        then = "" if flared.lowest_db <= SIX_DB_DOWN else ", nowhere 6 dB"
    return (
        f"But between walls at {flared.wall_angle_deg:g} degrees, the narrowest searched, sound "
        f"comes {flared.path_difference_m * 1e3:.0f} mm later to the edge of that opening than to "
        f"its middle, half a wavelength at {half_a_wave_hz / 1000:.2g} kHz: so it is {most}{then} "
        "(estimate; what was solved tells)."
    )
