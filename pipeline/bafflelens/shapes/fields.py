# SPDX-License-Identifier: GPL-3.0-or-later
"""Fields of the dataclasses that hold a shape's parameters: a number, its unit and its range."""

from __future__ import annotations

from dataclasses import field


def length(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds a length in mm."""
    return _number("mm", default, low, high, text)


def angle(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds an angle in degrees."""
    return _number("deg", default, low, high, text)


def share(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds a share in per cent."""
    return _number("pct", default, low, high, text)


def flow_resistivity(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds a static air-flow resistivity in kPa s/m^2."""
    return _number("kpa_s_m2", default, low, high, text)


def _number(unit: str, default: float, low: float, high: float, text: str) -> float:
    metadata = {"unit": unit, "range": (low, high), "help": text}
    made: float = field(default=default, metadata=metadata)
    return made
