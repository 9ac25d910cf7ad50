# SPDX-License-Identifier: GPL-3.0-or-later
"""What is said of arrivals: by published thresholds, and never less than may be heard."""

import re

import numpy as np
import pytest

from bafflelens.listen.arrivals import ArrivalLevels, in_words, unheard_db


def arrival(delay_ms, one_db, other_db):
    return ArrivalLevels(
        name="ceiling",
        delay_ms=delay_ms,
        leaving_azimuth_deg=0.0,
        leaving_elevation_deg=45.0,
        head_azimuth_deg=0.0,
        head_elevation_deg=45.0,
        bands_hz=np.array([2000.0, 4000.0]),
        level_db=np.array([one_db, other_db]),
    )


def test_thresholds_are_those_of_the_source():
    """Begault, McClain and Anderson 2001: 21 dB at 3 ms, 30 dB from 15 to 30 ms."""
    assert [unheard_db(delay) for delay in (1, 3, 15, 30)] == [-21, -21, -30, -30]
    assert -30 < unheard_db(8.0) < -21


@pytest.mark.parametrize(
    ("delay_ms", "one_db", "other_db", "words"),
    [
        (3.0, (-22.0, -25.0), (-23.0, -30.0), "more than 21 dB below .*Begault"),
        (15.0, (-22.0, -25.0), (-23.0, -30.0), "15.0 ms late and differs by up to 5.0 dB"),
        (5.0, (-10.0, -12.0), (-10.3, -12.1), "differ by 0.3 dB at most .*Miller 1947"),
        (5.0, (-10.0, -12.0), (-10.3, -14.0), "most around 4 kHz, where c009 is the louder"),
        # Where neither is heard no difference counts.
        (3.0, (-10.0, -40.0), (-10.0, -50.0), "differ by 0.0 dB at most"),
    ],
)
def test_a_sentence_says_whether_it_can_be_heard(delay_ms, one_db, other_db, words):
    (line,) = in_words([arrival(delay_ms, one_db, other_db)], ("c009", "baseline"))
    assert re.search(words, line)
