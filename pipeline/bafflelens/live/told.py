# SPDX-License-Identifier: GPL-3.0-or-later
"""What a page is told of a run: its dimensions, the rules along them, rows of its ranking."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Any, Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.parameter_words import unit_text
from bafflelens.base.reading import shown_text
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shape_sections import Choices
from bafflelens.live.frames import json_number
from bafflelens.live.solved import Judge, limits_of
from bafflelens.scoring.ranking import RankedRow

DRAFT_FREQUENCIES: Final = 12

_STEPS: Final = 100
_LOOKED_AT: Final = 21  # places along a dimension where rules are asked


def sliders_of(judge: Judge) -> list[dict[str, Any]]:
    """Return what a page must know of the dimensions that a job searches."""
    parameters = {p.key: p for p in judge.loaded.shape.parameters}
    sliders = []
    for key, setting in judge.searched.items():
        low, high = limits_of(setting)
        choices = list(setting.values) if isinstance(setting, Choices) else []
        sliders.append(
            {
                "key": key,
                "help": parameters[key].help,
                "unit": unit_text(parameters[key].unit),
                "low": low,
                "high": high,
                "step": slider_step(low, high),
                "choices": sorted(choices),
            }
        )
    return sliders


def draft_frequencies(loaded: LoadedJob) -> tuple[float, ...]:
    """Return the twelve frequencies of a draft, evenly spread over the band that is scored."""
    frequencies, judged = loaded.job.frequencies, loaded.job.score
    low = max(frequencies.from_hz, judged.from_hz)
    high = min(frequencies.to_hz, judged.to_hz)
    return tuple(float(f) for f in np.geomspace(low, high, DRAFT_FREQUENCIES))


def all_values(
    judge: Judge, start: Mapping[str, float], given: Mapping[str, Any]
) -> dict[str, float]:
    """Return all parameters of a shape from those that are searched.

    Raises
    ------
    InputError
        If one is missing, unknown, no number, or out of its range.
    """
    values = dict(start)
    for key, setting in judge.searched.items():
        value = given.get(key)
        low, high = limits_of(setting)
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if value is None or not is_number or not low <= value <= high:
            rule = f"from {low:g} to {high:g}"
            raise InputError(invalid(f"value of {key}", shown_text(value), rule))
        values[key] = float(value)
    unknown = set(given) - set(judge.searched)
    if unknown:
        rule = "one of " + ", ".join(judge.searched)
        raise InputError(invalid("parameter", shown_text(sorted(unknown)[0]), rule))
    return values


def broken_stretches(judge: Judge, values: Mapping[str, float]) -> dict[str, list[list[Any]]]:
    """Return where along each dimension a rule would break, the others being as they are.

    Returns
    -------
    dict of str to list of [from, to, rule]
        By key; stretches of its range.
    """
    found: dict[str, list[list[Any]]] = {}
    for key, setting in judge.searched.items():
        low, high = limits_of(setting)
        half = (high - low) / (2 * (_LOOKED_AT - 1))
        stretches: list[list[Any]] = []
        for value in np.linspace(low, high, _LOOKED_AT):
            faults = judge.faults({**values, key: float(value)})
            if not faults:
                continue
            start = max(float(value) - half, low)
            if stretches and abs(stretches[-1][1] - start) < half / 10:
                stretches[-1][1] = min(float(value) + half, high)
            else:
                stretches.append([start, min(float(value) + half, high), faults[0]])
        found[key] = stretches
    return found


def row_of(row: RankedRow, usual: Container[str] = ()) -> dict[str, Any]:
    """Return what a page shows of a row of the ranking.

    A candidate has a ``name`` where its label begins by none of the usual ones.
    """
    candidate = row.candidate
    is_named = candidate.label.split(",")[0] not in usual
    return {
        "id": candidate.id,
        "name": candidate.label if is_named else "",
        "label": candidate.label,
        "place": row.place,
        "status": str(row.status),
        "score_db": json_number(candidate.score.total_db) if candidate.score else None,
        "notes": list(row.notes),
    }


def slider_step(low: float, high: float) -> float:
    """Return a step that somebody would write down, a hundredth of a range or a little less.

    A range of one value alone has the step 1, which nothing can take.
    """
    if high <= low:
        return 1.0
    rough = (high - low) / _STEPS
    power = 10 ** np.floor(np.log10(rough))
    return float(max(one for one in (1.0, 2.0, 5.0) if one * power <= rough * 1.0001) * power)
