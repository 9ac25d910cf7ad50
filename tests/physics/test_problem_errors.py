# SPDX-License-Identifier: GPL-3.0-or-later
"""What a radiation problem refuses, with the message that says why."""

import re

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import InputError
from bafflelens.bem.engines import ENGINES, solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.absorbers import PorousLayer

MESH = bodies.box((0.3, 0.4, 0.4), (2, 2, 2))
N = MESH.n_triangles


def problem(**changes):
    given = {
        "mesh": MESH,
        "frequency_hz": 1000.0,
        "air": radiating.AIR,
        "normal_velocity": np.ones((1, N), dtype=complex),
    }
    return HelmholtzProblem(**{**given, **changes})


def broken(value):
    velocity = np.ones((1, N), dtype=complex)
    velocity[0, 3] = value
    return velocity


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"frequency_hz": 0.0}, "Invalid frequency '0.0'. Must be above 0 Hz."),
        ({"frequency_hz": -3.0}, "Invalid frequency '-3.0'. Must be above 0 Hz."),
        ({"frequency_hz": float("nan")}, "Invalid frequency 'nan'. Must be above 0 Hz."),
        (
            {"normal_velocity": np.ones((1, 7), dtype=complex)},
            f"Invalid shape of normal_velocity '(1, 7)'. Must be (n_sources, {N}): one column a "
            "triangle.",
        ),
        (
            {"normal_velocity": np.ones(N, dtype=complex)},
            f"Invalid shape of normal_velocity '({N},)'. Must be (n_sources, {N})",
        ),
        (
            {"normal_velocity": broken(np.nan)},
            "Invalid normal_velocity 'not finite'. Must be finite everywhere.",
        ),
        (
            {"normal_velocity": broken(1j * np.inf)},
            "Invalid normal_velocity 'not finite'. Must be finite everywhere.",
        ),
        (
            {"symmetry": ("y", "y")},
            "Invalid symmetry '('y', 'y')'. Must be distinct planes of x, y, z.",
        ),
        ({"symmetry": ("w",)}, "Invalid symmetry '('w',)'. Must be distinct planes of x, y, z."),
        (
            {"symmetry": ("x",)},
            "Invalid mesh with mirror plane x = 0 'x down to -0.15 m'. Must be on or in front of "
            "the plane (x not below 0): an image source cannot stand for a recess behind it.",
        ),
        (
            {"admittance": np.zeros(3, dtype=complex)},
            f"Invalid shape of admittance '(3,)'. Must be ({N},): one value a triangle.",
        ),
        (
            {"admittance": np.full(N, -0.1 + 0.5j)},
            "Invalid admittance '(-0.1+0.5j)'. Must be of real part 0 or above",
        ),
    ],
)
def test_refused(changes, message):
    with pytest.raises(InputError, match=re.escape(message)):
        problem(**changes)


def test_every_fault_is_named_at_once():
    with pytest.raises(InputError) as caught:
        problem(frequency_hz=-1.0, normal_velocity=broken(np.nan), symmetry=("x", "w"))
    assert len(caught.value.faults) == 4


def test_unknown_engine():
    message = "Invalid engine 'fast'. Must be one of direct, gpu, bempp."
    with pytest.raises(InputError, match=re.escape(message)):
        solve(problem(), "fast")


def test_any_callable_is_an_engine():
    asked = []
    given = problem()
    assert solve(given, asked.append) is None
    assert asked == [given]
    assert list(ENGINES) == ["direct", "gpu", "bempp"]


def test_second_engine_refuses_an_admittance():
    with pytest.raises(InputError, match="the second engine solves rigid bodies only"):
        solve(problem(admittance=np.full(N, 0.1 + 0j)), "bempp")


@pytest.mark.parametrize(
    ("resistivity", "thickness", "message"),
    [
        (10.0, 0.01, "Invalid flow resistivity '10.0'. Must be from 1000 to 200000 Pa s/m^2."),
        (1e6, 0.01, "Invalid flow resistivity '1000000.0'. Must be from 1000 to 200000"),
        (1e4, 0.0, "Invalid layer thickness '0.0'. Must be above 0 m."),
    ],
)
def test_porous_layer_refused(resistivity, thickness, message):
    with pytest.raises(InputError, match=re.escape(message)):
        PorousLayer(flow_resistivity=resistivity, thickness_m=thickness)
