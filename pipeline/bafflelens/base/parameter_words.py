# SPDX-License-Identifier: GPL-3.0-or-later
"""Parameters of shapes as people call them, instead of their keys in a job."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

_UNITS: Final = {"deg": "°", "pct": "%", "kpa_s_m2": "kPa s/m²"}
_ENDING: Final = re.compile(r"(.+)_(mm|cm|m|deg|pct|hz|khz|kg|s|c|kpa_s_m2)")


def split_key(key: str) -> tuple[str, str, str]:
    """Return part, name and unit of a parameter's key.

    Examples
    --------
    >>> split_key("lens.opening_height_mm")
    ('lens', 'opening height', 'mm')
    """
    part, _, name = key.rpartition(".")
    found = _ENDING.fullmatch(name)
    words, unit = (found[1], found[2]) if found else (name, "")
    return part, words.replace("_", " "), unit_text(unit)


def unit_text(unit: str) -> str:
    """Return a unit as people write it, ``°`` for ``deg``."""
    return _UNITS.get(unit, unit)


def called(key: str) -> str:
    """Return what a parameter is called: its part and its name; words that are no key stay.

    Examples
    --------
    >>> called("lens.wall_half_angle_deg"), called("upper.mouth_height_mm")
    ('lens wall half angle', 'upper mouth height')
    >>> called("KD (pilot hole for wood 3.5)")
    'KD (pilot hole for wood 3.5)'
    """
    if " " in key:
        return key
    part, name, _ = split_key(key)
    return f"{part} {name}".strip()


def change_called(name: str) -> str:
    """Return what a changed shape is called: whose it is, and what was changed.

    Examples
    --------
    >>> change_called("c003.lens.lip_radius_mm.less"), change_called("c003")
    ('c003, lens lip radius less', 'c003')
    """
    candidate, _, rest = name.partition(".")
    key, _, side = rest.rpartition(".")
    return f"{candidate}, {called(key)} {side}" if key else name


def short_names(keys: Iterable[str]) -> list[str]:
    """Return names without the part where that leaves no doubt.

    Examples
    --------
    >>> short_names(["lens.depth_mm", "upper.blend_mm", "lower.blend_mm"])
    ['depth', 'upper blend', 'lower blend']
    """
    known = list(keys)
    names = [split_key(key)[1] for key in known]
    return [
        name if names.count(name) == 1 else called(key)
        for key, name in zip(known, names, strict=True)
    ]


def amount(value: float, unit: str) -> str:
    """Return a value with its unit, ``34 mm`` or ``40°``.

    Examples
    --------
    >>> amount(34.04, "mm"), amount(40.0, "deg"), amount(0.25, "mm")
    ('34 mm', '40°', '0.25 mm')
    """
    digits = f"{value:.0f}" if abs(value) >= 10 else f"{float(f'{value:.2g}'):g}"
    text, shown = digits.replace("-", "−"), unit_text(unit)
    return f"{text}{shown}" if shown == "°" else f"{text} {shown}".rstrip()
