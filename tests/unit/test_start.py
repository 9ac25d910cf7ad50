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


def loaded_by(code: str, *arguments: str) -> set[str]:
    """Return the names of all modules that are there after some code in a fresh interpreter."""
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint('loaded', *sys.modules)", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(Path(bafflelens.__file__).parents[1])},
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.rpartition("loaded ")[2].split())


@pytest.mark.parametrize(
    ("verb", "heavy"),
    [
        ("status", NUMBERS | SOLVERS | PICTURES | OTHERS),
        ("rank", SOLVERS | PICTURES | OTHERS),  # what reaches the seat is in far fields
    ],
)
def test_a_command_that_looks_up_loads_nothing_that_computes(run_folder, verb, heavy):
    code = "from bafflelens.cli import main\nassert main(sys.argv[1:]) == 0"
    loaded = loaded_by(code, verb, str(run_folder))
    assert "bafflelens.store" in loaded
    assert not heavy & loaded


def test_a_ranking_is_printed_before_far_fields_are_read(run_folder):
    """What is loaded for the table is no more than for a status."""
    code = (
        "from pathlib import Path\n"
        "from bafflelens.commands.ranking_tables import print_ranking\n"
        "from bafflelens.report.summary import rank_run\n"
        "from bafflelens.scoring.ranking import NOT_MESHED_AGAIN\n"
        "from bafflelens.store import open_run\n"
        "folder = open_run(Path(sys.argv[1]))\n"
        "rows = rank_run(folder, None, folder.load_job())\n"
        "print_ranking(rows, NOT_MESHED_AGAIN, lambda name: ())"
    )
    assert not (NUMBERS | SOLVERS | PICTURES | OTHERS) & loaded_by(code, str(run_folder))


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
    assert not (SCHEDULER | {"numba", "matplotlib"}) & loaded_by(code, str(run_folder))


@pytest.mark.parametrize(
    ("modules", "heavy"),
    [
        ("bafflelens.handoff.helpers", NUMBERS | SOLVERS | PICTURES | OTHERS | {"numpy"}),
        ("bafflelens.handoff.package", NUMBERS | SOLVERS | PICTURES | OTHERS),
        ("bafflelens.handoff.packing", SCHEDULER | FOR_PAGES | {"scipy.optimize"}),
        ("bafflelens.handoff.exporter", SCHEDULER | NUMBERS | PICTURES | {"scipy.ndimage"}),
        ("bafflelens.mockup.comparison.compare", SCHEDULER | {"reportlab"}),
    ],
)
def test_what_a_command_begins_with_loads_no_more_than_it_needs(modules, heavy):
    assert not heavy & loaded_by(f"import {modules}")
