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
from typing import Any, Final, TypeVar

import numpy as np

from bafflelens.base.status import Status
from bafflelens.bem.sweep import BandResult
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize
from bafflelens.shapes.meshing.scripts import PackedScript
from bafflelens.workers.batches import Late, Outcome
from bafflelens.workers.caching.answers import AnswerStore
from bafflelens.workers.caching.asked_work import AskedBand, Meshes, Tally, WorkWishes
from bafflelens.workers.caching.digests import (
    frequency_key,
    mesh_digest,
    mesh_key,
    settings_digest,
)
from bafflelens.workers.caching.entries import (
    frequency_from_bytes,
    frequency_to_bytes,
    joined_bands,
    meshes_from_bytes,
    meshes_to_bytes,
)
from bafflelens.workers.caching.solved import FREQUENCY, MESHES, SolvedCache
from bafflelens.workers.pool import Pool, never
from bafflelens.workers.work_units import (
    Methods,
    SolveSettings,
    Timed,
    mesh_candidate,
    solve_candidate_band,
)

_SOLVED: Final = Status.SOLVED
# Ten times what writing takes: a process that is killed loses nothing that took longer.
_WORTH_WRITING_S: Final = 0.02
_ANCHOR: Final = "anchor "  # begins the name of meshes that nobody asked for but to move them
Kept = TypeVar("Kept")


class RememberingPool:
    """A pool in front of another one; see the top of this file."""

    def __init__(self, inner: Pool, cache: SolvedCache | None = None) -> None:
        self._inner = inner
        self._cache = cache
        self.answers = AnswerStore(cache)
        self._ready: deque[Meshes | Outcome] = deque()
        self._out: dict[str, Meshes | AskedBand | None] = {}
        self._aside: set[str] = set()
        self._done_aside: dict[str, Outcome] = {}
        self._anchors: dict[bytes, Meshes] = {}
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
    ) -> Any:
        """Take work of any kind, of which nothing is kept, as `pool.Pool.submit`."""
        self._out[name] = None
        wishes = WorkWishes(priority=priority, memory=memory, card=card)
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
        meshes = Meshes(
            name=name,
            key=mesh_key(methods, script, values, sizes, moved_from) if self._cache else b"",
            work=work,
            wishes=WorkWishes(priority=priority),
        )
        if is_anchor:
            self._anchors[mesh_key(methods, script, values, sizes)] = meshes
        elif moved_from is not None:
            anchor_work = (methods, script, moved_from, sizes, time_limit_s)
            meshes.anchor = self._anchor(anchor_work, priority)
        if aside:
            self._aside.add(name)
        else:
            self.tally.meshes += 1
        self._find(meshes)
        return meshes

    def _anchor(self, work: tuple[Any, ...], priority: float) -> Meshes:
        """Return the meshes that others are moved from; they are asked for when first needed."""
        methods, script, values, sizes, _ = work
        key = mesh_key(methods, script, values, sizes)
        if key not in self._anchors:
            wishes = WorkWishes(priority=priority)
            name = f"{_ANCHOR}{key.hex()}"
            self._anchors[key] = Meshes(name=name, key=key, work=work, wishes=wishes)
        return self._anchors[key]

    def _keep_as_anchor(self, meshes: Meshes) -> None:
        """Let others be moved from meshes that could not be moved: they are those made anew."""
        methods, script, values, sizes, _ = meshes.work
        key = mesh_key(methods, script, values, sizes)
        alone = Meshes(
            name=f"{_ANCHOR}{key.hex()}",
            key=key,
            work=meshes.work,
            wishes=meshes.wishes,
            meshes=meshes.meshes,
        )
        self._anchors.setdefault(key, alone)
        if self._cache and meshes.meshes and not self._cache.has(key):
            self._cache.put(key, MESHES, meshes_to_bytes(meshes.meshes))

    def _find(self, meshes: Meshes) -> None:
        """Look for meshes in the cache, or have them made."""
        if self._cache and self._cache.has(meshes.key):
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
                self._anchors = {key: one for key, one in self._anchors.items() if one.is_known}

    def _known(self) -> Iterator[Outcome]:
        """Yield what is known without the workers."""
        while self._ready:
            item = self._ready.popleft()
            if isinstance(item, Outcome):
                yield item
                continue
            meshes = self._read(item.key, meshes_from_bytes)
            if meshes is None:
                self._mesh(item)
                continue
            item.meshes = meshes
            if not item.name.startswith(_ANCHOR):
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
            if outcome.error:
                item.failure = outcome
            else:
                item.meshes = outcome.value.value
                if self._cache:
                    self._cache.put(item.key, MESHES, meshes_to_bytes(outcome.value.value))
                    self._write_what_took(outcome.value.seconds)
                if item.anchor is not None and not any(map(_is_moved, item.meshes)):
                    self._keep_as_anchor(item)
            if not item.name.startswith(_ANCHOR):
                yield outcome
            self._release(item)
            return
        if isinstance(item, AskedBand) and not outcome.error:
            result: BandResult = outcome.value.value
            self._keep_answers(item, result)
            result = replace(result, answers=None)
            outcome = replace(outcome, value=replace(outcome.value, value=result))
            self._keep(item, result)
            self._write_what_took(outcome.value.seconds)
            if item.known:
                whole = joined_bands(item.band, [result, *item.known])
                outcome = replace(outcome, value=replace(outcome.value, value=whole))
        yield outcome

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
        found, number = asked.meshes, asked.number
        if found.failure is not None:
            self._ready.append(replace(found.failure, name=asked.name))
            return
        missing = self._missing(asked, found.of(number))
        if asked.name not in self._aside:
            self.tally.known_frequencies += len(asked.known)
        if not missing:
            whole = joined_bands(asked.band, asked.known)
            self._ready.append(Outcome(name=asked.name, value=Timed(value=whole, seconds=0.0)))
            return
        mesh = replace(found.of(number), places=None)  # a solver has no use for them
        alone = tuple(mesh if n == number else None for n in range(number + 1))
        rest = replace(asked.band, frequencies_hz=missing)
        meshes = Timed(value=alone, seconds=0.0)
        work: tuple[Any, ...] = (asked.methods, meshes, number, rest, asked.settings)
        if asked.is_reusing:
            # What is known when a worker takes it, not when it was asked for.
            work += (Late(partial(self.answers.earlier, mesh, asked.settings, missing)),)
        self._out[asked.name] = asked
        self._hand_on(asked.name, solve_candidate_band, work, asked.wishes)

    def _missing(self, asked: AskedBand, mesh: Mesh) -> tuple[float, ...]:
        """Return the frequencies of a band that are not known; note those that are."""
        if not self._cache:
            return asked.band.frequencies_hz
        digests, number = asked.meshes.digests, asked.number
        if number not in digests:
            digests[number] = mesh_digest(mesh)
        asked.digest = settings_digest(asked.methods, digests[number], asked.settings)
        missing = []
        for frequency_hz in asked.band.frequencies_hz:
            key = frequency_key(asked.digest, frequency_hz)
            known = self._read(key, partial(frequency_from_bytes, mesh=mesh))
            if known is None:
                missing.append(frequency_hz)
            else:
                asked.known.append(known)
        return tuple(missing)

    def _read(self, key: bytes, read: Callable[[bytes], Kept]) -> Kept | None:
        """Return what the cache holds under a name; None if there is nothing, or it is damaged."""
        content = self._cache.get(key) if self._cache else None
        if self._cache is None or content is None:
            return None
        try:
            return read(content)
        except Exception:  # whatever a damaged archive makes its reader raise
            self._cache.forget(key)
            return None

    def _keep(self, asked: AskedBand, result: BandResult) -> None:
        """Keep the frequencies that were solved, with the engine that was asked for."""
        if not self._cache:
            return
        for number, outcome in enumerate(result.outcomes):
            is_whole = bool(np.isfinite(result.far_field[:, number]).all())
            if outcome.status == _SOLVED and is_whole and not outcome.is_fallback:
                key = frequency_key(asked.digest, outcome.frequency_hz)
                self._cache.put(key, FREQUENCY, frequency_to_bytes(result, number))

    def _keep_answers(self, asked: AskedBand, result: BandResult) -> None:
        """Keep what a shape left on its mesh, for shapes to come."""
        if result.answers is not None:
            mesh = asked.meshes.of(asked.number)
            self.answers.keep(mesh, asked.settings, result.answers)

    def _write_what_took(self, seconds: float) -> None:
        """Have the cache write what was put there, if it took longer than that will."""
        if self._cache and seconds > _WORTH_WRITING_S:
            self._cache.flush()

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
        )


def _is_moved(mesh: Mesh) -> bool:
    return mesh.places is not None and mesh.places.is_moved
