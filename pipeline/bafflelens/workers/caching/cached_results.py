# SPDX-License-Identifier: GPL-3.0-or-later
"""The meshes and frequencies of asked work in the cache: which are known, and keeping new ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np

from bafflelens.base.status import Status
from bafflelens.bem.sweep import BandResult
from bafflelens.mesh.mesh import Mesh
from bafflelens.workers.caching.asked_work import AskedBand
from bafflelens.workers.caching.digests import (
    frequency_key,
    mesh_digest,
    mesh_key,
    settings_digest,
)
from bafflelens.workers.caching.entries import (
    frequency_from_bytes,
    frequency_to_bytes,
    meshes_from_bytes,
    meshes_to_bytes,
)
from bafflelens.workers.caching.solved import FREQUENCY, MESHES, SolvedCache

_SOLVED: Final = Status.SOLVED
# Ten times what writing takes: a process that is killed loses nothing that took longer.
_WORTH_WRITING_S: Final = 0.02
Kept = TypeVar("Kept")


class CachedResults:
    """What the cache knows of meshes and bands; without a cache, nothing, and nothing is kept."""

    def __init__(self, cache: SolvedCache | None) -> None:
        self._cache = cache

    def key_of(self, work: tuple[Any, ...], moved_from: Mapping[str, float] | None) -> bytes:
        """Return the name of meshes in the cache."""
        methods, script, values, sizes, _ = work
        return mesh_key(methods, script, values, sizes, moved_from) if self._cache else b""

    def has(self, key: bytes) -> bool:
        """Tell whether there is something under a name."""
        return bool(self._cache and self._cache.has(key))

    def meshes(self, key: bytes) -> tuple[Mesh, ...] | None:
        """Return meshes; None if there are none, or they are damaged."""
        return self._read(key, meshes_from_bytes)

    def keep_meshes(self, key: bytes, meshes: tuple[Mesh, ...]) -> None:
        """Keep meshes."""
        if self._cache:
            self._cache.put(key, MESHES, meshes_to_bytes(meshes))

    def missing(self, asked: AskedBand, mesh: Mesh) -> tuple[float, ...]:
        """Return the frequencies of a band that are not known; note those that are."""
        if not self._cache:
            return asked.band.frequencies_hz
        digests, number = asked.meshes.digests, asked.number
        if number not in digests:
            digests[number] = mesh_digest(mesh)
        asked.digest = settings_digest(asked.methods, digests[number], asked.settings)
        missing = []
        for frequency_hz in asked.band.frequencies_hz:
            key = frequency_key(asked.digest, frequency_hz)
            known = self._read(key, partial(frequency_from_bytes, mesh=mesh))
            if known is None:
                missing.append(frequency_hz)
            else:
                asked.known.append(known)
        return tuple(missing)

    def keep_band(self, asked: AskedBand, result: BandResult) -> None:
        """Keep the frequencies that were solved, with the engine that was asked for."""
        if not self._cache:
            return
        for number, outcome in enumerate(result.outcomes):
            is_whole = bool(np.isfinite(result.far_field[:, number]).all())
            if outcome.status == _SOLVED and is_whole and not outcome.is_fallback:
                key = frequency_key(asked.digest, outcome.frequency_hz)
                self._cache.put(key, FREQUENCY, frequency_to_bytes(result, number))

    def write_what_took(self, seconds: float) -> None:
        """Have the cache write what was put there, if it took longer than that will."""
        if self._cache and seconds > _WORTH_WRITING_S:
            self._cache.flush()

    def _read(self, key: bytes, read: Callable[[bytes], Kept]) -> Kept | None:
        """Return what the cache holds under a name; None if there is nothing, or it is damaged."""
        content = self._cache.get(key) if self._cache else None
        if self._cache is None or content is None:
            return None
        try:
            return read(content)
        except Exception:  # whatever a damaged archive makes its reader raise
            self._cache.forget(key)
            return None
