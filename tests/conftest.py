# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the reference functions importable: `import analytic`, `import patterns`."""

import signal
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "references"))


@pytest.fixture(autouse=True)
def broken_pipes_are_errors():
    """Undo what gmsh does to a process: it makes writing to a worker that died fatal."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
