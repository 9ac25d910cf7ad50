# SPDX-License-Identifier: GPL-3.0-or-later
"""Short pieces of work go to a worker together; each keeps an outcome of its own."""

import operator
import os
import time

import pytest

from bafflelens.workers.batches import Durations, Piece, work_off
from bafflelens.workers.dask_pool import worker_pool

KNOWN_AFTER = 16


def in_order(pool):
    """Return the names of what is done together, errand by errand, and all outcomes by name."""
    errands, found = [[]], {}
    for outcome in pool.outcomes():
        found[outcome.name] = outcome
        errands[-1].append(outcome.name)
        if not outcome.more_at_once:
            errands.append([])
    assert errands.pop() == []
    return errands, found


@pytest.fixture
def practised():
    """Return a pool of one worker that knows by now how little some work takes."""
    with worker_pool(workers=1) as pool:
        for number in range(2 * KNOWN_AFTER):
            pool.submit(f"first {number}", operator.add, number, 1)
            pool.submit(f"exit {number}", exec, "pass")
        in_order(pool)
        yield pool


def test_nothing_goes_together_before_it_is_known_to_be_short():
    durations = Durations()
    for _ in range(KNOWN_AFTER - 1):
        durations.add(operator.add, 1e-5)
        assert durations.how_many(operator.add) == 1
    durations.add(operator.add, 1e-5)
    assert durations.how_many(operator.add) == 16
    assert durations.how_many(operator.sub) == 1


def test_one_long_piece_among_the_last_is_enough_for_each_to_go_alone():
    durations = Durations()
    for seconds in (*[1e-5] * KNOWN_AFTER, 0.5):
        durations.add(operator.add, seconds)
    assert durations.how_many(operator.add) == 1
    for _ in range(KNOWN_AFTER):
        durations.add(operator.add, 0.024)
    assert durations.how_many(operator.add) == 4  # 0.1 s together
    durations.add(operator.add, 0.06)
    assert durations.how_many(operator.add) == 1


def test_short_work_goes_together(practised):
    for number in range(20):
        practised.submit(f"{number}", operator.mul, number, 2)
        practised.submit(f"sum {number}", operator.add, number, 2, priority=1.0)
    errands, found = in_order(practised)
    assert {f"sum {n}": n + 2 for n in range(20)} | {f"{n}": 2 * n for n in range(20)} == {
        name: outcome.value for name, outcome in found.items()
    }
    sizes = [len(names) for names in errands]
    assert max(sizes) == 16, "work that is known to be short"
    assert sizes.count(1) >= 16, "work of which nothing is known yet"


def test_a_failure_does_not_stop_what_goes_with_it(practised):
    for name, code in (("a", "pass"), ("b", "1 / 0"), ("c", "pass")):
        practised.submit(name, exec, code)
    errands, found = in_order(practised)
    assert errands == [["a", "b", "c"]]
    assert found["b"].error == "ZeroDivisionError: division by zero"
    assert "Traceback" in found["b"].detail
    assert [found[name].error for name in "ac"] == ["", ""]


def test_a_worker_that_dies_fails_only_the_piece_that_killed_it(practised):
    for name, code in (("a", "pass"), ("b", "import os; os._exit(1)"), ("c", "pass")):
        practised.submit(name, exec, code)
    _, found = in_order(practised)
    assert found["b"].error == "the worker process died (killed, or out of memory)"
    assert [found[name].error for name in "ac"] == ["", ""]


def test_work_that_needs_more_memory_than_the_first_waits_for_an_errand_of_its_own(practised):
    for name, gigabytes in (("a", 1), ("b", 2), ("c", 0.5)):
        practised.submit(name, exec, "pass", memory=lambda g=gigabytes: g * 1e9)
    errands, _ = in_order(practised)
    assert errands == [["a", "c"], ["b"]]


def test_what_stands_on_work_of_an_errand_gets_its_value(practised):
    for number in range(4):
        total = practised.submit(f"sum {number}", operator.add, number, 10)
        practised.submit(f"on it {number}", operator.neg, total)
    _, found = in_order(practised)
    assert [found[f"on it {n}"].value for n in range(4)] == [-10, -11, -12, -13]


def test_each_piece_of_an_errand_has_its_own_time():
    done = work_off(
        Piece(name="slow", function=time.sleep, arguments=(0.05,)),
        Piece(name="quick", function=os.getpid, arguments=()),
    )
    assert [outcome.name for outcome, _ in done] == ["slow", "quick"]
    assert done[0][1] >= 0.05 > done[1][1]
