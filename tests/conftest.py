# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the reference functions importable: `import analytic`, `import patterns`."""

import gc
import hashlib
import os
import pickle
import signal
import sys
from pathlib import Path

import pytest

from bafflelens.base import ready_process
from bafflelens.base.processor import wide_vectors

sys.path.insert(0, str(Path(__file__).parent / "references"))

# Before numba is loaded, and as in the workers: else both compile everything for themselves.
os.environ.update(wide_vectors())


FIRST = (
    "test_low_rank_blocks",
    "test_faults",
    "test_drawn_lenses",
    "test_drawing",
    "test_queueing",
    "test_report_in_a_browser",
    "test_caching",
    "test_report",
    "test_handoff",
    "test_every_shape",
    "test_fidelity_stages",
    "test_vertical_lens",
)
"""The first of these modules compiles the solver's kernels. The others take long and need few of
them, so that with several workers they are compiled once and read from the disk afterwards."""

MOST_KEPT = 200
"""Result files of which a copy is kept in memory."""


OBJECTS_BETWEEN_COLLECTIONS = 10_000
"""As many new objects, and the collector of cycles looks at them; by default 700."""


def pytest_collection_finish():
    """Let the collector of cycles leave alone what came with the imports, which stays.

    It went through all of that again and again: a quarter of the tests' processor time. What tests
    make, and what of it nobody closed, is found as before.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(OBJECTS_BETWEEN_COLLECTIONS)


def pytest_collection_modifyitems(items):
    """Order the modules, each whole: `FIRST`, then those that hold slow tests.

    So no worker is left alone with a slow one at the end.
    """
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    rank = {name: number for number, name in enumerate(FIRST)}
    items.sort(key=lambda item: (rank.get(item.path.stem, len(FIRST)), item.path not in slow))


@pytest.fixture(autouse=True, scope="session")
def meshers_outlive_a_test():
    """Keep the name of the test, which pytest puts there, out of the environment of meshers.

    One that saw another environment is not used again, and starting one takes longer than meshing.
    """
    real = ready_process.environment_of_child

    def without_test():
        return {key: value for key, value in real().items() if key != "PYTEST_CURRENT_TEST"}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ready_process, "environment_of_child", without_test)
        yield


@pytest.fixture(autouse=True, scope="session")
def result_files_are_read_once():
    """Give a copy of what was read of a result file for another with the very same bytes.

    Runs of the small job are made again and again, and half of what they take is reading.
    """
    from bafflelens.base import netcdf

    real = netcdf._read
    kept = {}

    def read(file):
        content = hashlib.blake2b(Path(file.filename).read_bytes()).digest()
        if content not in kept:
            kept[content] = pickle.dumps(real(file))
            if len(kept) > MOST_KEPT:
                del kept[next(iter(kept))]
        return pickle.loads(kept[content])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(netcdf, "_read", read)
        yield


@pytest.fixture(autouse=True)
def broken_pipes_are_errors():
    """Undo what gmsh does to a process: it makes writing to a worker that died fatal."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
