# SPDX-License-Identifier: GPL-3.0-or-later
r"""Ranges of fitted parameters from data that go wrong together, by leaving out blocks of them.

Neighbouring angles go wrong together, and so do neighbouring frequencies, where the
model is at fault. So residuals are taken in blocks of 30 degrees, and once more in four blocks of
frequencies, and each block is left out in turn. With slopes J and
residuals u, both weighted, leaving out block b of B moves the parameters by

.. math:: d_b = (H - J_b^T J_b)^{-1} J_b^T u_b, \quad
          H = J^T J + \mathrm{diag}(1 / \mathrm{expected}^2)

and their covariance is :math:`(B - 1)/B \sum_b d_b d_b^T` (the jackknife: Miller, Biometrika 61
(1974) 1; for data that cling together two ways, Cameron, Gelbach and Miller, J. Business Econ.
Stat. 29 (2011) 238; both from memory), added for both kinds of blocks. What both have in common is
not taken off, as those authors do: with a model that is at fault too little was left. Stated is
the range of 95 % by Student's t for one degree of freedom less than there are blocks of the kind
that has fewer (A. C. Cameron and D. L. Miller, J. Human Resources 50 (2015) 317, section V; from
memory). What is expected beforehand is a third of the bounds; so what the data do not tell stays
zero, with an uncertainty of that size. Noise alone is covered in nearly all cases, a model that is
off in 95 % of them (`tests/benchmarks/set_up_ranges.py`; figures in tests/benchmarks/RESULTS.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy.special import stdtrit

from bafflelens.base.conventions import FloatArray, IntArray

SOFT: Final = 2.0
"""Standard deviations above which a difference counts less."""


def jackknife_half_range(
    residual: FloatArray,
    slopes: FloatArray,
    blocks: Sequence[IntArray],
    expected: FloatArray,
) -> FloatArray:
    """Return half the 95 % range of each parameter of a fit; see the top of this file.

    Parameters
    ----------
    residual : (n,) array
        What is left, in standard deviations.
    slopes : (n, n_parameters) array
        Its slopes.
    blocks : sequence of (n,) integer arrays
        For each way in which data cling together, the number of the block that each belongs to;
        negative where it is a block of its own.
    expected : (n_parameters,) array
        Standard deviation of each parameter that is expected beforehand.
    """
    robust = 1 / np.sqrt(1 + (residual / SOFT) ** 2)  # weight of the soft L1 loss
    weighted = slopes * robust[:, np.newaxis]
    prior = np.diag(expected**-2.0)
    information = weighted.T @ slopes + prior
    inverse = np.linalg.inv(information)
    variance = np.zeros(len(expected))
    for block in blocks:
        moves = []
        for number in np.unique(block):
            here = block == number
            rest = information - weighted[here].T @ slopes[here]
            moves.append(np.linalg.solve(rest, weighted[here].T @ residual[here]))
        count = len(moves)
        variance += (count - 1) / count * np.sum(np.square(moves), axis=0)
    # What the data say little of is as uncertain as was expected, and takes others with it.
    variance += np.diag(inverse @ prior @ inverse)
    n_blocks = min(np.unique(block[block >= 0]).size for block in blocks)
    freedom = max(n_blocks - 1, 2)
    return np.asarray(float(stdtrit(freedom, 0.975)) * np.sqrt(variance))
