# SPDX-License-Identifier: GPL-3.0-or-later
"""The processes that a hand-off needs, begun before its own modules are imported."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Final

from bafflelens.base.ready_process import prepared

MODULES: Final = (
    "bafflelens.handoff.exporter",
    "gmsh",  # of which each of a dozen copies would load its own
    "bafflelens.handoff.surface_meshing",
    "bafflelens.shapes.meshing.mesher",
    "bafflelens.report.shape_drawing",
    "pyvista",  # which the picture needs when it is drawn
)
"""What runs in them, the solid first: everything else waits for it."""


def helpers_ready() -> AbstractContextManager[None]:
    """Keep a process ready that has imported what works beside a hand-off."""
    return prepared(*MODULES)
