# SPDX-License-Identifier: GPL-3.0-or-later
"""Error and iterations against the coupling law, across irregular frequencies of a cabinet.

A point source inside the body has an exact field outside, whatever the shape.
"""

from __future__ import annotations

import numpy as np
from shapes import meshes, shipped

from bafflelens.base.conventions import direction_vectors
from bafflelens.base.medium import Air
from bafflelens.bem import burton_miller, layers
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.quality import mesh_size

AIR = Air()
SOURCE = np.array([-0.06, 0.0, 0.02])
LAWS = {
    "1 (classical)": lambda kh: np.ones_like(kh),
    "kh": lambda kh: np.minimum(1, kh),
    "kh / 2 (in use)": lambda kh: np.minimum(1, kh / 2),
    "(kh)^2": lambda kh: np.minimum(1, kh**2),
    "0.05 kh": lambda kh: np.minimum(1, 0.05 * kh),
}


def main() -> None:
    """Print, for each law and range, the largest error in dB and of the surface pressure."""
    shape, _ = shipped("plain_baffle")
    around = np.arange(-180, 180, 10.0)
    directions = direction_vectors(around, 0 * around)
    print("frequencies (Hz)  law             far field (dB)  surface (rel.)  iterations")
    for low, high, count in ((1100, 1250, 16), (2900, 3000, 11), (5000, 5050, 6)):
        (mesh,) = meshes(shape, [mesh_size("standard", high, AIR)], {})
        discretisation = discretise(mesh, shape.symmetry)
        for name, law in LAWS.items():
            layers.local_coupling = lambda m, k, _, law=law: law(k * np.sqrt(m.areas))
            found = np.array(
                [
                    _errors(mesh, shape.symmetry, discretisation, frequency, directions)
                    for frequency in np.linspace(low, high, count)
                ]
            ).max(axis=0)
            print(
                f"{low:7d} to {high:5d}  {name:15s} {found[0]:14.3f} {found[1]:15.4f} "
                f"{found[2]:11.0f}"
            )


def _errors(mesh, symmetry, discretisation, frequency, directions):
    k = AIR.wavenumber(frequency)
    offset = mesh.centroids - SOURCE
    r = np.linalg.norm(offset, axis=1)
    exact = np.exp(1j * k * r) / r
    gradient = (1j * k - 1 / r) * exact * (offset * mesh.normals).sum(axis=1) / r
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=frequency,
        air=AIR,
        normal_velocity=(gradient / (2j * np.pi * frequency * AIR.density))[None],
        symmetry=symmetry,
    )
    solution = burton_miller.solve_burton_miller(problem, discretisation=discretisation)
    level = 20 * np.log10(np.abs(solution.far_field(directions)[0]))
    weight = mesh.areas
    wrong = (np.abs(solution.surface_pressure[0] - exact) ** 2 * weight).sum()
    surface = np.sqrt(wrong / (np.abs(exact) ** 2 * weight).sum())
    return np.abs(level).max(), surface, solution.iterations


if __name__ == "__main__":
    main()
