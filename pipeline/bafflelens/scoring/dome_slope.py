# SPDX-License-Identifier: GPL-3.0-or-later
r"""The slope of what a score follows over a family of dome motions.

A member's far field is that of the rigid dome and a sum of its profiles' fields, with shares that
the shape does not change: :math:`F_m = \sum_p a_{mp} F_p`. So the slope of any function of the
members' scores :math:`J_m` with respect to the field of a profile is one weighted sum,

.. math::

    g_p = \sum_m \frac{dJ}{dJ_m} a_{mp}^* g_m ,

and however many members there are, there are as many right-hand sides as profiles. For the mean
:math:`dJ/dJ_m = 1/n`; the standard deviation s adds :math:`(J_m - \bar{J}) / ((n - 1) s)`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import invalid
from bafflelens.scoring.dome_family import FOLLOWED


def followed_value(members_db: Sequence[float], follow: str) -> tuple[float, FloatArray]:
    """Return what is followed of the members' scores, and its slope with each of them.

    Parameters
    ----------
    members_db : sequence of float
        Score of each member, in dB.
    follow : {"mean", "mean-and-spread"}
        What is followed.

    Returns
    -------
    value : float
        In dB.
    shares : (n_members,) array
        Its change with each score. Where all scores are equal, the spread has no slope.
    """
    if follow not in FOLLOWED[1:]:
        raise ValueError(invalid("what is followed", follow, "one of " + ", ".join(FOLLOWED[1:])))
    scores = np.asarray(members_db, dtype=float)
    value, shares = scores.mean(), np.full(scores.size, 1 / scores.size)
    if follow == "mean-and-spread" and scores.size > 1:
        apart = scores - value
        spread = np.sqrt(np.sum(apart**2) / (scores.size - 1))
        value += spread
        if spread > 0:
            shares += apart / ((scores.size - 1) * spread)
    return float(value), shares


def of_profiles(
    shares: FloatArray, mixings: Sequence[ComplexArray], weights: Sequence[ComplexArray]
) -> ComplexArray:
    """Return weights on the fields of sources and profiles, from those on the members' fields.

    Parameters
    ----------
    shares : (n_members,) array
        From `followed_value`.
    mixings : sequence of (n_sources, n_sources_and_profiles, n_frequencies) complex arrays
        What each member is mixed of, from `dome_mixtures.mixing`.
    weights : sequence of (n_sources, n_frequencies, n_directions) complex arrays
        Slope of each member's score with the fields of its sources, as in
        `bafflelens.scoring.score_slope.ScoreSlope`.

    Returns
    -------
    (n_sources_and_profiles, n_frequencies, n_directions) complex array
        The value changes by the real part of the sum of weights* times the change of the fields.
    """
    parts = [
        share * np.einsum("smf,sfd->mfd", mixing.conj(), weight)
        for share, mixing, weight in zip(shares, mixings, weights, strict=True)
    ]
    return np.asarray(np.sum(parts, axis=0))
