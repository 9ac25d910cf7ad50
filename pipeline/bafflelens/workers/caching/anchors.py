# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes that those of other shapes are moved from, whether anybody asked for them or not."""

from __future__ import annotations

from typing import Any, Final

from bafflelens.mesh.mesh import Mesh
from bafflelens.workers.caching.asked_work import Meshes, WorkWishes
from bafflelens.workers.caching.digests import mesh_key

_ANCHOR: Final = "anchor "  # begins the name of meshes that nobody asked for but to move them


class Anchors:
    """The meshes that others are moved from: one of each shape, at the same sizes."""

    def __init__(self) -> None:
        self._found: dict[bytes, Meshes] = {}

    def enter(self, meshes: Meshes) -> None:
        """Have others moved from meshes that were asked for."""
        self._found[_key(meshes.work)] = meshes

    def of(
        self, work: tuple[Any, ...], wishes: WorkWishes, made: tuple[Mesh, ...] | None = None
    ) -> Meshes:
        """Return the meshes of a shape that others are moved from.

        Parameters
        ----------
        work : tuple
            What `mesh_candidate` is given to make them.
        wishes : WorkWishes
            How that is to be done.
        made : tuple of Mesh, optional
            These meshes, where they have been made already. Else they are asked for when they
            are first needed.
        """
        key = _key(work)
        new = Meshes(name=f"{_ANCHOR}{key.hex()}", key=key, work=work, wishes=wishes, meshes=made)
        return self._found.setdefault(key, new)

    def forget_unknown(self) -> None:
        """Forget those that are not there: nobody makes them any more."""
        self._found = {key: one for key, one in self._found.items() if one.is_known}


def is_asked_for(meshes: Meshes) -> bool:
    """Tell whether somebody waits for the outcome of meshes, not only to move them."""
    return not meshes.name.startswith(_ANCHOR)


def _key(work: tuple[Any, ...]) -> bytes:
    methods, script, values, sizes, _ = work
    return mesh_key(methods, script, values, sizes)
