# SPDX-License-Identifier: GPL-3.0-or-later
"""Worker processes: the only file that imports dask.

A pool takes named pieces of work and gives back what became of each, in the order in which
they finish. Work is a function of this package with plain data or finished arrays as arguments:
nothing of a user's script is ever sent, since a worker could not import it.

The workers are single-threaded processes, one a processor: a solve is limited by arithmetic,
and processes that each start their own threads would get in each other's way.

Work is handed to dask only once what it stands on is there and its memory is free: dask counts
the resources of each worker, not those of the machine that the workers share. Pieces that take
less time than dask needs to pass them on go together: see `errands`.
"""

from __future__ import annotations

import asyncio
import logging
import math
import multiprocessing
import signal
import time
from bisect import insort
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from queue import Empty, SimpleQueue
from tempfile import TemporaryDirectory
from typing import Any, Final, Protocol

import dask
from dask.system import CPU_COUNT
from distributed import Client, KilledWorker, LocalCluster, Security
from distributed.comm.core import connect
from distributed.system import MEMORY_LIMIT

from bafflelens.base import provenance
from bafflelens.base.errors import BafflelensError, InputError, invalid
from bafflelens.base.processor import wide_vectors
from bafflelens.base.status import Status
from bafflelens.workers.batches import Durations, Outcome, Piece, failure, work_off
from bafflelens.workers.memory_limit import Machine, Need, Reservations

SCHEDULER_TIMEOUT_S: Final = 5.0
NO_WORKERS_LIMIT_S: Final = 60.0
USABLE_MEMORY: Final = 0.8  # the rest is for the system, and for what was not foreseen

_CARD: Final = "card"  # name of the resource
_LOOK_UP_S: Final = 0.5  # so often is looked for more than results
_LOOK_FOR_WORKERS_S: Final = 2.0
_LOOK_AHEAD: Final = 100  # pieces of work that are compared with the free memory
_ONE_THREAD: Final = {
    "OMP_NUM_THREADS": 1,
    "OPENBLAS_NUM_THREADS": 1,
    "MKL_NUM_THREADS": 1,
}
_DASK_SETTINGS: Final = {
    # Libraries count threads when they load, so this must be set before a worker starts. To that
    # end dask sets it in this process, too. numba looks there whenever it compiles, and refuses
    # if the number of threads has changed; in a worker, after the start is early enough for it.
    "distributed.nanny.pre-spawn-environ": {**_ONE_THREAD, **wide_vectors()},
    "distributed.nanny.environ": {"NUMBA_NUM_THREADS": 1},
    # Work whose worker dies is tried once more, then given up as failed.
    "distributed.scheduler.allowed-failures": 1,
    # Long compiled loops hold the interpreter, and with it the worker's signs of life: that is
    # worth no warning, and no reason to take the worker for dead.
    "distributed.admin.tick.limit": "1h",
    "distributed.scheduler.worker-ttl": None,
    # A task may carry a mesh: that is no mistake to be warned of.
    "distributed.admin.large-graph-warning-threshold": "1GB",
    # Nobody looks at samples of what workers do, or at curves of how they feel.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.worker.preload": ["bafflelens.workers.dask_pool"],  # calls `dask_setup`
    # For the workers, which inherit these settings; see `_quiet_logs` for this process.
    "logging": {"distributed": "critical"},
}


def never() -> bool:
    """Tell that there is no end."""
    return False


class Pool(Protocol):
    """Something that works on named pieces of work."""

    @property
    def size(self) -> int:
        """How many pieces can be worked on at the same time."""

    def submit(
        self,
        name: str,
        function: Callable[..., Any],
        *arguments: Any,
        priority: float = 0.0,
        memory: Callable[[], float] | None = None,
        card: bool = False,
    ) -> Any:
        """Take a piece of work; what is returned can be an argument of further work.

        Parameters
        ----------
        name : str
            Name, unique in this pool.
        function : callable
            A function that the workers can import.
        *arguments
            Plain data, arrays, or what `submit` returned for other work.
        priority : float
            Higher goes first.
        memory : callable, optional
            Returns what it takes, in bytes; asked once what the work stands on has been yielded
            by `outcomes`. Pieces never run side by side whose sum the machine has not; one that
            needs more than there is at all fails.
        card : bool
            Whether it needs a graphics card; it fails where no worker has one.
        """

    def outcomes(self, is_over: Callable[[], bool] = never) -> Iterator[Outcome]:
        """Yield what became of all work submitted, also while this loop runs, as it finishes.

        Once `is_over` tells so, what is not finished is dropped and nothing more is yielded.
        """


def processors() -> int:
    """Return how many processors this process may use."""
    return int(CPU_COUNT)


def usable_memory() -> float:
    """Return how much memory all workers of this machine may take together, in bytes."""
    return USABLE_MEMORY * float(MEMORY_LIMIT)


def kill_workers() -> None:
    """End the worker processes of this process at once, without asking them."""
    for process in multiprocessing.active_children():
        process.kill()


@contextmanager
def worker_pool(
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    memory_bytes: float | None = None,
    cards: int = 0,
) -> Iterator[Pool]:
    """Give a pool of worker processes, and close it whatever happens.

    Parameters
    ----------
    workers : int, optional
        Worker processes on this machine; one a processor by default.
    scheduler : str, optional
        Address of a running dask scheduler to use instead, ``tcp://host:port``. Each of its
        workers has the memory that it was started with.
    memory_bytes : float, optional
        What all workers on this machine may take together; by default `usable_memory`.
    cards : int
        Graphics cards of this machine to use: one more worker each. On a foreign scheduler,
        workers with a card are those started with the resource ``card=1``.

    Raises
    ------
    InputError
        If the scheduler cannot be reached within a few seconds or has no workers, or a worker
        has another version of this program or of what shapes a result.
    """
    with ExitStack() as stack:
        stack.enter_context(dask.config.set(_DASK_SETTINGS))
        stack.enter_context(_quiet_logs())
        if scheduler is None:
            # Scratch space of the workers; nothing of it is left behind.
            scratch = stack.enter_context(TemporaryDirectory(prefix="bafflelens-"))
            workers = workers or processors()
            cluster = stack.enter_context(_local_cluster(workers, scratch))
            _add_card_workers(cluster, cards)
            client = stack.enter_context(_connect(cluster))
            if cards:
                client.wait_for_workers(workers + cards)
            yield _DaskPool(client, Machine("", workers, memory_bytes or usable_memory()))
        else:
            client = stack.enter_context(_client_of(scheduler))
            _require_same_program(client)
            yield _DaskPool(client)


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
        values = [item.value if isinstance(item, _Work) else item for item in self.arguments]
        return Piece(name=self.name, function=self.function, arguments=tuple(values))


@dataclass(frozen=True, kw_only=True)
class _Errand:
    """What has been given to a worker: one piece of work, or several short ones."""

    works: tuple[_Work, ...]
    machine: Machine | None
    memory_bytes: float


def dask_setup(worker: Any) -> None:
    """Let a worker that starts ignore Ctrl-C, which goes to it, too: the pool ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class _DaskPool:
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
        self._out: dict[Any, _Errand] = {}  # is with dask
        self._suspects: list[_Work] = []
        self._durations = Durations()
        self._finished: SimpleQueue[tuple[Any, Any, BaseException | None]] = SimpleQueue()
        self._look_at_machines()

    @property
    def size(self) -> int:
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
    ) -> Any:
        work = _Work(
            name=name,
            function=function,
            arguments=arguments,
            priority=priority,
            memory=memory,
            card=card,
        )
        insort(self._held, work, key=lambda held: -held.priority)
        return work

    def outcomes(self, is_over: Callable[[], bool] = never) -> Iterator[Outcome]:
        workers_seen = looked = time.monotonic()
        while self._held or self._out or self._suspects:
            if is_over():
                self._drop()
                return
            yield from self._hand_out()
            try:
                yield from self._receive(*self._finished.get(timeout=_LOOK_UP_S))
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

    def _look_at_machines(self) -> None:
        """Note which workers there are: those of a foreign scheduler come and go."""
        found = self._client.scheduler_info(n_workers=-1)["workers"]
        if self._here is None and (new := set(found) - self._known):
            self._refused |= set(_differences(self._client, sorted(new)))
            self._known |= new
        found = {name: entry for name, entry in found.items() if name not in self._refused}
        machines = [
            Machine(
                address,
                entry["nthreads"],
                float(entry["memory_limit"] or math.inf),
                (address,),
                bool(entry.get("resources", {}).get(_CARD)),
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
        if first.card or room <= 1:
            return [first]
        fitting = (
            work
            for work in others
            if not work.card
            and _memory_of(work) <= _memory_of(first)
            and self._durations.how_many(work.function) >= room
        )
        return [first, *islice(fitting, room - 1)]

    def _send(self, works: Sequence[_Work], machine: Machine | None) -> None:
        first = works[0]
        addresses = list(machine.addresses) if machine else []
        others_will_do = bool(addresses) and not first.card
        if self._refused & self._known:
            addresses = [name for each in self._reservations.machines for name in each.addresses]
            others_will_do = False
        # pure=False: keys are shared by all clients of a scheduler, so they must be unique. A
        # machine that has gone by now leaves the choice to the scheduler.
        future = self._client.submit(
            work_off,
            *(work.piece for work in works),
            priority=first.priority,
            pure=False,
            workers=addresses or None,
            allow_other_workers=others_will_do,
            resources={_CARD: 1} if first.card else None,
        )
        sent = _Errand(works=tuple(works), machine=machine, memory_bytes=_memory_of(first))
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
        for number, work in enumerate(sent.works):
            if error is None:
                outcome, seconds = value[number]
                self._durations.add(work.function, seconds)
            else:
                outcome = failure(work.name, error)
            yield _ended(work, replace(outcome, more_at_once=work is not last))

    def _after_death(self, sent: _Errand) -> Iterator[Outcome]:
        """Look at each piece by itself that was with a worker that died; then give it up."""
        for work in sent.works:
            if work.is_second_chance:
                reason = "the worker process died (killed, or out of memory)"
                yield _ended(work, Outcome(name=work.name, value=None, error=reason))
            else:
                work.is_second_chance, work.machine = True, sent.machine
                self._suspects.append(work)

    def _give_back(self, sent: _Errand) -> None:
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


def _ended(work: _Work, outcome: Outcome) -> Outcome:
    """Note how work ended, for what stands on it, and let go of what it stood on."""
    work.is_over = True
    work.arguments = ()
    work.value = outcome.value
    work.failure = outcome if outcome.error else None
    return outcome


def _scheduler_lost() -> BafflelensError:
    msg = "The run was stopped. The scheduler can no longer be reached."
    return BafflelensError(msg)


def _memory_of(work: _Work) -> float:
    return work.need.memory_bytes if work.need else 0.0


def _local_cluster(workers: int, scratch: str) -> Any:
    return LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        scheduler_kwargs={"dashboard": False},
        memory_limit=None,
        silence_logs=logging.CRITICAL,
        local_directory=scratch,
    )


def _add_card_workers(cluster: Any, cards: int) -> None:
    """Add a worker for each graphics card, which sees that card alone."""
    if not cards:
        return
    (like,) = cluster.new_worker_spec().values()
    for number in range(cards):
        options = {
            **like["options"],
            "resources": {_CARD: 1},
            "env": {"CUDA_VISIBLE_DEVICES": str(number)},
        }
        cluster.worker_spec[f"card {number}"] = {"cls": like["cls"], "options": options}
    cluster.scale(len(cluster.worker_spec))


@contextmanager
def _client_of(address: str) -> Iterator[Any]:
    rule = f"the address of a running dask scheduler, reached within {SCHEDULER_TIMEOUT_S:g} s"
    try:
        # A client that never came up makes a noise when it is collected, so knock first.
        asyncio.run(_knock(address))
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(invalid("scheduler", address, rule)) from error
    with _connect(address) as client:
        try:
            client.wait_for_workers(1, timeout=SCHEDULER_TIMEOUT_S)
        except TimeoutError as error:
            rule = "a dask scheduler that has workers"
            raise InputError(invalid("scheduler", address, rule)) from error
        yield client


def _require_same_program(client: Any) -> None:
    """Raise unless all workers have this program, as it is here, and what shapes its results.

    Raises
    ------
    InputError
        With the first worker that differs, and in what.
    """
    for address, difference in _differences(client, None).items():
        rule = "a dask scheduler whose workers have the same versions as this program"
        fault = invalid("scheduler", client.scheduler.address, rule)
        msg = f"{fault} Worker {address}: {difference}."
        raise InputError(msg)


def _differences(client: Any, workers: Sequence[str] | None) -> dict[str, str]:
    """Return in what workers differ from here; those that do not are left out."""
    here = _identity()
    answers = client.run(_identity, workers=workers, on_error="return")
    return {address: text for address, found in answers.items() if (text := _unlike(found, here))}


def _identity() -> dict[str, str]:
    """Return what must be the same in all processes that work on one run."""
    return {**provenance.versions(), "source of bafflelens": provenance.program_digest()}


def _unlike(found: Any, here: Mapping[str, str]) -> str:
    """Return in what a worker's answer differs, in words; empty if it does not."""
    if not isinstance(found, dict):
        return f"it has no such program ({' '.join(str(found).split())})"
    different = [name for name in here if found.get(name) != here[name]]
    if different == ["source of bafflelens"]:
        return "its bafflelens has the same version, but other source"
    return ", ".join(
        f"{name} {found.get(name, 'is missing')} there, {here[name]} here"
        for name in different
        if name != "source of bafflelens"
    )


async def _knock(address: str) -> None:
    security = Security().get_connection_args("client")  # type: ignore[no-untyped-call]
    async with asyncio.timeout(SCHEDULER_TIMEOUT_S):
        comm = await connect(  # type: ignore[no-untyped-call]
            address, timeout=SCHEDULER_TIMEOUT_S, **security
        )
        await comm.close()


def _connect(target: Any) -> Any:
    # Results come through a foreign scheduler, whose workers may be out of reach.
    is_foreign = isinstance(target, str)
    return Client(  # type: ignore[no-untyped-call]
        target,
        timeout=SCHEDULER_TIMEOUT_S,
        set_as_default=False,
        direct_to_workers=not is_foreign,
    )


@contextmanager
def _quiet_logs() -> Iterator[None]:
    """Hold back dask's own log lines: what matters to the user is in the outcomes.

    A part of dask that sets a level of its own would speak all the same.
    """
    names = [name for name in logging.root.manager.loggerDict if name.startswith("distributed.")]
    loggers = [logging.getLogger(name) for name in ("distributed", *names)]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for logger, level in zip(loggers, before, strict=True):
            logger.setLevel(level)
