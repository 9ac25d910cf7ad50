# SPDX-License-Identifier: GPL-3.0-or-later
"""What the profiles of a dome add to a candidate: the vertical lens with and without six of them.

Processor time of meshing and of solving some bands, in one run; the ratio is what counts. The
number of the quality's bands to solve may be given; they are spread over all, up to the highest.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np
from candidate import AIR, candidate_bands, candidate_meshes, candidate_motions

from bafflelens.bem.sweep import solve_band
from bafflelens.bem.warm_up import warm_up
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.dome_profiles import profiles_of


def main(number: int, quality: str) -> None:
    """Print times and the ratio."""
    warm_up(print)
    motions, symmetry = candidate_motions()
    further = [replace(motions[0], profile=profile) for profile in profiles_of()]
    bands = candidate_bands(quality)
    chosen = sorted({round(n) for n in np.linspace(0, len(bands) - 1, number)})
    started = time.perf_counter()
    meshes = candidate_meshes(quality)
    meshing_s = time.perf_counter() - started  # gmsh works in a process of its own
    cases = {"rigid": motions, "with six profiles": (*motions, *further)}
    for case in cases.values():  # whatever is compiled is compiled now
        solve_band(
            meshes[0],
            case,
            replace(bands[0], frequencies_hz=bands[0].frequencies_hz[:1]),
            air=AIR,
            directions=directions().vectors,
            symmetry=symmetry,
            quality=quality,
        )
    seconds = dict.fromkeys(cases, 0.0)
    for band in chosen:
        for name, case in cases.items():
            started = time.process_time()
            solve_band(
                meshes[band],
                case,
                bands[band],
                air=AIR,
                directions=directions().vectors,
                symmetry=symmetry,
                quality=quality,
            )
            seconds[name] += time.process_time() - started
    rigid_s, all_s = seconds.values()
    share = len(chosen) / len(bands)
    print(f"{quality}: bands {chosen} of {len(bands)}; meshing all {meshing_s:.1f} s wall")
    for name, value in seconds.items():
        print(f"{name:18} {value:7.1f} s")
    print(f"ratio of solving {all_s / rigid_s:.2f}")
    mesh_s = share * meshing_s
    print(f"ratio with meshing {(all_s + mesh_s) / (rigid_s + mesh_s):.2f}")


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 4, sys.argv[2] if len(sys.argv) > 2 else "draft"
    )
