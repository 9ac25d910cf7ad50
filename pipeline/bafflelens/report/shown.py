# SPDX-License-Identifier: GPL-3.0-or-later
"""Who is shown under which name, and on which scales."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.report import words
from bafflelens.report.curves import (
    OCTAVES_HZ,
    Curves,
    curves_of,
    mean_on_axis_db,
    rated_voltage_v,
    rounded_limits,
    towards_of,
)
from bafflelens.report.view import CandidateView, RunView
from bafflelens.scoring.ranking import RankedRow

if TYPE_CHECKING:
    from bafflelens.report.figures import Scales

_DEEPEST_RESPONSE_DB: Final = -25.0
_LEAST_SPAN_DB: Final = 20.0


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A candidate with what is drawn of it."""

    row: RankedRow
    name: str
    view: CandidateView
    curves: Curves


def baseline_row(rows: Sequence[RankedRow]) -> RankedRow:
    """Return the baseline that the others are compared with: the first that was ranked."""
    baselines = [
        row for row in rows if row.candidate.is_baseline and not row.candidate.is_reference
    ]
    return next((row for row in baselines if row.place is not None), baselines[0])


def names_of(rows: Sequence[RankedRow]) -> dict[str, str]:
    """Return what each candidate is called: a baseline by its label, the others by their id."""
    labels = [row.candidate.label for row in rows if row.candidate.is_baseline]
    names = {}
    for row in rows:
        label, is_unique = row.candidate.label, labels.count(row.candidate.label) == 1
        by_label = row.candidate.is_baseline and bool(label) and is_unique
        names[row.candidate.id] = label.replace("_", " ") if by_label else row.candidate.id
    return names


def drawn_of(run: RunView, names: Mapping[str, str], baseline: RankedRow) -> list[Shown]:
    """Return what is drawn: the best candidates that there are datasets of, then baselines."""
    views = {view.id: view for view in run.views}
    rows = [row for row in run.rows if row.candidate.id in views]
    best = [row for row in rows if not row.candidate.is_baseline]
    chosen = best[: max(run.detailed, run.thumbnails)]
    chosen += [row for row in rows if row.candidate.is_baseline]
    zero = views.get(baseline.candidate.id) or (views[chosen[0].candidate.id] if chosen else None)
    zero_db, is_absolute = _zero_of(run, zero)
    return [
        Shown(
            row=row,
            name=names[row.candidate.id],
            view=views[row.candidate.id],
            curves=_curves_in(run, views[row.candidate.id], zero_db, absolute=is_absolute),
        )
        for row in chosen
    ]


def all_curves(run: RunView, drawn: Sequence[Shown], baseline: RankedRow) -> dict[str, Curves]:
    """Return the curves of all candidates that there are datasets of, by id.

    Parameters
    ----------
    run : RunView
        The run.
    baseline : RankedRow
        What levels are re.
    drawn : sequence of Shown
        Those that have curves already.
    """
    known = {entry.view.id: entry.curves for entry in drawn}
    views = {view.id: view for view in run.views}
    chosen = [entry.view for entry in drawn]
    zero = views.get(baseline.candidate.id) or (chosen[0] if chosen else None)
    zero_db, is_absolute = _zero_of(run, zero)
    return {
        view.id: known.get(view.id) or _curves_in(run, view, zero_db, absolute=is_absolute)
        for view in run.views
    }


def _zero_of(run: RunView, zero: CandidateView | None) -> tuple[float, bool]:
    """Return what counts as 0 dB in the responses, and whether they are for a rated voltage."""
    if rated_voltage_v(view.dataset for view in run.views) is not None:
        return 0.0, True
    return (mean_on_axis_db(zero.dataset, run.settings.band_hz) if zero else 0.0), False


def _curves_in(run: RunView, view: CandidateView, zero_db: float, *, absolute: bool) -> Curves:
    zero_db = zero_db if np.isfinite(zero_db) else 0.0
    return curves_of(view.dataset, run.target, zero_db, absolute=absolute)


def detailed_of(run: RunView, drawn: Sequence[Shown]) -> list[Shown]:
    """Return those of the drawn that have a block of their own."""
    best = [entry for entry in drawn if not entry.row.candidate.is_baseline]
    return best[: run.detailed] + [entry for entry in drawn if entry.row.candidate.is_baseline]


def changes_of(run: RunView, reference: Shown | None) -> dict[str, dict[str, words.Direction]]:
    """Return what each candidate changes against the baseline, by id and direction."""
    if reference is None:
        return {}
    return {
        view.id: words.directions_of(
            towards_of(view.dataset, run.target),
            reference.curves.towards,
            run.target,
            run.settings.band_hz,
        )
        for view in run.views
        if view.id != reference.view.id
    }


def scales_of(run: RunView, shown: Sequence[Shown]) -> Scales:
    """Return axes that hold the curves of everything that is shown."""
    curves = [entry.curves for entry in shown]
    frequencies = np.concatenate([c.frequency_hz for c in curves] or [np.array(OCTAVES_HZ)])
    levels = [level for c in curves for level in (c.on_axis_db, c.listening_window_db)]
    voltage = rated_voltage_v(view.dataset for view in run.views)
    middle = 0.0 if voltage is None else _middle(levels)
    response = rounded_limits(
        [np.maximum(level, middle + _DEEPEST_RESPONSE_DB) for level in levels],
        step=5,
        least=(middle - 5, middle + 5),
    )
    index = rounded_limits([c.directivity_index_db for c in curves], step=5, least=(0, 15))
    index = (max(index[0], -5.0), index[1])
    # Both stand side by side, and a level axis has one slope: so both span as many dB.
    span = max(response[1] - response[0], index[1] - index[0], _LEAST_SPAN_DB)
    bounce = rounded_limits(
        [level for c in curves for level in c.towards.level_db.values()], step=5, least=(-20, 5)
    )
    width = rounded_limits(
        [angle for c in curves for angle in (c.beamwidth_h_deg, c.beamwidth_v_deg)],
        step=60,
        least=(0, 180),
    )
    lowest, highest = float(frequencies.min()), float(frequencies.max())
    if highest < lowest * 2**0.5:  # an axis needs a length
        lowest, highest = lowest / 2**0.25, highest * 2**0.25
    from bafflelens.report.figures import Scales  # slow to load

    return Scales(
        frequency_hz=(lowest, highest),
        scored_hz=run.settings.band_hz,
        response_db=_widened(response, span, step=5.0),
        bounce_db=(max(bounce[0], -30.0), bounce[1]),
        directivity_db=(index[0], index[0] + span),
        beamwidth_deg=width[1],
        response_label=(
            "Level in dB re baseline mean"
            if voltage is None
            else f"Level in dB re 20 µPa, 1 m, {voltage:g} V"
        ),
    )


def _middle(levels: Sequence[FloatArray]) -> float:
    """Return the median of levels, to 5 dB; 0 if none is known."""
    known = np.concatenate([level[np.isfinite(level)] for level in levels] or [np.array([])])
    return float(5 * np.round(np.median(known) / 5)) if known.size else 0.0


def _widened(limits: tuple[float, float], span: float, step: float) -> tuple[float, float]:
    """Return limits that span as much as asked, grown step by step at both ends."""
    low, high = limits
    while high - low < span:
        if abs(low) <= abs(high):
            low -= step
        else:
            high += step
    return low, high
