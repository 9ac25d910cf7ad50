# SPDX-License-Identifier: GPL-3.0-or-later
"""Which sections of a lens are printed as templates, how far each reaches, and what it changes.

A person cuts out and lays on no more than a handful. A station is worth a page where the line
there is not what its neighbours let expect: so those are taken first that lie farthest from a
straight change between the ones already taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.solid import Section

MOST: Final = 8
"""So many sections are printed, at most."""

_STEP_MM: Final = 0.5  # between places at which two lines are compared
_NEEDED_MM: Final = 0.1  # a line that is nearer to what its neighbours let expect is left out
_SLAB_MM: Final = 10.0  # about a section, in which the lens is looked for
_CHANGED_MM: Final = 0.3  # less is no reason to print more of a section
_AROUND_MM: Final = 15.0  # of flat front, for a template to rest on


def front_line(loops: Sequence[FloatArray], at_mm: FloatArray) -> FloatArray:
    """Return how far forward the outline of a section reaches, (n,), in mm.

    Parameters
    ----------
    loops : sequence of (n, 2) array
        Closed outlines: x, and the way across.
    at_mm : (n,) array
        Places along the second axis; NaN is returned where there is nothing.
    """
    found = np.full(len(at_mm), -np.inf)
    for loop in loops:
        start, end = loop, np.roll(loop, -1, axis=0)
        span = end[:, 1] - start[:, 1]
        crossed = np.abs(span) > 1e-9
        share = (at_mm[:, None] - start[crossed, 1]) / span[crossed]
        inside = (share >= 0) & (share <= 1)
        x = start[crossed, 0] + share * (end - start)[crossed, 0]
        found = np.maximum(found, np.where(inside, x, -np.inf).max(axis=1, initial=-np.inf))
    return np.where(np.isfinite(found), found, np.nan)


def chosen_stations(sections: Sequence[Section], most: int = MOST) -> tuple[Section, ...]:
    """Return the sections that are printed, in their own order.

    Those through the axis always; then, as long as there is one that lies more than a tenth of
    a millimetre from a straight change between its neighbours, the farthest.

    Parameters
    ----------
    sections : sequence of Section
        All of them.
    most : int
        How many at most.
    """
    taken = [
        number
        for number, section in enumerate(sections)
        if section.kind != "radial" and section.station == 0
    ][:most]
    while len(taken) < most:
        left = [number for number in range(len(sections)) if number not in taken]
        needs = {number: _need_mm(sections, number, taken) for number in left}
        worst = max(needs, key=lambda number: needs[number], default=-1)
        if worst < 0 or needs[worst] < _NEEDED_MM:
            break
        taken.append(worst)
    return tuple(sections[number] for number in sorted(taken))


def _need_mm(sections: Sequence[Section], number: int, taken: Sequence[int]) -> float:
    """Return how far a section's line is from what the taken ones of its kind let expect."""
    own = sections[number]
    if not own.profile:
        return 0.0
    across = np.concatenate(own.profile)[:, 1]
    at = np.arange(across.min() + _STEP_MM, across.max(), _STEP_MM)
    line = front_line(own.profile, at)
    places = sorted((place, n) for n in taken for place in _places(sections[n], own.kind))
    known = [(place, front_line(sections[n].profile, at)) for place, n in places]
    if not known:
        return float(np.nanmax(line) - np.nanmin(line))
    before = [entry for entry in known if entry[0] <= own.station] or known[:1]
    after = [entry for entry in known if entry[0] >= own.station] or known[-1:]
    (low, one), (high, two) = before[-1], after[0]
    share = (own.station - low) / (high - low) if high > low else 0.0
    off = np.abs(line - (one + share * (two - one)))
    return float(np.nanmax(off)) if np.isfinite(off).any() else 0.0


def _places(section: Section, kind: str) -> tuple[float, ...]:
    """Return where a section lies among those of a kind; the two through the axis end the fan."""
    if section.kind == kind:
        return (section.station,)
    if kind != "radial" or section.station:
        return ()
    return (0.0, 180.0) if section.kind == "vertical" else (90.0,)


def template_reach(section: Section, shaped_mm: FloatArray) -> tuple[float, float] | None:
    """Return the part of a section that the lens takes, with some front beside it, in mm.

    Parameters
    ----------
    section : Section
        The section.
    shaped_mm : (n, 3) array
        Places on the lens.

    Returns
    -------
    (float, float) or None
        Along its second axis; None where it passes the lens by.
    """
    y, z = shaped_mm[:, 1], shaped_mm[:, 2]
    if section.kind == "vertical":
        off, across = y - section.station, z
    elif section.kind == "horizontal":
        off, across = z - section.station, y
    else:
        angle = np.radians(section.station)
        off = y * np.cos(angle) - z * np.sin(angle)
        across = y * np.sin(angle) + z * np.cos(angle)
    near = across[np.abs(off) < _SLAB_MM]
    if not len(near):
        return None
    return float(near.min() - _AROUND_MM), float(near.max() + _AROUND_MM)


def reach_of_changes(
    reach_mm: tuple[float, float] | None,
    before: Sequence[FloatArray],
    after: Sequence[FloatArray],
) -> tuple[float, float] | None:
    """Return the part of a section that is drawn, with all of what a change of the part shows.

    Parameters
    ----------
    reach_mm : (float, float) or None
        Without it, along the second axis; None for all of the section.
    before, after : sequence of (n, 2) array
        Outlines of the section; `before` is empty for a new part.
    """
    if reach_mm is None or not before:
        return reach_mm
    across = np.concatenate(after)[:, 1]
    at = np.arange(across.min() + _STEP_MM, across.max(), _STEP_MM)
    changed = at[np.abs(np.nan_to_num(changes_mm(before, after, at))) >= _CHANGED_MM]
    if not len(changed):
        return reach_mm
    low, high = float(changed[0] - _AROUND_MM), float(changed[-1] + _AROUND_MM)
    return max(min(reach_mm[0], low), float(across.min())), min(
        max(reach_mm[1], high), float(across.max())
    )


def changes_mm(
    before: Sequence[FloatArray], after: Sequence[FloatArray], at_mm: FloatArray
) -> FloatArray:
    """Return how much is added to a part, (n,), in mm; negative where it is taken away.

    Parameters
    ----------
    before, after : sequence of (n, 2) array
        Outlines of one section.
    at_mm : (n,) array
        Places along its second axis.
    """
    return front_line(after, at_mm) - front_line(before, at_mm)
