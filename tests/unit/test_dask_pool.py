# SPDX-License-Identifier: GPL-3.0-or-later
"""Worker processes: real ones, on functions that every Python has."""

import itertools
import operator
import os
import signal
import socket
import subprocess
import sys
import textwrap
import threading
import time

import pytest
from distributed import LocalCluster

from bafflelens.base.errors import InputError
from bafflelens.workers import dask_work
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.dask_pool import worker_pool


@pytest.fixture(scope="module")
def pool():
    with worker_pool(workers=2) as opened:
        yield opened


def is_running(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def outcomes_of(pool):
    return {outcome.name: outcome for outcome in pool.outcomes()}


def test_work_can_stand_on_other_work(pool):
    assert pool.size == 2
    total = pool.submit("sum", operator.add, 1, 2)
    pool.submit("product", operator.mul, total, 5)
    found = outcomes_of(pool)
    assert {name: outcome.value for name, outcome in found.items()} == {"sum": 3, "product": 15}
    assert all(outcome.error == "" for outcome in found.values())


def test_a_failure_is_a_record_and_the_rest_goes_on(pool):
    failed = pool.submit("ratio", operator.truediv, 1, 0)
    pool.submit("on it", operator.neg, failed)
    pool.submit("sum", operator.add, 1, 2)
    found = outcomes_of(pool)
    assert found["ratio"].error == "ZeroDivisionError: division by zero"
    assert "Traceback" in found["ratio"].detail
    assert found["on it"].error == found["ratio"].error
    assert found["sum"].value == 3


def test_a_worker_that_dies_fails_only_its_own_work(pool):
    total = pool.submit("sum", operator.add, 1, 2)
    for number in range(6):
        pool.submit(f"product {number}", operator.mul, total, number)
    pool.submit("culprit", os._exit, 1)
    found = outcomes_of(pool)
    assert found.pop("culprit").error == "the worker process died (killed, or out of memory)"
    assert found.pop("sum").value == 3
    assert [found[f"product {n}"].value for n in range(6)] == [3 * n for n in range(6)]


def test_what_is_not_wanted_any_more_is_not_waited_for(pool, monkeypatch):
    """Whoever wants something else would wait as well."""
    monkeypatch.setattr(dask_work, "_LOOK_UP_S", 60.0)
    over_at = time.monotonic() + 0.1
    pool.submit("long", time.sleep, 1.5)
    assert list(pool.outcomes(lambda: time.monotonic() > over_at)) == []


def test_work_submitted_meanwhile_is_done_too(pool):
    pool.submit("first", operator.add, 1, 1)
    names = []
    for outcome in pool.outcomes():
        names.append(outcome.name)
        if outcome.name == "first":
            pool.submit("second", operator.add, 2, 2)
    assert names == ["first", "second"]


# ------------------------------------------------------------------- workers with a card
def test_a_worker_with_a_card_sees_its_own_and_does_nothing_else():
    """The cards are pretended: what is tested is where the work goes."""
    with worker_pool(workers=1, cards=2) as opened:
        for number in range(6):
            opened.submit(f"card {number}", os.getenv, "CUDA_VISIBLE_DEVICES", "none", card=True)
            opened.submit(f"plain {number}", os.getenv, "CUDA_VISIBLE_DEVICES", "none")
        found = {name: outcome.value for name, outcome in outcomes_of(opened).items()}
    assert {found[f"card {number}"] for number in range(6)} == {"0", "1"}
    assert {found[f"plain {number}"] for number in range(6)} == {"none"}


def test_work_for_a_card_fails_where_there_is_none(pool):
    pool.submit("card", operator.add, 1, 2, card=True)
    (outcome,) = pool.outcomes()
    assert outcome.error == "it needs a graphics card, and no worker has one"


# ---------------------------------------------------------------- memory set aside for work
def spans_of(pool, works, tmp_path):
    """Do works (name, GB) that last 0.4 s each; return when each ran, by name."""
    for name, gigabytes in works:
        code = (
            "import time, pathlib; start = time.time(); time.sleep(0.4); "
            f"pathlib.Path({str(tmp_path / name)!r}).write_text(f'{{start}} {{time.time()}}')"
        )
        pool.submit(name, exec, code, memory=lambda gigabytes=gigabytes: gigabytes * 1e9)
    found = outcomes_of(pool)
    assert {outcome.error for outcome in found.values()} == {""}
    return {
        name: tuple(float(moment) for moment in (tmp_path / name).read_text().split())
        for name, _ in works
    }


def overlap(one, other):
    return min(one[1], other[1]) > max(one[0], other[0])


@pytest.fixture(scope="module")
def small_machine():
    with worker_pool(workers=2, memory_bytes=10e9) as opened:
        yield opened


def test_two_large_pieces_never_run_side_by_side(small_machine, tmp_path):
    spans = spans_of(small_machine, [(f"large {n}", 6.0) for n in range(3)], tmp_path)
    ordered = sorted(spans.values())
    assert all(not overlap(a, b) for a, b in itertools.pairwise(ordered))


def test_small_pieces_run_beside_each_other_and_beside_a_large_one(small_machine, tmp_path):
    spans = spans_of(small_machine, [("a", 3.0), ("b", 3.0)], tmp_path)
    assert overlap(spans["a"], spans["b"])
    works = [("large 0", 6.0), ("large 1", 6.0), ("small 0", 2.0), ("small 1", 2.0)]
    spans = spans_of(small_machine, works, tmp_path)
    assert not overlap(spans["large 0"], spans["large 1"])
    assert overlap(spans["large 0"], spans["small 0"])


def test_more_than_the_machine_has_is_a_failure_with_its_reason(small_machine):
    giant = small_machine.submit("giant", operator.add, 1, 2, memory=lambda: 64 * 2.0**30)
    small_machine.submit("on it", operator.neg, giant)
    small_machine.submit("sum", operator.add, 1, 2, memory=lambda: 1e9)
    found = outcomes_of(small_machine)
    assert "needs about 64.0 GiB of memory, more than the 9.3 GiB" in found["giant"].error
    assert found["on it"].error == found["giant"].error
    assert found["sum"].value == 3


def test_memory_is_asked_for_once_what_it_depends_on_has_been_told(small_machine):
    known = {}
    size = small_machine.submit("size", operator.mul, 2, 2)
    small_machine.submit("solve", operator.neg, size, memory=lambda: known["size"] * 1e9)
    for outcome in small_machine.outcomes():
        known[outcome.name] = outcome.value
    assert known == {"size": 4, "solve": -4}


def test_workers_have_one_thread(pool):
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        pool.submit(name, os.getenv, name)
    assert {outcome.value for outcome in outcomes_of(pool).values()} == {"1"}


def test_workers_have_one_thread_when_a_script_has_loaded_the_compiler_before(tmp_path):
    """And they still compile what they meet for the first time."""
    script = tmp_path / "own_study.py"
    script.write_text(
        textwrap.dedent(
            """
            import numba
            from bafflelens.base.threads import number_of_threads
            from bafflelens.workers.dask_pool import worker_pool

            def threads():
                return numba.njit(lambda n: n)(number_of_threads())

            if __name__ == "__main__":
                with worker_pool(workers=1) as pool:
                    pool.submit("threads", threads)
                    for outcome in pool.outcomes():
                        print(outcome.value, outcome.error)
            """
        )
    )
    environment = {name: value for name, value in os.environ.items() if "NUM_THREADS" not in name}
    run = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, check=True,
        env=environment | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert run.stdout.strip() == "1"


def test_this_process_keeps_its_threads(monkeypatch):
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    seen = []
    monkeypatch.setattr(
        type(os.environ),
        "__setitem__",
        lambda self, key, value: (seen.append(key), os.putenv(key, value)),
    )
    with worker_pool(workers=1):
        pass
    assert "NUMBA_NUM_THREADS" not in seen


def test_nothing_listens_beyond_this_machine(pool):
    addresses = set(pool._client.scheduler_info()["workers"])
    addresses.add(pool._client.scheduler.address)
    assert all(address.startswith("tcp://127.0.0.1:") for address in addresses)


@pytest.mark.parametrize("address", ["nonsense", "tcp://", "http://127.0.0.1:1"])
def test_what_is_no_address_is_refused(address):
    expected = f"Invalid scheduler '{address}'. Must be the address of"
    with pytest.raises(InputError, match=expected), worker_pool(scheduler=address):
        pass


def test_a_server_that_is_no_scheduler_is_refused_in_seconds():
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        start = time.monotonic()
        expected = "a running dask scheduler, reached within 5 s"
        with pytest.raises(InputError, match=expected), worker_pool(scheduler=address):
            pass
        assert time.monotonic() - start < 8


def test_a_scheduler_without_workers_is_refused():
    expected = "Must be a dask scheduler that has workers"
    with (
        LocalCluster(
            n_workers=0,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False},
        ) as cluster,
        pytest.raises(InputError, match=expected),
        worker_pool(scheduler=cluster.scheduler_address),
    ):
        pass


def test_a_running_scheduler_is_used_and_left_running(pool):
    address = pool._client.scheduler.address
    with worker_pool(scheduler=address) as other:
        total = other.submit("sum", operator.add, 1, 2, memory=lambda: 1e9)
        other.submit("product", operator.mul, total, 5)
        found = outcomes_of(other)
        assert (found["sum"].value, found["product"].value) == (3, 15)
    pool.submit("sum", operator.add, 2, 2)
    assert outcomes_of(pool)["sum"].value == 4


@pytest.mark.parametrize("outer", [lambda pool: pool, RememberingPool], ids=["plain", "caching"])
def test_where_workers_stay_away_all_work_ends_and_the_pool_goes_on(outer, monkeypatch):
    """Also what is submitted while the work is handed back; nothing stays set aside or sent."""
    monkeypatch.setattr(dask_work, "NO_WORKERS_LIMIT_S", 0.3)
    monkeypatch.setattr(dask_work, "_LOOK_FOR_WORKERS_S", 0.1)
    monkeypatch.setattr(dask_work, "_LOOK_UP_S", 0.1)
    with (
        LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            processes=False,
            protocol="tcp://",
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False},
        ) as cluster,
        worker_pool(scheduler=cluster.scheduler_address) as inner,
    ):
        pool = outer(inner)
        cluster.scale(0)
        wait_until(lambda: pool.size == 0)
        first = pool.submit("sum", operator.add, 1, 2, memory=lambda: 1e9)
        pool.submit("on it", operator.neg, first)
        found = {}
        give_up_by = time.monotonic() + 20
        for outcome in pool.outcomes(is_over=lambda: time.monotonic() > give_up_by):
            if not found:
                pool.submit("meanwhile", operator.add, 3, 4)
            found[outcome.name] = outcome.error
        assert time.monotonic() < give_up_by
        assert found == dict.fromkeys(
            ("sum", "on it", "meanwhile"), "no worker was left for 0.3 s"
        )
        wait_until(lambda: not inner._client.futures)  # what was sent is cancelled
        cluster.scale(1)
        wait_until(lambda: pool.size == 1)
        for number in range(3):  # more than one worker is given ahead, with all its memory
            pool.submit(f"again {number}", operator.add, 1, number, memory=lambda: 1e9)
        values = {outcome.name: outcome.value for outcome in pool.outcomes()}
        assert values == {"again 0": 1, "again 1": 2, "again 2": 3}
        assert not any(inner._reservations._out.values())


def wait_until(is_so, seconds=10):
    give_up_by = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < give_up_by
        time.sleep(0.02)


def test_everything_is_closed_whatever_happens():
    before = threading.active_count()
    pids = []

    def fail_with_a_worker():
        with worker_pool(workers=1) as pool:
            pool.submit("pid", os.getpid)
            pids.extend(outcome.value for outcome in pool.outcomes())
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_with_a_worker()
    deadline = time.monotonic() + 10
    while is_running(pids[0]) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not is_running(pids[0])
    assert threading.active_count() <= before + 2  # the event loop of the library may stay


def test_a_process_that_is_ended_hard_leaves_no_semaphore_behind():
    ended = (
        "import multiprocessing, os\n"
        "from bafflelens.workers.dask_pool import kill_workers\n"
        "kept = multiprocessing.get_context('spawn').Semaphore()\n"
        "kill_workers()\n"
        "os._exit(3)"
    )
    done = subprocess.run([sys.executable, "-c", ended], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (3, "")


def test_work_beside_other_work_is_done_in_the_same_process(pool):
    works = [pool.submit(f"first {n}", os.getpid) for n in range(4)]
    first = outcomes_of(pool)
    assert len({outcome.value for outcome in first.values()}) == 2
    for _ in range(3):
        for n, work in enumerate(works):
            pool.submit(f"second {n}", os.getpid, beside=work)
        second = outcomes_of(pool)
        for n in range(4):
            assert second[f"second {n}"].value == first[f"first {n}"].value


def test_work_beside_what_has_died_is_done_elsewhere():
    with worker_pool(workers=1) as alone:
        work = alone.submit("first", os.getpid)
        before = outcomes_of(alone)["first"].value
        os.kill(before, signal.SIGKILL)
        alone.submit("second", os.getpid, beside=work)
        after = outcomes_of(alone)["second"]
        assert after.error == ""
        assert after.value != before
