# SPDX-License-Identifier: GPL-3.0-or-later
"""Stated ranges of a fit whose data go wrong together: how often they hold the true value.

A straight-line fit stands for the set-up: two parameters, 6 blocks of angles times 4 blocks of
frequencies, 40 data in each pair of blocks. All data of a block share an error beside their own.
"""

import numpy as np
import pytest

from bafflelens.mockup.comparison.jackknife import jackknife_half_range

ANGLES, FREQUENCIES, EACH = 6, 4, 40
TRIALS = 150
TRUE = np.array([0.3, -0.2])


def share_within(shared, rng):
    """Return in what share of trials the range of each parameter held the true value."""
    angle, frequency = (
        block.ravel() for block in np.mgrid[:ANGLES, :FREQUENCIES, :EACH][:2].astype(np.int64)
    )
    clung = {"angles": angle, "frequencies": frequency, "nothing": np.arange(angle.size)}[shared]
    expected = np.full(2, 10.0)
    held = np.zeros(2)
    for _ in range(TRIALS):
        # Slopes cling together as the errors do, or these would average out.
        slopes = rng.normal(size=(clung.max() + 1, 2))[clung] + 0.3 * rng.normal(
            size=(angle.size, 2)
        )
        error = rng.normal(size=clung.max() + 1)[clung] + 0.3 * rng.normal(size=angle.size)
        data = slopes @ TRUE + error
        found = np.linalg.solve(slopes.T @ slopes + np.diag(expected**-2.0), slopes.T @ data)
        half = jackknife_half_range(data - slopes @ found, slopes, (angle, frequency), expected)
        held += np.abs(found - TRUE) < half
    return held / TRIALS


@pytest.mark.parametrize("shared", ["angles", "frequencies", "nothing"])
def test_ranges_hold_whichever_data_go_wrong_together(shared):
    """They are to hold in 95 %; 150 trials scatter by 2 %, few blocks take as much."""
    assert np.all(share_within(shared, np.random.default_rng(4)) > 0.88)
