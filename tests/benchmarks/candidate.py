# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole candidate: the vertical lens, 500 Hz to 20 kHz, from shape to R80, orbits and sphere.

Wall and processor time once the kernels are compiled, and the memory of all processes. The
frequencies are those that the interpolation needs: the first grid, and more where its estimate of
the error asks for it. Last comes the quick look at a guess: a draft at twelve frequencies.
"""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from functools import cache

import numpy as np
import psutil
import xarray as xr

from bafflelens.base.conventions import FloatArray
from bafflelens.base.medium import Air
from bafflelens.bem.sweep import BandResult
from bafflelens.bem.warm_up import warm_up
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.directivity.frequency_interpolation import PASSES, first_grid
from bafflelens.directivity.interpolated import (
    frequencies_to_add,
    interpolation_text,
    shown,
    with_shown_frequencies,
)
from bafflelens.directivity.polars import beamwidth, directivity_index_db, relative_level_db
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, band_of, bands, mesh_size, open_bands, stated_error_db
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.workers.dask_pool import worker_pool
from bafflelens.workers.pool import Pool
from bafflelens.workers.work_units import (
    Methods,
    SolveSettings,
    mesh_candidate,
    solve_candidate_band,
)

AIR = Air()
CABINET_M = 0.40
GUESS_HZ = np.geomspace(1000, 12_000, 12)
R80 = 1000 * 10 ** (np.arange(-24, 105) / 80)


def candidate_bands(quality: str = "standard") -> tuple[Band, ...]:
    """Return the bands of the first grid over the whole of R80 from 500 Hz to 20 kHz."""
    return open_bands([float(f) for f in first_grid(R80[0], R80[-1], CABINET_M, quality)], quality)


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
        for quality in ("draft", "standard"):
            _one(pool, quality, candidate_bands(quality), R80)
        _one(pool, "draft", bands(GUESS_HZ, "draft"), None)


def _one(pool: Pool, quality: str, chosen: tuple[Band, ...], shown_hz: FloatArray | None) -> None:
    from shapes import shipped

    shape, _ = shipped("vertical_lens")
    motions, symmetry = candidate_motions()
    settings = SolveSettings(
        motions=motions, air=AIR, symmetry=symmetry, engine="direct", quality=quality
    )
    rules = [mesh_size(quality, band.mesh_frequency_hz, AIR) for band in chosen]
    memory = _Memory()
    begun, begun_processor = time.perf_counter(), _processor_time()
    meshes = pool.submit(
        f"{quality} mesh", mesh_candidate, Methods(), packed(shape), shape.defaults, rules, 300.0
    )
    results: list[BandResult] = []
    wanted, meshed, passes = dict(enumerate(chosen)), 0.0, 0
    while wanted and passes <= PASSES:
        for number, band in sorted(wanted.items(), reverse=True):
            pool.submit(
                f"{quality} {passes} band {number}", solve_candidate_band, Methods(), meshes,
                number, band, settings, priority=number,
            )  # fmt: skip
        for outcome in pool.outcomes():
            assert not outcome.error, (outcome.name, outcome.error, outcome.detail)
            if "mesh" in outcome.name:
                meshed = outcome.value.seconds
            else:
                results.append(outcome.value.value)
        dataset = assemble_dataset(
            directions(), results, ["tweeter"], air=AIR, mesh_info={}, engine="direct",
            versions={}, source_centres=np.array([motion.centre for motion in motions]),
        )  # fmt: skip
        wanted = {} if shown_hz is None else _wanted(dataset, chosen, quality)
        passes += 1
    if shown_hz is not None:
        dataset = shown(with_shown_frequencies(dataset, shown_hz, stated_error_db(quality)))
    for plane in ("horizontal", "vertical"):
        relative_level_db(dataset, plane)
        beamwidth(dataset, plane)
    directivity_index_db(dataset)
    seconds = time.perf_counter() - begun
    unknowns = [o.unknowns for result in results for o in result.outcomes]
    failed = sum(o.status == "failed" for result in results for o in result.outcomes)
    first = sum(len(band.frequencies_hz) for band in chosen)
    between = interpolation_text(dataset) or "not interpolated"
    print(
        f"{quality}: {first} frequencies and {len(unknowns) - first} more, {min(unknowns)} to "
        f"{max(unknowns)} unknowns, {failed} failed, {between}: "
        f"{seconds:.1f} s ({meshed:.1f} s of it meshing), "
        f"{_processor_time() - begun_processor:.1f} s of processor time, at most "
        f"{memory.stop() / 2**30:.1f} GiB in all processes",
        flush=True,
    )


def _wanted(dataset: xr.Dataset, chosen: tuple[Band, ...], quality: str) -> dict[int, Band]:
    """Return what else is to be solved, by the number of the band whose mesh serves it."""
    more: dict[int, list[float]] = {}
    for frequency in frequencies_to_add(dataset, R80, stated_error_db(quality)):
        more.setdefault(band_of(frequency, chosen), []).append(frequency)
    return {n: replace(chosen[n], frequencies_hz=tuple(found)) for n, found in more.items()}


def _processor_time() -> float:
    """Return the processor time of this process and all below it so far, in s."""
    everyone = [psutil.Process(), *psutil.Process().children(recursive=True)]
    times = [process.cpu_times() for process in everyone if process.is_running()]
    return sum(sum(each[:4]) for each in times)  # own and that of children that have ended


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
