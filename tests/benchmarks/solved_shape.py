# SPDX-License-Identifier: GPL-3.0-or-later
"""Vertical lenses meshed and solved on the workers of a pool, and what that takes."""

from __future__ import annotations

import itertools
import threading
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import psutil
import xarray as xr
from shapes import TIME_LIMIT_S, shipped

from bafflelens.base.conventions import FloatArray
from bafflelens.base.medium import Air
from bafflelens.bem.sweep import BandResult, FrequencyOutcome
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.directivity.frequency_interpolation import PASSES
from bafflelens.directivity.interpolated import (
    frequencies_to_add,
    interpolation_text,
    shown,
    with_shown_frequencies,
)
from bafflelens.directivity.polars import beamwidth, directivity_index_db, relative_level_db
from bafflelens.mesh.quality import Band, MeshSize, band_of, mesh_size, stated_error_db
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.work_units import Methods, SolveSettings

AIR = Air()
SHAPE = "vertical_lens"
_numbers = itertools.count()


@dataclass(frozen=True, kw_only=True)
class Solved:
    """What a shape took, or several.

    Attributes
    ----------
    seconds, processor_s : float
        By the clock, and of all processes, in s.
    mesh_s, solve_s : float
        Of that the workers' time for meshes and for bands, by the clock, in s.
    meshes, moved : int
        Number of meshes, and how many of them were moved from others.
    first : int
        Number of frequencies of the first grid.
    outcomes : tuple of FrequencyOutcome
        What became of the frequencies.
    memory_gib : float
        Most memory of all processes.
    between : str
        What the interpolation over frequency says of itself.
    """

    seconds: float
    processor_s: float
    mesh_s: float
    solve_s: float
    meshes: int
    moved: int
    first: int
    outcomes: tuple[FrequencyOutcome, ...]
    memory_gib: float
    between: str = ""

    HEADING: ClassVar[str] = (
        f"{'':38s} clock s  processor s  meshing s  bands s  moved  frequencies  unknowns       "
        "steps  GiB"
    )

    def row(self, what: str) -> str:
        """Return a row of a table."""
        unknowns = [outcome.unknowns for outcome in self.outcomes]
        failed = sum(outcome.status == "failed" for outcome in self.outcomes)
        steps = np.mean([outcome.iterations for outcome in self.outcomes])
        more = len(self.outcomes) - self.first
        return (
            f"{what:38s} {self.seconds:7.2f} {self.processor_s:12.2f} {self.mesh_s:10.2f} "
            f"{self.solve_s:8.2f} {self.moved:3d}/{self.meshes:<3d} {self.first:4d} + {more:<4d} "
            f"{min(unknowns):6d}-{max(unknowns):<6d} {steps:7.1f} {self.memory_gib:4.1f}"
            + (f"  {failed} FAILED" if failed else "")
        )


def solve_shapes(
    pool: RememberingPool,
    shapes: Sequence[Mapping[str, float]],
    chosen: Sequence[Band],
    quality: str | Sequence[str],
    shown_hz: FloatArray | None = None,
    *,
    moved_from: Mapping[str, float] | None = None,
    reuse: bool = False,
    sizes: Sequence[MeshSize] | None = None,
    is_look: bool = False,
) -> Solved:
    """Solve lenses, all asked for at once, and return what all of them took.

    Parameters
    ----------
    pool : RememberingPool
        Who does it, and what it knows already.
    shapes : sequence of mapping of str to float
        Values of each.
    chosen : sequence of Band
        What is solved.
    quality : str or sequence of str
        At which quality, perhaps one a band.
    shown_hz : array, optional
        Frequencies to interpolate at; more are solved where needed.
    moved_from : mapping of str to float, optional
        Values of the lens that meshes are moved from.
    reuse : bool
        Whether answers of earlier shapes are used.
    sizes : sequence of MeshSize, optional
        Mesh rules of the bands.
    is_look : bool
        Whether they are quick looks.
    """
    shape, _ = shipped(SHAPE)
    qualities = [quality] * len(chosen) if isinstance(quality, str) else list(quality)
    rules = list(sizes or ()) or [
        mesh_size(each, band.mesh_frequency_hz, AIR)
        for each, band in zip(qualities, chosen, strict=True)
    ]
    script, methods = packed(shape), Methods()
    memory = _Memory()
    begun, begun_processor = time.perf_counter(), processor_time()
    asked, results, datasets = {}, defaultdict(list), {}
    meshed = solved = 0.0
    moved = made = 0
    for values in shapes:
        name = f"shape {next(_numbers)}"
        settings = SolveSettings(
            motions=source_motions(shape, values),
            air=AIR,
            symmetry=shape.symmetry,
            engine="direct",
            quality=qualities[0],
            is_look=is_look,
        )
        meshes = pool.mesh(
            name,
            methods,
            script,
            values,
            rules,
            TIME_LIMIT_S,
            priority=-float(len(asked)),
            moved_from=moved_from,
        )
        asked[name] = settings, meshes
    wanted = {name: dict(enumerate(chosen)) for name in asked}
    passes = 0
    while any(wanted.values()) and passes <= PASSES:
        for position, (name, (settings, meshes)) in enumerate(asked.items()):
            for number, band in sorted(wanted[name].items(), reverse=True):
                pool.solve_band(
                    f"{name} {passes} band {number}",
                    methods,
                    meshes,
                    number,
                    band,
                    replace(settings, quality=qualities[number]),
                    # one shape after the other, its largest bands first, as a run does it
                    priority=-(position + 0.5 * (len(chosen) - number) / len(chosen)),
                    reuse=reuse,
                )
        for outcome in pool.outcomes():
            assert not outcome.error, (outcome.name, outcome.error, outcome.detail)
            if outcome.name in asked:
                meshed += outcome.value.seconds
                made += len(outcome.value.value)
                moved += sum(
                    bool(mesh.places and mesh.places.is_moved) for mesh in outcome.value.value
                )
            else:
                solved += outcome.value.seconds
                results[" ".join(outcome.name.split()[:2])].append(outcome.value.value)
        for name, (settings, _) in asked.items():
            datasets[name] = _dataset(results[name], settings)
            wanted[name] = _more(datasets[name], chosen, quality, shown_hz)
        passes += 1
    between = ""
    for dataset in datasets.values():
        between = _looked_at(dataset, quality, shown_hz)
    return Solved(
        seconds=time.perf_counter() - begun,
        processor_s=processor_time() - begun_processor,
        mesh_s=meshed,
        solve_s=solved,
        meshes=made,
        moved=moved,
        first=len(shapes) * sum(len(band.frequencies_hz) for band in chosen),
        outcomes=tuple(o for each in results.values() for result in each for o in result.outcomes),
        memory_gib=memory.stop() / 2**30,
        between=between,
    )


def _dataset(results: Sequence[BandResult], settings: SolveSettings) -> xr.Dataset:
    return assemble_dataset(
        directions(),
        results,
        ["tweeter"],
        air=AIR,
        mesh_info={},
        engine="direct",
        versions={},
        source_centres=np.array([motion.centre for motion in settings.motions]),
    )


def _more(
    dataset: xr.Dataset,
    chosen: Sequence[Band],
    quality: str | Sequence[str],
    shown_hz: FloatArray | None,
) -> dict[int, Band]:
    """Return what else is to be solved, by the number of the band whose mesh serves it."""
    if shown_hz is None:
        return {}
    assert isinstance(quality, str)
    more: dict[int, list[float]] = {}
    for frequency in frequencies_to_add(dataset, shown_hz, stated_error_db(quality)):
        more.setdefault(band_of(frequency, chosen), []).append(frequency)
    return {n: replace(chosen[n], frequencies_hz=tuple(found)) for n, found in more.items()}


def _looked_at(
    dataset: xr.Dataset, quality: str | Sequence[str], shown_hz: FloatArray | None
) -> str:
    """Make polars and indices, as a page would; return what the interpolation may be off by."""
    if shown_hz is not None:
        assert isinstance(quality, str)
        dataset = shown(with_shown_frequencies(dataset, shown_hz, stated_error_db(quality)))
    for plane in ("horizontal", "vertical"):
        relative_level_db(dataset, plane)
        beamwidth(dataset, plane)
    directivity_index_db(dataset)
    return interpolation_text(dataset) or "not interpolated"


def processor_time() -> float:
    """Return the processor time of this process and all below it so far, in s."""
    everyone = [psutil.Process(), *psutil.Process().children(recursive=True)]
    total = 0.0
    for process in everyone:
        try:
            total += sum(process.cpu_times()[:4])  # own and that of children that have ended
        except psutil.NoSuchProcess:
            continue
    return total


class _Memory:
    """The largest memory of this process and its children, looked at five times a second."""

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
            time.sleep(0.2)

    def stop(self) -> int:
        self._running = False
        self._thread.join()
        return self._largest
