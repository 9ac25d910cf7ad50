# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pressure leaves of the whole equation, and how far two solutions are apart."""

from __future__ import annotations

import numpy as np
from shapes import front_directions

from bafflelens.base.conventions import ComplexArray
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.layers import AtFrequency, double_layers, single_layers
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution


class WholeEquation:
    """All rows of the equation of a rigid body, none of them stored."""

    def __init__(self, problem: HelmholtzProblem) -> None:
        self.at = AtFrequency(discretise(problem.mesh, problem.symmetry), problem.wavenumber)
        gradient = np.asarray(problem.pressure_gradient)
        self.sides = single_layers(self.at, self.at.everywhere, gradient)

    def multiply(self, vectors: ComplexArray) -> ComplexArray:
        """Return the matrix times each row."""
        return double_layers(self.at, self.at.everywhere, vectors) - 0.5 * vectors

    def relative(self, residuals: ComplexArray) -> float:
        """Return residuals over the right-hand sides."""
        return float(np.linalg.norm(residuals) / np.linalg.norm(self.sides))

    def left_by(self, pressure: ComplexArray) -> float:
        """Return what a pressure leaves, relative."""
        return self.relative(self.sides - self.multiply(pressure))


def largest_db(found: HelmholtzSolution, exact: HelmholtzSolution) -> float:
    """Return how far two far fields are apart in front, within 20 dB of the maximum."""
    levels = [20 * np.log10(np.abs(each.far_field(front_directions()))) for each in (found, exact)]
    heard = levels[1] > levels[1].max(axis=1, keepdims=True) - 20
    return float(np.abs(levels[0] - levels[1])[heard].max())
