# SPDX-License-Identifier: GPL-3.0-or-later
"""Twenty candidates on graphics cards: how busy these are, while the processors mesh ahead.

`card_queue.py [CARDS]`; all cards that there are by default. Needs gmsh on the machine.
"""

from __future__ import annotations

import subprocess
import sys
import time

import numpy as np
from candidate import AIR, candidate_bands, candidate_motions
from shapes import GEOMETRIES, shipped

from bafflelens.bem.card import card_name, count_cards, missing_card
from bafflelens.mesh.quality import mesh_size
from bafflelens.workers.dask_pool import worker_pool
from bafflelens.workers.work_units import (
    Methods,
    SolveSettings,
    mesh_candidate,
    solve_candidate_band,
)

CANDIDATES = 20
OPENINGS_MM = np.linspace(95, 130, CANDIDATES)  # 15 to 48 mm deep


def main(cards: int) -> None:
    """Print wall time, candidates an hour and how busy the cards were."""
    if reason := missing_card():
        msg = f"not run: {reason}"
        raise SystemExit(msg)
    print(f"{cards} of: {card_name()}")
    bands = candidate_bands()
    rules = [mesh_size("standard", band.mesh_frequency_hz, AIR) for band in bands]
    shape, _ = shipped("vertical_lens")
    motions, symmetry = candidate_motions()
    settings = SolveSettings(
        motions=motions, air=AIR, symmetry=symmetry, engine="gpu", quality="standard"
    )
    solving, meshing, first, failed = 0.0, 0.0, None, 0
    with worker_pool(cards=cards) as pool:
        _warm_up(pool, cards, settings)
        watch = subprocess.Popen(
            ["nvidia-smi", "--query-gpu=utilization.gpu", "--format=csv,noheader,nounits",
             "-lms", "100"],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        begun = time.perf_counter()
        for number, opening in enumerate(OPENINGS_MM):
            values = {**shape.defaults, "lens.opening_height_mm": float(opening)}
            meshes = pool.submit(
                f"{number} mesh", mesh_candidate, Methods(),
                GEOMETRIES.absolute() / "vertical_lens.py", values, rules, 300.0,
                priority=-number,
            )  # fmt: skip
            for n in reversed(range(len(bands))):
                pool.submit(
                    f"{number} band {n}", solve_candidate_band, Methods(), meshes, n, bands[n],
                    settings, priority=-number, card=True,
                )  # fmt: skip
        for outcome in pool.outcomes():
            if outcome.error:
                print(outcome.name, outcome.error, outcome.detail)
                failed += 1
            elif "mesh" in outcome.name:
                meshing += outcome.value.seconds
                first = first or time.perf_counter()
            else:
                solving += outcome.value.seconds
                failed += sum(o.status == "failed" for o in outcome.value.value.outcomes)
        ended = time.perf_counter()
    watch.terminate()
    used = np.array([float(line) for line in watch.stdout.read().split()])
    wall = ended - first
    print(
        f"{CANDIDATES} candidates of {sum(len(b.frequencies_hz) for b in bands)} frequencies: "
        f"{ended - begun:.1f} s, {3600 * CANDIDATES / (ended - begun):.0f} an hour; from the "
        f"first mesh on {wall:.1f} s, {failed} failed; meshing {meshing:.0f} s in all"
    )
    print(
        f"a card had work {solving / wall / cards:.0%} of that time; its multiprocessors ran "
        f"{used.mean():.0f}% of the samples' time in the mean, 0 in {np.mean(used == 0):.0%}"
    )


def _warm_up(pool, cards: int, settings: SolveSettings) -> None:
    """Let every card compile its kernels."""
    shape, _ = shipped("vertical_lens")
    rules = [mesh_size("draft", 1000.0, AIR)]
    band = candidate_bands()[0]
    for number in range(4 * cards):
        mesh = pool.submit(
            f"warm {number}", mesh_candidate, Methods(),
            GEOMETRIES.absolute() / "vertical_lens.py", shape.defaults, rules, 300.0,
        )  # fmt: skip
        pool.submit(
            f"warm band {number}", solve_candidate_band, Methods(), mesh, 0, band, settings,
            card=True,
        )  # fmt: skip
    for outcome in pool.outcomes():
        if outcome.error:
            print(outcome.name, outcome.error, outcome.detail)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else count_cards())
