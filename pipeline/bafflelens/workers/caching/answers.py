# SPDX-License-Identifier: GPL-3.0-or-later
"""Answers of earlier shapes: the last few on each mesh topology, of this run and the cache.

Until a second shape shares a topology its answers are in memory only: most never are shared.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.digests import digest_of
from bafflelens.bem.earlier_answers import EarlierAnswers, Envelopes, made_for
from bafflelens.mesh.mesh import Mesh
from bafflelens.workers.caching.digests import mesh_digest, program
from bafflelens.workers.caching.solved import SolvedCache
from bafflelens.workers.work_units import SolveSettings

SHAPES: Final = 12
"""So many shapes are kept; tests/benchmarks/answers.py shows what more or fewer do."""

ANSWERS: Final = "answers"
MEMORY_BYTES: Final = 256 * 2**20
_TAG_BYTES: Final = 20  # of the mesh: no shape is kept twice


class AnswerStore:
    """What shapes left on their meshes; the newest take the place of the oldest.

    Parameters
    ----------
    cache : SolvedCache or None
        Where they are kept from one run to the next.
    memory_bytes : float
        How much is kept in memory.
    """

    def __init__(self, cache: SolvedCache | None, memory_bytes: float = MEMORY_BYTES) -> None:
        self._cache = cache
        self._memory_bytes = memory_bytes
        # By key the entries of each place: a tag and what follows it.
        self._kept: OrderedDict[bytes, list[bytes]] = OrderedDict()
        self._next: dict[bytes, int] = {}
        self._size = 0

    def earlier(
        self, mesh: Mesh, settings: SolveSettings, frequencies_hz: Sequence[float]
    ) -> EarlierAnswers:
        """Return what is known on meshes like this one; perhaps nothing.

        Parameters
        ----------
        mesh : Mesh
            What is to be solved on.
        settings : SolveSettings
            With what.
        frequencies_hz : sequence of float
            Where, in Hz.
        """
        body = settings.body
        fit = made_for(mesh, body)
        shape = (len(body.motions), mesh.n_triangles)
        found: dict[float, Envelopes] = {}
        for frequency_hz in frequencies_hz:
            entries = self._entries(_key(fit, settings, frequency_hz))
            known = [each for entry in entries if (each := _read(entry, shape)) is not None]
            if known:
                found[frequency_hz] = np.stack(known)
        return EarlierAnswers(made_for=fit, envelopes=found)

    def keep(self, mesh: Mesh, settings: SolveSettings, answers: EarlierAnswers) -> None:
        """Keep what a shape left on its mesh, one shape a frequency."""
        tag = mesh_digest(mesh)
        for frequency_hz, envelopes in answers.envelopes.items():
            key = _key(answers.made_for, settings, frequency_hz)
            entries = list(self._entries(key))
            if any(entry[:_TAG_BYTES] == tag for entry in entries):
                continue
            entry = tag + envelopes[0].astype("<c8").tobytes()
            place = self._next.get(key, len(entries)) % SHAPES
            self._next[key] = place + 1
            entries[place : place + 1] = [entry]
            self._remember(key, entries)
            if self._cache is not None and len(entries) > 1:
                changed = range(len(entries)) if len(entries) == 2 else (place,)
                for number in changed:
                    self._cache.put(_place(key, number), ANSWERS, entries[number])

    def _entries(self, key: bytes) -> Sequence[bytes]:
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        entries = []
        if self._cache is not None:
            for number in range(SHAPES):
                entry = self._cache.get(_place(key, number))
                if entry is None:
                    break
                entries.append(entry)
        if entries:
            self._remember(key, entries)
        return entries

    def _remember(self, key: bytes, entries: list[bytes]) -> None:
        self._size += sum(map(len, entries)) - sum(map(len, self._kept.get(key, ())))
        self._kept[key] = entries
        self._kept.move_to_end(key)
        while self._size > self._memory_bytes and len(self._kept) > 1:
            _, oldest = self._kept.popitem(last=False)
            self._size -= sum(map(len, oldest))


def _key(fit: str, settings: SolveSettings, frequency_hz: float) -> bytes:
    return digest_of(
        ANSWERS, program(), fit, settings.engine, settings.quality, float(frequency_hz)
    )


def _place(key: bytes, number: int) -> bytes:
    return digest_of(key, number)


def _read(entry: bytes, shape: tuple[int, int]) -> NDArray[np.complex64] | None:
    """Return an entry's pressures, (n_sources, n_triangles); None where they do not fit."""
    content = entry[_TAG_BYTES:]
    if len(content) != 8 * shape[0] * shape[1]:
        return None
    found = np.frombuffer(content, dtype="<c8").reshape(shape)
    return found if np.isfinite(found).all() else None
