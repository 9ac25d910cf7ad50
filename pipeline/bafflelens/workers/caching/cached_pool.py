# SPDX-License-Identifier: GPL-3.0-or-later
"""A pool that looks into the cache first, and keeps there what its workers give.

It stands between the steps of a run and the workers, and neither notices. Meshes are looked up
when they are asked for; the frequencies of a band once their mesh is there, since their names
follow from its triangles. A band of which some frequencies are known is solved for the rest.

A band goes to a worker together with its mesh. So none depends on what another worker holds in
memory, and a worker that is lost costs what it was doing, nothing that it had done. That holds
without a cache, too.

Work may be done aside: the workers do it beside what the steps of a run ask for, none of which
sees it or waits for it, and it is asked for in the end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain
from typing import Any

from bafflelens.bem.sweep import BandResult
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize
from bafflelens.shapes.meshing.scripts import PackedScript
from bafflelens.workers.batches import Late, Outcome
from bafflelens.workers.caching.anchors import Anchors, is_asked_for
from bafflelens.workers.caching.answers import AnswerStore
from bafflelens.workers.caching.asked_work import AskedBand, Meshes, Tally, WorkWishes
from bafflelens.workers.caching.cached_results import CachedResults
from bafflelens.workers.caching.entries import joined_bands
from bafflelens.workers.caching.solved import SolvedCache
from bafflelens.workers.pool import Pool, never
from bafflelens.workers.work_units import (
    Methods,
    SolveSettings,
    Timed,
    mesh_candidate,
    solve_candidate_band,
)


class RememberingPool:
    """A pool in front of another one; see the top of this file."""

    def __init__(self, inner: Pool, cache: SolvedCache | None = None) -> None:
        self._inner = inner
        self._cached = CachedResults(cache)
        self.answers = AnswerStore(cache)
        self._ready: deque[Meshes | Outcome] = deque()
        self._out: dict[str, Meshes | AskedBand | None] = {}
        self._aside: set[str] = set()
        self._done_aside: dict[str, Outcome] = {}
        self._anchors = Anchors()
        self.tally = Tally()

    @property
    def size(self) -> int:
        """As many as the pool behind it."""
        return self._inner.size

    def submit(
        self,
        name: str,
        function: Callable[..., Any],
        *arguments: Any,
        priority: float = 0.0,
        memory: Callable[[], float] | None = None,
        card: bool = False,
        beside: Any = None,
    ) -> Any:
        """Take work of any kind, of which nothing is kept, as `pool.Pool.submit`."""
        self._out[name] = None
        wishes = WorkWishes(priority=priority, memory=memory, card=card, beside=beside)
        return self._hand_on(name, function, arguments, wishes)

    def mesh(
        self,
        name: str,
        methods: Methods,
        script: PackedScript,
        values: Mapping[str, float],
        sizes: Sequence[MeshSize],
        time_limit_s: float,
        *,
        priority: float = 0.0,
        aside: bool = False,
        moved_from: Mapping[str, float] | None = None,
    ) -> Meshes:
        """Take the meshing of a shape at several sizes; known meshes are not made again.

        Parameters
        ----------
        name : str
            Name, unique in this pool.
        methods, script, values, sizes, time_limit_s
            As `bafflelens.workers.work_units.mesh_candidate` takes them.
        priority : float
            Higher goes first.
        aside : bool
            Whether it is work for `outcomes_aside`.
        moved_from : mapping of str to float, optional
            Values of the shape, of the same script, whose meshes at these sizes are moved onto
            this one where that does no harm. They are made first if they are not known.

        Returns
        -------
        Meshes
            What `solve_band` takes, whether they are there yet or not.
        """
        is_anchor = moved_from is not None and dict(moved_from) == dict(values)
        if is_anchor:
            moved_from = None
        work = (methods, script, values, sizes, time_limit_s)
        wishes = WorkWishes(priority=priority)
        key = self._cached.key_of(work, moved_from)
        meshes = Meshes(name=name, key=key, work=work, wishes=wishes)
        if is_anchor:
            self._anchors.enter(meshes)
        elif moved_from is not None:
            anchor_work = (methods, script, moved_from, sizes, time_limit_s)
            meshes.anchor = self._anchors.of(anchor_work, wishes)
        if aside:
            self._aside.add(name)
        else:
            self.tally.meshes += 1
        self._find(meshes)
        return meshes

    def _find(self, meshes: Meshes) -> None:
        """Look for meshes in the cache, or have them made."""
        if self._cached.has(meshes.key):
            self._ready.append(meshes)
        else:
            self._mesh(meshes)

    def solve_band(
        self,
        name: str,
        methods: Methods,
        meshes: Meshes,
        number: int,
        band: Band,
        settings: SolveSettings,
        *,
        priority: float = 0.0,
        memory: Callable[[], float] | None = None,
        aside: bool = False,
        reuse: bool = True,
    ) -> None:
        """Take the solving of a band; its known frequencies are not solved again.

        Parameters
        ----------
        name : str
            Name, unique in this pool.
        methods, band, settings
            As `bafflelens.workers.work_units.solve_candidate_band` takes them.
        meshes : Meshes
            What `mesh` returned.
        number : int
            Which of these meshes.
        priority, memory
            As `bafflelens.workers.pool.Pool.submit` takes them.
        aside : bool
            Whether it is work for `outcomes_aside`; then its mesh has to be, too.
        reuse : bool
            Whether it begins with the answers of earlier shapes on the same mesh topology, with
            the same sources and air: a result is as exact as without them, but not the same to
            the last digit. What is aside stands by itself.
        """
        asked = AskedBand(
            name=name,
            meshes=meshes,
            methods=methods,
            number=number,
            band=band,
            settings=settings,
            wishes=WorkWishes(priority=priority, memory=memory, card=settings.on_card),
            is_reusing=reuse and not aside and settings.engine == "direct",
        )
        if aside:
            self._aside.add(name)
        else:
            self.tally.frequencies += len(band.frequencies_hz)
        if meshes.has(number):
            self._look_up(asked)
        else:
            meshes.waiting.append(asked)

    def outcomes(self, is_over: Callable[[], bool] = never) -> Iterator[Outcome]:
        """Yield what became of all work but that aside, as `pool.Pool.outcomes`."""
        for outcome in self._worked_on(is_over, self._is_asked_for):
            if outcome.name in self._aside:
                self._done_aside[outcome.name] = outcome
            else:
                yield outcome

    def outcomes_aside(self, is_over: Callable[[], bool] = never) -> dict[str, Outcome]:
        """Wait for the work aside, once no other is out, and return what became of it by name.

        What is not finished when `is_over` tells so is missing.
        """
        for outcome in self._worked_on(is_over, self._is_anything_left):
            self._done_aside[outcome.name] = outcome
        found, self._done_aside = self._done_aside, {}
        self._aside.clear()
        return found

    def _is_anything_left(self) -> bool:
        return bool(self._ready or self._out)

    def _is_asked_for(self) -> bool:
        """Tell whether there is work left that is not aside."""
        names = chain(self._out, (item.name for item in self._ready))
        return any(name not in self._aside for name in names)

    def _worked_on(
        self, is_over: Callable[[], bool], is_wanted: Callable[[], bool]
    ) -> Iterator[Outcome]:
        """Yield what became of all work while it is wanted."""
        while is_wanted():
            yield from self._known()
            if self._out:
                for outcome in self._inner.outcomes(is_over):
                    yield from self._received(outcome)
                    yield from self._known()
                    if not (outcome.more_at_once or is_wanted()):
                        break  # what else is out is received later
            if is_over():
                deque(self._inner.outcomes(is_over), maxlen=0)  # lets go of what is out
                self._ready.clear()
                self._out.clear()
                self._anchors.forget_unknown()

    def _known(self) -> Iterator[Outcome]:
        """Yield what is known without the workers."""
        while self._ready:
            item = self._ready.popleft()
            if isinstance(item, Outcome):
                yield item
                continue
            meshes = self._cached.meshes(item.key)
            if meshes is None:
                self._mesh(item)
                continue
            item.meshes = meshes
            if is_asked_for(item):
                self.tally.known_meshes += item.name not in self._aside
                yield Outcome(name=item.name, value=Timed(value=meshes, seconds=0.0))
            self._release(item)

    def _received(self, outcome: Outcome) -> Iterator[Outcome]:
        """Keep what the workers gave, and yield it."""
        item = self._out.pop(outcome.name)
        if isinstance(item, Meshes) and item.part_of is not None:
            self._aside.discard(item.name)
            together = item.part_of.receive(item, outcome)
            item = item.part_of
            if together is None:
                self._release(item)
                return
            self._out.pop(item.name)
            outcome = together
        if isinstance(item, Meshes):
            self._keep_meshes(item, outcome)
            if is_asked_for(item):
                yield outcome
            self._release(item)
        elif isinstance(item, AskedBand) and not outcome.error:
            yield self._kept_band(item, outcome)
        else:
            yield outcome

    def _keep_meshes(self, meshes: Meshes, outcome: Outcome) -> None:
        """Keep meshes that were made, or why there are none."""
        if outcome.error:
            meshes.failure = outcome
            return
        meshes.meshes = made = outcome.value.value
        self._cached.keep_meshes(meshes.key, made)
        self._cached.write_what_took(outcome.value.seconds)
        if meshes.anchor is not None and not any(map(_is_moved, made)):
            # They could not be moved: they are those that others are moved from, made anew.
            anchor = self._anchors.of(meshes.work, meshes.wishes, made)
            if made and not self._cached.has(anchor.key):
                self._cached.keep_meshes(anchor.key, made)

    def _kept_band(self, asked: AskedBand, outcome: Outcome) -> Outcome:
        """Keep what was solved of a band, and return it with what was known of it."""
        result: BandResult = outcome.value.value
        if result.answers is not None:  # for shapes to come
            self.answers.keep(asked.meshes.of(asked.number), asked.settings, result.answers)
        result = replace(result, answers=None)
        self._cached.keep_band(asked, result)
        self._cached.write_what_took(outcome.value.seconds)
        if asked.known:
            result = joined_bands(asked.band, [result, *asked.known])
        return replace(outcome, value=replace(outcome.value, value=result))

    def _mesh(self, meshes: Meshes) -> None:
        self._out[meshes.name] = meshes
        anchor, work = meshes.anchor, meshes.work
        if anchor is not None and not anchor.is_known:
            anchor.following.append(meshes)
            if anchor.name not in self._out and anchor not in self._ready:
                self._find(anchor)
            return
        if anchor is not None and anchor.meshes and all(one.places for one in anchor.meshes):
            work = (*work, anchor.meshes)
        elif len(self._out) < self.size:  # else every worker has something to do
            self._mesh_in_parts(meshes)
            return
        self._hand_on(meshes.name, mesh_candidate, work, meshes.wishes)

    def _mesh_in_parts(self, meshes: Meshes) -> None:
        """Have meshes made by several workers, so that bands are begun sooner."""
        is_aside = meshes.name in self._aside
        for part in meshes.in_parts():
            self._out[part.name] = part
            if is_aside:
                self._aside.add(part.name)
            self._hand_on(part.name, mesh_candidate, part.work, part.wishes)

    def _release(self, meshes: Meshes) -> None:
        """Have those made that are moved from these, and look up the bands that waited."""
        following, meshes.following = meshes.following, []
        for other in following:
            self._mesh(other)
        waiting = meshes.waiting
        meshes.waiting = [band for band in waiting if not meshes.has(band.number)]
        for band in waiting:
            if meshes.has(band.number):
                self._look_up(band)

    def _look_up(self, asked: AskedBand) -> None:
        """Find the known frequencies of a band, and have the others solved."""
        found = asked.meshes
        if found.failure is not None:
            self._ready.append(replace(found.failure, name=asked.name))
            return
        missing = self._cached.missing(asked, found.of(asked.number))
        if asked.name not in self._aside:
            self.tally.known_frequencies += len(asked.known)
        if not missing:
            whole = joined_bands(asked.band, asked.known)
            self._ready.append(Outcome(name=asked.name, value=Timed(value=whole, seconds=0.0)))
            return
        work = asked.work(missing)
        if asked.is_reusing:
            # What is known when a worker takes it, not when it was asked for.
            mesh = found.of(asked.number)
            work += (Late(partial(self.answers.earlier, mesh, asked.settings, missing)),)
        self._out[asked.name] = asked
        self._hand_on(asked.name, solve_candidate_band, work, asked.wishes)

    def _hand_on(
        self, name: str, function: Callable[..., Any], work: tuple[Any, ...], wishes: WorkWishes
    ) -> Any:
        return self._inner.submit(
            name,
            function,
            *work,
            priority=wishes.priority,
            memory=wishes.memory,
            card=wishes.card,
            beside=wishes.beside,
        )


def _is_moved(mesh: Mesh) -> bool:
    return mesh.places is not None and mesh.places.is_moved
