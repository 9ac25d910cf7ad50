# SPDX-License-Identifier: GPL-3.0-or-later
import numpy as np
import patterns
import pytest

from bafflelens.directivity.constant_directivity import index_deviation_db, polar_correlation

BAND = (2000.0, 8000.0)


def switched(low, high, at_hz=4000.0 * 2 ** (1 / 12)):
    """Return a pattern that is `low` below a frequency and `high` above it."""

    def pattern(frequency, azimuth, elevation):
        return (low if frequency < at_hz else high)(frequency, azimuth, elevation)

    return pattern


@pytest.mark.parametrize("pattern", [patterns.omni, patterns.dipole, patterns.cap(10, 20)])
def test_what_does_not_change_is_constant(pattern):
    data = patterns.dataset(pattern)
    assert index_deviation_db(data, BAND) == pytest.approx(0, abs=1e-5)
    for plane in ("horizontal", "vertical"):
        assert polar_correlation(data, plane, BAND) == pytest.approx(1, abs=1e-6)


def test_a_step_from_omni_to_dipole():
    # Index 0 and 10 lg 3 dB. With steps of 1/6 octave from 2 kHz, 13/24 of the band is omni.
    share = 6.5 / 12
    expected = 10 * np.log10(3) * np.sqrt(share * (1 - share))
    data = patterns.dataset(switched(patterns.omni, patterns.dipole))
    assert index_deviation_db(data, BAND) == pytest.approx(expected, abs=1e-4)


def test_two_patterns_that_have_nothing_in_common():
    """The mean of two orthogonal patterns correlates with each by its share of the norm."""

    def left(_, azimuth, elevation):
        return np.where((azimuth > 0) & (azimuth < 180), 1.0, 0.0) + 0 * elevation

    def right(_, azimuth, elevation):
        return np.where(azimuth < 0, 1.0, 0.0) + 0 * elevation

    data = patterns.dataset(switched(left, right))
    share = 6.5 / 12
    expected = (share**2 + (1 - share) ** 2) / np.hypot(share, 1 - share)
    assert polar_correlation(data, "horizontal", BAND) == pytest.approx(expected, abs=1e-4)


def test_nothing_solved_is_not_a_number():
    data = patterns.dataset(patterns.omni, [4000.0], failed=[4000.0])
    assert np.isnan(index_deviation_db(data, BAND))
    assert np.isnan(polar_correlation(data, "vertical", BAND))
