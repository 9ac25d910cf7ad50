# SPDX-License-Identifier: GPL-3.0-or-later
"""Work on a dask scheduler: handed out as it fits, received as it ends.

Work is handed to dask only once what it stands on is there and its memory is free: dask counts
the resources of each worker, not those of the machine that the workers share. Pieces that take
less time than dask needs to pass them on go together: see `bafflelens.workers.batches`.
"""

from __future__ import annotations

import asyncio
import math
import time
from bisect import insort
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass, replace
from itertools import islice
from queue import Empty, SimpleQueue
from typing import Any, Final

from distributed import KilledWorker, get_worker

from bafflelens.base.errors import BafflelensError
from bafflelens.base.status import Status
from bafflelens.workers.batches import Durations, Late, Outcome, Piece, failure, work_off
from bafflelens.workers.memory_limit import Machine, Need, Reservations
from bafflelens.workers.pool import never
from bafflelens.workers.same_program import differences_from_here

NO_WORKERS_LIMIT_S: Final = 60.0
CARD: Final = "card"  # name of the resource
_LOOK_UP_S: Final = 0.5  # so often is looked for more than results
_LOOK_WHETHER_OVER_S: Final = 0.02  # and so often whether they are wanted: somebody may wait
_LOOK_FOR_WORKERS_S: Final = 2.0
_LOOK_AHEAD: Final = 100  # pieces of work that are compared with the free memory


@dataclass(eq=False)
class _Work:
    """A piece of work that has been submitted; stands for its value in further work."""

    name: str
    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    priority: float
    memory: Callable[[], float] | None
    card: bool = False
    value: Any = None
    beside: _Work | None = None
    address: str = ""  # of the worker that did it
    machine: Machine | None = None  # where it was when its worker died
    need: Need | None = None
    is_possible_on: Sequence[Machine] | None = None
    is_over: bool = False
    failure: Outcome | None = None
    is_second_chance: bool = False

    @property
    def is_ready(self) -> bool:
        """Whether all that it stands on is over."""
        return all(item.is_over for item in self.arguments if isinstance(item, _Work))

    @property
    def piece(self) -> Piece:
        """What a worker is given of it."""
        values = tuple(_value_of(item) for item in self.arguments)
        return Piece(name=self.name, function=self.function, arguments=values)


def _value_of(argument: Any) -> Any:
    if isinstance(argument, Late):
        return argument.read()
    return argument.value if isinstance(argument, _Work) else argument


@dataclass(frozen=True, kw_only=True)
class _Batch:
    """What has been given to a worker: one piece of work, or several short ones."""

    works: tuple[_Work, ...]
    machine: Machine | None
    memory_bytes: float
    beside: str = ""  # address of the one worker that was asked for


class DaskPool:
    """A pool on a dask scheduler.

    When a worker dies, dask blames everything that was waiting on it. So work that is given up
    for that reason gets a second chance when nothing else can go on, by itself: then only the
    culprit fails.
    """

    def __init__(self, client: Any, here: Machine | None = None) -> None:
        self._client = client
        self._here = here  # this machine; None on a foreign scheduler
        self._reservations = Reservations(machines=())
        self._known: set[str] = set(client.scheduler_info(n_workers=-1)["workers"])
        self._refused: set[str] = set()  # came later, with another version of this program
        self._held: list[_Work] = []  # waits for other work, or for memory
        self._out: dict[Any, _Batch] = {}  # is with dask
        self._suspects: list[_Work] = []
        self._durations = Durations()
        self._finished: SimpleQueue[tuple[Any, Any, BaseException | None]] = SimpleQueue()
        self._look_at_machines()

    @property
    def size(self) -> int:
        """How many pieces can be worked on at the same time."""
        threads = self._client.nthreads()
        return sum(number for name, number in threads.items() if name not in self._refused)

    @property
    def _is_connected(self) -> bool:
        return bool(self._client.status == Status.RUNNING)

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
        """Take a piece of work, as `bafflelens.workers.pool.Pool.submit`."""
        work = _Work(
            name=name,
            function=function,
            arguments=arguments,
            priority=priority,
            memory=memory,
            card=card,
            beside=beside,
        )
        insort(self._held, work, key=lambda held: -held.priority)
        return work

    def outcomes(self, is_over: Callable[[], bool] = never) -> Iterator[Outcome]:
        """Yield what became of all work, as `bafflelens.workers.pool.Pool.outcomes`."""
        workers_seen = looked = time.monotonic()
        while self._held or self._out or self._suspects:
            if is_over():
                self._drop()
                return
            yield from self._hand_out()
            try:
                yield from self._receive(*self._next(is_over))
                continue
            except Empty:
                now = time.monotonic()
            if now - looked > _LOOK_FOR_WORKERS_S:
                looked = now
                if not self._is_connected:
                    raise _scheduler_lost()
                workers_seen = now if self.size else workers_seen
                if now - workers_seen > NO_WORKERS_LIMIT_S:
                    yield from self._give_up()
                self._look_at_machines()

    def _next(self, is_over: Callable[[], bool]) -> tuple[Any, Any, BaseException | None]:
        """Return what is finished next.

        Raises
        ------
        Empty
            If there is nothing for a while, or it is over.
        """
        if is_over is never:
            return self._finished.get(timeout=_LOOK_UP_S)
        end = time.monotonic() + _LOOK_UP_S
        while True:
            try:
                return self._finished.get(timeout=_LOOK_WHETHER_OVER_S)
            except Empty:
                if time.monotonic() >= end or is_over():
                    raise

    def _look_at_machines(self) -> None:
        """Note which workers there are: those of a foreign scheduler come and go."""
        found = self._client.scheduler_info(n_workers=-1)["workers"]
        if self._here is None and (new := set(found) - self._known):
            self._refused |= set(differences_from_here(self._client, sorted(new)))
            self._known |= new
        found = {name: entry for name, entry in found.items() if name not in self._refused}
        machines = [
            Machine(
                address,
                entry["nthreads"],
                float(entry["memory_limit"] or math.inf),
                (address,),
                bool(entry.get("resources", {}).get(CARD)),
            )
            for address, entry in found.items()
        ]
        if self._here is not None:
            # The workers of this machine share its memory; those with a card are kept for that.
            with_card = [machine for machine in machines if machine.has_card]
            plain = tuple(machine.name for machine in machines if not machine.has_card)
            machines = [replace(self._here, addresses=plain if with_card else ()), *with_card]
        if tuple(machines) != self._reservations.machines:
            self._reservations.machines = tuple(machines)
        self._send_elsewhere({sent.beside for sent in self._out.values()} - {"", *found})

    def _send_elsewhere(self, gone: set[str]) -> None:
        """Have work done anywhere that was to be done by workers that are no longer there.

        With no worker left at that moment, dask would wait for that very one.
        """
        for future, sent in [item for item in self._out.items() if item[1].beside in gone]:
            del self._out[future]
            self._give_back(sent)
            self._client.cancel([future])
            for work in sent.works:
                work.beside = None
            self._send(sent.works, sent.machine)

    def _hand_out(self) -> Iterator[Outcome]:
        """Give dask what can start now and fits; fail what never will."""
        if any(work.is_second_chance for sent in self._out.values() for work in sent.works):
            return
        while ready := list(islice((work for work in self._held if work.is_ready), _LOOK_AHEAD)):
            hopeless = [(work, failure) for work in ready if (failure := self._hopeless(work))]
            for work, failure in hopeless:
                self._held.remove(work)
                yield _ended(work, failure)
            if hopeless:
                continue
            chosen = self._reservations.choose([work.need or Need() for work in ready])
            if chosen is None:
                break
            together = self._together(ready[chosen[0] :])
            for work in together:
                self._held.remove(work)
            self._send(together, chosen[1])
        if not self._out and self._suspects:
            work = self._suspects.pop(0)
            self._send([work], work.machine)

    def _hopeless(self, work: _Work) -> Outcome | None:
        """Return the failure of work that stands on failed work or needs too much memory."""
        for item in work.arguments:
            if isinstance(item, _Work) and item.failure is not None:
                return replace(item.failure, name=work.name)
        if work.need is None:
            work.need = Need(work.memory() if work.memory else 0.0, work.card)
        if work.is_possible_on is self._reservations.machines:
            return None
        refusal = self._reservations.refusal(work.need)
        if not refusal:
            work.is_possible_on = self._reservations.machines
        return Outcome(name=work.name, value=None, error=refusal) if refusal else None

    def _together(self, ready: Sequence[_Work]) -> list[_Work]:
        """Return the first piece of work, and those that go with it."""
        first, *others = ready
        room = self._durations.how_many(first.function)
        if first.card or first.beside is not None or room <= 1:
            return [first]
        fitting = (
            work
            for work in others
            if not work.card
            and work.beside is None
            and _memory_of(work) <= _memory_of(first)
            and self._durations.how_many(work.function) >= room
        )
        return [first, *islice(fitting, room - 1)]

    def _send(self, works: Sequence[_Work], machine: Machine | None) -> None:
        first = works[0]
        addresses = list(machine.addresses) if machine else []
        others_will_do = bool(addresses) and not first.card
        beside = first.beside.address if first.beside is not None else ""
        if beside:
            addresses, others_will_do = [beside], True
        if self._refused & self._known:
            addresses = [name for each in self._reservations.machines for name in each.addresses]
            others_will_do = False
        # pure=False: keys are shared by all clients of a scheduler, so they must be unique. A
        # machine that has gone by now leaves the choice to the scheduler.
        future = self._client.submit(
            _work_off_here,
            *(work.piece for work in works),
            priority=first.priority,
            pure=False,
            workers=addresses or None,
            allow_other_workers=others_will_do,
            resources={CARD: 1} if first.card else None,
        )
        sent = _Batch(
            works=tuple(works), machine=machine, memory_bytes=_memory_of(first), beside=beside
        )
        if machine is not None:
            self._reservations.take(machine.name, sent.memory_bytes)
        self._out[future] = sent
        self._client.loop.add_callback(self._await, future)

    async def _await(self, future: Any) -> None:
        """Wait for a result and fetch it, while the steps of the run go on.

        If a worker dies between finishing and handing over, its work is done again meanwhile.
        """
        try:
            self._finished.put((future, await future, None))
        except (Exception, asyncio.CancelledError) as error:
            self._finished.put((future, None, error))

    def _receive(self, future: Any, value: Any, error: BaseException | None) -> Iterator[Outcome]:
        if future not in self._out:  # it was dropped
            return
        # What is still wanted is cancelled by dask alone, when its scheduler has gone.
        if isinstance(error, asyncio.CancelledError | CancelledError) or not self._is_connected:
            raise _scheduler_lost() from error
        sent = self._out.pop(future)
        self._give_back(sent)
        if isinstance(error, KilledWorker):
            yield from self._after_death(sent)
            return
        last = sent.works[-1]
        address, done = ("", ()) if error is not None else value
        for number, work in enumerate(sent.works):
            if error is None:
                work.address = address
                outcome, seconds = done[number]
                self._durations.add(work.function, seconds)
            else:
                outcome = failure(work.name, error)
            yield _ended(work, replace(outcome, more_at_once=work is not last))

    def _after_death(self, sent: _Batch) -> Iterator[Outcome]:
        """Look at each piece by itself that was with a worker that died; then give it up."""
        for work in sent.works:
            if work.is_second_chance:
                reason = "the worker process died (killed, or out of memory)"
                yield _ended(work, Outcome(name=work.name, value=None, error=reason))
            else:
                work.is_second_chance, work.machine = True, sent.machine
                self._suspects.append(work)

    def _give_back(self, sent: _Batch) -> None:
        if sent.machine is not None:
            self._reservations.give_back(sent.machine.name, sent.memory_bytes)

    def _drop(self) -> None:
        """Forget all work; what a worker has begun it ends, and nobody takes the result."""
        futures = list(self._out)
        for sent in self._out.values():
            self._give_back(sent)
        self._out.clear()
        self._held.clear()
        self._suspects.clear()
        self._client.cancel(futures)

    def _give_up(self) -> Iterator[Outcome]:
        """End all work as failed, one piece after another, also what is submitted meanwhile."""
        reason = f"no worker was left for {NO_WORKERS_LIMIT_S:g} s"
        self._client.cancel(list(self._out))
        while self._held or self._out or self._suspects:
            works: Sequence[_Work]
            if self._out:
                _, sent = self._out.popitem()
                self._give_back(sent)
                works = sent.works
            else:
                works = [(self._held or self._suspects).pop(0)]
            for work in works:
                yield _ended(work, Outcome(name=work.name, value=None, error=reason))


def _work_off_here(*pieces: Piece) -> tuple[str, list[tuple[Outcome, float]]]:
    """Return the address of the worker that this is, and what it made of pieces of work."""
    return str(get_worker().address), work_off(*pieces)


def _ended(work: _Work, outcome: Outcome) -> Outcome:
    """Note how work ended, for what stands on it, and let go of what it stood on."""
    work.is_over = True
    work.arguments, work.beside = (), None
    work.value = outcome.value
    work.failure = outcome if outcome.error else None
    return outcome


def _scheduler_lost() -> BafflelensError:
    msg = "The run was stopped. The scheduler can no longer be reached."
    return BafflelensError(msg)


def _memory_of(work: _Work) -> float:
    return work.need.memory_bytes if work.need else 0.0
