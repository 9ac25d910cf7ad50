# SPDX-License-Identifier: GPL-3.0-or-later
"""One page that explains a target: the room from the side and from above, and what is asked."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Wedge

from bafflelens.report import style
from bafflelens.report.curves import angle_text
from bafflelens.report.figures.axes import DASHED, frequency_axis
from bafflelens.report.style import inch_axes
from bafflelens.scoring.target import Arrival, Limit, Room, Target

PAGE: Final = (11.69, 8.27)  # in, A4 landscape

_BODY_M: Final = (0.25, 0.21, 0.4)  # depth, width, height of the drawn cabinet; a sketch
_THICK_M: Final = 0.1
_HATCHED: Final[dict[str, Any]] = {
    "facecolor": "none",
    "edgecolor": "#9aa2a8",
    "hatch": "////",
    "linewidth": 0,
}
_COLOURS: Final = {
    "direct": style.INK,
    "floor": style.SERIES[1][0],
    "ceiling": style.SERIES[0][0],
    "side wall": style.SERIES[3][0],
}


@dataclass(frozen=True, kw_only=True)
class TargetPage:
    """What the page shows.

    Attributes
    ----------
    title : str
        Title of the job.
    room : Room
        The room.
    target : Target
        The target.
    arrivals : mapping of str to Arrival
        Ways from the tweeter to the ear, by name.
    opening_height_m : float or None
        The tallest opening in the search; None if the shape has none.
    sound_speed : float
        In m/s.
    remarks : sequence of str
        What there is to say of the target.
    """

    title: str
    room: Room
    target: Target
    arrivals: dict[str, Arrival]
    opening_height_m: float | None
    sound_speed: float
    remarks: Sequence[str] = ()


def target_page(page: TargetPage) -> Figure:
    """Draw the page.

    Parameters
    ----------
    page : TargetPage
        What to show.
    """
    figure = Figure(figsize=PAGE, facecolor="white")
    figure.text(0.05, 0.955, f"What the target asks: {page.title}", size=13, weight="bold")
    figure.text(
        0.05,
        0.928,
        "Levels leaving the loudspeaker, in dB re its listening-window average; what the longer "
        "way takes off comes on top. Room to scale, the cabinet a sketch.",
        color=style.MUTED,
    )
    _side_view(inch_axes(figure, 0.6, 4.45, 6.0, 2.85), page)
    _top_view(inch_axes(figure, 7.1, 4.45, 4.2, 2.85), page)
    _upper_limits(inch_axes(figure, 0.6, 1.98, 5.0, 1.85), page)
    _lower_limits(inch_axes(figure, 6.4, 1.98, 4.9, 1.85), page)
    _facts(figure, page)
    return figure


# ------------------------------------------------------------------------------------ the room


def _side_view(axes: Axes, page: TargetPage) -> None:
    """Draw the vertical plane through tweeter and ear, unfolded where they are not in line."""
    room = page.room
    nearest, main, farthest = room.distances_m
    low, high = -0.75, room.ceiling_height_m + 0.75
    left, right = -0.75, farthest + 0.8
    for height in (-_THICK_M, room.ceiling_height_m):
        axes.fill_between([left, right], height, height + _THICK_M, **_HATCHED)
    for height in (0.0, room.ceiling_height_m):
        axes.plot([left, right], [height, height], color=style.INK, linewidth=1.2)
    depth, _, tall = _BODY_M
    foot = max(room.tweeter_height_m - 0.75 * tall, 0.0)
    axes.add_patch(Polygon(
        [(-depth, foot), (0, foot), (0, foot + tall), (-depth, foot + tall)],
        facecolor=style.WASH, edgecolor=style.INK, linewidth=0.9,
    ))  # fmt: skip
    _source_and_seats(
        axes,
        (0, room.tweeter_height_m),
        [(d, room.ear_height_m) for d in (nearest, main, farthest)],
    )
    for name, surface in (("direct", None), ("floor", 0.0), ("ceiling", room.ceiling_height_m)):
        start, end = (0.0, room.tweeter_height_m), (main, room.ear_height_m)
        points = [start, end]
        if surface is not None:
            share = abs(start[1] - surface) / (abs(start[1] - surface) + abs(end[1] - surface))
            points = [start, (share * main, surface), end]
            _patch(axes, start, _angles_of(page.target, name), _COLOURS[name])
        axes.plot(*zip(*points, strict=True), color=_COLOURS[name], linewidth=1.6)
    for name, limit in (("floor", page.target.floor), ("ceiling", page.target.ceiling)):
        up = limit.angle_deg > 0
        text = f"{name} bounce {angle_text(limit.angle_deg)}"
        arrival = page.arrivals[name]
        if abs(limit.angle_deg - arrival.elevation_deg) > 0.05:
            text += f" asked for; this room's is {angle_text(arrival.elevation_deg)}"
        axes.annotate(
            f"{text}\n{_way_text(arrival)}",
            (0.5 * main, room.ceiling_height_m + _THICK_M if up else -_THICK_M),
            xytext=(0, 3 if up else -3),
            textcoords="offset points",
            ha="center",
            va="bottom" if up else "top",
            size=7.5,
            color=_COLOURS[name],
        )
    axes.set_title("From the side: bounces leave within the tinted patches, ±10°")
    _finish_view(axes, (left, right), (low, high), "m above the floor")


def _top_view(axes: Axes, page: TargetPage) -> None:
    """Draw the room from above, straight ahead to the right, the side wall below."""
    room, target = page.room, page.target
    nearest, main, farthest = room.distances_m
    seats = [(np.sqrt(d**2 - room.seat_aside_m**2), room.seat_aside_m)
             for d in (nearest, main, farthest)]  # fmt: skip
    wall = -room.side_wall_m
    left, right = -0.75, farthest + 0.8
    reach = 0.55 * main
    highest = max(
        (np.sin(np.radians(min(room.toe_in_deg + limit.angle_deg, 90.0)))
         for limit in target.horizontal), default=0.0,
    )  # fmt: skip
    low, high = wall - 0.75, max(room.seat_aside_m, reach * float(highest)) + 0.35
    axes.fill_between([left, right], low, wall, facecolor="white", linewidth=0, zorder=2)
    axes.fill_between([left, right], wall - _THICK_M, wall, zorder=2.1, **_HATCHED)
    axes.plot([left, right], [wall, wall], color=style.INK, linewidth=1.2, zorder=2.2)
    depth, wide, _ = _BODY_M
    corners = np.array([(-depth, -wide / 2), (0, -wide / 2), (0, wide / 2), (-depth, wide / 2)])
    turn = np.radians(room.toe_in_deg)
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    axes.add_patch(Polygon(
        corners @ rotation, facecolor=style.WASH, edgecolor=style.INK, linewidth=0.9
    ))  # fmt: skip
    for shade, limit in zip((0.35, 0.6, 0.8), sorted(
        target.horizontal, key=lambda limit: -limit.angle_deg
    ), strict=False):  # fmt: skip
        low_deg = room.toe_in_deg - limit.angle_deg
        axes.add_patch(Wedge(
            (0, 0), reach, low_deg, room.toe_in_deg + limit.angle_deg,
            facecolor=style.SECOND, alpha=0.28 * shade, linewidth=0,
        ))  # fmt: skip
        edge = np.radians(room.toe_in_deg + limit.angle_deg)
        axes.annotate(
            f"±{limit.angle_deg:g}°",
            (reach * np.cos(edge), reach * np.sin(edge)),
            xytext=(2, 2),
            textcoords="offset points",
            size=7.5,
            color=style.MUTED,
            annotation_clip=True,
        )
    axis = 1.05 * reach * np.array([np.cos(turn), np.sin(turn)])
    axes.plot([0, axis[0]], [0, axis[1]], color=style.MUTED, linewidth=0.8, linestyle=DASHED)
    _source_and_seats(axes, (0, 0), seats)
    ear = seats[1]
    share = room.side_wall_m / (2 * room.side_wall_m + ear[1])
    axes.plot([0, ear[0]], [0, ear[1]], color=_COLOURS["direct"], linewidth=1.6)
    axes.plot(
        [0, share * ear[0], ear[0]], [0, wall, ear[1]], color=_COLOURS["side wall"], linewidth=1.6
    )
    arrival = page.arrivals["side wall"]
    widest = max((limit.angle_deg for limit in target.horizontal), default=0.0)
    inside = "inside" if abs(arrival.azimuth_deg) <= widest else "outside"
    where = f", {inside} the window" if widest else ""
    axes.annotate(
        f"side-wall bounce {angle_text(arrival.azimuth_deg)}{where}\n{_way_text(arrival)}",
        (0.5 * (left + right), wall - _THICK_M),
        xytext=(0, -3),
        textcoords="offset points",
        ha="center",
        va="top",
        size=7.5,
        color=_COLOURS["side wall"],
    )
    axes.set_title(f"From above: the window that stays open (toe-in {room.toe_in_deg:g}°)")
    _finish_view(axes, (left, right), (low, high), "m to the loudspeaker's left")


def _source_and_seats(
    axes: Axes, source: tuple[float, float], seats: Sequence[tuple[float, float]]
) -> None:
    axes.plot(*source, "o", color=style.CANDIDATE, markersize=5, zorder=5)
    for seat in dict.fromkeys(seats):
        is_main = seat == seats[1]
        axes.plot(
            *seat, "o", markersize=9 if is_main else 6, zorder=5,
            markerfacecolor="white", markeredgecolor=style.INK, markeredgewidth=1.1,
        )  # fmt: skip


def _angles_of(target: Target, name: str) -> tuple[float, float]:
    angles = {"floor": target.floor, "ceiling": target.ceiling}[name].angles_deg
    return (min(angles) - 10, max(angles) + 10)


def _patch(
    axes: Axes, start: tuple[float, float], angles: tuple[float, float], colour: str
) -> None:
    axes.add_patch(Wedge(start, 0.9, *angles, facecolor=colour, alpha=0.2, linewidth=0))


def _way_text(arrival: Arrival) -> str:
    return (
        f"{1e3 * arrival.delay_s:.1f} ms later, {arrival.length_m:.2f} m long: "
        f"{arrival.spreading_db:.1f} dB by distance".replace("-", "−")
    )


def _finish_view(
    axes: Axes, across: tuple[float, float], up: tuple[float, float], label: str
) -> None:
    axes.set_aspect("equal", adjustable="box", anchor="W")
    axes.set_xlim(across)
    axes.set_ylim(up)
    axes.set_xlabel("m ahead of the tweeter")
    axes.set_ylabel(label)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


# ------------------------------------------------------------------------------- what is asked


def _upper_limits(axes: Axes, page: TargetPage) -> None:
    """Draw the highest levels allowed towards the bounces."""
    frequency = np.geomspace(500.0, 20_000.0, 400)
    for name, limit in (("floor", page.target.floor), ("ceiling", page.target.ceiling)):
        _limit_curve(axes, limit, _COLOURS[name], f"{name}, {angle_text(limit.angle_deg)}")
        if page.opening_height_m:
            # The dashed line is the estimate that the warning is made with.
            x = page.opening_height_m * frequency / page.sound_speed
            x *= abs(np.sin(np.radians(min(limit.angles_deg, key=abs))))
            level = 20 * np.log10(np.maximum(np.abs(np.sinc(np.minimum(x, 1.0))), 1e-3))
            axes.plot(frequency, level, color=_COLOURS[name], linewidth=0.9, linestyle=DASHED)
    if page.opening_height_m:
        label = f"an opening of {1e3 * page.opening_height_m:g} mm, estimate"
        axes.plot([], [], color=style.MUTED, linewidth=0.9, linestyle=DASHED, label=label)
    axes.set_title("Towards floor and ceiling: at most")
    lowest = min(*page.target.floor.levels_db, *page.target.ceiling.levels_db)
    _finish_limits(axes, min(lowest - 4, -12.0))


def _lower_limits(axes: Axes, page: TargetPage) -> None:
    """Draw the lowest levels wanted in the window and at the seat."""
    limits = [(limit, f"±{limit.angle_deg:g}° to the sides") for limit in page.target.horizontal]
    limits += [(limit, f"±{limit.angle_deg:g}° up and down") for limit in page.target.seat]
    colours = [style.SERIES[number % len(style.SERIES)][0] for number in (3, 2, 4, 0, 1)]
    for number, (limit, label) in enumerate(limits):
        # Thinner and thinner, so that one that lies on another leaves it to be seen.
        _limit_curve(
            axes, limit, colours[number % len(colours)], label, max(4.6 - 1.6 * number, 1.4)
        )
    axes.set_title("To the sides, and a little up and down: at least")
    lowest = min((min(limit.levels_db) for limit, _ in limits), default=-6.0)
    _finish_limits(axes, min(lowest - 4, -12.0))


def _limit_curve(axes: Axes, limit: Limit, colour: str, label: str, width: float = 2.4) -> None:
    """Draw a limit; the lighter it is, the less it weighs."""
    frequency = np.geomspace(limit.frequencies_hz[0], limit.frequencies_hz[-1], 160)
    level, weight = limit.level_at(frequency), limit.weight_at(frequency)
    for start in range(0, len(frequency) - 1, 4):
        part = slice(start, start + 5)
        alpha = float(np.clip(weight[part].mean(), 0.12, 1.0))
        axes.plot(
            frequency[part], level[part], color=colour, linewidth=width, alpha=alpha,
            solid_capstyle="projecting",
        )  # fmt: skip
    axes.plot([], [], color=colour, linewidth=width, label=label)
    axes.plot(limit.frequencies_hz, limit.levels_db, "o", color=colour, markersize=width + 1)


def _finish_limits(axes: Axes, lowest_db: float) -> None:
    axes.axhline(0, color=style.MUTED, linewidth=0.8)
    frequency_axis(axes, (500.0, 20_000.0))
    axes.set_ylim(lowest_db, 2)
    axes.set_ylabel("dB re listening window")
    axes.grid(True, color=style.RULE, linewidth=0.5)
    axes.legend(
        loc="lower left", frameon=True, facecolor="white", edgecolor="none", framealpha=0.85
    )


def _facts(figure: Figure, page: TargetPage) -> None:
    """Write what the curves come to at the ear, and the remarks."""
    lines = []
    for name, limit in (("floor", page.target.floor), ("ceiling", page.target.ceiling)):
        middle = float(np.sqrt(limit.frequencies_hz[0] * limit.frequencies_hz[-1]))
        asked = float(limit.level_at(np.array([middle]))[0])
        arrival = page.arrivals[name]
        lines.append(
            f"{name.capitalize()} bounce at {middle / 1000:.1f} kHz: {asked:.1f} dB leaving, "
            f"{asked + arrival.spreading_db:.1f} dB at the ear re the listening window, "
            f"{1e3 * arrival.delay_s:.1f} ms after it."
        )
    lines.append(
        "Lighter lines weigh less. Outside the lines nothing is asked for: above 10 kHz a dome "
        "narrows by itself. The default levels are common practice, no source."
    )
    lines += [remark[0].upper() + remark[1:] for remark in page.remarks]
    text = "\n".join(_wrapped(line, 175) for line in lines).replace(" -", " −")
    figure.text(0.05, 0.182, text, va="top", size=8.5, linespacing=1.4)


def _wrapped(text: str, width: int) -> str:
    return "\n".join(textwrap.wrap(text, width, subsequent_indent="    "))
