# SPDX-License-Identifier: GPL-3.0-or-later
"""A short paragraph on each leader, made from its numbers: what it gains and what it pays."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from bafflelens.report.words import (
    SMALLEST_DB,
    Direction,
    decibel_text,
    listed,
    range_text,
    target_sentence,
)
from bafflelens.scoring.ranking import RankedRow

_AGAINST_DB: Final = 0.5
"""An octave that loses this much is told even if the band gains; common practice, no source."""


def leader_summary(
    row: RankedRow,
    baseline: RankedRow,
    baseline_name: str,
    directions: Mapping[str, Direction],
    names: Mapping[str, str],
) -> str:
    """Return what a candidate gains and pays for against the baseline, in a few sentences.

    Parameters
    ----------
    row : RankedRow
        A candidate that is no baseline.
    baseline : RankedRow
        What it is compared with.
    baseline_name : str
        What the baseline is called.
    directions : mapping of str to Direction
        What it changes towards floor, ceiling and sides; empty where that is not known.
    names : mapping of str to str
        What each candidate is called.
    """
    score = row.candidate.score
    if score is None or row.place is None:
        return f"It has no place: {row.reasons[0]}." if row.reasons else "It has no place."
    gains, pays = gains_and_costs(row, baseline, directions)
    sentences = [_standing(row, baseline_name)]
    if directions or gains or pays:
        sentences += [
            f"Gains: {listed(gains)}." if gains else "Gains: none.",
            f"Costs: {listed(pays)}." if pays else "Costs: none.",
        ]
    sentences.append(target_sentence(row))
    if row.dominated_by:
        other = names.get(row.dominated_by, row.dominated_by)
        sentences.append(f"{other} is no worse in anything and clearly better in something.")
    return " ".join(sentences)


def gains_and_costs(
    row: RankedRow, baseline: RankedRow, directions: Mapping[str, Direction]
) -> tuple[list[str], list[str]]:
    """Return what a candidate gains and what it costs against the baseline, a phrase each."""
    gains, pays = _directions(directions)
    better, worse = _terms(row, baseline)
    return gains + better, pays + worse


def _standing(row: RankedRow, baseline_name: str) -> str:
    shared = ", shared" if row.is_tied else ""
    gain = row.better_by_db
    if not math.isfinite(gain):
        return f"Place {row.place}{shared}; the {baseline_name} has no score to compare with."
    if abs(gain) < SMALLEST_DB:
        return f"Place {row.place}{shared}, as good as the {baseline_name}."
    word = "better" if gain > 0 else "worse"
    return (
        f"Place {row.place}{shared}, {decibel_text(abs(gain))} dB {word} than the {baseline_name}."
    )


def _directions(directions: Mapping[str, Direction]) -> tuple[list[str], list[str]]:
    """Return gains and costs in levels, over the whole band, with the octave that has most."""
    gains: list[str] = []
    pays: list[str] = []
    for key, direction in directions.items():
        gain, limit = direction.gain_db, direction.requirement.limit
        if not math.isfinite(gain) or abs(gain) < SMALLEST_DB:
            continue
        where = (
            f"towards the {key}"
            if direction.requirement.is_upper
            else f"at the edge of the ±{limit.angle_deg:.0f}° window"
        )
        quieter = (gain > 0) == direction.requirement.is_upper
        word = "less" if quieter else "more"
        known = [octave for octave in direction.octaves if math.isfinite(octave.change_db)]
        most = max(known, key=lambda octave: -octave.change_db if quieter else octave.change_db)
        detail = ""
        if len(known) > 1 and abs(most.change_db) >= abs(gain) + 2 * SMALLEST_DB:
            band, level = range_text(most.band_hz), decibel_text(abs(most.change_db))
            detail = f" ({level} dB at {band})"
        (gains if gain > 0 else pays).append(
            f"{decibel_text(abs(gain))} dB {word} {where}{detail}"
        )
        against = min(known, key=direction.gain_in)
        if gain > 0 and direction.gain_in(against) <= -_AGAINST_DB:
            word = "more" if quieter else "less"
            lost, band = decibel_text(abs(against.change_db)), range_text(against.band_hz)
            pays.append(f"{lost} dB {word} {where} at {band}")
    return gains, pays


def _terms(row: RankedRow, baseline: RankedRow) -> tuple[list[str], list[str]]:
    """Return by which side effects the score is lower and higher than the baseline's."""
    own, other = row.candidate.score, baseline.candidate.score
    if own is None or other is None:
        return [], []
    costs = {term.name: term.cost_db for term in other.terms if term.is_judged}
    changes = [
        (term.cost_db - costs[term.name], term.label)
        for term in own.terms
        # These two are levels, which are told already.
        if term.name in costs
        and term.is_judged
        and term.name not in ("vertical_control", "horizontal_width")
    ]
    changes.sort(key=lambda change: -abs(change[0]))
    better = [
        f"{name} {decibel_text(-d, 2)} dB better" for d, name in changes if d <= -SMALLEST_DB
    ]
    worse = [f"{name} {decibel_text(d, 2)} dB worse" for d, name in changes if d >= SMALLEST_DB]
    return better, worse
