# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the reference functions importable: `import analytic`, `import patterns`."""

import os
import signal
import sys
from pathlib import Path

import pytest

from bafflelens.base.processor import wide_vectors

sys.path.insert(0, str(Path(__file__).parent / "references"))

# Before numba is loaded, and as in the workers: else both compile everything for themselves.
os.environ.update(wide_vectors())


FIRST = (
    "test_low_rank_blocks",
    "test_faults",
    "test_sheet_texts",
    "test_drawing",
    "test_dxf_audit",
)
"""The first of these modules compiles the solver's kernels. The others take long and need few of
them, so that with two workers they are compiled once and read from the disk afterwards."""


def pytest_collection_modifyitems(items):
    """Order the modules, each whole: `FIRST`, then those that hold slow tests.

    So no worker is left alone with a slow one at the end.
    """
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    rank = {name: number for number, name in enumerate(FIRST)}
    items.sort(key=lambda item: (rank.get(item.path.stem, len(FIRST)), item.path not in slow))


@pytest.fixture(autouse=True)
def broken_pipes_are_errors():
    """Undo what gmsh does to a process: it makes writing to a worker that died fatal."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
