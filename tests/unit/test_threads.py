# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops whose turns are shared by threads."""

import os
import threading

import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.base.threads import number_of_threads, on_threads


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_every_turn_is_taken_once(monkeypatch, threads):
    monkeypatch.setenv("NUMBA_NUM_THREADS", str(threads))
    taken, by = np.zeros(13, dtype=int), set()

    @on_threads
    def loop(thread, threads, turns):
        by.add(thread)
        for n in range(thread, turns.size, threads):
            turns[n] += 1

    loop(taken)
    assert (taken == 1).all()
    assert by == set(range(threads))


@pytest.mark.parametrize("faulty", [0, 1])
def test_a_fault_in_any_thread_is_heard_after_all_have_ended(monkeypatch, faulty):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    ended = []

    @on_threads
    def loop(thread, threads):
        if thread == faulty:
            msg = "no such turn"
            raise ValueError(msg)
        threading.Event().wait(0.05)
        ended.append(thread)

    with pytest.raises(ValueError, match="no such turn"):
        loop()
    assert ended == [1 - faulty]


def test_as_many_as_the_process_may_use(monkeypatch):
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    assert 1 <= number_of_threads() <= os.cpu_count()


@pytest.mark.parametrize("given", ["abc", "0", "-2", "1.5"])
def test_a_number_that_is_none_is_refused(monkeypatch, given):
    monkeypatch.setenv("NUMBA_NUM_THREADS", given)
    with pytest.raises(InputError, match=rf"'NUMBA_NUM_THREADS'.*{given}.*from 1 on"):
        number_of_threads()


@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_the_copy_of_a_process_has_threads_of_its_own(monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")

    @on_threads
    def loop(thread, threads, turns):
        turns[thread] = 1

    loop(np.zeros(2))
    copy = os.fork()
    if not copy:
        turns = np.zeros(2)
        loop(turns)
        os._exit(0 if turns.all() else 1)
    assert os.waitpid(copy, 0)[1] == 0
