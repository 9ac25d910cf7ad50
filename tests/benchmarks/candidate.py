# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole candidate: the vertical lens, 500 Hz to 20 kHz, from shape to orbits and sphere.

Wall time on all processors once the kernels are compiled, and the memory of all processes. The
draft is solved at twelve frequencies: the answer to a guess.
"""

from __future__ import annotations

import threading
import time
from functools import cache

import numpy as np
import psutil

from bafflelens.bem import warm_up
from bafflelens.directivity import assemble_dataset, directions
from bafflelens.medium import Air
from bafflelens.mesh import Mesh
from bafflelens.parallel import worker_pool
from bafflelens.polars import beamwidth, directivity_index_db, relative_level_db
from bafflelens.quality import Band, bands, mesh_size
from bafflelens.source import SourceMotion
from bafflelens.tasks import Methods, SolveSettings, mesh_candidate, solve_candidate_band

AIR = Air()
STEP_HZ = 350.0
PER_OCTAVE = 6


def candidate_bands(quality: str = "standard") -> tuple[Band, ...]:
    """Return the bands: six an octave below, every 350 Hz above."""
    frequencies = [500.0]
    while frequencies[-1] < 20_000:
        step = min(frequencies[-1] * (2 ** (1 / PER_OCTAVE) - 1), STEP_HZ)
        frequencies.append(min(20_000.0, frequencies[-1] + step))
    return bands(frequencies, quality)


def candidate_meshes(quality: str = "standard") -> tuple[Mesh, ...]:
    """Mesh the vertical lens for every band."""
    from shapes import meshes, shipped

    shape, _ = shipped("vertical_lens")
    rules = [mesh_size(quality, band.mesh_frequency_hz, AIR) for band in candidate_bands(quality)]
    return meshes(shape, rules, {})


@cache
def candidate_motions() -> tuple[tuple[SourceMotion, ...], tuple[str, ...]]:
    """Return the motions and mirror planes of the vertical lens."""
    from shapes import shipped

    shape, motions = shipped("vertical_lens")
    return motions, shape.symmetry


def main() -> None:
    """Print time and memory of a standard candidate and of a draft."""
    warm_up(print)
    with worker_pool() as pool:
        few = bands(np.geomspace(1000, 12_000, 12), "draft")
        for quality, chosen in (("draft", few), ("standard", candidate_bands())):
            _one(pool, quality, chosen)


def _one(pool, quality: str, chosen: tuple[Band, ...]) -> None:
    from shapes import GEOMETRIES, shipped

    shape, _ = shipped("vertical_lens")
    motions, symmetry = candidate_motions()
    settings = SolveSettings(
        motions=motions, air=AIR, symmetry=symmetry, engine="direct", quality=quality
    )
    rules = [mesh_size(quality, band.mesh_frequency_hz, AIR) for band in chosen]
    memory = _Memory()
    begun = time.perf_counter()
    script = GEOMETRIES.absolute() / "vertical_lens.py"
    meshes = pool.submit(
        f"{quality} mesh", mesh_candidate, Methods(), script, shape.defaults, rules, 300.0
    )
    for number in reversed(range(len(chosen))):
        pool.submit(
            f"{quality} band {number}", solve_candidate_band, Methods(), meshes, number,
            chosen[number], settings, priority=number,
        )  # fmt: skip
    results, meshed = [], 0.0
    for outcome in pool.outcomes():
        assert not outcome.error, (outcome.name, outcome.error, outcome.detail)
        if "mesh" in outcome.name:
            meshed = outcome.value.seconds
        else:
            results.append(outcome.value.value)
    dataset = assemble_dataset(
        directions(), results, ["tweeter"], air=AIR, mesh_info={}, engine="direct", versions={}
    )
    for plane in ("horizontal", "vertical"):
        relative_level_db(dataset, plane)
        beamwidth(dataset, plane)
    directivity_index_db(dataset)
    seconds = time.perf_counter() - begun
    unknowns = [o.unknowns for result in results for o in result.outcomes]
    failed = sum(o.status == "failed" for result in results for o in result.outcomes)
    print(
        f"{quality}: {len(unknowns)} frequencies, {min(unknowns)} to {max(unknowns)} unknowns, "
        f"{failed} failed: {seconds:.1f} s ({meshed:.1f} s of it meshing), at most "
        f"{memory.stop() / 2**30:.1f} GiB in all processes",
        flush=True,
    )


class _Memory:
    """The largest memory of this process and its children, looked at ten times a second."""

    def __init__(self) -> None:
        self._largest, self._running = 0, True
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while self._running:
            everyone = [psutil.Process(), *psutil.Process().children(recursive=True)]
            total = 0
            for process in everyone:
                try:
                    total += process.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            self._largest = max(self._largest, total)
            time.sleep(0.1)

    def stop(self) -> int:
        self._running = False
        self._thread.join()
        return self._largest


if __name__ == "__main__":
    main()
