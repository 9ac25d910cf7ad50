# SPDX-License-Identifier: GPL-3.0-or-later
"""The best combination of guesses, found from a few rows of the equation.

The weights are few, so that a few hundred rows of the matrix tell them as well as all. Half of the
rows are kept out of the fit: what the combination leaves of these is what it leaves of the whole
equation, near enough to say whether it will do. So a shape among shapes that are solved costs some
hundred rows instead of a matrix. (Least squares on a sample of rows: P. Drineas, M. W. Mahoney and
S. Muthukrishnan, "Sampling algorithms for l2 regression and applications", SODA 2006; citation
from memory.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bafflelens.base.conventions import ComplexArray
from bafflelens.bem.layers import AtFrequency, double_layers, single_layers
from bafflelens.bem.problem import HelmholtzProblem


@dataclass(frozen=True, kw_only=True, eq=False)
class Combination:
    """What guesses make of a solution.

    Attributes
    ----------
    pressure : (n_sources, n_triangles) complex array
        The combination for each source, in Pa.
    residual : float
        What it leaves of the right-hand side, largest over the sources, told from rows that had
        no part in finding it.
    """

    pressure: ComplexArray
    residual: float


def best_combination(
    problem: HelmholtzProblem, at: AtFrequency, guesses: ComplexArray
) -> Combination:
    """Return the combination that leaves least of the sampled rows.

    Parameters
    ----------
    problem : HelmholtzProblem
        What is to be solved.
    at : AtFrequency
        Its mesh and frequency.
    guesses : (n_guesses, n_triangles) complex array
        Surface pressures in Pa; a useless one does no harm.
    """
    where = at.sampled
    basis = np.ascontiguousarray(np.linalg.qr(guesses.T)[0].T)
    images = double_layers(at, where, basis) - 0.5 * basis[:, where.rows]
    if problem.admittance is not None:
        taken = 1j * problem.wavenumber * np.asarray(problem.admittance) * basis
        images += single_layers(at, where, taken)
    sides = single_layers(at, where, np.asarray(problem.pressure_gradient))
    fitted, checked = slice(0, None, 2), slice(1, None, 2)
    weights = np.linalg.lstsq(images[:, fitted].T, sides[:, fitted].T, rcond=None)[0].T
    left = sides[:, checked] - weights @ images[:, checked]
    size = np.linalg.norm(sides, axis=1) / np.sqrt(2)  # half of the rows are checked
    residual = np.linalg.norm(left, axis=1) / np.maximum(size, np.finfo(float).tiny)
    return Combination(pressure=weights @ basis, residual=float(residual.max()))
