# SPDX-License-Identifier: GPL-3.0-or-later
"""Loudness after ITU-R BS.1770, by its own test value and the minimum tests of EBU Tech 3341."""

import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.listen.levels import HIGHEST_PEAK_DB, WANTED_LUFS, matched
from bafflelens.listen.loudness import loudness_lufs, true_peak_db
from bafflelens.listen.music import band_noise
from bafflelens.listen.spectra import RATE_HZ


def tone(level_db, seconds, frequency_hz=1000.0, channels=2):
    time = np.arange(int(RATE_HZ * seconds)) / RATE_HZ
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * frequency_hz * time)
    return np.tile(wave, (channels, 1))


def test_a_full_scale_sine_in_one_channel_is_at_minus_3():
    """BS.1770: 997 Hz at 0 dB FS in one channel gives -3.01 LKFS."""
    assert loudness_lufs(tone(0, 5, 997, channels=1)) == pytest.approx(-3.01, abs=0.005)


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ([(-23, 20)], -23.0),  # Tech 3341, test 1
        ([(-33, 20)], -33.0),  # 2
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),  # 3: the relative gate
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),  # 4: the absolute one
        ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),  # 5
    ],
)
def test_tones_in_both_channels_are_as_loud_as_they_should_be(steps, expected):
    """EBU Tech 3341 table 1, tests 1 to 5, within its 0.1 LU (values from memory)."""
    signal = np.concatenate([tone(level, seconds) for level, seconds in steps], axis=1)
    assert loudness_lufs(signal) == pytest.approx(expected, abs=0.1)


def test_silence_and_less_than_a_block_have_no_loudness():
    assert loudness_lufs(np.zeros((2, RATE_HZ))) == -np.inf
    assert loudness_lufs(tone(-20, 0.3)) == -np.inf


def test_a_peak_between_samples_is_found():
    """A quarter of the rate, 45 degrees off its samples: they show -3 dB of it."""
    time = np.arange(RATE_HZ // 4)
    wave = np.sin(np.pi / 2 * time + np.pi / 4)[np.newaxis]
    assert 20 * np.log10(np.abs(wave).max()) == pytest.approx(-3.01, abs=0.01)
    assert true_peak_db(wave) == pytest.approx(0.0, abs=0.2)


def test_versions_are_made_equally_loud_and_none_clips():
    quiet, loud = tone(-40, 3), band_noise(3.0)
    spike = loud.copy()
    spike[:, 1000] = 20.0
    gains, levels = matched([quiet, spike], [quiet, loud])
    assert levels[0].loudness_lufs == pytest.approx(levels[1].loudness_lufs)
    assert levels[0].loudness_lufs < WANTED_LUFS  # the spike keeps all down
    assert max(level.peak_db for level in levels) == pytest.approx(HIGHEST_PEAK_DB)
    assert np.abs(gains[1] * spike).max() < 1.0
    assert sum(level.noise_db for level in levels) == pytest.approx(0.0)


def test_what_has_no_loudness_cannot_be_matched():
    with pytest.raises(InputError, match=r"louder than -70 LUFS"):
        matched([np.zeros((2, RATE_HZ))], [band_noise(1.0)])
