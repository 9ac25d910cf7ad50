# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensions of a candidate that a person reads: what is built, and not what is not there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from bafflelens.base.parameter_words import called, split_key
from bafflelens.job.job_file import LoadedJob
from bafflelens.report import words
from bafflelens.shapes.meshing.loading import dimensions_of_shape


def dimensions_in(loaded: LoadedJob) -> Callable[[str, Mapping[str, float]], dict[str, float]]:
    """Return what tells the dimensions of a job's candidates from their id and their values.

    Each script is loaded once. What comes back is by key, in the script's order: a value that
    stands for another one is that one, and what is not there is left out.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    """
    known: dict[Path, Callable[[Mapping[str, float]], dict[str, float]]] = {}

    def dimensions(candidate_id: str, values: Mapping[str, float]) -> dict[str, float]:
        shape = loaded.shape_of(candidate_id)
        if shape.script not in known:
            known[shape.script] = dimensions_of_shape(shape)
        return known[shape.script](values)

    return dimensions


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
