# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a user waits for a candidate: alone, in a family, as a draft, as a quick look.

The vertical lens from shape to polars and sphere, kernels compiled, one worker a processor, by
the clock. Rows, in this order:

- ``alone``: 500 Hz to 20 kHz, standard and draft, at the frequencies that the interpolation needs:
  the first grid, and more where its estimate of the error asks for it.
- ``guess``: quick looks, drafts at twelve frequencies from 1 to 12 kHz, at one shape of a family
  after another, each mesh moved from the first, the answers of those before at hand; the time of
  the mesh by itself.
- ``family``: ten shapes of a family at standard quality, every fourth frequency of the first
  grid (``whole``: all, and those that are added), the tenth against itself without the others.
- ``night``: lenses as the first job draws them, 1 to 16 kHz at standard quality, asked for all at
  once as a queue is, and how many that makes in ten hours; the last of them has no others beside.
- ``changes``: the eight small changes of a leader of the first job and the leader itself, as a run
  solves them, against meshes made anew and nothing reused.
- ``sizes``: one frequency at 8,000 to 60,000 unknowns, by ``cost.py``.
- ``shown``: all to 12 kHz at standard quality and to 20 kHz as a draft, against all at standard.
- ``parts``: a candidate's processor time by what it goes to, by ``candidate_parts.py``.

A family is of lenses whose opening, wall, lip and side differ by up to `FAMILY_SHARE` of their
ranges to either side.

Usage: candidate.py [whole] [tiny] [ROW ...]; ``tiny`` tries the rows on drafts of few frequencies.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from bafflelens.base.processor import usable_processors, wide_vectors

os.environ.update(wide_vectors())

import numpy as np
from solved_shape import Solved, solve_shapes

from bafflelens.base.medium import Air
from bafflelens.bem.warm_up import warm_up
from bafflelens.directivity.frequency_interpolation import first_grid
from bafflelens.job.cost_estimate import band_mesh_sizes, job_bands
from bafflelens.job.job_file import load_job
from bafflelens.job.perturbations import changed_keys, nearby_job, nearby_shapes
from bafflelens.job.sampling import draw
from bafflelens.job.shown_only import quality_of
from bafflelens.live.solves import draft_bands
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, bands, mesh_size, open_bands
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.dask_pool import worker_pool
from bafflelens.workers.pool import Pool

AIR = Air()
CABINET_M = 0.40
GUESS_HZ = np.geomspace(1000, 12_000, 12)
R80 = 1000 * 10 ** (np.arange(-24, 105) / 80)
FAMILY = ("opening_height_mm", "wall_half_angle_deg", "lip_radius_mm", "side_angle_deg")
FAMILY_SHARE = 0.01
SHAPES = 10
NIGHT_SHAPES = 6
GUESSED_SHAPES = 14
SIZES = (8_000, 16_000, 32_000, 60_000)
TEN_HOURS_S = 36_000
FIRST_JOB = Path(__file__).parents[2] / "jobs" / "first_lens.toml"


@dataclass(frozen=True, kw_only=True)
class Extent:
    """How much of each row is done."""

    is_whole: bool = False
    is_tiny: bool = False

    @property
    def quality(self) -> str:
        """Quality of a candidate."""
        return "draft" if self.is_tiny else "standard"


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


def main(arguments: Sequence[str]) -> None:
    """Print all rows, or those asked for."""
    rows: dict[str, Callable[[Pool, Extent], None]] = {
        "alone": alone,
        "guess": guess,
        "family": family,
        "night": night,
        "changes": changes,
        "sizes": sizes,
        "shown": shown_coarser,
        "parts": parts,
    }
    chosen = [name for name in arguments if name in rows] or list(rows)
    unknown = set(arguments) - set(rows) - {"whole", "tiny"}
    assert not unknown, f"unknown rows: {sorted(unknown)}"
    extent = Extent(is_whole="whole" in arguments, is_tiny="tiny" in arguments)
    print(f"{usable_processors()} processors", flush=True)
    warm_up(print)
    with worker_pool() as pool:
        _warm(pool)
        for name in chosen:
            begun = time.perf_counter()
            print(f"\n== {name}", flush=True)
            rows[name](pool, extent)
            print(f"   ({time.perf_counter() - begun:.0f} s)", flush=True)


def alone(pool: Pool, extent: Extent) -> None:
    """Print what a candidate by itself takes."""
    print(Solved.HEADING)
    for quality in dict.fromkeys((extent.quality, "draft")):
        shown_hz = R80 if not extent.is_tiny else R80[R80 < 3e3]
        chosen = _below(candidate_bands(quality), shown_hz[-1])
        found = solve_shapes(RememberingPool(pool), [_lens()], chosen, quality, shown_hz)
        print(found.row(f"{quality} to {shown_hz[-1]:.0f} Hz"))
        print(f"   {found.between}; {TEN_HOURS_S / found.seconds:.0f} in ten hours", flush=True)


def guess(pool: Pool, extent: Extent) -> None:
    """Print what quick looks take as a family becomes known."""
    frequencies = GUESS_HZ[::4] if extent.is_tiny else GUESS_HZ
    chosen = draft_bands(frequencies)  # as the live page solves them
    print(Solved.HEADING)
    known = RememberingPool(pool)
    found = []
    for number, values in enumerate(_family(3 if extent.is_tiny else GUESSED_SHAPES)):
        one = solve_shapes(
            known, [values], chosen, "draft", moved_from=_lens(), reuse=True, is_look=True
        )
        found.append(one)
        print(one.row(f"after {number} others"), flush=True)
    fresh = solve_shapes(RememberingPool(pool), [values], bands(frequencies, "draft"), "draft")
    print(fresh.row("made anew, nothing known"))
    print(f"   ratio of the last two {fresh.seconds / found[-1].seconds:.2f}", flush=True)


def family(pool: Pool, extent: Extent) -> None:
    """Print what shapes of a family take one after another."""
    quality = extent.quality
    chosen = candidate_bands(quality)
    if not extent.is_whole:
        chosen = _every(4, chosen)
    if extent.is_tiny:
        chosen = _below(chosen, 4e3)
    shown_hz = R80 if extent.is_whole and not extent.is_tiny else None
    print(Solved.HEADING)
    known = RememberingPool(pool)
    members = _family(3 if extent.is_tiny else SHAPES)
    for number, values in enumerate(members):
        one = solve_shapes(
            known, [values], chosen, quality, shown_hz, moved_from=_lens(), reuse=True
        )
        print(one.row(f"after {number} others"), flush=True)
    fresh = solve_shapes(RememberingPool(pool), members[-1:], chosen, quality, shown_hz)
    print(fresh.row("the last by itself"))
    print(f"   ratio {fresh.seconds / one.seconds:.2f}", flush=True)


def night(pool: Pool, extent: Extent) -> None:
    """Print how many lenses a night makes."""
    drawn = draw(load_job(FIRST_JOB)).candidates[: 2 if extent.is_tiny else NIGHT_SHAPES]
    shown_hz = R80[(R80 >= 1e3) & ((3e3 if extent.is_tiny else 16.1e3) > R80)]
    grid = first_grid(shown_hz[0], shown_hz[-1], CABINET_M, extent.quality)
    chosen = open_bands([float(f) for f in grid], extent.quality)
    values = [_lens(dict(candidate.values)) for candidate in drawn]
    print(Solved.HEADING)
    found = solve_shapes(RememberingPool(pool), values, chosen, extent.quality, shown_hz)
    print(found.row(f"{len(values)} lenses to {shown_hz[-1]:.0f} Hz"))
    print(f"   {TEN_HOURS_S * len(values) / found.seconds:.0f} in ten hours", flush=True)


def changes(pool: Pool, extent: Extent) -> None:
    """Print what the small changes of a leader take, as a run solves them and by themselves."""
    loaded = nearby_job(load_job(FIRST_JOB))
    chosen = job_bands(loaded)
    sizes = band_mesh_sizes(loaded, chosen)
    if extent.is_tiny:
        chosen, sizes = chosen[:2], sizes[:2]
    near = nearby_shapes(loaded, "leader", loaded.shape.defaults, changed_keys(loaded))
    values = [shape.values for shape in near if not shape.faults]
    quality = loaded.job.solve.quality
    print(Solved.HEADING)
    seconds = []
    for moved_from, what in ((values[0], "moved, answers reused"), (None, "made anew")):
        begun = time.perf_counter()
        found = solve_shapes(
            RememberingPool(pool),
            values,
            chosen,
            quality,
            moved_from=moved_from,
            reuse=moved_from is not None,
            sizes=sizes,
            is_look=moved_from is not None,
        )
        seconds.append(time.perf_counter() - begun)
        print(found.row(f"{len(values) - 1} changes, {what}"), flush=True)
    print(f"   ratio {seconds[1] / seconds[0]:.2f}", flush=True)


def sizes(pool: Pool, extent: Extent) -> None:
    """Print what one frequency takes at growing sizes."""
    import cost

    cost.main(list(SIZES[:1] if extent.is_tiny else SIZES))


def shown_coarser(pool: Pool, extent: Extent) -> None:
    """Print what is saved where the top is only shown."""
    loaded = load_job(FIRST_JOB)
    print(Solved.HEADING)
    seconds = []
    for quality in (None, "draft"):
        frequencies = loaded.job.frequencies.model_copy(
            update={"to_hz": 20e3, "per_octave": "as needed", "show_to_quality": quality}
        )
        job = loaded.job.model_copy(update={"frequencies": frequencies})
        chosen = job_bands(replace(loaded, job=job), CABINET_M)
        chosen = (chosen[0], chosen[-1]) if extent.is_tiny else chosen
        found = solve_shapes(
            RememberingPool(pool),
            [_lens()],
            chosen,
            [quality_of(job, band.mesh_frequency_hz) for band in chosen],
        )
        seconds.append(found.seconds)
        what = f"1 to 20 kHz, {quality} above 13.5 kHz" if quality else "1 to 20 kHz, all standard"
        print(found.row(what), flush=True)
    print(f"   ratio {seconds[0] / seconds[1]:.2f}", flush=True)


def parts(pool: Pool, extent: Extent) -> None:
    """Print where the processor time of a candidate goes, in a process of its own."""
    import candidate_parts

    candidate_parts.in_a_process(
        [extent.quality, *(["3000"] if extent.is_tiny else [])],
    )


def _lens(values: dict[str, float] | None = None) -> dict[str, float]:
    """Return all values of the vertical lens, by default or with some changed."""
    from shapes import shipped

    shape, _ = shipped("vertical_lens")
    return {**shape.defaults, **(values or {})}


def _family(number: int) -> list[dict[str, float]]:
    """Return the default lens and others near it."""
    from shapes import shipped

    shape, _ = shipped("vertical_lens")
    random = np.random.default_rng(7)
    found = [_lens()]
    for _ in range(number - 1):
        found.append(dict(shape.defaults))
        for parameter in shape.parameters:
            if parameter.key.removeprefix("lens.") in FAMILY:
                reach = FAMILY_SHARE * (parameter.high - parameter.low)
                found[-1][parameter.key] += random.uniform(-reach, reach)
    return found


def _below(chosen: Sequence[Band], most_hz: float) -> tuple[Band, ...]:
    """Return the bands with their frequencies up to one."""
    found = [
        replace(band, frequencies_hz=tuple(f for f in band.frequencies_hz if f <= most_hz * 1.001))
        for band in chosen
    ]
    return tuple(band for band in found if band.frequencies_hz)


def _every(step: int, chosen: Sequence[Band]) -> tuple[Band, ...]:
    """Return the bands with every so many-th frequency, counted from the top."""
    frequencies = sorted((f for band in chosen for f in band.frequencies_hz), reverse=True)[::step]
    found = [
        replace(band, frequencies_hz=tuple(f for f in band.frequencies_hz if f in frequencies))
        for band in chosen
    ]
    return tuple(band for band in found if band.frequencies_hz)


def _warm(pool: Pool) -> None:
    """Have every worker load the kernels and start a mesher, so that no row pays for it."""
    for _ in range(2):
        lenses = [
            _lens({"lens.opening_height_mm": 119.0 + 4 * n / pool.size})
            for n in range(2 * pool.size)
        ]
        solve_shapes(
            RememberingPool(pool), lenses, bands(np.array([1500.0, 6000.0]), "draft"), "draft"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
