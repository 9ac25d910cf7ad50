# SPDX-License-Identifier: GPL-3.0-or-later
"""A measurement plan as a page, as text and as a description ready to be filled in."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.mockup.measurement.measuring_room import Chamber
from bafflelens.mockup.measurement.nearness import Field, Nearness
from bafflelens.mockup.measurement.planning import (
    DEEPEST_DB,
    LONGEST_SWEEP_S,
    MARGIN_DB,
    MeasurementPlan,
    plan_measurement,
)
from bafflelens.report import style
from bafflelens.report.style import drawn, inch_axes
from bafflelens.store import RunFolder, require_new_folder, write_folder

if TYPE_CHECKING:  # slow to load, and a summary takes the text alone
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CAUTIONS: Final = (
    "Loud sweeps: nobody stays in the room without hearing protection while sweeps play; start "
    "low and raise the level step by step. Local rules on noise at work decide what is allowed "
    "and for how long; they and the shop's own rules come before this page.",
    "Heat: a sweep heats the voice coil. Keep to the voltage and the power of the driver's data "
    "sheet, leave pauses between sweeps, begin no sweep below the tweeter's own range, and keep a "
    "high pass or a capacitor in series while setting up. A level on the axis that sinks from "
    "sweep to sweep is a coil that warms up: wait.",
    "Secure the mock-up on the turntable and keep cables clear of it before it turns; clay is "
    "heavy, above all when it lies on its side.",
)
VALID_DB: Final = 0.5  # what a polar may be off; common practice, no source
_PAGE: Final = (8.27, 11.69)  # A4, in
_LINE: Final = 100
_STEPS: Final = 4.0  # two evaluations of the field, two pictures


def write_plan(
    folder: RunFolder,
    candidate: str,
    out: Path,
    *,
    room_m: tuple[float, float, float] | None = None,
    from_hz: float | None = None,
    to_hz: float | None = None,
    level_db: float = 80.0,
    noise_db: float = 30.0,
    repeats: int = 2,
    field: Field | None = None,
    progress: Progress | None = None,
) -> MeasurementPlan:
    """Write the plan for a candidate of a run into a new folder.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate : str
        Id of a candidate that is meshed.
    out : Path
        The folder: ``plan.pdf``, ``plan.png``, ``plan.txt`` and ``measurement.toml``.
    room_m : tuple of 3 floats, optional
        Length, width and height of the measuring room. Otherwise only floor and ceiling count,
        and the job's room says how high it is.
    from_hz, to_hz : float, optional
        Band that is wanted; otherwise the job's.
    level_db, noise_db : float
        Level at the microphone, and the room's noise in its worst octave.
    repeats : int
        Sweeps an angle.
    field : Field, optional
        What the candidate radiates, where the pressure on its surface was kept.
    progress : Progress, optional
        Who is told.

    Raises
    ------
    InputError
        If the candidate is not there, or as in `planning.make_plan`.
    StoreError
        If the folder holds something already.
    """
    require_new_folder(out)
    solved = [c.id for c in folder.candidates() if folder.has_directivity(c.id)]
    if candidate not in solved:
        rule = f"one that the run has solved: {', '.join(solved) or 'there is none yet'}"
        raise InputError(invalid("candidate", candidate, rule))
    loaded = folder.load_job()
    job = loaded.job
    length, width, height = room_m or (None, None, job.room.ceiling_height_m)
    with (progress or Silent()).bar(_STEPS, "planning") as advance:
        plan = plan_measurement(
            folder.load_mesh(candidate),
            Chamber(length_m=length, width_m=width, height_m=height),
            (from_hz or job.frequencies.from_hz, to_hz or job.frequencies.to_hz),
            air=job.air.medium,
            level_db=level_db,
            noise_db=noise_db,
            repeats=repeats,
            field=field,
            advance=advance,
        )
        title = f"{job.title}: {candidate}"
        files = {
            "plan.txt": plan_text(plan, title).encode(),
            "measurement.toml": description_template(plan, title).encode(),
        }
        for file_format in ("pdf", "png"):
            files[f"plan.{file_format}"] = drawn(lambda: plan_figure(plan, title), file_format)
            advance(1.0)
    write_folder(out, files)
    return plan


def plan_text(plan: MeasurementPlan, title: str) -> str:
    """Return the plan as text, a hundred columns wide."""
    parts = [f"Measurement plan for {title}", ""]
    for heading, lines in sections(plan):
        parts.append(heading)
        for line in lines:
            parts += textwrap.wrap(line, _LINE, initial_indent="  - ", subsequent_indent="    ")
        parts.append("")
    return "\n".join(parts)


def sections(plan: MeasurementPlan) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return headings and lines of the plan."""
    body, chosen = plan.body, plan.chosen
    first, last, step = plan.angles_deg
    axis_mm = -1e3 * body.axis_m[0]
    place = (
        f"Microphone {chosen.distance_m:g} m from the turntable's axis, at the height of the "
        "tweeter's axis, both half way between floor and ceiling "
        f"({plan.chamber.height_m / 2:.2f} m).",
        f"Turntable's axis {axis_mm:.0f} mm behind the front, half the depth of the body, and in "
        "line with the tweeter on both orbits: prop the cabinet up or push it aside until it is. "
        "Measure where it truly is, to a millimetre, and write it down.",
        *plan.reasons,
    )
    gate = (
        f"Gate {1e3 * chosen.gate_s:.1f} ms, ending just before the bounce from {chosen.bounce}: "
        f"it tells nothing below {chosen.lowest_hz:.0f} Hz (1/T; common practice, no source).",
    )
    far = tuple(
        f"Far field of {what} ({1e3 * size:.0f} mm) at {plan.band_hz[1] / 1e3:g} kHz: "
        f"{strict:.1f} m (edge 1/16 of a wavelength late), at least {loose:.1f} m (1/4)."
        for what, size, strict, loose in plan.far_m
    )
    far += _nearness_lines(plan)
    far += (
        "The comparison evaluates the simulation where the microphone was and needs neither; they "
        "count for a polar that is quoted as one of the far field.",
    )
    angles = (
        f"Both orbits from {first:g} to {last:g} degrees every {step:g} degrees: {plan.n_angles} "
        "angles each. Stand the cabinet for the horizontal orbit; lay it on its right side for "
        "the vertical one.",
        "Angles are positive to the loudspeaker's own left, and up. Measure all the way round: "
        "the two sides tell angle offset, rotation point and a swapped sign apart.",
        f"{plan.repeats} sweeps an angle: they give the repeatability that differences are "
        "judged against.",
    )
    reach = plan.snr_db - DEEPEST_DB
    sweep = [
        f"Exponential sweep of {plan.sweep_s:g} s from {plan.band_hz[0]:g} to "
        f"{plan.band_hz[1]:g} Hz, {plan.level_db:g} dB at the microphone on the axis, with "
        f"{plan.noise_db:g} dB of noise in the worst octave: {plan.snr_db:.0f} dB over the noise "
        f"on the axis, {reach:.0f} dB where the polar is {DEEPEST_DB:g} dB down.",
        f"About {plan.minutes:.0f} minutes for both orbits, with three seconds between sweeps.",
        "Write down temperature, humidity and air pressure at the beginning and at the end: 1 "
        "degree moves the frequency axis by 0.17 %.",
    ]
    if plan.sweep_s >= LONGEST_SWEEP_S and reach < MARGIN_DB:
        sweep.append(
            f"That is less than the {MARGIN_DB:g} dB wanted there: a quieter hour helps more than "
            "a louder or longer sweep."
        )
    return (
        ("Place", place),
        ("Gate", gate),
        ("Far field", far),
        ("Angles", angles),
        ("Sweep", tuple(sweep)),
        ("Caution", CAUTIONS),
    )


def _nearness_lines(plan: MeasurementPlan) -> tuple[str, ...]:
    """Say how far the simulated polars at the distances are from those of the far field."""
    if not plan.nearness:
        return ()
    highest = plan.nearness[0].at_hz[-1]
    each = ", ".join(
        f"{max(one.error_db):.1f} dB at {one.distance_m:g} m" for one in plan.nearness
    )
    return (
        "Simulated polars of this candidate within 60 degrees, re on axis, up to "
        f"{highest / 1e3:.3g} kHz, differ from those of the far field by at most: {each}.",
        f"So a polar is one of the far field within {VALID_DB:g} dB {_valid(plan.nearness)}; with "
        "the turntable's axis through the tweeter itself, which then stays in its place, "
        f"{_valid(plan.nearness_about_tweeter)}.",
    )


def _valid(nearness: Sequence[Nearness]) -> str:
    """Say from which distance on polars are close to those of the far field."""
    wrong = [i for i, one in enumerate(nearness) if max(one.error_db) > VALID_DB]
    first = wrong[-1] + 1 if wrong else 0
    if first == len(nearness):
        return f"at no distance up to {nearness[-1].distance_m:g} m"
    return f"from {nearness[first].distance_m:g} m on"


def description_template(plan: MeasurementPlan, title: str) -> str:
    """Return the TOML description of the measurement, ready to be filled in."""
    first, last, step = plan.angles_deg
    angles = f"{{ from = {first:g}, to = {last:g}, step = {step:g} }}"
    point = [round(1e3 * value, 1) for value in plan.body.axis_m]
    quoted = title.replace("\\", "\\\\").replace('"', '\\"')
    orbits = "\n".join(
        f"""
[[orbits]]
orbit = "{name}"
kind = "impulse"                       # or "text" (Hz, dB, degrees), or "sofa"
files = "{name}/{{angle}}_{{repeat}}.wav"  # the turntable's reading, and the number of the sweep
angles_deg = {angles}    # an angle that is missing is then a fault
# noise_file = "{name}/noise.wav"       # deconvolved like the sweeps, the loudspeaker silent
# rotation_point_mm = {point}  # where this orbit turned about another point"""
        for name in ("horizontal", "vertical")
    )
    return f"""# To be filled in; then: bafflelens compare RUN CANDIDATE measurement.toml
title = "{quoted}"
date = ""                              # such as 2026-01-31
remarks = ""
distance_mm = {1e3 * plan.chosen.distance_m:g}                     # turntable's axis to microphone
microphone_height_mm = 0               # over the tweeter's axis
rotation_point_mm = {point}   # of the turntable's axis; origin: tweeter, at the front
angle_sign = 1                         # 1: the reading rises towards the loudspeaker's left, or up
# drive_v = 2.83

[air]
temperature_c = 20.0
relative_humidity_pct = 50.0
pressure_kpa = 101.325

[gate]                                 # for impulse responses only
length_ms = {1e3 * plan.chosen.gate_s:.2f}
align = "common"                       # "each" for recordings without a common clock

[frequencies]
from_hz = {plan.band_hz[0]:g}
to_hz = {plan.band_hz[1]:g}
{orbits}
"""


# ------------------------------------------------------------------------------------- page


def plan_figure(plan: MeasurementPlan, title: str) -> Figure:
    """Draw the plan on one page: the set-up from above and from the side, gate, and the text."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=_PAGE, facecolor="white")
    shown = textwrap.shorten(title, 90, placeholder="...")
    figure.text(0.07, 0.965, "Measurement plan", size=15, weight="bold")
    figure.text(0.07, 0.949, shown, size=9.5, color=style.MUTED)
    _from_above(inch_axes(figure, 0.58, 8.45, 3.5, 2.3), plan)
    _from_the_side(inch_axes(figure, 4.35, 8.45, 3.5, 2.3), plan)
    _limits(inch_axes(figure, 0.95, 6.35, 3.0, 1.6), plan)
    _far(inch_axes(figure, 4.85, 6.35, 3.0, 1.6), plan)
    _write(figure, plan)
    return figure


def _from_above(axes: Axes, plan: MeasurementPlan) -> None:
    from matplotlib.patches import Arc, Rectangle

    distance, body = plan.chosen.distance_m, plan.body
    axes.set_title("From above: horizontal orbit")
    _blank(axes, distance)
    x = -body.depth_m / 2
    axes.add_patch(
        Rectangle((x, -body.width_m / 2), body.depth_m, body.width_m, fc=style.WASH, ec=style.INK)
    )
    axes.plot([body.depth_m / 2], [0], "o", ms=3.5, color=style.CANDIDATE)
    axes.plot([0], [0], "+", ms=9, color=style.TARGET)
    axes.plot([0, distance], [0, 0], color=style.MUTED, lw=0.8, ls=(0, (4, 2)))
    axes.plot([distance], [0], "s", ms=5, color=style.INK)
    arc = 0.55 * distance
    axes.add_patch(Arc((0, 0), 2 * arc, 2 * arc, theta1=5, theta2=40, color=style.TARGET))
    tip = np.radians(40)
    axes.annotate(
        "",
        (arc * np.cos(tip), arc * np.sin(tip)),
        (arc * np.cos(tip - 0.08), arc * np.sin(tip - 0.08)),
        arrowprops={"arrowstyle": "->", "color": style.TARGET},
    )
    axes.text(arc * 0.82, arc * 0.74, "+ to its left", size=7.5, color=style.TARGET)
    axes.text(distance, -0.14 * distance, "microphone", size=7.5, ha="center")
    axes.text(0.55 * distance, -0.09 * distance, f"{distance:g} m", size=7.5, ha="center")
    below = body.width_m / 2 + 0.12 * distance
    axes.text(0, -below, "turntable's axis (+)", size=7.5, color=style.TARGET, ha="center")


def _from_the_side(axes: Axes, plan: MeasurementPlan) -> None:
    from matplotlib.patches import Rectangle

    distance, height, body = plan.chosen.distance_m, plan.chamber.height_m, plan.body
    axes.set_title("From the side: the first bounces")
    axes.set_aspect("equal", adjustable="box", anchor="NW")
    axes.axis("off")
    far = distance + 0.5
    axes.plot([-0.6, far], [0, 0], color=style.INK, lw=1.4)
    axes.plot([-0.6, far], [height, height], color=style.INK, lw=1.4)
    middle = height / 2
    axes.add_patch(
        Rectangle(
            (-body.depth_m / 2, middle + body.bottom_m),
            body.depth_m,
            body.height_m,
            fc=style.WASH,
            ec=style.INK,
        )
    )
    start = body.depth_m / 2
    axes.plot([start, distance], [middle, middle], color=style.CANDIDATE, lw=1.4)
    turn = (start + distance) / 2
    for wall in (0.0, height):
        axes.plot(
            [start, turn, distance],
            [middle, wall, middle],
            color=style.BASELINE,
            lw=1.0,
            ls=(0, (4, 2)),
        )
    axes.plot([distance], [middle], "s", ms=5, color=style.INK)
    axes.set_xlim(-0.7, far + 0.1)
    axes.set_ylim(-0.1, height + 0.1)
    axes.text(turn, middle + 0.06 * height, "direct", size=7.5, color=style.CANDIDATE, ha="center")
    aside = (turn + 3 * distance) / 4 + 0.05 * height
    axes.text(aside, 0.25 * height, "bounce", size=7.5, color=style.BASELINE)
    axes.text(far + 0.05, 0, "floor", size=7.5, va="center")
    axes.text(far + 0.05, height, f"ceiling, {height:g} m", size=7.5, va="center")


def _limits(axes: Axes, plan: MeasurementPlan) -> None:
    distance = [place.distance_m for place in plan.places]
    lowest = [place.lowest_hz for place in plan.places]
    axes.plot(distance, lowest, "o-", ms=3, color=style.CANDIDATE)
    axes.plot(
        [plan.chosen.distance_m], [plan.chosen.lowest_hz], "o", ms=8, mfc="none", mec=style.TARGET
    )
    axes.axhline(plan.band_hz[0], color=style.MUTED, lw=0.8, ls=(0, (4, 2)))
    axes.text(max(distance), plan.band_hz[0], "band begins", size=7.5, ha="right", va="bottom")
    axes.set_yscale("log")
    ticks = [t for t in (50, 100, 200, 500, 1000, 2000, 5000) if t >= min(lowest) / 2]
    axes.set_yticks(ticks, [f"{t:g}" for t in ticks], minor=False)
    axes.set_yticks([], minor=True)
    axes.set_ylim(min(*lowest, plan.band_hz[0]) / 1.5, max(*lowest, plan.band_hz[0]) * 1.5)
    axes.set_xlim(0, max(distance) * 1.05)
    axes.set_title("Lowest frequency of the gate, Hz")
    axes.set_xlabel("Distance in m (circle: proposed)")
    axes.grid(color=style.RULE, lw=0.5)


def _far(axes: Axes, plan: MeasurementPlan) -> None:
    low, high = plan.band_hz
    frequency = np.geomspace(low, high, 60)
    for (what, size, strict, loose), (colour, _) in zip(plan.far_m, style.SERIES, strict=False):
        for most, dash, late in ((strict, "-", "1/16"), (loose, (0, (4, 2)), "1/4")):
            label = f"{what.removeprefix('the whole ')}, {late}"
            axes.plot(
                frequency, most * frequency / high, ls=dash, color=colour, lw=1.2, label=label
            )
        del size
    axes.axhline(plan.chosen.distance_m, color=style.TARGET, lw=1.0, label="proposed")
    from bafflelens.report.figures.axes import frequency_axis

    frequency_axis(axes, (low, high))
    axes.set_xlabel("Frequency in kHz; edge 1/16 or 1/4 of a wavelength late")
    axes.set_yscale("log")
    axes.set_ylim(0.01, 200)
    ticks = (0.01, 0.1, 1, 10, 100)
    axes.set_yticks(ticks, [f"{t:g}" for t in ticks])
    axes.set_yticks([], minor=True)
    axes.set_title("Distance to the far field, m")
    axes.grid(color=style.RULE, lw=0.5)
    axes.legend(
        loc="upper left",
        fontsize=6,
        handlelength=2.0,
        labelspacing=0.2,
        ncols=3,
        columnspacing=0.8,
    )


def _write(figure: Figure, plan: MeasurementPlan) -> None:
    """Write the sections in two columns, from above the middle of the page down."""
    across, up = _PAGE
    tops = [5.65, 5.65]
    for number, (heading, lines) in enumerate(sections(plan)):
        column = 0 if number < 3 else 1
        left = 0.58 + 3.7 * column
        y = tops[column]
        colour = style.TARGET if heading == "Caution" else style.INK
        figure.text(left / across, y / up, heading, size=9, weight="bold", color=colour, va="top")
        y -= 0.18
        for line in lines:
            rows = textwrap.wrap(line, 66)
            text = "\n".join(rows)
            figure.text(left / across, y / up, text, size=7.3, va="top", linespacing=1.25)
            y -= 0.131 * len(rows) + 0.05
        tops[column] = y - 0.08


def _blank(axes: Axes, distance: float) -> None:
    axes.set_aspect("equal", adjustable="box", anchor="NW")
    axes.axis("off")
    axes.set_xlim(-0.35 * distance, 1.15 * distance)
    axes.set_ylim(-0.5 * distance, 0.6 * distance)
