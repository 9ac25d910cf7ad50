# SPDX-License-Identifier: GPL-3.0-or-later
"""Work on candidates, a few at a time: hand out their pieces, keep what comes back, conclude."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, NamedTuple

import xarray as xr

from bafflelens import store
from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.interpolated import with_shown_frequencies
from bafflelens.job.cost_estimate import band_mesh_sizes
from bafflelens.job.shown_only import quality_of, shown_only_text
from bafflelens.job.sources import is_plate
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize, stated_error_db
from bafflelens.run.busy import BETWEEN_TASKS, IDLE, Busy
from bafflelens.run.judging import fail
from bafflelens.run.open_candidate import (
    MESH,
    BandKey,
    OpenCandidate,
    WorkKey,
    dataset_of,
    missing_bands,
    solve_settings,
)
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store import TaskRecord
from bafflelens.workers.batches import Outcome
from bafflelens.workers.work_units import Timed

_OPEN_A_WORKER: Final = 2
_OPEN_AHEAD: Final = 4
_ALWAYS_BEGUN: Final = 2  # the baseline and a candidate; the deadline has room for them
# A power cut may take what was solved faster than the disk confirms that it has it.
_WORTH_WAITING_S: Final = 0.1

Judge = Callable[[Run, CandidateResult, xr.Dataset], str]
"""Takes what was solved of a candidate of a run, and says in one line what it is."""


class Wanted(NamedTuple):
    """A candidate that is to be solved.

    Attributes
    ----------
    candidate : CandidateResult
        Which.
    position : int
        Its place in the order of the work.
    sizes : sequence of MeshSize or None
        Mesh rules of its own, if it has some.
    moved_from : mapping of str to float or None
        Values of the shape, of the same script, whose meshes are moved onto it, if any are.
    by : Run or None
        The run with the job that it is solved by, where that is not the job of the loop.
    """

    candidate: CandidateResult
    position: int
    sizes: Sequence[MeshSize] | None = None
    moved_from: Mapping[str, float] | None = None
    by: Run | None = None


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """A piece of work that is out."""

    key: WorkKey
    open: OpenCandidate
    planned_seconds: float


class WorkLoop:
    """Work on candidates, a few at a time, and conclude each whose work is back.

    So many are open that no worker waits; thousands at once would only fill the memory. None is
    opened for which the time is too short.

    Parameters
    ----------
    run : Run
        The run.
    ahead : iterator of Wanted or None
        The candidates; None where the next one is known only when more are concluded.
    planned_s : float
        What all of them are expected to take one worker, in s.
    then_s : callable
        Returns how long what must follow takes, in s.
    judge : callable
        Takes what was solved of a candidate, and says in one line what it is.
    """

    def __init__(
        self,
        run: Run,
        ahead: Iterator[Wanted | None],
        planned_s: float,
        then_s: Callable[[], float],
        judge: Judge,
    ) -> None:
        self._run = run
        self._ahead = ahead
        self._planned_s = planned_s
        self._then_s = then_s
        self._judge = judge
        self._most_open = _OPEN_AHEAD + _OPEN_A_WORKER * run.pool.size
        self._n_begun = 0
        self._n_open = 0
        self._open_s = 0.0  # what those take, all workers together
        self._n_finished = 0
        # A ranking needs one candidate: until there is one, the first are finished even if late.
        self._least = 0 if _has_candidate(self._run) else _ALWAYS_BEGUN
        self._out: dict[str, _Piece] = {}
        self._came_at_once: list[OpenCandidate] = []
        self._busy = Busy(run.pool.size)

    def work(self) -> None:
        """Work until nothing is ahead or out, or the time is up."""
        run, clock = self._run, self._run.clock
        self._open_more()
        with run.progress.bar(self._planned_s) as advance:
            for outcome in run.pool.outcomes(is_over=self._is_over):
                advance(*self._take(outcome))
        clock.was_short |= self._n_open > 0
        text = self._busy.text
        if text and not run.plan.cards:
            run.journal.add_time(BETWEEN_TASKS, self._busy.wall_s)
            run.journal.add_time(IDLE, self._busy.idle_s)
            run.progress.say(text)
            run.folder.log(text)

    def _is_over(self) -> bool:
        """Whether the time is up, and the least that is needed is there."""
        return self._run.clock.is_up and self._n_finished >= self._least

    def _open_more(self) -> None:
        """Open candidates as long as there is room, time and one is known."""
        clock = self._run.clock
        while self._n_open < self._most_open:
            begun_s = clock.pace * (self._open_s + self._run.plan.shape_seconds)
            if self._n_begun >= _ALWAYS_BEGUN and not clock.has_time_for(begun_s, self._then_s()):
                return
            following = next(self._ahead, None)
            if following is None:
                return
            self._open(following)
            self._n_begun += 1
            self._n_open += 1
            self._open_s += (following.by or self._run).plan.shape_seconds

    def _open(self, wanted: Wanted) -> None:
        """Hand out the meshing of a candidate and the bands that are missing."""
        candidate, position, sizes, moved_from, by = wanted
        run = by or self._run
        job = run.loaded.job
        key = WorkKey(candidate.id)
        settings = solve_settings(
            run.loaded,
            candidate,
            keep_surface=job.solve.keep_surface and sizes is None,
            with_family=sizes is None or job.score.domes != "rigid",
        )
        if moved_from is not None:  # near others: a combination of them will do
            settings = replace(settings, is_look=True)
        kept = run.folder.load_bands(candidate.id)
        meshes = run.pool.mesh(
            str(key),
            run.methods,
            packed(run.shape_of(candidate)),
            dict(candidate.values),
            sizes or band_mesh_sizes(run.loaded, run.plan.bands),
            job.solve.mesh_time_limit_s,
            priority=-float(position),
            moved_from=moved_from,
        )
        opened = OpenCandidate(
            run=run,
            candidate=candidate,
            position=position,
            settings=settings,
            meshes=meshes,
            results={BandKey.of_file(number): result for number, result in kept.items()},
            is_aside=sizes is not None,
            refining_seconds=run.plan.refining_seconds,
        )
        self._note(key, opened, run.plan.mesh_seconds)
        self._solve_missing(opened)

    def _note(self, key: WorkKey, opened: OpenCandidate, planned_seconds: float) -> None:
        """Note that a piece of work is out."""
        self._out[str(key)] = _Piece(key=key, open=opened, planned_seconds=planned_seconds)
        opened.pieces_out += 1

    def _solve_missing(self, opened: OpenCandidate) -> None:
        """Hand out what is to be solved next of a candidate, the largest bands first."""
        run, job = opened.run, opened.run.loaded.job
        for band_key, band in sorted(missing_bands(opened).items(), reverse=True):
            number = band_key.band_number
            cost = run.plan.band_costs[number]
            seconds = cost.seconds * len(band.frequencies_hz) / len(cost.band.frequencies_hz)
            if band_key.pass_number:
                seconds = min(seconds, opened.refining_seconds)
                opened.refining_seconds -= seconds
            key = WorkKey(opened.candidate.id, band_key)
            self._note(key, opened, seconds)
            # Candidates in order; within one, the mesh and then the largest bands first.
            delay = 0.5 * (len(run.plan.bands) - number) / len(run.plan.bands)
            run.pool.solve_band(
                str(key),
                run.methods,
                opened.meshes,
                number,
                band,
                replace(opened.settings, quality=quality_of(job, band.mesh_frequency_hz)),
                priority=-(opened.position + delay),
                memory=partial(opened.band_memory, number),
                # What a directed search goes by must not depend on what was solved first.
                reuse=opened.is_aside or not job.search.is_directed,
            )

    def _take(self, outcome: Outcome) -> tuple[float, str]:
        """Keep what a piece of work gave, and go on with its candidate.

        Returns
        -------
        float
            How much of what was planned is done with it, in s.
        str
            What became of its candidate, where that is concluded.
        """
        piece = self._out.pop(outcome.name)
        opened = piece.open
        if outcome.error:
            opened.failures[piece.key.task] = outcome
        else:
            self._receive(piece, outcome.value)
        opened.pieces_out -= 1
        conclusion, done_seconds = "", piece.planned_seconds
        self._came_at_once.append(opened)
        if opened.pieces_out == 0 and not opened.failures:
            self._solve_missing(opened)
        if opened.pieces_out == 0:
            conclusion = self._conclude(opened)
            self._run.folder.log(conclusion)
            plan = opened.run.plan
            done_seconds = plan.work_seconds - opened.told_seconds
            self._n_open -= 1
            self._open_s -= plan.shape_seconds
            self._n_finished += 1
            self._open_more()
        if not outcome.more_at_once:
            for one in self._came_at_once:
                self._save_bands(one)
            self._came_at_once.clear()
        opened.told_seconds += done_seconds
        return done_seconds, conclusion

    def _receive(self, piece: _Piece, done: Timed[tuple[Mesh, ...]] | Timed[BandResult]) -> None:
        """Keep meshes or a band that came back."""
        run = self._run
        self._busy.add(done.seconds)
        run.clock.learn(piece.planned_seconds, done.seconds)
        if isinstance(done.value, BandResult):
            assert piece.key.band is not None  # only bands give such a result
            reason = self._receive_band(piece.open, piece.key.band, done.value, done.seconds)
            run.journal.add_time("solving, summed over workers", done.seconds)
        else:
            reason = ""
            self._receive_meshes(piece.open, done.value)
            run.journal.add_time("meshing, summed over workers", done.seconds)
        record = TaskRecord(
            candidate=piece.key.candidate,
            task=piece.key.task,
            status=store.FAILED if reason else store.DONE,
            seconds=done.seconds,
            reason=reason,
        )
        run.journal.add_task(record)

    def _receive_meshes(self, opened: OpenCandidate, meshes: Sequence[Mesh]) -> None:
        unknowns = [mesh.n_triangles for mesh in meshes]
        opened.mesh_info = {
            "quality": opened.settings.quality,
            "triangles_finest": max(unknowns),
            "triangles_coarsest": min(unknowns),
            "moved": sum(bool(mesh.places and mesh.places.is_moved) for mesh in meshes),
        }
        if text := shown_only_text(opened.run.loaded.job):
            opened.mesh_info["shown_only"] = text
        finest = max(meshes, key=lambda mesh: mesh.n_triangles)
        self._run.folder.save_mesh(opened.candidate.id, finest)

    def _receive_band(
        self, opened: OpenCandidate, key: BandKey, result: BandResult, seconds: float
    ) -> str:
        """Keep a band; return which of its frequencies failed, empty if none."""
        if result.surface is not None:
            self._run.folder.save_surface(opened.candidate.id, key.file_number, result.surface)
        opened.results[key] = replace(result, surface=None)
        opened.unsaved[key] = seconds > _WORTH_WAITING_S
        return "; ".join(
            f"{item.frequency_hz:.0f} Hz failed: {item.reason}"
            for item in result.outcomes
            if item.status == store.FAILED
        )

    def _save_bands(self, opened: OpenCandidate) -> None:
        """Keep the bands that have come back, until their candidate is complete.

        Those that came back at once, and complete it, need not be kept first.
        """
        for key, is_worth_waiting in opened.unsaved.items():
            self._run.folder.save_band(
                opened.candidate.id, key.file_number, opened.results[key], durable=is_worth_waiting
            )
        opened.unsaved.clear()

    def _conclude(self, opened: OpenCandidate) -> str:
        """Record the end of a candidate all of whose work is back, and say it in one line."""
        run, candidate = opened.run, opened.candidate
        # Where there is no mesh, that the bands failed as well says nothing.
        mesh_failed = opened.failures.get(MESH)
        failures = {MESH: mesh_failed} if mesh_failed else opened.failures
        if failures:
            return fail(run, candidate, failures)
        try:
            dataset = dataset_of(opened, list(opened.results.values()))
        except ValueError as error:
            failure = Outcome(name="directivity", value=None, error=str(error))
            return fail(run, candidate, {"directivity": failure})
        job = run.loaded.job
        if job.frequencies.is_as_needed:
            shown_hz = job.frequencies.frequencies_hz
            allowed_db = [stated_error_db(quality_of(job, hz)) for hz in shown_hz]
            dataset = with_shown_frequencies(dataset, shown_hz, allowed_db)
        run.folder.save_directivity(candidate.id, dataset)
        opened.unsaved.clear()
        return self._judge(run, candidate, dataset)


def _has_candidate(run: Run) -> bool:
    """Whether a candidate of the run is solved."""
    return any(
        run.folder.has_directivity(known.id)
        for known in run.folder.candidates()
        if not known.is_baseline and not is_plate(known.id)
    )
