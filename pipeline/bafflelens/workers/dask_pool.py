# SPDX-License-Identifier: GPL-3.0-or-later
"""Worker processes, started here or on a dask scheduler elsewhere.

The workers are single-threaded processes, one a processor: a solve is limited by arithmetic,
and processes that each start their own threads would get in each other's way.
"""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import multiprocessing.util
import signal
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from tempfile import TemporaryDirectory
from typing import Any, Final

import dask
from dask.system import CPU_COUNT
from distributed import Client, LocalCluster, Security
from distributed.comm.core import connect
from distributed.system import MEMORY_LIMIT

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.processor import ONE_THREAD, wide_vectors
from bafflelens.workers.dask_work import CARD, DaskPool
from bafflelens.workers.memory_limit import Machine
from bafflelens.workers.pool import Pool
from bafflelens.workers.same_program import require_same_program

SCHEDULER_TIMEOUT_S: Final = 5.0
USABLE_MEMORY: Final = 0.8  # the rest is for the system, and for what was not foreseen
_DASK_SETTINGS: Final = {
    # Libraries count threads when they load, so this must be set before a worker starts. To that
    # end dask sets it in this process, too. numba looks there whenever it compiles, and refuses
    # if the number of threads has changed; in a worker, after the start is early enough for it.
    "distributed.nanny.pre-spawn-environ": {**ONE_THREAD, **wide_vectors()},
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


def processors() -> int:
    """Return how many processors this process may use."""
    return int(CPU_COUNT)


def usable_memory() -> float:
    """Return how much memory all workers of this machine may take together, in bytes."""
    return USABLE_MEMORY * float(MEMORY_LIMIT)


def kill_workers() -> None:
    """End the worker processes of this process at once, without asking them.

    Their semaphores are let go of, too: whatever ends this process hard would else leave them to
    a tracker that complains of them.
    """
    for process in multiprocessing.active_children():
        process.kill()
    multiprocessing.util._run_finalizers(0)  # type: ignore[attr-defined]


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
            yield DaskPool(client, Machine("", workers, memory_bytes or usable_memory()))
        else:
            client = stack.enter_context(_client_of(scheduler))
            require_same_program(client)
            yield DaskPool(client)


def dask_setup(worker: Any) -> None:
    """Let a worker that starts ignore Ctrl-C, which goes to it, too: the pool ends it.

    A worker loads the script of the user first, and with that perhaps numba, which has then
    counted the processors, and would compile no more.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    numba = sys.modules.get("numba")
    if numba is not None:
        numba.core.config.reload_config()


def _local_cluster(workers: int, scratch: str) -> Any:
    return LocalCluster(
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
            "resources": {CARD: 1},
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


async def _knock(address: str) -> None:
    security = Security().get_connection_args("client")
    async with asyncio.timeout(SCHEDULER_TIMEOUT_S):
        comm = await connect(address, timeout=SCHEDULER_TIMEOUT_S, **security)
        await comm.close()


def _connect(target: Any) -> Any:
    # Results come through a foreign scheduler, whose workers may be out of reach.
    is_foreign = isinstance(target, str)
    return Client(
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
