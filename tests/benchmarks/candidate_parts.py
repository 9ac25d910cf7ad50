# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the processor time of a candidate goes: meshing, forming blocks, steps, and the rest.

The vertical lens from 500 Hz to 20 kHz at the frequencies of the first grid, one band after the
other on one thread, as one worker does it. Time inside another part is counted there alone.

With ``guess`` as the quality, a quick look: a draft at twelve frequencies from 1 to 12 kHz.

Usage: candidate_parts.py [QUALITY] [HIGHEST_HZ]
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

from bafflelens.base.processor import wide_vectors

ONE_THREAD = dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")

_spent: dict[str, float] = defaultdict(float)
_calls: dict[str, int] = defaultdict(int)
_open: list[float] = []  # what the parts that are open have spent in others, in s


def in_a_process(arguments: Sequence[str]) -> None:
    """Print the table from a process with one thread."""
    command = [sys.executable, __file__, *arguments]
    subprocess.run(command, check=True, env={**os.environ, **wide_vectors(), **ONE_THREAD})


def main(quality: str = "standard", highest_hz: float = 20e3) -> None:
    """Print the table."""
    from candidate import GUESS_HZ
    from shapes import TIME_LIMIT_S, shipped

    from bafflelens.base.medium import Air
    from bafflelens.bem import band_solvers, burton_miller, sweep
    from bafflelens.bem.problem import HelmholtzSolution
    from bafflelens.bem.warm_up import warm_up
    from bafflelens.directivity.direction_set import directions
    from bafflelens.directivity.frequency_interpolation import first_grid
    from bafflelens.mesh.quality import bands, mesh_size, open_bands
    from bafflelens.shapes.meshing.geometry import mesh_shape

    warm_up(lambda text: None)
    shape, motions = shipped("vertical_lens")
    if quality == "guess":
        quality, grid = "draft", [float(f) for f in GUESS_HZ if f <= highest_hz]
        chosen = bands(grid, quality)
    else:
        grid = [float(f) for f in first_grid(500.0, 20e3, 0.4, quality) if f <= highest_hz]
        chosen = open_bands(grid, quality)
    begun = time.perf_counter()
    rules = [mesh_size(quality, band.mesh_frequency_hz, Air()) for band in chosen]
    meshes = mesh_shape(shape, shape.defaults, rules, TIME_LIMIT_S)
    _spent["meshing (by the clock)"] = time.perf_counter() - begun
    for owner, name, part in (
        (band_solvers, "discretise", "near pairs and their static integrals"),
        (burton_miller, "single_layers", "right-hand side"),
        (burton_miller, "assemble", "forming the matrix"),
        (burton_miller, "near_pair_corrections", "near corrections"),
        (burton_miller, "solve_linear_system", "steps and their products"),
        (burton_miller, "_with_plain_sources", "pressure on the dome once more"),
        (sweep, "power_balance", "power balance"),
        (HelmholtzSolution, "far_field", "far field"),
    ):
        setattr(owner, name, timed(getattr(owner, name), part))
    solve = timed(sweep.solve_band, "rest of solving")
    steps = []
    for mesh, band in zip(meshes, chosen, strict=True):
        before = dict(_spent)
        result = solve(
            mesh,
            motions,
            band,
            air=Air(),
            directions=directions().vectors,
            symmetry=shape.symmetry,
            quality=quality,
        )
        steps += [outcome.iterations for outcome in result.outcomes]
        taken = sum(_spent.values()) - sum(before.values())
        formed = _spent["forming the matrix"] - before.get("forming the matrix", 0.0)
        stepped = _spent["steps and their products"] - before.get("steps and their products", 0.0)
        print(
            f"   {band.frequencies_hz[-1]:6.0f} Hz {mesh.n_triangles:6d} unknowns, "
            f"{len(band.frequencies_hz)} frequencies {taken:6.2f} s: "
            f"forming {formed / taken:4.0%}, steps {stepped / taken:4.0%} "
            f"({' '.join(str(outcome.iterations) for outcome in result.outcomes)})",
            flush=True,
        )
    whole = sum(_spent.values())
    print(f"{quality}, {len(grid)} frequencies, mean of {sum(steps) / len(steps):.1f} steps")
    for part, seconds in sorted(_spent.items(), key=lambda item: -item[1]):
        print(f"   {part:40s} {seconds:7.2f} s {seconds / whole:6.1%}  {_calls[part]} calls")
    print(f"   {'together':40s} {whole:7.2f} s", flush=True)


def timed(function: Callable[..., Any], part: str) -> Callable[..., Any]:
    """Return a function whose processor time is counted, less that of others within it."""

    def counted(*arguments: Any, **named: Any) -> Any:
        begun = time.process_time()
        _open.append(0.0)
        try:
            return function(*arguments, **named)
        finally:
            taken = time.process_time() - begun
            _spent[part] += taken - _open.pop()
            _calls[part] += 1
            if _open:
                _open[-1] += taken

    return counted


if __name__ == "__main__":
    main(*sys.argv[1:2], *map(float, sys.argv[2:3]))
