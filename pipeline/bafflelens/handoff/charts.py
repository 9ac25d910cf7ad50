# SPDX-License-Identifier: GPL-3.0-or-later
"""Polars and levels over frequency on paper, at scales that never change.

A measurement printed at the same scale can be laid on top: 1.5 mm a decibel in polars, 2 mm a
decibel over frequency, at 50 or 25 dB a decade (the usual ratios of IEC 60263).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.paper import BOLD, FONT, MM, use_fonts
from bafflelens.report import style
from bafflelens.report.curves import Mark

POLAR_MM_PER_DB: Final = 1.5
POLAR_DB: Final = (-30.0, 5.0)
LEVEL_MM_PER_DB: Final = 2.0
_DB_PER_DECADE: Final = (50.0, 25.0)
_WIDEST_MM: Final = 166.0
_LEFT_MM: Final = 12.0
_DASH_MM: Final = 0.45
_THIN_MM: Final = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """A line of a chart: its label, where it is and how it is drawn."""

    label: str
    along: FloatArray
    level_db: FloatArray
    colour: str
    dash: style.Dash = "-"
    width_mm: float = 0.45


def behind(curves: Sequence[Curve], name: str) -> list[Curve]:
    """Return the baseline's curves as they stand behind a candidate's: pale, one label for all."""
    return [
        replace(
            curve,
            label="" if number else f"pale: {name}",
            colour=style.pale(curve.colour),
            dash="-",
            width_mm=2 * curve.width_mm,
        )
        for number, curve in enumerate(curves)
    ]


def polar_chart(
    title: str, words: tuple[str, str], curves: Sequence[Curve], marks: Sequence[Mark]
) -> Any:
    """Return a polar plot: `along` is the angle in degrees, 0 up, positive to the left.

    Parameters
    ----------
    title : str
        Stands above it.
    words : tuple of str
        What 90 and -90 degrees are.
    curves : sequence of Curve
        Levels re the axis.
    marks : sequence of Mark
        Angles that are marked.
    """
    radius = (POLAR_DB[1] - POLAR_DB[0]) * POLAR_MM_PER_DB
    height = 2 * radius + 11

    def draw(canvas: Any) -> None:
        _text(canvas, 0, height - 3, title, bold=True)
        canvas.saveState()
        canvas.translate(radius + 14, radius + 3.5)
        _polar_frame(canvas, radius, words, marks)
        for curve in curves:
            _polar_curve(canvas, curve)
        canvas.restoreState()
        _legend(canvas, curves, 2 * radius + 32, height - 14)

    return _flowable(draw, 180.0, height)


def _polar_frame(
    canvas: Any, radius: float, words: tuple[str, str], marks: Sequence[Mark]
) -> None:
    for level in (*np.arange(POLAR_DB[0] + 3, POLAR_DB[1], 3.0), POLAR_DB[1]):
        is_main = level in (0.0, POLAR_DB[1])
        colour = style.MUTED if is_main else style.RULE
        _pen(canvas, colour, 0.2 if is_main or level % 6 == 0 else _THIN_MM)
        canvas.circle(0, 0, (level - POLAR_DB[0]) * POLAR_MM_PER_DB)
    for angle in range(-180, 180, 10):
        side, ahead = -math.sin(math.radians(angle)), math.cos(math.radians(angle))
        strong = angle % 30 == 0
        _pen(canvas, style.RULE, 0.2 if strong else _THIN_MM)
        inner = 0.0 if strong else 12 * POLAR_MM_PER_DB
        canvas.line(inner * side, inner * ahead, radius * side, radius * ahead)
        if strong:
            word = {90: words[0], -90: words[1]}.get(angle, "")
            text = f"{_signed(angle) if angle > -180 else '±180'}° {word}".strip()
            _around(canvas, radius + 2, angle, text)
    for mark in marks:
        side = -math.sin(math.radians(mark.angle_deg))
        ahead = math.cos(math.radians(mark.angle_deg))
        _pen(canvas, style.TARGET, 0.3, (1.5, 1.0))
        canvas.line(0.2 * radius * side, 0.2 * radius * ahead, radius * side, radius * ahead)
        # Below the angle's own label where they would meet.
        lower = 3.2 if abs((mark.angle_deg + 15) % 30 - 15) < 6 else 0.0
        _around(canvas, radius + 2, mark.angle_deg, mark.word, colour=style.TARGET, lower=lower)
    for level in (0.0, -6.0, -12.0, -18.0, -24.0):
        away = (level - POLAR_DB[0]) * POLAR_MM_PER_DB
        x, y = away * math.sin(math.radians(165)), away * math.cos(math.radians(165))
        canvas.setFillColor("white")
        canvas.rect(x - 3, y - 1.2, 6, 2.8, stroke=0, fill=1)
        canvas.setFillColor(style.MUTED)
        canvas.setFont(FONT, 2.2)
        canvas.drawCentredString(
            x, y - 0.6, f"{_signed(level)} dB" if not level else _signed(level)
        )
    canvas.setFillColor("black")


def _around(
    canvas: Any,
    radius: float,
    angle_deg: float,
    text: str,
    *,
    colour: str = style.INK,
    lower: float = 0.0,
) -> None:
    side, ahead = -math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))
    canvas.setFillColor(colour)
    canvas.setFont(FONT, 2.5)
    write = (
        canvas.drawCentredString
        if abs(side) < 0.1
        else (canvas.drawString if side > 0 else canvas.drawRightString)
    )
    write(radius * side, radius * ahead - 0.9 - lower, text)
    canvas.setFillColor("black")


def _polar_curve(canvas: Any, curve: Curve) -> None:
    away = (np.clip(curve.level_db, *POLAR_DB) - POLAR_DB[0]) * POLAR_MM_PER_DB
    angle = np.radians(curve.along)
    _line(canvas, curve, -away * np.sin(angle), away * np.cos(angle))


# ------------------------------------------------------------------------ over frequency


def level_chart(
    title: str,
    label: str,
    curves: Sequence[Curve],
    frequency_hz: tuple[float, float],
    level_db: tuple[float, float],
    scored_hz: tuple[float, float],
) -> Any:
    """Return levels over frequency: `along` is the frequency in Hz.

    Parameters
    ----------
    title, label : str
        Stand above it, to the left and to the right.
    curves : sequence of Curve
        The lines; what lies outside of the axes is cut.
    frequency_hz, level_db : (float, float)
        Ends of the axes.
    scored_hz : (float, float)
        The band that is shaded.
    """
    decade = decade_mm(frequency_hz)
    width = decade * math.log10(frequency_hz[1] / frequency_hz[0])
    tall = (level_db[1] - level_db[0]) * LEVEL_MM_PER_DB
    below, above = 12.0, 6.0

    def draw(canvas: Any) -> None:
        _text(canvas, 0, tall + below + 2, title, bold=True)
        canvas.setFont(FONT, 2.5)
        canvas.drawRightString(_LEFT_MM + width, tall + below + 2, label)
        _legend_across(canvas, curves, _LEFT_MM, 1.2)
        canvas.saveState()
        canvas.translate(_LEFT_MM, below)
        _level_frame(canvas, frequency_hz, level_db, scored_hz, decade)
        clip = canvas.beginPath()
        clip.rect(0, 0, width, tall)
        canvas.clipPath(clip, stroke=0)
        for curve in curves:
            across = decade * np.log10(curve.along / frequency_hz[0])
            _line(canvas, curve, across, (curve.level_db - level_db[0]) * LEVEL_MM_PER_DB)
        canvas.restoreState()

    return _flowable(draw, 180.0, tall + below + above)


def decade_mm(frequency_hz: tuple[float, float]) -> float:
    """Return the length of a decade, so that a level axis has one of the usual slopes."""
    decades = math.log10(frequency_hz[1] / frequency_hz[0])
    for slope in _DB_PER_DECADE:
        if slope * LEVEL_MM_PER_DB * decades <= _WIDEST_MM:
            return slope * LEVEL_MM_PER_DB
    return _DB_PER_DECADE[-1] * LEVEL_MM_PER_DB


def _level_frame(
    canvas: Any,
    frequency_hz: tuple[float, float],
    level_db: tuple[float, float],
    scored_hz: tuple[float, float],
    decade: float,
) -> None:
    width = decade * math.log10(frequency_hz[1] / frequency_hz[0])
    tall = (level_db[1] - level_db[0]) * LEVEL_MM_PER_DB
    low, high = (min(max(decade * math.log10(f / frequency_hz[0]), 0.0), width) for f in scored_hz)
    canvas.setFillColor(style.WASH)
    canvas.rect(low, 0, high - low, tall, stroke=0, fill=1)
    canvas.setFillColor("black")
    for power in range(1, 6):
        for digit in range(1, 10):
            frequency = digit * 10.0**power
            if not frequency_hz[0] * 0.999 <= frequency <= frequency_hz[1] * 1.001:
                continue
            x = decade * math.log10(frequency / frequency_hz[0])
            named = digit in (1, 2, 5)
            _pen(canvas, style.RULE, 0.2 if named else _THIN_MM)
            canvas.line(x, 0, x, tall)
            if named:
                canvas.setFont(FONT, 2.3)
                canvas.drawCentredString(
                    x, -3.4, f"{frequency / 1000:g}k" if power > 2 else f"{frequency:g}"
                )
    for level in np.arange(level_db[0], level_db[1] + 0.1, 1.0):
        if level % 5:
            continue
        y = (level - level_db[0]) * LEVEL_MM_PER_DB
        _pen(canvas, style.MUTED if level == 0 else style.RULE, 0.2)
        canvas.line(0, y, width, y)
        canvas.setFont(FONT, 2.3)
        canvas.drawRightString(-1, y - 0.8, _signed(float(level)))
    canvas.setFont(FONT, 2.3)
    canvas.drawRightString(width, -6.4, "Hz; shaded: the scored band")


def _legend(canvas: Any, curves: Sequence[Curve], x: float, y: float) -> None:
    for number, curve in enumerate(curve for curve in curves if curve.label):
        _key(canvas, curve, x, y - 5 * number)


def _legend_across(canvas: Any, curves: Sequence[Curve], x: float, y: float) -> None:
    for curve in curves:
        x = _key(canvas, curve, x, y) + 4 if curve.label else x


def _key(canvas: Any, curve: Curve, x: float, y: float) -> float:
    """Draw a line's key and return where it ends."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    _pen(canvas, curve.colour, curve.width_mm, _dash(curve))
    canvas.line(x, y + 0.8, x + 9, y + 0.8)
    canvas.setFont(FONT, 2.5)
    canvas.drawString(x + 10.5, y, curve.label)
    return float(x + 10.5 + stringWidth(curve.label, FONT, 2.5))


def _line(canvas: Any, curve: Curve, x: FloatArray, y: FloatArray) -> None:
    known = np.isfinite(x) & np.isfinite(y)
    path = canvas.beginPath()
    is_down = False
    for here, across, up in zip(known.tolist(), x.tolist(), y.tolist(), strict=True):
        if here:
            (path.lineTo if is_down else path.moveTo)(across, up)
        is_down = here
    _pen(canvas, curve.colour, curve.width_mm, _dash(curve))
    canvas.setLineJoin(1)
    canvas.drawPath(path)


def _dash(curve: Curve) -> tuple[float, ...]:
    return () if isinstance(curve.dash, str) else tuple(_DASH_MM * part for part in curve.dash[1])


def _pen(canvas: Any, colour: str, width_mm: float, dash: tuple[float, ...] = ()) -> None:
    canvas.setStrokeColor(colour)
    canvas.setLineWidth(width_mm)
    canvas.setDash(*([list(dash)] if dash else []))


def _text(canvas: Any, x: float, y: float, text: str, *, bold: bool = False) -> None:
    canvas.setFillColor(style.INK)
    canvas.setFont(BOLD if bold else FONT, 2.9)
    canvas.drawString(x, y, text)
    canvas.setFillColor("black")


def _signed(value: float) -> str:
    return f"{value:+g}".replace("-", "−") if value else "0"


def _flowable(draw: Any, width_mm: float, height_mm: float) -> Any:
    use_fonts()
    found = _chart_class()(width_mm * MM, height_mm * MM)
    found.draw_mm = draw
    return found


@cache
def _chart_class() -> Any:
    """Return the class of what is drawn in millimetres; the library is slow to load."""
    from reportlab.platypus import Flowable

    class Chart(Flowable):  # type: ignore[misc]
        """A drawing of a fixed size."""

        draw_mm: Any = None

        def __init__(self, width: float, height: float) -> None:
            super().__init__()
            self.width, self.height = width, height

        def draw(self) -> None:
            self.canv.saveState()
            self.canv.scale(MM, MM)
            self.draw_mm(self.canv)
            self.canv.restoreState()

    return Chart
