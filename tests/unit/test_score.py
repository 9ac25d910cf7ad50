# SPDX-License-Identifier: GPL-3.0-or-later
"""The score prefers what an engineer would, and says what is missing."""

import re
from dataclasses import replace

import analytic
import numpy as np
import patterns
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bafflelens.base.errors import InputError
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import TERM_NAMES, ScoreSettings, TermSettings, gaps, score
from bafflelens.scoring.target import default_target

TARGET = default_target()
BAND = (2000.0, 12000.0)
FEW_EXAMPLES = settings(max_examples=8, deadline=None, derandomize=True)


def dome(frequency, azimuth, elevation):
    """A 26 mm piston that shades itself backwards: about a dome in a baffle."""
    theta = patterns.off_axis(azimuth, elevation)
    ka = 2 * np.pi * frequency / patterns.AIR.sound_speed * 0.013
    return analytic.piston_directivity(ka * np.sin(theta)) * (0.55 + 0.45 * np.cos(theta))


def guided(height_m):
    """The dome behind an evenly driven opening of this height."""

    def pattern(frequency, azimuth, elevation):
        u = height_m * frequency * np.sin(np.radians(elevation)) / patterns.AIR.sound_speed
        return dome(frequency, azimuth, 0 * elevation) * np.sinc(u)

    return pattern


def changed(pattern, level_db):
    """Return the pattern with level_db(frequency, azimuth, elevation) added."""

    def other(frequency, azimuth, elevation):
        added = np.asarray(level_db(frequency, azimuth, elevation), dtype=float)
        return pattern(frequency, azimuth, elevation) * 10 ** (added / 20)

    return other


PLAIN = patterns.dataset(patterns.omni)


def scored(pattern, **options):
    return score(patterns.dataset(pattern, **options), TARGET, baseline=PLAIN)


def total(pattern):
    return scored(pattern).total_db


STARTS = st.sampled_from([patterns.omni, patterns.cardioid, dome, guided(0.09), guided(0.12)])


# ------------------------------------------------------------------ what it is made of
def test_every_term_is_shown_and_their_costs_add_up():
    found = scored(dome)
    assert tuple(term.name for term in found.terms) == TERM_NAMES
    assert TERM_NAMES == (
        "vertical_control",
        "horizontal_width",
        "seat_height",
        "on_axis_ripple",
        "width_smoothness",
        "index_smoothness",
        "up_down_symmetry",
        "side_lobes",
        "window_nulls",
        "sensitivity_loss",
    )
    assert found.total_db == pytest.approx(sum(term.cost_db for term in found.terms))
    assert found.is_complete
    for term in found.terms:
        assert term.cost_db == term.weight * max(0.0, term.value_db - term.tolerance_db)
        assert term.note
    assert found.terms[0].label == "vertical control"


def test_omni_pays_for_vertical_control_alone():
    found = scored(patterns.omni)
    costs = {term.name: term.cost_db for term in found.terms}
    assert costs.pop("vertical_control") == found.total_db
    assert found.total_db == pytest.approx(6.19, abs=0.05)  # see test_criteria for its parts
    assert set(costs.values()) == {0}


def test_weights_and_tolerances_are_the_users():
    data = patterns.dataset(patterns.omni)
    plain = score(data, TARGET).total_db
    free = ScoreSettings(vertical_control=TermSettings(weight=2.0, tolerance_db=1.0))
    assert score(data, TARGET, free).total_db == pytest.approx(2 * (plain - 1))
    shown = ScoreSettings(vertical_control=TermSettings(weight=0.0))
    found = score(data, TARGET, shown)
    assert found.total_db == 0
    assert found.terms[0].value_db == pytest.approx(plain)


def test_the_better_lens_wins_and_the_larger_dome_loses():
    def larger(frequency, azimuth, elevation):
        return dome(2 * frequency, azimuth, elevation)

    assert total(guided(0.12)) < total(guided(0.09)) < total(dome) < total(larger)


# ------------------------------------------------------------------ properties
@FEW_EXAMPLES
@given(start=STARTS, depth_db=st.floats(1.5, 6), per_octave=st.sampled_from([1.5, 2.0, 2.5]))
def test_adding_ripple_raises_the_score(start, depth_db, per_octave):
    def ripple(frequency, azimuth, elevation):
        return depth_db * np.sin(2 * np.pi * per_octave * np.log2(frequency / 1000))

    assert total(changed(start, ripple)) > total(start) + 0.05


@FEW_EXAMPLES
@given(start=STARTS, depth_db=st.floats(8, 25))
def test_narrowing_the_horizontal_raises_the_score(start, depth_db):
    def narrow(frequency, azimuth, elevation):
        return -depth_db * np.clip((np.abs(azimuth) - 30) / 30, 0, 1)

    assert total(changed(start, narrow)) > total(start) + 0.2


@FEW_EXAMPLES
@given(start=STARTS, lift_db=st.floats(0.5, 10))
def test_lifting_the_ceiling_never_lowers_the_score(start, lift_db):
    def lift(frequency, azimuth, elevation):
        return np.where((elevation > 25) & (np.abs(azimuth) < 60), lift_db, 0.0)

    before, after = total(start), total(changed(start, lift))
    assert after >= before - 1e-6
    if start in (patterns.omni, patterns.cardioid, dome):  # these are above the target already
        assert after > before + 0.2 * lift_db


@FEW_EXAMPLES
@given(start=STARTS, gain_db=st.floats(-80, 60), phase=st.floats(0, 6))
def test_level_and_phase_do_not_matter(start, gain_db, phase):
    """But for sensitivity, which is judged against the baseline."""

    def louder(frequency, azimuth, elevation):
        return start(frequency, azimuth, elevation) * 10 ** (gain_db / 20) * np.exp(1j * phase)

    plain, changed_level = (
        score(patterns.dataset(pattern), TARGET).total_db for pattern in (start, louder)
    )
    assert changed_level == pytest.approx(plain, abs=1e-4)


@FEW_EXAMPLES
@given(start=STARTS, tilt_db=st.floats(-6, 6))
def test_a_tilt_that_a_filter_can_take_out_is_free(start, tilt_db):
    def tilt(frequency, azimuth, elevation):
        return tilt_db * np.log2(frequency / 1000)

    plain, tilted = (
        score(patterns.dataset(pattern), TARGET).total_db
        for pattern in (start, changed(start, tilt))
    )
    assert tilted == pytest.approx(plain, abs=1e-3)


@FEW_EXAMPLES
@given(start=STARTS, loss_db=st.floats(2.5, 12))
def test_losing_sensitivity_raises_the_score(start, loss_db):
    def quieter(frequency, azimuth, elevation):
        return -loss_db + 0 * azimuth

    data = patterns.dataset(start)
    plain = score(data, TARGET, baseline=data).total_db
    lost = score(patterns.dataset(changed(start, quieter)), TARGET, baseline=data).total_db
    assert lost == pytest.approx(plain + 0.25 * (loss_db - 1), abs=1e-3)


@FEW_EXAMPLES
@given(start=STARTS, depth_db=st.floats(8, 20), at_deg=st.sampled_from([0, 5, -5, 7.5]))
def test_a_null_across_the_listening_window_raises_the_score(start, depth_db, at_deg):
    def null(frequency, azimuth, elevation):
        off = np.degrees(patterns.off_axis(azimuth, elevation - at_deg))
        return np.where((off < 4) & (frequency > 3000) & (frequency < 6000), -depth_db, 0.0)

    assert total(changed(start, null)) > total(start) + 0.1


@FEW_EXAMPLES
@given(start=STARTS, lobe_db=st.floats(8, 16), sign=st.sampled_from([-1, 1]))
def test_a_side_lobe_between_the_bounces_raises_the_score(start, lobe_db, sign):
    def lobed(frequency, azimuth, elevation):
        return np.where(np.abs(sign * elevation - 20) < 7, -lobe_db, 0.0)

    assert total(changed(start, lobed)) > total(start) + 0.1


@FEW_EXAMPLES
@given(start=STARTS, tilt_db=st.floats(6, 12))
def test_a_tilt_of_the_lobe_raises_the_score(start, tilt_db):
    """What is taken from above is given below, and the other way round at high frequencies."""

    def tilted(frequency, azimuth, elevation):
        turned = -1 if frequency > 4900 else 1
        return turned * tilt_db * np.clip(elevation / 45, -1, 1)

    assert total(changed(start, tilted)) > total(start) + 0.1


@FEW_EXAMPLES
@given(start=STARTS, step_db=st.floats(4, 12))
def test_a_step_of_the_width_raises_the_score(start, step_db):
    def step(frequency, azimuth, elevation):
        return np.where((np.abs(azimuth) > 40) & (frequency > 4100), -step_db, 0.0)

    assert total(changed(start, step)) > total(start) + 0.1


def test_left_right_and_mirror_images_score_the_same():
    def lopsided(frequency, azimuth, elevation):
        return dome(frequency, azimuth, elevation) * 10 ** (-0.1 * np.abs(azimuth - 20) / 20)

    def mirrored(frequency, azimuth, elevation):
        return lopsided(frequency, -azimuth, elevation)

    assert total(mirrored) == pytest.approx(total(lopsided), abs=1e-6)


# ------------------------------------------------------------------ what is missing
def test_failed_frequencies_in_the_band_are_gaps():
    found = scored(dome, failed=[4000.0])
    assert found.gaps == ("4000 Hz failed: the solver diverged",)
    assert not found.is_complete
    assert found.total_db == pytest.approx(scored(dome).total_db, abs=0.5)


def test_failed_frequencies_outside_the_band_are_not():
    found = scored(dome, failed=[1000.0, 16000.0])
    assert found.gaps == ()
    assert found.total_db == pytest.approx(scored(dome).total_db, abs=0.01)


def test_nothing_solved_has_no_total():
    frequencies = patterns.sixth_octaves()
    found = scored(dome, failed=list(frequencies))
    assert np.isnan(found.total_db)
    assert len(found.gaps) == np.sum((frequencies >= 2000) & (frequencies <= 12000))


def test_what_could_not_be_judged_is_not_zero():
    """A band below everything that the target speaks of: no total, no place, but the reason."""
    low = patterns.dataset(dome, patterns.sixth_octaves(100, 16000))
    found = score(low, TARGET, ScoreSettings(from_hz=100, to_hz=400), baseline=low)
    assert np.isnan(found.total_db)
    assert not found.is_complete
    assert found.gaps == tuple(
        f"{name} in the score band of 100 to 400 Hz: not judged: target and band have nothing in "
        "common" for name in ("vertical control", "horizontal width")
    )  # fmt: skip
    rows = rank([
        CandidateResult(id=name, label=name, is_baseline=name == "baseline", values={},
                        score=found, status="solved") for name in ("baseline", "c001")
    ])  # fmt: skip
    assert {(row.place, row.status) for row in rows} == {(None, "incomplete")}
    assert all("not judged" in row.reasons[0] for row in rows)


def test_a_term_that_the_target_leaves_out_is_no_gap():
    found = score(PLAIN, replace(TARGET, horizontal=()), baseline=PLAIN)
    assert not {term.name: term for term in found.terms}["horizontal_width"].is_judged
    assert found.gaps == ()
    assert np.isfinite(found.total_db)


@pytest.mark.parametrize(
    ("frequencies", "message"),
    [
        (patterns.sixth_octaves(2300, 16000), "no frequency at the lower end of the score band"),
        (patterns.sixth_octaves(1000, 10000), "no frequency at the upper end .* 2000 to 12000 Hz"),
        (np.array([1900.0, 3000, 3500, 4000, 5000, 6000, 7000, 8000, 9000, 11500]),
         "steps wider than a third-octave, the first from 1900 to 3000 Hz"),
    ],
)  # fmt: skip
def test_a_band_not_covered_is_a_gap(frequencies, message):
    found = gaps(patterns.dataset(dome, frequencies), BAND)
    assert len(found) == 1
    assert re.search(message, found[0])


def test_a_band_between_two_frequencies_is_a_gap_and_has_no_score():
    between = 2000 * 2 ** (np.arange(3) / 3)
    found = score(patterns.dataset(dome, between), TARGET, ScoreSettings(from_hz=2600, to_hz=3000))
    assert np.isnan(found.total_db)
    assert found.gaps == ("no frequency in the score band of 2600 to 3000 Hz",)


def test_third_octaves_are_close_enough_and_the_ends_may_lie_between():
    assert gaps(patterns.dataset(dome, patterns.sixth_octaves(2000, 13000, 3)), BAND) == ()
    assert gaps(patterns.dataset(dome, patterns.sixth_octaves(2100, 11900)), BAND) == ()


# ------------------------------------------------------------------ settings
@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ScoreSettings(from_hz=5000, to_hz=4000), "score band '5000 to 4000 Hz'. Must be"),
        (lambda: ScoreSettings(path_difference_m=0), "path difference of the score in m '0'"),
        (lambda: TermSettings(weight=-1), "weight of a score term '-1'. Must be 0 or more"),
        (lambda: TermSettings(tolerance_db=-0.5), "tolerance in dB of a score term '-0.5'"),
        (
            lambda: ScoreSettings(**dict.fromkeys(TERM_NAMES, TermSettings(weight=0.0))),
            "weights of the score .* Must be above 0 in one term at least",
        ),
    ],
)
def test_wrong_settings_are_refused(make, message):
    with pytest.raises(InputError, match=message):
        make()
