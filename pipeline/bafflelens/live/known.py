# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known of the shapes of a run: solved in full, as drafts, and learned from both."""

from __future__ import annotations

import threading
from collections.abc import Callable, Container, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import xarray as xr

from bafflelens.job.sampling import BASELINE_ID
from bafflelens.live.frames import DRAFT, SOLVED
from bafflelens.live.kept import keep_learned, load_kept
from bafflelens.live.learning import fewest_shapes
from bafflelens.live.solved import (
    Answer,
    Judge,
    Learned,
    answers_of,
    learned_from,
    with_score_band,
)
from bafflelens.live.told import row_of
from bafflelens.mesh.mesh import Mesh
from bafflelens.report.summary import rank_run
from bafflelens.scoring.ranking import RankedRow

_SPREAD_SHARE: Final = 2  # of the fewest shapes that an estimate takes
_MOST_ROWS: Final = 60

Key = tuple[tuple[str, float], ...]


def key_of(values: Mapping[str, float]) -> Key:
    """Return parameters as something to look them up by."""
    return tuple(sorted(values.items()))


@dataclass(kw_only=True, eq=False)
class Known:
    """What is known of the shapes of a run.

    Attributes
    ----------
    judge : Judge
        The run and its job.
    answers : dict of str to Answer
        What is solved in full, by candidate.
    drafts : dict of Key to Answer
        What is solved as a draft, by its parameters.
    draft_baseline : Answer or None
        The baseline as drafts are solved, beside which they are judged.
    meshes : dict of Key to Mesh
        Shapes as they were meshed, by their parameters.
    learned : Learned or None
        What estimates are made from; None as long as too little is solved.
    """

    judge: Judge
    answers: dict[str, Answer] = field(default_factory=dict)
    drafts: dict[Key, Answer] = field(default_factory=dict)
    draft_baseline: Answer | None = None
    meshes: dict[Key, Mesh] = field(default_factory=dict)
    learned: Learned | None = None
    _ranked: tuple[tuple[int, ...], tuple[RankedRow, ...]] | None = None
    _shown: tuple[tuple[RankedRow, ...], list[dict[str, Any]]] | None = None
    _learned_from: tuple[object, ...] = ()
    _reading: threading.Lock = field(default_factory=threading.Lock)
    _looked: tuple[int, ...] = ()

    @property
    def mark_of_baseline(self) -> str:
        """How the baseline is solved; empty if it is not."""
        if BASELINE_ID in self.answers:
            return SOLVED
        return DRAFT if self.draft_baseline is not None else ""

    @property
    def n_full(self) -> int:
        """How many shapes are solved in full, without the baseline."""
        return max(len(self.answers) - (BASELINE_ID in self.answers), 0)

    @property
    def keys(self) -> set[Key]:
        """Parameters of all that is solved."""
        return {key_of(answer.values) for answer in self.answers.values()} | set(self.drafts)

    @property
    def fewest(self) -> int:
        """How many shapes an estimate takes at least."""
        return fewest_shapes(len(self.judge.searched))

    @property
    def spread(self) -> int:
        """How many shapes are solved without being asked for, so that moves can be estimated."""
        return _SPREAD_SHARE * self.fewest

    @property
    def needs_spread(self) -> bool:
        """Whether that many are not solved yet."""
        return len(self.drafts) + len(self.answers) < self.spread

    def of(self, values: Mapping[str, float]) -> tuple[Answer, str, xr.Dataset | None] | None:
        """Return the answer that is known, its mark, and the baseline solved alike."""
        key = key_of(values)
        for answer in self.answers.values():
            if answer.id != BASELINE_ID and key_of(answer.values) == key:
                full = self.answers.get(BASELINE_ID)
                return answer, SOLVED, full.dataset if full else None
        if key in self.drafts:
            beside = self.draft_baseline
            return self.drafts[key], DRAFT, beside.dataset if beside else None
        return None

    def dataset_of(self, candidate_id: str) -> xr.Dataset:
        """Return what a candidate that is solved in full sounds like, as it is played."""
        if candidate_id in self.answers:
            return self.answers[candidate_id].dataset
        return self.judge.as_played(self.judge.folder.load_directivity(candidate_id))

    def start(self) -> Mapping[str, float]:
        """Return where the sliders begin: at the best that is solved, else at the first."""
        ranked = [row.candidate for row in self._rows()]
        shapes = [c for c in ranked if set(self.judge.searched) <= set(c.values)]
        shapes = [c for c in shapes if not c.is_baseline] or shapes
        return shapes[0].values

    def ranking(self) -> list[dict[str, Any]]:
        """Return the rows of the ranking that are shown."""
        rows = self._rows()
        if self._shown is None or self._shown[0] is not rows:
            shown = (
                *rows[:_MOST_ROWS],
                *(row for row in rows[_MOST_ROWS:] if row.candidate.is_baseline),
            )
            loaded = self.judge.loaded
            usual = {loaded.shape.name, loaded.shape_of(BASELINE_ID).name}
            self._shown = (rows, [row_of(row, usual) for row in shown])
        return self._shown[1]

    def _rows(self) -> tuple[RankedRow, ...]:
        """Return the ranking; it is read again only when it may differ."""
        stamp = self.judge.folder.stamp()
        if self._ranked is None or self._ranked[0] != stamp:
            self._ranked = (stamp, rank_run(self.judge.folder))
        return self._ranked[1]

    def add_draft(self, values: Mapping[str, float], dataset: xr.Dataset) -> None:
        """Enter a draft."""
        answer = Answer(id="", values=values, dataset=dataset)
        self.drafts = {**self.drafts, key_of(values): answer}  # others may be going through them

    def read_first(self) -> None:
        """Read what a page shows first: the shape that it begins with, and the baseline."""
        start = key_of(self.start())
        first = [c.id for c in self.judge.folder.candidates() if key_of(c.values) == start]
        self.read_new({BASELINE_ID, *first})

    def read_new(self, only: Container[str] | None = None) -> bool:
        """Read what is solved in full and not known yet; tell whether there was any.

        With ``only``, no other candidates are read.
        """
        with self._reading:
            found = answers_of(self.judge, self.answers, only)
            self.answers = {**self.answers, **found}  # the page may be going through them
        return bool(found)

    @property
    def is_behind(self) -> bool:
        """Whether the run has changed since it was last read."""
        return self.judge.folder.stamp() != self._looked

    def read_what_others_solved(self) -> bool:
        """Read what another process has solved meanwhile; tell whether there was any."""
        stamp = self.judge.folder.stamp()
        if stamp == self._looked:
            return False
        self._looked = stamp
        return self.read_new()

    def learn(self, tell: Callable[[], None]) -> bool:
        """Learn anew from what is solved: the full bands if they are enough, else the drafts.

        Returns whether there was anything new to learn from. ``tell`` is called once estimates
        can be made, before it is known how far off they are.
        """
        answers, full = self.answers, self.answers.get(BASELINE_ID)
        drawn, beside = self.drafts, self.draft_baseline
        given: tuple[object, ...] = (*answers, full)
        if len(answers) <= self.fewest:  # then each draft counts
            given += (*drawn, beside)
        if given == self._learned_from:
            return False
        before = load_kept(self.judge.folder)
        learned = learned_from(self.judge, answers, full.dataset if full else None, before)
        if learned is None:
            drafts = {str(n): answer for n, answer in enumerate(drawn.values())}
            learned = learned_from(self.judge, drafts, beside.dataset if beside else None)
        if learned is not None:
            self.learned = learned
            if not learned.is_judged:
                tell()
                self.learned = learned = with_score_band(self.judge, learned)
                keep_learned(self.judge.folder, learned)
        self._learned_from = given
        return True
