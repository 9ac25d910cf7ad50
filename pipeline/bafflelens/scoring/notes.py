# SPDX-License-Identifier: GPL-3.0-or-later
"""What was heard or seen of a shape, and what that says of shapes like it.

Some shapes that measure well disappoint by ear, and a later run may come by the same shape under
another name. So notes are kept beside the runs with the shape they are of, and are found again by
how far a shape is away: the largest change of a parameter, as a share of what its script allows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

SENSES: Final = {"heard": "by ear", "seen": "by eye", "measured": "by measurement"}
"""How something was noticed, and how that is said."""
VERDICTS: Final = ("kept", "rejected", "undecided")
NEARBY: Final = 0.05
"""Shapes no further away than this, as a share of the ranges, remind of a note."""


@dataclass(frozen=True, kw_only=True)
class Note:
    """One note.

    Attributes
    ----------
    created_utc : str
        When it was made, ISO 8601.
    run, candidate : str
        Name of the run and id of the candidate that it was made of.
    shape : str
        Name of the geometry script.
    values : mapping of str to float
        All parameters of the shape, by flat key.
    sense : str
        One of `SENSES`.
    verdict : str
        One of `VERDICTS`.
    text : str
        What was heard or seen.
    """

    created_utc: str
    run: str
    candidate: str
    shape: str
    values: Mapping[str, float]
    sense: str
    verdict: str
    text: str

    @property
    def judgement(self) -> str:
        """The verdict and the note, in words."""
        verdict = f"{self.verdict} {SENSES[self.sense]}"
        return f"{verdict} on {self.created_utc[:10]}: {self.text}"


def distance(
    one: Mapping[str, float], other: Mapping[str, float], spans: Mapping[str, float]
) -> float:
    """Return how far two shapes of one script are apart, as a share of the ranges.

    Parameters
    ----------
    one, other : mapping of str to float
        Their parameters.
    spans : mapping of str to float
        Width of the range of each parameter; a parameter that only one has is infinitely far.

    Examples
    --------
    >>> spans = {"lens.depth_mm": 50.0, "lens.opening_height_mm": 100.0}
    >>> one = {"lens.depth_mm": 20.0, "lens.opening_height_mm": 90.0}
    >>> distance(one, one | {"lens.depth_mm": 21.0}, spans)
    0.02
    """
    keys = one.keys() | other.keys()
    if any(key not in one or key not in other or not spans.get(key) for key in keys):
        return float("inf")
    return max((abs(one[key] - other[key]) / spans[key] for key in keys), default=0.0)


def reminders(
    notes: Iterable[Note],
    *,
    run: str,
    candidate: str,
    shape: str,
    values: Mapping[str, float],
    spans: Mapping[str, float],
) -> tuple[str, ...]:
    """Return what notes say of a candidate: its own first, then those of shapes near it.

    Parameters
    ----------
    notes : iterable of Note
        All that there are.
    run, candidate : str
        The candidate.
    shape : str
        Name of its script.
    values : mapping of str to float
        All its parameters.
    spans : mapping of str to float
        Width of the range of each parameter.
    """
    own: list[str] = []
    near: list[tuple[float, str]] = []
    for note in notes:
        if note.shape != shape:
            continue
        apart = distance(note.values, values, spans)
        origin = f"{note.candidate} of {note.run}"
        if (note.run, note.candidate) == (run, candidate):
            own.append(note.judgement)
        elif apart <= NEARBY:
            which = "the same shape" if apart == 0 else f"a shape {100 * apart:.2g} % away"
            near.append((apart, f"{which}, {origin}, was {_said(note)}"))
    return (*own, *(text for _, text in sorted(near, key=lambda item: item[0])))


def rejection(notes: Iterable[Note], *, shape: str, values: Mapping[str, float]) -> str:
    """Return the note that rejects a shape, if the latest verdict on it does; else nothing.

    Parameters
    ----------
    notes : iterable of Note
        All that there are, in any run.
    shape : str
        Name of its script.
    values : mapping of str to float
        All its parameters.
    """
    own = [note for note in notes if note.shape == shape and dict(note.values) == dict(values)]
    decided = [note for note in own if note.verdict != "undecided"]
    latest = max(decided, key=lambda note: note.created_utc, default=None)
    return latest.judgement if latest is not None and latest.verdict == "rejected" else ""


def _said(note: Note) -> str:
    if note.verdict == "undecided":
        return f"left undecided {note.judgement.removeprefix('undecided ')}"
    return note.judgement


def notes_of_run(notes: Sequence[Note], run: str) -> tuple[str, ...]:
    """Return the notes of a run, one line each."""
    return tuple(f"{note.candidate} {note.judgement}" for note in notes if note.run == run)
