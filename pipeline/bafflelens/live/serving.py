# SPDX-License-Identifier: GPL-3.0-or-later
"""Solves what a page wishes, as far as it is not known: the draft, then the full band."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bafflelens.live.beforehand import Beforehand
from bafflelens.live.frames import SOLVED
from bafflelens.live.known import Known, key_of
from bafflelens.live.replies import answer_frame, meshed_frames, shape_frame
from bafflelens.live.study import Study
from bafflelens.live.told import draft_frequencies
from bafflelens.live.waits import FULL_SETTLE_S, LOOK_AT_RUN_S, LOOKING_S, SETTLE_S
from bafflelens.live.wishes import NewestWish, Wish

if TYPE_CHECKING:
    from bafflelens.live.solves import Bench
    from bafflelens.mesh.mesh import Mesh

Publish = Callable[[str, bytes | dict[str, Any]], None]
"""Takes the page that it is for, empty for all, and what to send."""


@dataclass(kw_only=True, eq=False)
class Serving:
    """What solves the newest wish; a newer one ends it.

    Attributes
    ----------
    known : Known
        What is solved goes there.
    study : Study
        Told when there is more to learn from.
    beforehand : Beforehand
        Has the baseline's draft solved.
    newest : NewestWish
        The wish.
    say : callable
        Tells pages what is done.
    publish : callable
        Told what was found.
    writing : callable
        Returns a context within which this process writes to the run.
    """

    known: Known
    study: Study
    beforehand: Beforehand
    newest: NewestWish
    say: Callable[..., None]
    publish: Publish
    writing: Callable[[], AbstractContextManager[None]]

    def serve(self, bench: Bench, wish: Wish) -> None:
        """Solve a wish, one step after the other, as long as it is the newest."""
        if not self.newest.rests(wish, SETTLE_S):
            return
        known = self.known.of(wish.values)
        if known is not None and known[1] == SOLVED:
            self._show_solved(wish)
            return
        if not self.newest.done and known is None and not self._draft(bench, wish):
            return
        self.newest.is_done(wish, "draft")
        if self.known.draft_baseline is None and not self._draft_baseline(bench, wish):
            return
        if self.newest.rests(wish, FULL_SETTLE_S):
            self._full(bench, wish)

    def _show_solved(self, wish: Wish) -> None:
        """Show what has come to be known since the move was answered."""
        self.newest.is_done(wish, "full")
        self._send_known(wish)
        if not self.newest.is_over(wish)():  # it was meshed elsewhere: the page has not seen it
            for meshed in meshed_frames(self.known, wish.number, wish.values):
                self.publish(wish.page, meshed)

    def _draft(self, bench: Bench, wish: Wish) -> bool:
        """Solve and show the draft; False if that was ended."""
        count = len(draft_frequencies(bench.judge.loaded))
        self.say(doing=f"solving a draft at {count} frequencies", fault="")
        drawn = bench.draft("", wish.values, self.newest.is_over(wish), self._on_mesh(wish))
        if drawn is None:
            return False
        self.known.add_draft(wish.values, drawn)
        self._send_known(wish)
        self.newest.drafted_at = time.monotonic()
        self.study.ask()
        self.say(doing="")
        return True

    def _draft_baseline(self, bench: Bench, wish: Wish) -> bool:
        """Have the draft's score, too: its levels are there; False if there is a newer wish."""
        if not self.newest.rests(wish, LOOKING_S):
            return False
        self.say(doing="solving a draft of the baseline, for the score")
        self.beforehand.require_draft_baseline(bench, self.newest.is_over(wish))
        self._send_known(wish)
        self.say(doing="")
        self.newest.drafted_at = time.monotonic()
        return True

    def _full(self, bench: Bench, wish: Wish) -> None:
        """Solve and show the full band, unless another process works on the run."""
        if self.known.judge.folder.is_worked_on:
            self.say(doing="the full band waits: the run is being worked on")
            self.newest.changed.wait(timeout=LOOK_AT_RUN_S)
            return
        self.say(doing="solving the full band")
        with self.writing():
            name = bench.full(wish.values, self.newest.is_over(wish))
        if name is None:
            return
        self.known.read_new()
        self.newest.is_done(wish, "full")
        self._send_known(wish)
        self.study.ask()
        self.say(doing="", fault="")

    def _on_mesh(self, wish: Wish) -> Callable[[Mesh], None]:
        def show(mesh: Mesh) -> None:
            self.known.meshes[key_of(wish.values)] = mesh
            if not self.newest.is_over(wish)():
                shape = shape_frame(self.known.judge, mesh, "", wish.number, "")
                self.publish(wish.page, shape)

        return show

    def _send_known(self, wish: Wish) -> None:
        known = self.known.of(wish.values)
        if known is None or self.newest.is_over(wish)():
            return
        answer, mark, baseline = known
        header = {"kind": "answer", "move": wish.number, "faults": []}
        judge = self.known.judge
        self.publish(
            wish.page, answer_frame(judge, header, answer.dataset, mark, baseline, answer.id)
        )
