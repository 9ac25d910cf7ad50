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


def pytest_collection_modifyitems(items):
    """Begin with the modules that hold slow tests: no worker is left alone with one at the end."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.fixture(autouse=True)
def broken_pipes_are_errors():
    """Undo what gmsh does to a process: it makes writing to a worker that died fatal."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
