# SPDX-License-Identifier: GPL-3.0-or-later
"""What only one part of the program may do is done nowhere else."""

import ast
from functools import cache
from pathlib import Path

import pytest

import bafflelens

PACKAGE = Path(bafflelens.__file__).parent
ROOMS = (
    *("base", "mesh", "shapes", "bem", "directivity", "scoring", "job", "workers", "store"),
    *("report", "run", "mockup", "handoff", "listen", "live", "commands"),
)
SOURCES = {path.relative_to(PACKAGE).as_posix(): path for path in PACKAGE.rglob("*.py")}


@pytest.fixture(autouse=True, scope="module")
def nothing_stays():
    """Forget all statements afterwards: there are millions, and a collector goes through them."""
    yield
    body.cache_clear()
    nodes.cache_clear()


@cache
def body(source):
    """Return the statements of a file."""
    return ast.parse(source.read_text()).body


@cache
def nodes(source):
    """Return the calls and imports of a file, but for those of a process of its own."""
    tree = ast.Module([node for node in body(source) if not is_guarded(node)], [])
    kinds = ast.Call | ast.Import | ast.ImportFrom
    return tuple(node for node in ast.walk(tree) if isinstance(node, kinds))


def is_guarded(node):
    return isinstance(node, ast.If) and ast.unparse(node.test) == "__name__ == '__main__'"


def uses(source, *names):
    """Return the lines on which something of a name is called."""
    calls = [node for node in nodes(source) if isinstance(node, ast.Call)]
    return [node.lineno for node in calls if called(node.func) in names]


def called(function):
    if isinstance(function, ast.Attribute) and isinstance(function.value, ast.Name):
        return f"{function.value.id}.{function.attr}"
    return function.id if isinstance(function, ast.Name) else ""


def imports(source, module):
    """Return the lines on which a module, or a part of it, is imported."""
    found = []
    for node in nodes(source):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        else:
            continue
        found += [node.lineno for name in names if name.partition(".")[0] == module]
    return found


def test_only_the_command_line_prints_or_exits():
    faults = []
    for name, source in SOURCES.items():
        if not name.startswith(("cli.py", "commands/")):
            lines = uses(source, "print") + imports(source, "rich") + imports(source, "cyclopts")
            faults += [(name, line) for line in lines]
        faults += [(name, line) for line in uses(source, "sys.exit", "exit", "quit")]
    assert not faults


def test_only_two_modules_import_dask():
    doors = ("workers/dask_pool.py", "workers/dask_work.py")
    others = {name: source for name, source in SOURCES.items() if name not in doors}
    faults = [
        (name, line)
        for name, source in others.items()
        for line in imports(source, "dask") + imports(source, "distributed")
    ]
    assert not faults


def test_imports_go_one_way():
    """Each package imports only from those before it, so that the program reads downwards."""
    package_of = {name: name.partition("/")[0] for name in SOURCES if "/" in name}
    assert set(package_of.values()) == set(ROOMS)
    faults = [
        (name, line, other)
        for name, package in package_of.items()
        for line, other in packages_imported(SOURCES[name])
        if ROOMS.index(other) > ROOMS.index(package)
    ]
    assert not faults


def packages_imported(source):
    """Return line and package of every import of this program, at the top or in a function."""
    found = []
    for node in ast.walk(ast.Module(body(source), [])):
        if isinstance(node, ast.ImportFrom) and node.module == "bafflelens":
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("bafflelens."):
            found.append((node.lineno, node.module.split(".")[1]))
    return [(line, name) for line, name in found if name in ROOMS]


def test_an_import_against_the_order_would_be_seen(tmp_path):
    path = tmp_path / "module.py"
    path.write_text(
        "def f():\n    from bafflelens.report import page\n    from bafflelens import run"
    )
    assert packages_imported(path) == [(2, "report"), (3, "run")]


def test_no_two_public_things_share_a_name():
    """But for `main`, which each process of its own has, the verbs, and the public door."""
    homes = {}
    for name, source in SOURCES.items():
        if not name.startswith("commands/"):
            for node in body(source):
                kinds = ast.FunctionDef | ast.ClassDef
                if isinstance(node, kinds) and not node.name.startswith("_"):
                    homes.setdefault(node.name, []).append(name)
    shared = {name: places for name, places in homes.items() if len(places) > 1}
    del shared["main"], shared["open_run"]
    assert not shared


def test_a_print_would_be_seen(tmp_path):
    path = tmp_path / "module.py"
    path.write_text("import sys\nfrom dask.distributed import Client\nprint(1)\nsys.exit(2)\n")
    assert uses(path, "print", "sys.exit") == [3, 4]
    assert imports(path, "dask") == [2]
