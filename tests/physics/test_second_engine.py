# SPDX-License-Identifier: GPL-3.0-or-later
"""The own engine against another one, on the mesh of a real lens; and the other one by itself.

The second engine shares the mesh and the boundary condition, nothing else. The mesh is as coarse
as the library can afford (about 2000 triangles), 6 to 17 elements a wavelength at 1 kHz. Against a
mesh seven times as fine either engine is then within 0.1 dB in front, and 0.2 dB off where the
cabinet shades 10 to 20 dB; the errors have opposite signs.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import radiating
import second_engine_lens as lens

from bafflelens.bem.engines import solve


def test_engines_agree_on_a_lens():
    mesh, far_field, second_power = lens.solved_by_bempp()
    angle, directions = lens.orbits()
    own = solve(lens.problem(mesh), "direct")
    level, other = radiating.level(own.far_field(directions)[0]), radiating.level(far_field)
    difference = np.abs(level - other)
    loud = other > other.max() - 20
    assert difference[loud & (angle <= 60)].max() < 0.2
    assert difference[loud].max() < 0.5
    assert second_power == pytest.approx(own.cross_power()[0, 0].real, rel=0.05)


SPHERE = """
import numpy as np, bodies, radiating
from bafflelens.bem.engines import solve
mesh = bodies.octasphere(2, ("y",))
k = 0.5
found = solve(radiating.problem(mesh, np.ones(mesh.n_triangles), k, ("y",)), "bempp")
assert found.engine == "bempp"
exact = radiating.RHO_C * (-1j * k / (1 - 1j * k))
print(abs(found.surface_pressure.mean() / exact - 1), found.residual)
"""


def test_the_second_engine_solves_a_sphere_that_breathes():
    """Exact: p = rho c v (-ika)/(1 - ika) for exp(-i omega t) on a sphere of radius a = 1.

    P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968), section 7.1, from memory. A few
    triangles without compilation, which takes minutes and is not what is tested here.
    """
    path = os.pathsep.join(
        str(Path(__file__).parents[n] / name) for n, name in ((2, "pipeline"), (1, "references"))
    )
    done = subprocess.run(
        [sys.executable, "-c", SPHERE],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    off, residual = (float(word) for word in done.stdout.split())
    assert off < 0.05
    assert residual < 1e-3
