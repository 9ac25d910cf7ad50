# SPDX-License-Identifier: GPL-3.0-or-later
"""Lengths that were meant in another unit."""

from __future__ import annotations


def other_unit(value: float, unit: str, low: float, high: float) -> str:
    """Return a hint where a length out of range would lie in it in another unit.

    Examples
    --------
    >>> other_unit(0.19, "mm", 120, 400)
    '; is it in metres? 0.19 m are 190 mm'
    >>> other_unit(5, "mm", 120, 400)
    ''
    """
    for name, factor in (("metres", 1e3), ("centimetres", 10.0)):
        short = "m" if name == "metres" else "cm"
        if unit == "mm" and low <= value * factor <= high:
            return f"; is it in {name}? {value:g} {short} are {value * factor:g} mm"
    if unit == "m" and low <= value / 1e3 <= high:
        return f"; is it in millimetres? {value:g} mm are {value / 1e3:g} m"
    return ""
