# SPDX-License-Identifier: GPL-3.0-or-later
"""A ranking as tables: places, what each candidate pays for, parameters, the seat."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from bafflelens.base.parameter_words import short_names, split_key
from bafflelens.base.status import Status
from bafflelens.commands.console import decibel_figure, new_table, say, show_table

if TYPE_CHECKING:
    from bafflelens.scoring.ranking import RankedRow, Remeshing
    from bafflelens.scoring.seat import SeatBounce
    from bafflelens.scoring.sensitivity import Robustness

ROWS_SHOWN: Final = 40  # of a ranking; all of them on request


def print_ranking(
    rows: Sequence[RankedRow],
    remeshing: Remeshing,
    seat_of: Callable[[str], Sequence[SeatBounce]],
    *,
    most: int | None = ROWS_SHOWN,
) -> None:
    """Print the ranking, what each candidate pays for, the parameters, and the seat."""
    _print_rows(rows, most)
    for text in (remeshing.text, *(row.robustness.text for row in rows if row.robustness)):
        say(text)
    for text in texts_on_domes(rows):
        say(text)
    shown = [row.candidate for row in rows if row.place is not None]
    best = next((candidate for candidate in shown if not candidate.is_baseline), None)
    for candidate in (
        best,
        next((c for c in shown if c.is_baseline and not c.is_reference), None),
    ):
        if candidate is not None:
            _print_seat(candidate.id, seat_of(candidate.id))
    _print_reasons(rows, most)


def texts_on_domes(rows: Sequence[RankedRow], most: int = 5) -> list[str]:
    """Return what the leaders and the baseline score over the family of dome motions."""
    from bafflelens.scoring.ranking import lines_on_families

    known = [row for row in rows if row.status == Status.RANKED and row.domes is not None]
    chosen = [row for n, row in enumerate(known) if n < most or row.candidate.is_baseline]
    texts = [f"{row.candidate.id}, {row.domes.text}" for row in chosen if row.domes is not None]
    return [*texts, *lines_on_families(rows)]


def _print_rows(rows: Sequence[RankedRow], most: int | None) -> None:
    every = [(row, row.candidate.score) for row in rows if row.status == Status.RANKED]
    behind = [pair for pair in every[most:] if pair[0].candidate.is_baseline] if most else []
    ranked = every[:most] + behind
    terms = next((found.terms for _, found in ranked if found), ())
    ranking = new_table(
        "Ranking in dB, lower is better",
        *("place", "shape", "score", "better by"),
        *("vertical", "horizontal", "side effects", "small changes", "dominated by"),
    )
    paid = new_table(
        "What each term finds in dB, lower is better",
        *("place", "shape", *(term.label for term in terms)),
    )
    keys = _varying(rows)
    parameters = new_table(
        "Parameters",
        "place",
        "shape",
        *(_headed(name, key) for name, key in zip(short_names(keys), keys, strict=True)),
    )
    for row, found in ranked:
        candidate = row.candidate
        if found is None:
            continue
        name = [f"{row.place}{' =' if row.is_tied else ''}", candidate.id]
        totals = [decibel_figure(found.total_db), decibel_figure(row.better_by_db, signed=True)]
        objectives = [decibel_figure(value) for value in found.objectives.values]
        style = "bold" if candidate.is_baseline else None
        spread = _spread(row.robustness)
        ranking.add_row(*name, *totals, *objectives, spread, row.dominated_by, style=style)
        paid.add_row(*name, *(decibel_figure(term.value_db) for term in found.terms), style=style)
        if candidate.values and not candidate.is_baseline:
            parameters.add_row(*name, *(_value(row.dimensions, key) for key in keys))
    tables = (ranking, paid, *([parameters] if keys else []))
    for table in tables if ranked else ():
        show_table(table)
    if len(ranked) < len(every):
        say(f"{len(every) - len(ranked)} more are ranked below these: bafflelens rank --all")


def _print_seat(name: str, bounces: Sequence[SeatBounce]) -> None:
    """Print what arrives at the seat."""
    octaves = [
        f"{octave.from_hz / 1000:.2g}-{octave.to_hz / 1000:.2g} kHz"
        for octave in (bounces[0].octaves if bounces else ())
    ]
    table = new_table(
        f"At the seat, dB re the listening window: {name}",
        *("bounce", "angle, deg", "ms later", "by distance", *octaves),
    )
    for bounce in bounces:
        arrival = bounce.arrival
        is_side = bounce.name == "side wall"
        angle = arrival.azimuth_deg if is_side else arrival.elevation_deg
        table.add_row(
            bounce.name,
            f"{angle:+.0f}",
            f"{1e3 * arrival.delay_s:.1f}",
            f"{arrival.spreading_db:.1f}",
            *(decibel_figure(octave.level_db) for octave in bounce.octaves),
        )
    show_table(table)


def _print_reasons(rows: Sequence[RankedRow], most: int | None) -> None:
    from bafflelens.scoring.ranking import UNDONE, lines_on_undone

    said = []
    for row in rows:
        reasons = row.reasons if row.status != Status.RANKED else row.candidate.reasons
        if row.status in UNDONE and most is not None:  # what is said of them is said below
            reasons = ()
        if row.status == Status.RANKED and math.isfinite(row.candidate.final_db):
            reasons = (f"{row.candidate.final_db:.2f} dB when solved once more", *reasons)
        said += [f"{row.candidate.id} {note}" for note in row.notes]
        if reasons:
            said.append(f"{row.candidate.id} {row.status}: {'; '.join(reasons)}")
    for line in said[:most]:
        say(line)
    if most is not None:
        for line in lines_on_undone(rows):
            say(line)
    if len(said) > len(said[:most]):
        say(f"{len(said) - len(said[:most])} more such lines: bafflelens rank --all")


def _spread(robustness: Robustness | None) -> str:
    """Return what small changes do to a score: on average, and how much it varies."""
    if robustness is None or robustness.worst is None:
        return "-"
    return f"{robustness.mean_db:+.2f} ± {robustness.spread_db:.2f}"


def _value(values: Mapping[str, float], key: str) -> str:
    """Return a dimension as text; a dash where the shape has none, or no such part."""
    return f"{values[key]:g}" if key in values else "-"


def _headed(name: str, key: str) -> str:
    """Return the head of a parameter's column: its name, and its unit."""
    unit = split_key(key)[2]
    return f"{name}, {unit}" if unit else name


def _varying(rows: Sequence[RankedRow]) -> list[str]:
    """Return the parameters in which the candidates differ."""
    values: dict[str, set[float]] = {}
    for row in rows:
        if not row.candidate.is_baseline:
            for key, value in row.candidate.values.items():
                values.setdefault(key, set()).add(value)
    return [key for key, found in values.items() if len(found) > 1]
