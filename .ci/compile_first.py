# SPDX-License-Identifier: GPL-3.0-or-later
"""Compiles what all tests begin with, in the time in which the rest is still being installed.

Every module that is imported anywhere, so that Python keeps what it compiles of it, and the
kernels of the solver. Else each worker of the tests would do that at once, for itself.
"""

import ast
import importlib
import os
import warnings
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from bafflelens.base.processor import wide_vectors

ROOT = Path(__file__).parents[1]


def main() -> None:
    """Import everything that is there already, then compile the kernels."""
    os.environ.update(wide_vectors())  # as the tests: before numba is loaded
    warnings.simplefilter("ignore")
    for name in sorted({name for file in _files() for name in _imported(file)}):
        with suppress(Exception):  # of the tests' libraries some are not installed yet
            importlib.import_module(name)
    _kernels()


def _files() -> Iterator[Path]:
    yield from (ROOT / "pipeline" / "bafflelens").rglob("*.py")
    yield from (ROOT / "tests").glob("*/*.py")


def _imported(file: Path) -> Iterator[str]:
    """Yield the modules that a file imports, also within its functions."""
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module


def _kernels() -> None:
    """Solve a few bodies, prepare slopes over one, and look for places on it."""
    from bafflelens.base.closest_point import closest, searchable
    from bafflelens.bem.edge_gradients import gradients_at_edges
    from bafflelens.bem.surface_gradient import WholeSurface, gradient_and_curvature
    from bafflelens.bem.warm_up import row_of_tetrahedra, warm_up

    warm_up(print)
    body = row_of_tetrahedra(1)
    surface = WholeSurface.of(body)
    gradient_and_curvature(surface)
    gradients_at_edges(surface)
    closest(searchable(body.vertices, body.triangles), body.vertices)


if __name__ == "__main__":
    main()
