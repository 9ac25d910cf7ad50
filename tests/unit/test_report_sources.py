# SPDX-License-Identifier: GPL-3.0-or-later
"""What the report shows of crossovers and measured drivers."""

import numpy as np
import patterns
import pytest

from bafflelens.directivity.crossover import Crossover, Way, sum_of_ways
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.lobe import find_meeting
from bafflelens.report.curves import curves_of, rated_voltage_v
from bafflelens.report.figures import LobeEntry, lobes
from bafflelens.scoring.target import default_target

FREQUENCY = patterns.sixth_octaves(1000.0, 8000.0)
TARGET = default_target()


def calibrated(strength_db):
    plain = patterns.dataset(patterns.cardioid, FREQUENCY)
    return plain.assign(strength_db=("frequency", strength_db)).assign_attrs(rated_voltage_v=2.83)


def test_absolute_responses_are_the_strength_above_those_for_1_m_s2():
    strength_db = np.linspace(60, 70, FREQUENCY.size)
    strength_db[0] = np.nan  # outside the measured band
    dataset = calibrated(strength_db)
    relative = curves_of(dataset, TARGET, 0.0)
    absolute = curves_of(dataset, TARGET, 0.0, absolute=True)
    np.testing.assert_allclose(absolute.on_axis_db - relative.on_axis_db, strength_db)
    np.testing.assert_allclose(
        absolute.listening_window_db - relative.listening_window_db, strength_db
    )
    np.testing.assert_array_equal(absolute.vertical_db, relative.vertical_db)


def test_a_response_without_a_strength_is_not_drawn_among_absolute_ones():
    plain = patterns.dataset(patterns.cardioid, FREQUENCY)
    assert np.isnan(curves_of(plain, TARGET, 0.0, absolute=True).on_axis_db).all()
    assert rated_voltage_v([plain]) is None
    assert rated_voltage_v([plain, calibrated(np.zeros(FREQUENCY.size))]) == 2.83


@pytest.mark.parametrize("failed", [(), (FREQUENCY[7],)])
def test_the_lobe_is_drawn_with_its_tilt(failed):
    dataset = patterns.point_sources(
        [[0, 0, 0], [0, 0, -0.14]], ["tweeter", "midrange"], FREQUENCY, failed=failed
    )
    high, low = (
        Filter(kind=kind, family="linkwitz-riley", order=4, frequency_hz=2200.0)
        for kind in ("high-pass", "low-pass")
    )
    delay_s = 0.14 * np.sin(np.radians(8)) / patterns.AIR.sound_speed
    crossover = Crossover(
        ways=(
            Way(name="tweeter", filters=(high,), delay_s=delay_s),
            Way(name="midrange", filters=(low,)),
        )
    )
    meeting = find_meeting(dataset, crossover)
    assert meeting.frequency_hz == pytest.approx(2200, rel=0.02)
    heard = sum_of_ways(dataset, crossover)
    figure = lobes([LobeEntry(title="made up", dataset=heard, meeting=meeting)])
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    (tilt,) = [text for text in texts if text.startswith("tilt ")]
    assert tilt.endswith("° at 2.2 kHz")
    assert float(tilt.split("°")[0].removeprefix("tilt ")) == pytest.approx(8, abs=0.5)
    labels = [entry.get_text() for entry in figure.axes[0].get_legend().get_texts()]
    assert labels == ["tweeter", "midrange", "sum"]


def test_one_way_has_no_meeting():
    dataset = patterns.point_sources([[0, 0, 0]], ["tweeter"], FREQUENCY)
    assert find_meeting(dataset, Crossover(ways=(Way(name="tweeter"),))) is None
