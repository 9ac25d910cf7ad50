# SPDX-License-Identifier: GPL-3.0-or-later
"""Which sizes of a shape a job searches or gives, and which are the script's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bafflelens.base.parameter_words import amount, called
from bafflelens.job.shape_sections import Choices, Fixed, Setting, Span
from bafflelens.shapes.meshing.parameters import Parameter

SEARCHED, GIVEN, DEFAULT = "Searched", "Given by the job", "Not given: the script's own"


def origins_of(
    parameters: Sequence[Parameter], settings: Mapping[str, Setting]
) -> dict[str, tuple[str, ...]]:
    """Return sizes in words by where they come from; what is empty is left out.

    Parameters
    ----------
    parameters : sequence of Parameter
        What the script of the candidates has.
    settings : mapping of str to Setting
        What the job says of them, by key.

    Returns
    -------
    dict of str to tuple of str
        ``lip radius 6 to 16 mm``, for instance; of the script's own sizes those that are 0 stand
        for what is not there, or as another, and are left out.
    """
    found: dict[str, list[str]] = {SEARCHED: [], GIVEN: [], DEFAULT: []}
    for parameter in parameters:
        name, unit = called(parameter.key), parameter.unit
        match settings.get(parameter.key):
            case Span(low, high):
                span = f"{amount(low, '')} to {amount(high, unit)}"
                found[SEARCHED].append(f"{name} {span}")
            case Choices(values):
                listed = " or ".join(amount(value, unit) for value in values)
                found[SEARCHED].append(f"{name} {listed}")
            case Fixed(value):
                found[GIVEN].append(f"{name} {amount(value, unit)}")
            case None if parameter.default:
                found[DEFAULT].append(f"{name} {amount(parameter.default, unit)}")
    return {origin: tuple(texts) for origin, texts in found.items() if texts}
