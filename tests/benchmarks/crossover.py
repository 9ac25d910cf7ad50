# SPDX-License-Identifier: GPL-3.0-or-later
"""What a search over crossovers costs, against solving the shape again for every trial.

The two-way cabinet is meshed and solved once at draft quality on one processor, then its
crossover is searched with the default score. Prints both times and their ratio.
"""

from __future__ import annotations

import time

import numpy as np
from shapes import meshes, shipped

from bafflelens.base.medium import Air
from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.crossover import Crossover, Way
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.directivity.filters import Filter
from bafflelens.mesh.quality import bands, mesh_size
from bafflelens.scoring.criteria import needed_directions
from bafflelens.scoring.crossover_search import pair_of, search_crossover, search_space
from bafflelens.scoring.score import ScoreSettings, score
from bafflelens.scoring.target import default_target

FREQUENCIES_HZ = tuple(float(f) for f in 1000 * 10 ** (np.arange(25) / 20))  # 1 to 16 kHz


def main() -> None:
    """Print the times."""
    air, target, settings = Air(), default_target(), ScoreSettings()
    shape, motions = shipped("two_way")
    parts = bands(FREQUENCIES_HZ, "draft")
    begun = time.perf_counter()
    made = meshes(shape, [mesh_size("draft", part.mesh_frequency_hz, air) for part in parts], {})
    mesh_s = time.perf_counter() - begun
    for mesh, part in zip(made[:1], parts[:1], strict=True):  # compiles what is not compiled yet
        solve_band(mesh, motions, part, air=air, directions=directions().vectors,
                   symmetry=shape.symmetry, quality="draft")  # fmt: skip
    begun = time.perf_counter()
    results = [
        solve_band(mesh, motions, part, air=air, directions=directions().vectors,
                   symmetry=shape.symmetry, quality="draft")
        for mesh, part in zip(made, parts, strict=True)
    ]  # fmt: skip
    solve_s = time.perf_counter() - begun
    dataset = assemble_dataset(
        directions(),
        results,
        [motion.name for motion in motions],
        air=air,
        mesh_info={},
        engine="direct",
        versions={},
    )
    high, low = (
        Filter(kind=kind, family="linkwitz-riley", order=4, frequency_hz=2500.0)
        for kind in ("high-pass", "low-pass")
    )
    crossover = Crossover(
        ways=(Way(name="tweeter", filters=(high,)), Way(name="midrange", filters=(low,)))
    )
    kept = dataset.isel(direction=needed_directions(dataset, target))
    space = search_space(
        kept, pair_of(kept, crossover), from_hz=None, to_hz=None, slopes=(), delay_s=1e-4
    )
    begun, cpu = time.perf_counter(), time.process_time()
    own, trials = search_crossover(
        kept, crossover, space, lambda heard: score(heard, target, settings)
    )
    search_s, cpu_s = time.perf_counter() - begun, time.process_time() - cpu
    again_s = space.n_trials * (mesh_s + solve_s)
    print(f"{len(FREQUENCIES_HZ)} frequencies: meshing {mesh_s:.1f} s, solving {solve_s:.1f} s")
    print(f"{space.n_trials} crossovers: {search_s:.2f} s ({cpu_s:.2f} s of processor time)")
    print(f"score {own.total_db:.2f} dB as given, {trials[0].total_db:.2f} dB the best found")
    print(f"solving again for each: {again_s:.0f} s, {again_s / search_s:.0f} times as long")


if __name__ == "__main__":
    main()
