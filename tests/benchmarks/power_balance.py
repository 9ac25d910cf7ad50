# SPDX-License-Identifier: GPL-3.0-or-later
"""How fine the directions have to be over which the far field's power is summed.

The power balance of three shapes on draft meshes at five frequencies, summed over directions as
fine as what resolves the body and over shares of that; the last column is the largest difference
to the first.

Usage: power_balance.py [HZ ...]
"""

from __future__ import annotations

import os
import sys

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

from shapes import meshes, radiation, shipped

from bafflelens.base.medium import Air
from bafflelens.bem import sweep
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.mesh.quality import mesh_size, tolerance

AIR = Air()
SHAPES = ("vertical_lens", "conic_lens", "plain_baffle")
FREQUENCIES_HZ = (1.5e3, 4e3, 8e3, 12e3, 19e3)
SHARES = (1.0, 0.7, 0.5, 0.3)


def main(frequencies_hz: tuple[float, ...]) -> None:
    """Print the table."""
    largest = dict.fromkeys(SHARES, 0.0)
    print(f"{'shape':14s} {'Hz':>6s} " + " ".join(f"{share:8.1f}" for share in SHARES))
    for name in SHAPES:
        shape, motions = shipped(name)
        for frequency in frequencies_hz:
            (mesh,) = meshes(shape, [mesh_size("draft", frequency, AIR)], {})
            solution = solve_burton_miller(
                radiation(shape, motions, mesh, frequency, AIR),
                settings=EngineSettings(tolerance=tolerance("draft")),
            )
            found = {share: balance(solution, share) for share in SHARES}
            for share, value in found.items():
                largest[share] = max(largest[share], abs(value - found[1.0]))
            values = " ".join(f"{value:8.4f}" for value in found.values())
            print(f"{name:14s} {frequency:6.0f} {values}", flush=True)
    print(f"{'off at most':21s} " + " ".join(f"{value:8.4f}" for value in largest.values()))


def balance(solution: sweep.HelmholtzSolution, share: float) -> float:
    """Return the power balance, summed over directions a share as fine."""
    in_use = sweep._BALANCE_SHARE
    sweep._BALANCE_SHARE = share
    try:
        return sweep.power_balance(solution)
    finally:
        sweep._BALANCE_SHARE = in_use


if __name__ == "__main__":
    main(tuple(map(float, sys.argv[1:])) or FREQUENCIES_HZ)
