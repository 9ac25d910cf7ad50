# SPDX-License-Identifier: GPL-3.0-or-later
"""What answers a page: estimates at once, then one solve at a time, the newest wish first.

A wish has a number that its page counts upwards. A newer one ends the solve of an older one
between two of its pieces, and an answer to an older one is never sent. The work goes on in a
thread of its own; what is found is handed to whoever listens.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from bafflelens.base.errors import BafflelensError, StoreError
from bafflelens.job.sampling import searched_of
from bafflelens.live.array_frames import frame
from bafflelens.live.asked import Asked, AskedInTurn, Telling
from bafflelens.live.beforehand import Beforehand
from bafflelens.live.frames import SOLVED
from bafflelens.live.greeting import greeting, known_so_far
from bafflelens.live.kept_shapes import keep_by_name
from bafflelens.live.known import Known
from bafflelens.live.replies import (
    answer_frame,
    estimated_frame,
    estimated_score,
    meshed_frames,
    opened_frames,
)
from bafflelens.live.serving import Publish, Serving
from bafflelens.live.solved import Judge
from bafflelens.live.study import Study
from bafflelens.live.told import all_values, broken_stretches
from bafflelens.live.waits import ENDING_S, LOOK_AT_RUN_S, LOOK_S, LOOKING_S
from bafflelens.live.wishes import NewestWish, Wish
from bafflelens.report.summary import note_on
from bafflelens.store import RunFolder

if TYPE_CHECKING:
    from bafflelens.job.job_file import LoadedJob
    from bafflelens.live.first_estimates import FirstEstimates
    from bafflelens.live.solves import Bench
    from bafflelens.run.options import RunOptions


@dataclass(kw_only=True, eq=False)
class Desk:
    """A run that pages ask; see the top of this file.

    Attributes
    ----------
    judge : Judge
        The run and its job.
    known : Known
        What is known of its shapes.
    options : RunOptions or None
        How it is solved; None until `equip` says so.
    publish : callable
        Told what was found.
    is_moving : callable
        Whether a move is on its way that may not be known here yet: nothing is begun meanwhile.
    first : FirstEstimates or None
        What estimates until the run has been learned from.
    """

    judge: Judge
    known: Known
    options: RunOptions | None = None
    publish: Publish = lambda page, message: None
    is_moving: Callable[[], bool] = lambda: False
    first: FirstEstimates | None = None
    _doing: str = ""
    _is_writing: bool = False
    _fault: str = ""
    _changed: threading.Event = field(default_factory=threading.Event)
    _over: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def __post_init__(self) -> None:
        self._asked = AskedInTurn()
        self._newest = NewestWish(
            is_moving=lambda: self.is_moving(), changed=self._changed, over=self._over
        )
        self._study = Study(known=self.known, tell=self._learned)
        self._beforehand = Beforehand(known=self.known, study=self._study, say=self._say)
        self._serving = Serving(
            known=self.known,
            study=self._study,
            beforehand=self._beforehand,
            newest=self._newest,
            say=self._say,
            publish=lambda page, message: self.publish(page, message),
            writing=self._writing,
        )

    # ------------------------------------------------------------------------- for the server

    def open(self) -> None:
        """Read what is shown first, and begin to read the rest and to work."""
        self.known.read_first()
        self._study.start()
        self._thread = threading.Thread(target=self._work, name="desk", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the work; neither a worker nor what is being learned is waited for long."""
        end = time.monotonic() + ENDING_S
        self._over.set()
        self._changed.set()
        self._study.stop()
        if self._thread is not None:
            self._thread.join(timeout=ENDING_S)
        self._study.wait(max(end - time.monotonic(), LOOK_S))

    def equip(self, options: RunOptions) -> None:
        """Let it solve, too."""
        self.options = replace(options, deadline=None)
        self._changed.set()

    def hello(self) -> dict[str, Any]:
        """Return what a page must know once."""
        return {**greeting(self.judge, self.known), **self.state()}

    def state(self) -> dict[str, Any]:
        """Return how far everything is: the run, its ranking, what is done here."""
        more: dict[str, Any] = {"doing": self._doing, "fault": self._fault}
        if self.known.learned is None and self.first is not None:
            more |= self.first.state()
        return {"state": {**known_so_far(self.known, is_writing=self._is_writing), **more}}

    def values_of(self, given: Mapping[str, Any]) -> dict[str, float]:
        """Return all parameters of a shape from those that are searched."""
        return all_values(self.judge, self.known.start(), given)

    def move(self, page: str, wish_number: int, values: Mapping[str, float]) -> bytes:
        """Answer a move at once, and have it solved when it rests."""
        faults = self.judge.faults(values)
        wish = Wish(page=page, number=wish_number, values=values, at=time.monotonic())
        self._newest.put(None if faults else wish)
        header = {"kind": "answer", "move": wish_number, "faults": faults}
        if faults:
            return frame({**header, "mark": "", "id": ""}, {})
        known = self.known.of(values)
        if known is not None:
            answer, mark, baseline = known
            if mark == SOLVED:
                self._newest.is_done(wish, "full")
            return answer_frame(self.judge, header, answer.dataset, mark, baseline, answer.id)
        learned = self.known.learned
        if learned is not None:
            return estimated_frame(self.judge, header, learned, values)
        early = None
        if self.first is not None:
            searched = {key: values[key] for key in self.judge.searched}
            early = self.first.answer(wish_number, searched)
            self._newest.unscored = wish_number
        return early or frame({**header, "mark": "", "id": ""}, {})

    def scores(self, wish_number: int, values: Mapping[str, float]) -> list[dict[str, Any]]:
        """Return the score of a move that was answered by an estimate; else nothing."""
        learned = self.known.learned
        if learned is None or self.known.of(values) is not None or self.judge.faults(values):
            return []
        return [estimated_score(self.judge, learned, wish_number, values)]

    def rules(self, values: Mapping[str, float]) -> dict[str, list[list[Any]]]:
        """Return where along each dimension a rule would break."""
        return broken_stretches(self.judge, values)

    def shapes(self, wish_number: int, values: Mapping[str, float]) -> list[bytes]:
        """Return the shape itself where it has been meshed already; else nothing."""
        return meshed_frames(self.known, wish_number, values)

    def opened(self, page: str, wish_number: int, candidate_id: str) -> list[bytes]:
        """Return what is known of a candidate: levels and shape, for a look or as a reference.

        Raises
        ------
        InputError
            If it is not solved.
        """
        found = opened_frames(self.known, wish_number, candidate_id)
        answer = self.known.answers.get(candidate_id)
        if (
            wish_number > 0
            and answer is not None
            and set(self.judge.searched) <= set(answer.values)
        ):
            wish = Wish(page=page, number=wish_number, values=answer.values, at=time.monotonic())
            self._newest.put(wish, "full")  # what was wished before is looked at no more
        return found

    def ask(self, page: str, what: str, candidate_id: str) -> None:
        """Have the clay of a candidate mapped, or have it carved a little; in turn.

        Raises
        ------
        InputError
            If too much is asked for already.
        BafflelensError
            If nothing is done here any more.
        """
        self._asked.add(Asked(page=page, what=what, id=candidate_id))
        self._changed.set()

    def keep(self, candidate_id: str, name: str, text: str) -> None:
        """Give a shape that is solved a name, and keep a note on it.

        Raises
        ------
        InputError
            If it is not solved, or the name is empty or too long.
        """
        keep_by_name(self.judge.folder, candidate_id, name, text)

    def note(self, candidate_id: str, text: str, verdict: str) -> None:
        """Keep a verdict and a note on a candidate."""
        note_on(self.judge.folder, candidate_id, text, sense="seen", verdict=verdict)

    # ----------------------------------------------------------------------------- the thread

    def _work(self) -> None:
        """Solve what is wished, and meanwhile spread a few shapes, until it is over."""
        while self.options is None:
            if self._over.is_set():
                return
            self._changed.wait()
            self._changed.clear()
        from bafflelens.live.solves import open_bench  # slow to load

        self._say(
            doing="starting what solves (the first time on a machine it is compiled, "
            "which takes a minute or two)"
        )
        try:
            with open_bench(self.judge, self.options) as bench:
                self._study.is_read.wait()
                bench.start = self.known.start()
                while not self._over.is_set():
                    self._work_once(bench)
        except BafflelensError as error:
            self._stop(f"Nothing can be solved here: {error}")
        except Exception as error:  # the page must not go on silently without its solver
            self._stop(f"Solving has stopped: {type(error).__name__}: {error}")

    def _stop(self, why: str) -> None:
        """Say why nothing is done any more, now and to whoever asks for something."""
        self._asked.stop(why)
        self._say(doing="", fault=why)

    def _work_once(self, bench: Bench) -> None:
        wish, asked = self._newest.wish, self._asked.next
        if asked is not None:
            self._attend(bench, asked)
            return
        try:
            if wish is not None and self._newest.done != "full":
                self._serving.serve(bench, wish)
            elif self.known.needs_spread:
                if not self._beforehand.spread(bench, self._is_called(wish)):
                    self._over.wait(timeout=LOOK_AT_RUN_S)
            elif not self._beforehand.is_warm and not self.judge.folder.is_worked_on:
                self._beforehand.warm(bench, self._is_called(wish))
            elif not self.judge.folder.is_worked_on and self._beforehand.has_neighbours_left(
                wish.values if wish is not None else self.known.start()
            ):
                if self._changed.wait(timeout=LOOKING_S):
                    self._changed.clear()
                else:
                    self._beforehand.solve_neighbour(bench, self._is_called(wish))
            else:
                self._say(doing="")
                self._changed.wait(timeout=LOOK_AT_RUN_S)
                self._changed.clear()
        except BafflelensError as error:
            self._say(fault=str(error), doing="")
            if wish is not None:
                self._newest.is_done(wish, "full")

    def _attend(self, bench: Bench, asked: Asked) -> None:
        """Do what is asked for a candidate; moves are answered by estimates meanwhile."""
        folder, name = self.judge.folder, asked.id
        try:
            if asked.what == "map":
                from bafflelens.live.clay import map_frame  # slow to load

                told = Telling(f"mapping the clay of {name}", self._say)
                self._say(doing=told.what, fault="")
                self.publish(asked.page, map_frame(folder, name, told))
            else:
                self._say(doing=f"carving {name} by one step", fault="")
                with self._writing():
                    made = bench.carve(name, self._over.is_set)
                    self.judge = replace(self.judge, loaded=folder.load_job())
                    self.publish(asked.page, {"kind": "made", "id": made})
        except BafflelensError as error:
            self._say(fault=str(error))
        finally:
            self._asked.is_done(asked)
            self._say(doing="")

    # --------------------------------------------------------------------------------- inside

    def _is_called(self, wish: Wish | None) -> Callable[[], bool]:
        """Return what tells whether there is something to do that somebody waits for."""
        is_over = self._newest.is_over(wish)
        return lambda: self._asked.next is not None or is_over()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Have the run's status be that before while this process writes to it."""
        self._is_writing = True
        try:
            yield
        finally:
            self._is_writing = False

    def _learned(self, fault: str | None = None) -> None:
        """Tell what was learned; what was estimated before now has its score."""
        self._say(fault=fault)
        wish = self._newest.take_unscored() if self.known.learned is not None else None
        if wish is None:
            return
        for scored in self.scores(wish.number, wish.values):
            self.publish(wish.page, scored)

    def _say(self, doing: str | None = None, fault: str | None = None) -> None:
        """Tell all pages how far it is, if that is anything new."""
        before = (self._doing, self._fault)
        self._doing = self._doing if doing is None else doing
        self._fault = self._fault if fault is None else fault
        if doing is None or (self._doing, self._fault) != before:
            with suppress(StoreError):
                self.publish("", {"kind": "state", **self.state()})


def open_desk(
    folder: RunFolder, options: RunOptions | None = None, loaded: LoadedJob | None = None
) -> Desk:
    """Return what answers pages on a run; without options it solves nothing until it is told.

    Its job is read unless it is given.

    Raises
    ------
    InputError
        If it searches nothing.
    """
    loaded = loaded or folder.load_job()
    searched_of(loaded)
    judge = Judge(loaded=loaded, folder=folder)
    desk = Desk(judge=judge, known=Known(judge=judge))
    if options is not None:
        desk.equip(options)
    return desk
