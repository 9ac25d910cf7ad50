# SPDX-License-Identifier: GPL-3.0-or-later
"""Boundary elements: a radiation problem at one frequency in, surface pressure out."""

from bafflelens.bem.engines import ENGINES, solve
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.warm_up import warm_up

__all__ = ["ENGINES", "HelmholtzProblem", "HelmholtzSolution", "solve", "warm_up"]
