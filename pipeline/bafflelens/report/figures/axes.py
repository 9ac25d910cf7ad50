# SPDX-License-Identifier: GPL-3.0-or-later
"""Axes that the figures have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, NullLocator

FULL_WIDTH: Final = 11.2  # in, the width of a page's content
BEAM_DB: Final = -6.0
DASHED: Final = (0.0, (4.0, 1.5))


@dataclass(frozen=True, kw_only=True)
class Scales:
    """Axis limits that all figures of one report share, so that they can be compared.

    Attributes
    ----------
    frequency_hz : tuple of 2 floats
        Lowest and highest frequency in Hz.
    scored_hz : tuple of 2 floats
        The band that the score looks at, in Hz.
    response_db, bounce_db, directivity_db : tuple of 2 floats
        Level axes in dB.
    beamwidth_deg : float
        Top of the beamwidth axis in degrees.
    response_label : str
        Title of the response axis: what its levels are re.
    """

    frequency_hz: tuple[float, float]
    scored_hz: tuple[float, float]
    response_db: tuple[float, float]
    bounce_db: tuple[float, float]
    directivity_db: tuple[float, float]
    beamwidth_deg: float
    response_label: str = "Level in dB re baseline mean"


def signed(value: float) -> str:
    """Return a number with a true minus sign, and a plus where it is positive."""
    return f"{value:+g}".replace("-", "−") if value else "0"


def frequency_axis(axes: Axes, limits: tuple[float, float], *, small: bool = False) -> None:
    """Make the x axis logarithmic with 1-2-5 labels in kHz; a small one has no title."""
    axes.set_xscale("log")
    axes.set_xlim(limits)
    inside = [
        digit * 10.0**power
        for power in range(1, 6)
        for digit in range(1, 10)
        if limits[0] * 0.97 <= digit * 10.0**power <= limits[1] * 1.03
    ]
    named = [f for f in inside if f"{f:.0e}"[0] in "125"]
    if not small and named and limits[1] / named[-1] > 1.22:
        named.append(limits[1])
    if len(named) < 2:
        named = inside if len(inside) > 1 else list(limits)
    axes.xaxis.set_major_locator(FixedLocator(named))
    axes.xaxis.set_major_formatter(
        FixedFormatter([f"{float(f'{f / 1000:.2g}'):g}" for f in named])
    )
    if small:
        axes.xaxis.set_minor_locator(NullLocator())
        axes.tick_params(labelsize=7)
    else:
        axes.xaxis.set_minor_locator(FixedLocator([f for f in inside if f not in named]))
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.set_xlabel("Frequency in kHz")


def angle_axis(axes: Axes, plane: str, step: int) -> None:
    """Make the y axis one of angles on an orbit, with a label every `step` degrees."""
    axes.set_ylim(-180, 180)
    ticks = list(range(-180, 181, step))
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_major_formatter(FixedFormatter([signed(tick) for tick in ticks]))
    sides = {"horizontal": "right − / left +", "vertical": "down − / up +"}[plane]
    axes.set_ylabel(f"Angle in °, {sides}")
