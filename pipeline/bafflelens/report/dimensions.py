# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensions of a shape that matter, in words: 34 mm deep, mouth 91 mm, walls 40°."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.parameter_words import amount, short_names, split_key
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.surface_names import surface_kind

_MOST_TOLD: Final = 6
_LEAST_DEPTH_MM: Final = 1.0
_SHORTER: Final = {
    "opening height": "mouth",
    "wall half angle": "walls",
    "lip radius": "lip",
    "side angle": "floor to the sides",
}
"""How the workshop calls what has a longer name in a job; any other name is told as it is."""


@dataclass(frozen=True, kw_only=True)
class Dimension:
    """A dimension of a shape.

    Attributes
    ----------
    key : str
        The parameter, or ``depth`` where it was measured on the mesh.
    word : str
        What it is called.
    value : float
        In `unit`.
    unit : str
        ``mm``, ``deg`` ...
    """

    key: str
    word: str
    value: float
    unit: str

    @property
    def text(self) -> str:
        """What it is called and its value."""
        if self.key == "depth":
            return f"{amount(self.value, self.unit)} deep"
        return f"{self.word} {amount(self.value, self.unit)}"


def dimensions_of(
    known: Mapping[str, float],
    searched: Collection[str],
    mesh: Mesh | None,
) -> tuple[Dimension, ...]:
    """Return the dimensions that make a candidate what it is: its depth, and what was searched.

    Parameters
    ----------
    known : mapping of str to float
        What is built of its parameters, by key (`job.dimensions`).
    searched : collection of str
        Keys of the parameters that were searched.
    mesh : Mesh or None
        Its surface, from which the depth is taken.
    """
    depth_mm = depth_of(mesh) if mesh is not None else 0.0
    keys = [key for key in known if key in searched]
    found = []
    if depth_mm >= _LEAST_DEPTH_MM:
        keys = [key for key in keys if key != "lens.depth_mm"]
        found = [Dimension(key="depth", word="depth", value=depth_mm, unit="mm")]
    for key, name in zip(keys, short_names(keys), strict=True):
        unit = key.rpartition("_")[2] if split_key(key)[2] else ""
        found.append(
            Dimension(key=key, word=_SHORTER.get(name, name), value=known[key], unit=unit)
        )
    return tuple(found)


def dimension_words(dimensions: Sequence[Dimension]) -> str:
    """Return dimensions in a line, ``34 mm deep, mouth 91 mm``; empty if there are none."""
    told = [dimension.text for dimension in dimensions[:_MOST_TOLD]]
    left = len(dimensions) - len(told)
    return ", ".join(told) + (f", and {left} more below" if left else "")


def depth_of(mesh: Mesh) -> float:
    """Return how far the rim of the foremost dome lies behind the front plane, in mm."""
    rims = [
        float(np.median(mesh.corners[mesh.surface == name][..., 0]))
        for name in np.unique(mesh.surface)
        if surface_kind(str(name)) == "surround"
    ]
    return -1e3 * max(rims) if rims else 0.0
