# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes and jobs that come along are found outside a clone; the declared versions hold."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

from bafflelens.base import shipped
from bafflelens.cli import main

ROOT = Path(__file__).parents[2]
LOWEST = ROOT / "tests" / "lowest_versions.txt"


def test_a_wheel_carries_shapes_and_jobs(tmp_path):
    """As pyproject.toml lays them: a package folder with both inside, and no clone around it."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    included = settings["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    for source, target in included.items():
        shutil.copytree(ROOT / source, tmp_path / target)
    # with what was compiled of it: that it can be compiled is shown all the time
    package = shutil.copytree(
        ROOT / "pipeline" / "bafflelens", tmp_path / "bafflelens", dirs_exist_ok=True
    )
    for name in ("geometries", "jobs"):
        assert shipped.shipped_with(package, name) == package / "shipped" / name
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "bafflelens", "check", "jobs/first_lens.toml"],
        cwd=elsewhere,
        env={"PYTHONPATH": str(tmp_path), "PATH": "", "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "12" in done.stdout


def test_only_what_came_along_is_found(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert shipped.found_or_shipped(Path("geometries")) == ROOT / "geometries"
    found = shipped.found_or_shipped(Path("jobs/first_lens.toml"))
    assert found == ROOT / "jobs" / "first_lens.toml"
    for name in ("first_lens.toml", "jobs/none.toml", "jobs/../pyproject.toml", "/jobs/x.toml"):
        assert shipped.found_or_shipped(Path(name)) == Path(name)
    assert main(["check", "jobs/none.toml"]) == 2
    assert "jobs/none.toml" in capsys.readouterr().err


def test_the_lowest_versions_are_those_declared():
    """`make test-lowest` installs what pyproject.toml promises."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    lowest = dict(re.findall(r"^([a-z]+)==([\d.]+)\.\*$", LOWEST.read_text(), re.MULTILINE))
    assert {"numpy", "scipy", "numba", "xarray", "dask", "distributed"} <= set(lowest)
    for name, version in lowest.items():
        assert f"{name}>={version}" in declared


def test_what_is_imported_is_declared():
    """Every package that the program imports at run time is a declared dependency."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    every = [*declared["dependencies"], *declared["optional-dependencies"]["gpu"]]
    names = {re.match(r"[\w-]+", text).group(0).lower().replace("-", "_") for text in every}
    distribution = {"PIL": "pillow", "cupy": "cupy_cuda12x", "pydantic_core": "pydantic"}
    distribution |= {
        "mpl_toolkits": "matplotlib",
        "vtk": "pyvista",
        "bempp_cl": "bempp_cl",
        "sklearn": "scikit_learn",
        "cupyx": "cupy_cuda12x",
    }
    missing = set()
    for path in (ROOT / "pipeline").rglob("*.py"):
        found = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                found.add((node.module or "").partition(".")[0])
            elif isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
        for name in found - set(sys.stdlib_module_names) - {"bafflelens"}:
            if distribution.get(name, name).lower() not in names:
                missing.add((name, path.name))
    assert not missing
