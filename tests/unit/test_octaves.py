# SPDX-License-Identifier: GPL-3.0-or-later
import numpy as np
import patterns
import pytest

from bafflelens.base.octaves import by_octave, inside, octave_shares, octaves_of, overall_db

BAND = (2000.0, 12000.0)


def curve(function, per_octave=6):
    frequency = patterns.sixth_octaves(1000, 16000, per_octave)
    value = np.array([function(f) for f in frequency], dtype=float)
    return frequency, value, np.ones_like(value)


def test_octaves_count_from_the_lower_end_and_the_last_is_cut():
    assert octaves_of(BAND) == ((2000, 4000), (4000, 8000), (8000, 12000))
    assert octaves_of((1000, 4000)) == ((1000, 2000), (2000, 4000))
    assert octaves_of((1000, 1500)) == ((1000, 1500),)
    assert octaves_of((1000, 1000)) == ()


def test_shares_add_up_to_the_width_of_the_part():
    frequency = patterns.sixth_octaves()
    for part in ((2000.0, 4000.0), (3100.0, 3300.0), (8000.0, 12000.0)):
        assert octave_shares(frequency, part).sum() == pytest.approx(np.log2(part[1] / part[0]))
    assert octave_shares(np.array([3000.0]), (2000.0, 4000.0)) == pytest.approx([1.0])


def test_a_flat_curve_is_its_own_value():
    octaves = by_octave(*curve(lambda _: 4.0), BAND)
    assert [octave.value_db for octave in octaves] == pytest.approx([4, 4, 4])
    assert [octave.weight for octave in octaves] == pytest.approx([1, 1, np.log2(1.5)])
    assert overall_db(octaves) == pytest.approx(4)


def test_a_fault_of_a_third_octave_counts_by_mean_and_by_worst():
    # 6 dB from 5040 to 6350 Hz, the middle third of 4 to 8 kHz: mean 2, worst 6.
    low, high = 4000 * 2 ** (1 / 3), 4000 * 2 ** (2 / 3)
    octaves = by_octave(*curve(lambda f: 6.0 * (low < f < high), 96), BAND)
    assert octaves[1].mean_db == pytest.approx(2, abs=0.07)
    assert octaves[1].worst_db == pytest.approx(6, abs=0.2)
    assert octaves[1].value_db == pytest.approx(4, abs=0.15)
    assert octaves[1].worst_hz == pytest.approx(np.sqrt(low * high))
    assert octaves[0].value_db == octaves[2].value_db == 0


def test_the_step_of_the_frequencies_hardly_matters():
    def smooth(f):
        return 3 + 2 * np.sin(2 * np.pi * np.log2(f / 1000))

    coarse, fine = (overall_db(by_octave(*curve(smooth, n), BAND)) for n in (6, 48))
    assert coarse == pytest.approx(fine, abs=0.1)


def test_uneven_steps_count_by_their_width():
    even = by_octave(*curve(lambda f: f / 1000, 48), (2000.0, 8000.0))
    frequency = np.arange(1000.0, 16001.0, 100.0)
    uneven = by_octave(frequency, frequency / 1000, np.ones_like(frequency), (2000.0, 8000.0))
    assert overall_db(uneven) == pytest.approx(overall_db(even), abs=0.01)


def test_weight_decides_what_an_octave_is_worth():
    frequency, value, weight = curve(lambda f: 1.0 if f < 4100 else 3.0, 24)
    weight = np.where(frequency > 4000, 0.5 * weight, weight)
    octaves = by_octave(frequency, value, weight, (2000.0, 8000.0))
    assert overall_db(octaves) == pytest.approx((1 * 1 + 3 * 0.5) / 1.5, abs=0.05)


def test_without_weight_there_is_no_value():
    frequency, value, weight = curve(lambda _: np.nan)
    assert by_octave(frequency, value, 0 * weight, BAND) == ()
    assert np.isnan(overall_db(()))


def test_a_sliver_is_no_third_octave():
    # The target ends at 8.3 kHz: of the octave above 8 kHz a twentieth is asked for.
    frequency, value, weight = curve(lambda f: 10.0 if f > 8100 else 1.0, 48)
    weight = np.where(frequency <= 8300, weight, 0)
    sliver = by_octave(frequency, value, weight, BAND)[2]
    assert sliver.worst_db == sliver.mean_db
    assert sliver.weight < 0.1


def test_ends_of_a_band_belong_to_it_to_rounding():
    frequency = np.array([1999.9, 2000 * (1 - 1e-12), 12000 * (1 + 1e-12), 12001])
    assert list(inside(frequency, BAND)) == [False, True, True, False]
