# SPDX-License-Identifier: GPL-3.0-or-later
"""A signal ends the program wherever it finds it, also where Python forgets what is raised."""

import os
import signal
import sys
import time
import weakref

import pytest

from bafflelens.base.signals import Terminated, ended_by_signals


@pytest.fixture(autouse=True)
def heard():
    """Ctrl-C is heard, also where a shell began the tests in the background."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def forget(told):
    """Be told by a signal while an object ends: what is raised there is swallowed."""

    class Ending:
        def __del__(self):
            os.kill(os.getpid(), told)
            time.sleep(0.01)  # the handler runs here

    Ending()


def forget_in_a_weak_reference(told):
    class Watched:
        pass

    watched = Watched()
    reference = weakref.ref(watched, lambda _: (os.kill(os.getpid(), told), time.sleep(0.01)))
    del watched  # at once: nothing else holds it
    assert reference() is None


def work_on_after(swallow, told):
    with ended_by_signals(lambda: None):
        swallow(told)
        for _ in range(500):
            time.sleep(0.01)


@pytest.mark.parametrize("swallow", [forget, forget_in_a_weak_reference])
@pytest.mark.parametrize(
    ("told", "raised"), [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, Terminated)]
)
def test_what_a_destructor_swallowed_is_said_again(told, raised, swallow):
    before = signal.getsignal(told), sys.unraisablehook
    began = time.monotonic()
    with pytest.raises(raised) as caught:
        work_on_after(swallow, told)
    assert type(caught.value) is raised
    assert time.monotonic() - began < 1
    assert (signal.getsignal(told), sys.unraisablehook) == before


def test_what_else_goes_wrong_in_a_destructor_is_reported_as_ever(monkeypatch):
    reported = []
    monkeypatch.setattr(sys, "unraisablehook", lambda found: reported.append(found.exc_type))

    class Ending:
        def __del__(self):
            raise ValueError

    with ended_by_signals(lambda: None):
        Ending()
    assert reported == [ValueError]


def test_an_end_that_was_in_time_is_not_told_again():
    """The signal is swallowed at the very end; nothing comes after."""
    with ended_by_signals(lambda: None):
        forget(signal.SIGINT)
    time.sleep(0.2)
