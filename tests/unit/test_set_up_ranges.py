# SPDX-License-Identifier: GPL-3.0-or-later
"""Stated ranges of a fit whose data go wrong together: how often they hold the true value.

A straight-line fit stands for the set-up: two parameters, 6 blocks of angles times 4 blocks of
frequencies, 40 data in each pair of blocks. All data of a block share an error beside their own.
"""

import mock_up
import numpy as np
import pytest

from bafflelens.mockup.comparison import fitting
from bafflelens.mockup.comparison.from_measurement import observed_of
from bafflelens.mockup.comparison.jackknife import jackknife_half_range
from bafflelens.mockup.measurement.microphones import SetUpDeviation

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


def test_a_fit_leaves_out_blocks_of_angles_and_of_frequencies(monkeypatch):
    """Blocks are 30 degrees wide, and a quarter of the frequencies: as the formula was tried."""
    given = []

    def spied(residual, slopes, blocks, expected):
        given.append((residual, blocks))
        return jackknife_half_range(residual, slopes, blocks, expected)

    monkeypatch.setattr(fitting, "jackknife_half_range", spied)
    (observed,) = observed_of(mock_up.measured(orbits=("horizontal",)))
    task, none = fitting._task(observed, mock_up.simulated()), SetUpDeviation()
    half_range = fitting._uncertainty(task, none)
    ((residual, (of_angle, of_frequency)),) = given
    assert residual.shape == of_angle.shape == of_frequency.shape
    row, column = np.nonzero(np.isfinite(task.orbit.terms(none).level_db))
    angle = observed.angle_deg - observed.angle_deg[0]
    assert np.array_equal(of_angle[: column.size], angle[column] // 30)
    assert np.array_equal(of_frequency[: row.size], row * 4 // len(task.orbit.numbers))
    assert np.unique(of_frequency[: row.size]).size == 4
    # What clings together by frequency is told less well than it seems by angles alone.
    monkeypatch.setattr(
        fitting,
        "jackknife_half_range",
        lambda residual, slopes, blocks, expected: jackknife_half_range(
            residual, slopes, blocks[:1], expected
        ),
    )
    assert not np.allclose(half_range, fitting._uncertainty(task, none), rtol=0.01)
