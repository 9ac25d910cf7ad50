# SPDX-License-Identifier: GPL-3.0-or-later
"""Showing one shape in gmsh's own window, for a script that is run by itself."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, Final

_EDGE_M: Final = 0.01


def show(build: Callable[[Any, Any], None], parameters: object) -> None:
    """Build and mesh a shape and open gmsh's window; ``-nopopup`` leaves the window out.

    Parameters
    ----------
    build : callable
        ``build`` of the script.
    parameters : Parameters
        What to build.
    """
    import gmsh

    gmsh.initialize()
    build(gmsh.model, parameters)
    gmsh.option.setNumber("Mesh.MeshSizeMax", _EDGE_M)
    gmsh.model.mesh.generate(2)
    if "-nopopup" not in sys.argv:
        gmsh.fltk.run()
    gmsh.finalize()
