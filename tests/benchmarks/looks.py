# SPDX-License-Identifier: GPL-3.0-or-later
"""How exact combinations of earlier answers are, judged by a few rows.

Shapes of a family differ at random in their dimensions, by `SHARE` of each range to either side of
the default; the mesh is moved from one to the next. So many of them are solved as quick looks
solve what others are combined of, at the quality of a draft, and as candidates are, at standard
quality; then `NEW` others are combined of them at each frequency. Printed are, for each number of
known shapes, what a combination leaves of all equations, what the sample says (times the
whole: least and largest), by how much the far field within 60 degrees and 20 dB of its maximum
differs from a solve to `CONVERGED` (a tenth of what the quality states is allowed), the same for
an iteration that stops where the quality does, and which of the combinations are taken.

Usage: looks.py [SHAPE ...]
"""

from __future__ import annotations

import os
import sys

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

import numpy as np
from shapes import TIME_LIMIT_S, radiation, shipped
from whole_equation import WholeEquation, largest_db

from bafflelens.base.errors import GeometryError
from bafflelens.base.medium import Air
from bafflelens.bem.band_solvers import KNOWN_TOLERANCE, PACKED_UNKNOWNS, combined_tolerance
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.combination import best_combination
from bafflelens.bem.earlier_answers import envelope, guesses, ways_from_sources
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.problem import HelmholtzSolution
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import mesh_size, tolerance
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

AIR = Air()
DIMENSIONS = {
    "vertical_lens": (
        "lens.opening_height_mm",
        "lens.wall_half_angle_deg",
        "lens.lip_radius_mm",
        "lens.side_angle_deg",
    ),
    "conic_lens": ("lens.depth_mm", "upper.mouth_height_mm", "lower.mouth_height_mm"),
}
FREQUENCIES_HZ = ((2000.0, 7400.0), (4500.0, 7400.0), (7400.0, 7400.0), (12_000.0, 12_000.0))
"""Of what is solved, and of what the mesh is made for."""
KNOWN = (2, 3, 4, 6, 12)
NEW = 4
SHARE = 0.015
CONVERGED = 1e-6


def main(names: list[str]) -> None:
    """Print a table for each shape."""
    for name in names or DIMENSIONS:
        for quality, is_look in (("draft", True), ("standard", False)):
            print(f"{name}, {quality}{', quick looks' if is_look else ''}")
            print(
                "     Hz known   residual of all  sample over all  largest dB  iterated dB  "
                "taken, dB"
            )
            for frequency_hz, mesh_hz in FREQUENCIES_HZ:
                members = family(name, quality, mesh_hz)
                one_frequency(name, frequency_hz, members, quality, is_look=is_look)


Member = tuple[Mesh, tuple[SourceMotion, ...]]


def family(name: str, quality: str, mesh_hz: float) -> list[Member]:
    """Return a mesh of the default shape moved onto others of its family, with their sources."""
    shape, _ = shipped(name)
    sizes = [mesh_size(quality, mesh_hz, AIR)]
    anchor = mesh_shape(shape, shape.defaults, sizes, TIME_LIMIT_S)
    random, found = np.random.default_rng(1), [(anchor[0], source_motions(shape, shape.defaults))]
    moved = [p for p in shape.parameters if p.key in DIMENSIONS[name]]
    while len(found) < max(KNOWN) + NEW:
        values = dict(shape.defaults)
        for parameter in moved:
            extent = SHARE * (parameter.high - parameter.low)
            value = values[parameter.key] + random.uniform(-extent, extent)
            values[parameter.key] = float(np.clip(value, parameter.low, parameter.high))
        try:
            (mesh,) = mesh_shape(shape, values, sizes, TIME_LIMIT_S, anchor)
        except GeometryError:
            continue
        if mesh.places is not None and mesh.places.is_moved:
            found.append((mesh, source_motions(shape, values)))
    return found


def one_frequency(
    name: str, frequency_hz: float, members: list[Member], quality: str, *, is_look: bool
) -> None:
    """Print the rows of one frequency."""
    shape, _ = shipped(name)
    limit = tolerance(quality)
    known_to = KNOWN_TOLERANCE * limit if is_look else limit

    def solved(member: Member, to: float) -> HelmholtzSolution:
        mesh, motions = member
        settings = EngineSettings(tolerance=to, packed_unknowns=PACKED_UNKNOWNS)
        return solve_burton_miller(
            radiation(shape, motions, mesh, frequency_hz, AIR), settings=settings
        )

    wavenumber = AIR.wavenumber(frequency_hz)
    known = [
        envelope(solved(member, known_to).guess, wavenumber, ways_from_sources(*member))
        for member in members[: max(KNOWN)]
    ]
    new = members[max(KNOWN) :]
    exact = [solved(member, CONVERGED) for member in new]
    iterated = max(largest_db(solved(m, limit), e) for m, e in zip(new, exact, strict=True))
    for number in KNOWN:
        of_all, shares, off, taken = [], [], [], []
        enough = combined_tolerance(number, quality, is_look=is_look) or limit
        for member, true in zip(new, exact, strict=True):
            whole = WholeEquation(true.problem)
            spanned = guesses(known[:number], wavenumber, ways_from_sources(*member))
            assert spanned is not None
            found = best_combination(true.problem, whole.at, spanned)
            of_all.append(whole.left_by(found.pressure))
            shares.append(found.residual / of_all[-1])
            anything = EngineSettings(combined_tolerance=np.inf)
            played = solve_burton_miller(true.problem, settings=anything, guesses=spanned)
            assert played.is_combined
            off.append(largest_db(played, true))
            if found.residual <= enough:
                taken.append(off[-1])
        print(
            f"{frequency_hz:7.0f} {number:5d} {min(of_all):8.1e} {max(of_all):8.1e} "
            f"{min(shares):8.2f} {max(shares):6.2f} {max(off):11.3f} {iterated:12.3f} "
            f"{len(taken):4d} of {len(new)} {max(taken, default=0.0):7.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
