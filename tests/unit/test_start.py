# SPDX-License-Identifier: GPL-3.0-or-later
"""What a command loads before it says something: nothing heavy that it does not use."""

import subprocess
import sys
from pathlib import Path

import pytest

import bafflelens

NUMBERS = {"xarray", "pandas"}
SOLVERS = {"numba", "scipy", "dask", "distributed", "sklearn"}
PICTURES = {"matplotlib", "pyvista", "vtkmodules", "PIL", "reportlab"}
OTHERS = {"gmsh", "meshio", "starlette", "uvicorn", "ezdxf"}
FOR_PAGES = {"reportlab", "ezdxf", "scipy.ndimage"}
SCHEDULER = {"dask", "distributed", "scipy.stats", "sklearn", "gmsh", "pyvista", "vtkmodules"}


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory, run_in):
    return run_in(tmp_path_factory.mktemp("start")).path


def loaded_after(steps: dict[str, str], *arguments: str) -> dict[str, set[str]]:
    """Return the names of all modules that are there after each step of a fresh interpreter.

    One interpreter does for several steps where each needs all that those before it have loaded.
    """
    code = "".join(
        f"{step}\nprint('\\nloaded by', {name!r}, *sys.modules)\n" for name, step in steps.items()
    )
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(Path(bafflelens.__file__).parents[1])},
    )
    assert done.returncode == 0, done.stderr
    lines = [line.split()[2:] for line in done.stdout.splitlines() if line.startswith("loaded by")]
    return {name: set(modules) for name, *modules in lines}


NOTHING = NUMBERS | SOLVERS | PICTURES | OTHERS
LOOKED_UP = {
    "status": (
        "from bafflelens.cli import main\nassert main(['status', sys.argv[1]]) == 0",
        NOTHING,
    ),
    "table": (  # of a ranking: far fields are read after it
        "from pathlib import Path\n"
        "from bafflelens.commands.ranking_tables import print_ranking\n"
        "from bafflelens.report.summary import rank_run\n"
        "from bafflelens.scoring.ranking import NOT_MESHED_AGAIN\n"
        "from bafflelens.store import open_run\n"
        "folder = open_run(Path(sys.argv[1]))\n"
        "rows = rank_run(folder, None, folder.load_job())\n"
        "print_ranking(rows, NOT_MESHED_AGAIN, lambda name: ())",
        NOTHING,
    ),
    "rank": (  # what reaches the seat is in far fields
        "assert main(['rank', sys.argv[1]]) == 0",
        SOLVERS | PICTURES | OTHERS,
    ),
}


@pytest.fixture(scope="module")
def looked_up(run_folder):
    return loaded_after({name: code for name, (code, _) in LOOKED_UP.items()}, str(run_folder))


@pytest.mark.parametrize("name", LOOKED_UP)
def test_what_looks_up_loads_nothing_that_computes(looked_up, name):
    assert "bafflelens.store" in looked_up[name]
    assert not LOOKED_UP[name][1] & looked_up[name]


def test_what_the_live_page_shows_first_needs_no_solver_and_no_scheduler(run_folder):
    code = (
        "from pathlib import Path\n"
        "from bafflelens.live.desk import open_desk\n"
        "from bafflelens.live.server import LiveServer\n"
        "from bafflelens.store import open_run\n"
        "desk = open_desk(open_run(Path(sys.argv[1])))\n"
        "desk.known.read_first()\n"
        "desk.hello()\n"
        "assert b'solved' in desk.move('p', 1, dict(desk.known.start()))\n"
        "assert desk.shapes(1, dict(desk.known.start()))"
    )
    assert (
        not (SCHEDULER | {"numba", "matplotlib"})
        & loaded_after({"page": code}, str(run_folder))["page"]
    )


def test_what_no_two_threads_may_load_at_once_is_there_before_the_live_page_has_two(run_folder):
    code = (
        "from bafflelens.cli import main\n"
        "from bafflelens.live.desk import Desk\n"
        "from bafflelens.live.server import LiveServer\n"
        "assert 'dask' not in sys.modules\n"
        "LiveServer.wait_for_a_page = lambda server: None\n"
        "def begin(desk):\n"
        "    assert 'dask' in sys.modules\n"
        "    raise KeyboardInterrupt\n"
        "Desk.open = begin\n"
        "assert main(['live', sys.argv[1], '--no-browser']) == 0"
    )
    assert "dask" in loaded_after({"page": code}, str(run_folder))["page"]


BEGINNINGS = {
    "bafflelens.handoff.helpers": NOTHING | {"numpy"},
    "bafflelens.handoff.package": NOTHING,
    "bafflelens.handoff.exporter": SCHEDULER | NUMBERS | PICTURES | {"scipy.ndimage"},
    "bafflelens.handoff.packing": SCHEDULER | FOR_PAGES | {"scipy.optimize", "matplotlib"},
    "bafflelens.mockup.comparison.compare": SCHEDULER | {"reportlab"},
}


@pytest.fixture(scope="module")
def begun():
    return loaded_after({module: f"import {module}" for module in BEGINNINGS})


@pytest.mark.parametrize("module", BEGINNINGS)
def test_what_a_command_begins_with_loads_no_more_than_it_needs(begun, module):
    assert module in begun[module]
    assert not BEGINNINGS[module] & begun[module]
