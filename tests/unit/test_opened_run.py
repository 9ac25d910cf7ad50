# SPDX-License-Identifier: GPL-3.0-or-later
"""The public door: what a notebook imports, and a run as labelled arrays."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import bafflelens
from bafflelens import open_run
from bafflelens.base.errors import InputError, StoreError
from bafflelens.report.summary import rank_run
from bafflelens.store import open_run as open_folder

README = Path(__file__).parents[2] / "jobs" / "README.md"


def test_the_door_names_what_it_offers():
    for name in bafflelens.__all__:
        assert getattr(bafflelens, name).__doc__
    with pytest.raises(AttributeError, match="has no attribute 'Meshes'"):
        bafflelens.Meshes  # noqa: B018


def test_the_door_loads_nothing_by_itself():
    code = (
        "import sys, bafflelens\n"
        "loaded = [name for name in sys.modules if name.startswith('bafflelens.')]\n"
        "sys.exit(str(loaded) if loaded else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_run_as_labelled_arrays(finished_run):
    run = open_run(str(finished_run))
    assert run.candidates == ("baseline", "c001", "c002", "c003")
    ranked = {row.candidate.id: row.candidate for row in rank_run(open_folder(finished_run))}
    for name, candidate in ranked.items():
        at = run.scores.sel(candidate=name)
        assert float(at["total"]) == pytest.approx(candidate.score.total_db)
        terms = [float(at[term.name]) for term in candidate.score.terms]
        assert sum(terms) == pytest.approx(float(at["total"]))
        for key, value in candidate.values.items():
            assert float(run.parameters[key].sel(candidate=name)) == value
    assert np.isnan(float(run.parameters["lens.depth_mm"].sel(candidate="baseline")))
    field = run.directivity("c001")
    assert field["far_field"].dtype.kind == "c"
    assert field["far_field"].attrs["units"] == "Pa.m"
    assert run.directivity("c001", as_played=False).sizes["source"] == 1


def test_what_is_not_there_is_one_line(finished_run, tmp_path):
    with pytest.raises(InputError, match=r"Invalid candidate 'c900'. Must be one that the run"):
        open_run(finished_run).directivity("c900")
    with pytest.raises(StoreError, match="Invalid run folder"):
        open_run(tmp_path)


def test_the_example_of_the_readme_runs(finished_run, capsys, monkeypatch):
    """Its ten lines are run as they are, on a run of stubs."""
    code = re.search(r"## In a notebook\n.*?```python\n(.*?)```", README.read_text(), re.DOTALL)
    example = code.group(1).replace('"results/first_lens_<time>"', repr(str(finished_run)))
    exec(example.replace("c009", "c001"), {})
    printed = capsys.readouterr().out
    assert "total" in printed
