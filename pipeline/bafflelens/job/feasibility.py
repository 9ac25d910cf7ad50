# SPDX-License-Identifier: GPL-3.0-or-later
"""What can be said of a job's target before anything is solved."""

from __future__ import annotations

from typing import Final

from bafflelens.directivity.lobe import region_of
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shape_sections import Choices, Fixed, Setting, Span
from bafflelens.job.solve_sections import NOMINAL_TOLERANCE
from bafflelens.scoring.target import OutOfReach, out_of_reach

_SIZED_PARTS: Final = ("dome", "cabinet")

OPENING_KEYS: Final = ("opening_height_mm", "mouth_height_mm")
"""Names of parameters that are the height of a mouth. In a part ``upper`` or ``lower`` it counts
from the axis; a lower one of 0 is as the upper one."""


def target_remarks(loaded: LoadedJob) -> tuple[str, ...]:
    """Return a line for each bounce whose target the shapes of a job are too low to reach."""
    height_m = tallest_opening_m(loaded)
    if height_m is None:
        return ()
    job = loaded.job
    target = job.target.target(job.room.room)
    found = out_of_reach(target, height_m, job.air.medium.sound_speed)
    return tuple(_remark(bounce, height_m) for bounce in found)


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
            setting = loaded.job.geometry.parameters.get(parameter.key, Fixed(parameter.default))
            heights_mm[part] = _largest(setting)
    if not heights_mm:
        return None
    upper_mm = heights_mm.pop("upper", 0.0)
    both_mm = upper_mm + (heights_mm.pop("lower", 0.0) or upper_mm)
    return max(both_mm, *heights_mm.values(), 0.0) * 1e-3


def _largest(setting: Setting) -> float:
    match setting:
        case Fixed(value):
            return value
        case Span(_, high):
            return high
        case Choices(values):
            return max(values)


def _remark(bounce: OutOfReach, height_m: float) -> str:
    return (
        f"the target is out of reach below {bounce.below_hz / 1000:.2g} kHz for the "
        f"{bounce.name} bounce at {bounce.angle_deg:+.0f} degrees: at best, if all of the opening "
        f"of {height_m * 1e3:g} mm, the tallest searched, moved evenly and in phase, it would be "
        f"6 dB down there from {bounce.six_db_down_hz / 1000:.2g} kHz on (0.6 c / (H sin angle), "
        "common practice). Walls at an angle and ways of different length inside the opening make "
        "it less, and higher up again: what was solved tells. What is missing costs every "
        "candidate alike."
    )
