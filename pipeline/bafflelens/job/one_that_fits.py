# SPDX-License-Identifier: GPL-3.0-or-later
"""One set of parameters of a section that keeps the rules of its shape, out of all it allows."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from typing import Final

from bafflelens.base.errors import GeometryError
from bafflelens.job.shape_sections import Choices, Fixed, GeometrySection, ShapeSection, Span
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.parameters import Parameter, Shape, broken_rules

_DRAWS: Final = 64
_SEED: Final = 1


def one_that_fits(
    section: ShapeSection | None, geometry: GeometrySection | None, shape: Shape
) -> dict[str, float] | None:
    """Return one set of values that a section allows and its shape can be built with.

    The ends and middles of all ranges are tried, then random draws, always the same.

    Parameters
    ----------
    section : ShapeSection or None
        The section; its values come first.
    geometry : GeometrySection or None
        That of the candidates, for parameters that the section does not give.
    shape : Shape
        The shape; values outside its own ranges are left out, since others say that.

    Returns
    -------
    dict or None
        Values by key. None where the section allows many and none of those that were tried
        keeps the rules; where it allows only one, that one, whether or not it does.
    """
    given = {
        **(geometry.parameters if geometry else {}),
        **(section.parameters if section else {}),
    }
    choices = {
        parameter.key: found
        for parameter in shape.parameters
        if (found := _allowed(given.get(parameter.key), parameter))
    }
    is_single = all(len(values) == 1 for values in choices.values())
    if is_single:
        return {key: values[0] for key, values in choices.items()}
    module = load_script(shape.script)
    for values in _combinations(choices):
        try:
            if not broken_rules(module, shape, values):
                return values
        except GeometryError:  # a script that cannot judge these may be able to judge others
            continue
    return None


def _allowed(setting: object, parameter: Parameter) -> tuple[float, ...]:
    """Return values that a setting allows, with the ends of a range and its middle."""
    match setting:
        case Fixed(value):
            values: tuple[float, ...] = (value,)
        case Span(low, high):
            values = (low, high, (low + high) / 2)
        case Choices(values):
            pass
        case _:
            return ()
    return tuple(value for value in values if parameter.low <= value <= parameter.high)


def _combinations(choices: Mapping[str, tuple[float, ...]]) -> Iterator[dict[str, float]]:
    """Yield combinations: the first, second ... value of each, then draws."""
    most = max(len(values) for values in choices.values())
    for place in range(most):  # as a list of values is meant, too
        yield {key: values[min(place, len(values) - 1)] for key, values in choices.items()}
    draw = random.Random(_SEED)
    for _ in range(_DRAWS):
        yield {
            key: values[0] if len(values) == 1 else draw.choice(values)
            for key, values in choices.items()
        }
