# SPDX-License-Identifier: GPL-3.0-or-later
"""The lines of one template on its page: what it is, what it was before, where it ends."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.paper import FONT
from bafflelens.handoff.template_stations import changes_mm, front_line

if TYPE_CHECKING:
    from bafflelens.handoff.templates import Template

_CHANGE_STEP_MM: Final = 20.0
_LEAST_CHANGE_MM: Final = 0.05
_BEFORE_FRONT_MM: Final = 2.0
_BESIDE_MM: Final = 1.0  # lines along the edge are drawn as wide as the others


def draw_outlines(canvas: Any, template: Template) -> None:
    """Draw the piece and what it was before, as far as it reaches."""
    canvas.saveState()
    if template.reach_mm is not None:
        (left, low), (right, high) = template.box_mm
        clip = canvas.beginPath()
        clip.rect(left - _BESIDE_MM, low, right - left + 2 * _BESIDE_MM, high - low)
        canvas.clipPath(clip, stroke=0)
    for loop in template.loops:
        _draw_loop(canvas, loop)
    canvas.setDash(2.5, 1)
    for loop in template.before:
        _draw_loop(canvas, loop)
    canvas.restoreState()


def _draw_loop(canvas: Any, loop: FloatArray) -> None:
    path = canvas.beginPath()
    path.moveTo(*loop[0].tolist())
    for point in loop[1:].tolist():
        path.lineTo(*point)
    path.close()
    canvas.drawPath(path)


def draw_ends(canvas: Any, template: Template) -> None:
    """Draw straight cuts where a template reaches no farther, and what its axes are."""
    (left, low), (right, high) = template.box_mm
    canvas.setLineWidth(0.25)
    if template.reach_mm is not None:
        for end in (low, high):
            canvas.line(left, end, right, end)
    canvas.setFont(FONT, 2.2)
    axis = "axis" if template.across == "r" else f"{template.across} = 0"
    canvas.drawString(right + 6, -3, f"datum: {axis}")
    canvas.drawString(1.5, low - 4.5, "datum: front plane, x = 0")


def draw_changes(canvas: Any, template: Template) -> None:
    """Write beside the line what is to be added (+) or taken away, every two centimetres."""
    (_, low), (_, high) = template.box_mm
    at = np.arange(math.ceil(low / _CHANGE_STEP_MM), high // _CHANGE_STEP_MM + 1) * _CHANGE_STEP_MM
    lines = front_line(template.loops, at)
    canvas.setFont(FONT, 2.2)
    canvas.setLineWidth(0.1)  # narrower than what is cut
    for place, x, change in zip(
        at, lines, changes_mm(template.before, template.loops, at), strict=True
    ):
        if not math.isfinite(change):
            continue
        word = "as it is"
        if abs(change) >= _LEAST_CHANGE_MM:
            word = f"{'add' if change > 0 else 'take'} {abs(change):.1f} mm"
        beside = max(float(x) + 2.0, _BEFORE_FRONT_MM)  # clear of the datum in the front plane
        canvas.line(x, place, beside, place)
        canvas.drawString(beside + 0.5, place + 0.5, word)
