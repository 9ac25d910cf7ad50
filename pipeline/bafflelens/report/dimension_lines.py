# SPDX-License-Identifier: GPL-3.0-or-later
"""All dimensions of a candidate as text: a line for each part, or all of them in one."""

from __future__ import annotations

from collections.abc import Mapping

from bafflelens.base.parameter_words import called, split_key
from bafflelens.report import words


def by_part(dimensions: Mapping[str, float]) -> list[str]:
    """Return dimensions by key in a line for each part.

    Examples
    --------
    >>> by_part({"lens.depth_mm": 24.0, "upper.mouth_height_mm": 52.4, "upper.blend_mm": 8.0})
    ['lens: depth 24 mm', 'upper: mouth height 52.4 mm, blend 8 mm']
    """
    lines: dict[str, list[str]] = {}
    for key, value in dimensions.items():
        part, name, unit = split_key(key)
        lines.setdefault(part, []).append(f"{name} {words.with_unit(value, unit)}")
    return [f"{part}: {', '.join(told)}".removeprefix(": ") for part, told in lines.items()]


def in_a_line(dimensions: Mapping[str, float]) -> str:
    """Return dimensions by key in a line, each with its name and its unit.

    Examples
    --------
    >>> in_a_line({"upper.mouth_height_mm": 52.4, "upper.opening_angle_deg": 40.8})
    'upper mouth height 52.4 mm, upper opening angle 40.8°'
    """
    return ", ".join(
        f"{called(key)} {words.with_unit(value, split_key(key)[2])}"
        for key, value in dimensions.items()
    )
