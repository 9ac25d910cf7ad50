# SPDX-License-Identifier: GPL-3.0-or-later
"""The declaration of a STEP file whose faces carry the names of their surfaces."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from bafflelens.mesh.source_motion import SourceMotion


def declaration_bytes(
    title: str, step: str, surfaces: Iterable[str], motions: Sequence[SourceMotion]
) -> bytes:
    """Return a declaration (TOML) with which a solid can be read again as a shape.

    Parameters
    ----------
    title : str
        A line that says what it is.
    step : str
        Name of the STEP file beside it.
    surfaces : iterable of str
        Names of the surfaces, as the file's faces are called.
    motions : sequence of SourceMotion
        What moves.
    """
    lines = [f"title = {_text(title)}", f"step = {_text(step)}", "", "[surfaces]"]
    lines += [f"{_text(name)} = {{ named = [{_text(name)}] }}" for name in sorted(set(surfaces))]
    for motion in motions:
        lines += [
            "",
            "[[sources]]",
            f"name = {_text(motion.name)}",
            f"axis = {_numbers(motion.axis)}",
            f"centre_mm = {_numbers(1e3 * value for value in motion.centre)}",
            f"piston_surfaces = {_texts(motion.piston_surfaces)}",
            f"taper_surfaces = {_texts(motion.taper_surfaces)}",
            f"inner_radius_mm = {_number(1e3 * motion.inner_radius_m)}",
            f"outer_radius_mm = {_number(1e3 * motion.outer_radius_m)}",
        ]
    return ("\n".join(lines) + "\n").encode()


def _text(value: str) -> str:
    return json.dumps(value)  # strings of JSON are strings of TOML, too


def _texts(values: Iterable[str]) -> str:
    return f"[{', '.join(map(_text, values))}]"


def _number(value: float) -> str:
    return repr(round(float(value), 9))


def _numbers(values: Iterable[float]) -> str:
    return f"[{', '.join(map(_number, values))}]"
