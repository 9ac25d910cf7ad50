# SPDX-License-Identifier: GPL-3.0-or-later
"""One page a candidate: the decision with its reasons, what to do next, and when to stop."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from bafflelens.handoff.paper import heading, paragraph, table
from bafflelens.handoff.shortlist import Listed, ShortList
from bafflelens.handoff.thresholds import Threshold

_HEADS: Final = ("What is looked at", "Expected", "Stop beyond", "Rule")


def decision_page(found: ShortList, one: Listed) -> Iterator[Any]:
    """Yield the page that a meeting decides by.

    Parameters
    ----------
    found : ShortList
        The short list.
    one : Listed
        The candidate.
    """
    yield heading(f"{one.row.candidate.id} rev {one.made.revision}: the decision", size=14)
    yield paragraph(one.before.text, size=10, bold=True)
    yield heading("Why")
    yield paragraph(f"Turn {one.turn} of {len(found.listed)}: {one.why_turn}.", after=1)
    yield paragraph(one.summary, after=1)
    if one.row.robustness is not None:
        yield paragraph(f"{one.row.robustness.text}.", after=1)
    yield paragraph(one.made.tolerance, after=1)
    for check in one.made.failed:
        yield paragraph(f"Failed check: {check.name}: {check.text}.", after=1)
    for warning in one.made.warnings:
        yield paragraph(warning, bold=True, after=1)
    yield heading("What to make first")
    yield paragraph(_first_text(found, one))
    yield heading("What to measure, and the commands for it")
    for number, (text, command) in enumerate(measuring_steps(found, one), start=1):
        yield paragraph(f"{number}. {text}", after=1)
        yield paragraph(command, bold=True, size=7.5, after=3)
    yield heading("What would make us stop")
    yield table([_HEADS, *(_limit_row(limit) for limit in one.thresholds)], (48, 43, 43, 46))
    yield paragraph(found.trust.text, size=7.5)


def _first_text(found: ShortList, one: Listed) -> str:
    first = found.in_turn[0]
    name = one.row.candidate.id
    if not one.before.is_go:
        return f"Nothing of {name} yet: what stands above is settled first."
    if first is one:
        return (
            f"One part of {name} in any material that holds its shape, with the baseline in the "
            "same cabinet: no tool before it was measured."
        )
    return (
        f"{first.row.candidate.id}, which is made before it; {name} when that was measured and "
        "stayed within its limits."
    )


def measuring_steps(found: ShortList, one: Listed) -> tuple[tuple[str, str], ...]:
    """Return what is measured of a candidate, each with its whole command line.

    Parameters
    ----------
    found : ShortList
        The short list.
    one : Listed
        The candidate.
    """
    name = one.row.candidate.id
    stem = f"{found.run}_{name}"
    run = found.place
    shape = (
        "Its shape: fill in the form of the zip file, or scan it.",
        f"bafflelens inspect {stem}.zip {stem}_readings.csv",
    )
    if not one.made.checks:  # nothing to inspect by
        shape = (
            "Its shape: scan it; the scan is held against what was analysed.",
            f"bafflelens scan part.stl --nominal {run} --candidate {name} --out scan_{name}",
        )
    return (
        shape,
        (
            "How to set up: the plan for your room, length, width and height in metres.",
            f"bafflelens measure-plan {run} {name} --out plan_{name} --room-m 6 5 2.5",
        ),
        (
            "Both orbits, of it and of the baseline on the same day; then, with the description "
            "that the plan left, whose key mock_up names the part:",
            f"bafflelens compare {run} {name} plan_{name}/measurement.toml --out compared_{name}",
        ),
    )


def _limit_row(limit: Threshold) -> tuple[str, str, str, str]:
    return (limit.what, limit.expected, limit.limit, limit.rule)
