# SPDX-License-Identifier: GPL-3.0-or-later
"""Names of surfaces: what a part of the body is, and which one where there are several.

A name is a kind, or a kind and a place: ``dome``, ``dome_upper``, ``cone_surround_lower``.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

SURFACE_KINDS: Final = (
    "dome",
    "surround",
    "slit",
    "lens",
    "waveguide",
    "faceplate",
    "felt",
    "cone",
    "dust_cap",
    "cone_surround",
    "baffle",
    "cabinet",
)

FINE_KINDS: Final = ("dome", "surround", "slit", "lens", "waveguide")
"""Kinds that are meshed finest; elsewhere the elements grow with the distance from these."""

GUIDING_KINDS: Final = ("lens", "waveguide")
"""Kinds at rest that shape the sound next to a dome."""


@lru_cache(maxsize=1024)  # asked for each triangle of a mesh
def surface_kind(name: str) -> str:
    """Return the kind of a surface, empty if the name is none of the known ones.

    Examples
    --------
    >>> surface_kind("dome_upper"), surface_kind("cone_surround"), surface_kind("domes")
    ('dome', 'cone_surround', '')
    """
    fitting = [kind for kind in SURFACE_KINDS if name == kind or name.startswith(kind + "_")]
    return max(fitting, key=len, default="")
