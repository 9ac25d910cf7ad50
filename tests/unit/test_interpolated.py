# SPDX-License-Identifier: GPL-3.0-or-later
"""Datasets that are shown between the frequencies that were solved."""

import numpy as np
import patterns
import pytest

from bafflelens.base.octaves import inside
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import (
    far_field,
    is_solved,
    load,
    save,
    solved_frequencies,
)
from bafflelens.directivity.frequency_interpolation import first_grid
from bafflelens.directivity.interpolated import (
    frequencies_to_add,
    interpolation_text,
    interpolation_warning,
    is_interpolated,
    largest_error_db,
    shown,
    with_shown_frequencies,
)
from bafflelens.directivity.polars import directivity_index_db
from bafflelens.directivity.radiation_impedance import radiation_impedance
from bafflelens.directivity.source_sums import power_matrix, radiated_power, summed
from bafflelens.scoring.score import score
from bafflelens.scoring.side_effects import shown_to_hz
from bafflelens.scoring.target import Room, default_target

R80 = 1000 * 10 ** (np.arange(0, 97) / 80)
SOLVED = first_grid(R80[0], R80[-1], 0.4, "standard")
SOUND_SPEED = patterns.AIR.sound_speed


def echo(frequency_hz, azimuth_deg, elevation_deg):
    """A cardioid with a weaker echo from 120 mm below."""
    below = 0.12 * (1 + np.sin(np.radians(elevation_deg))) / SOUND_SPEED
    direct = patterns.cardioid(frequency_hz, azimuth_deg, elevation_deg)
    return direct * (1 + 0.3 * np.exp(2j * np.pi * frequency_hz * below))


def solved(failed=(), frequencies_hz=SOLVED, stated_db=0.3):
    found = patterns.dataset(echo, frequencies_hz, failed)
    return with_shown_frequencies(found, R80, stated_db)


def test_a_dataset_of_listed_frequencies_is_shown_as_it_is():
    listed = patterns.dataset(echo)
    assert shown(listed) is listed
    assert not is_interpolated(listed)
    assert interpolation_text(listed) == interpolation_warning(listed) == ""
    assert np.isnan(largest_error_db(listed))
    np.testing.assert_array_equal(solved_frequencies(listed), listed["frequency"].values)


def test_the_shown_dataset_is_what_a_dense_sweep_gives():
    found, dense = shown(solved()), patterns.dataset(echo, R80)
    np.testing.assert_allclose(found["frequency"].values, R80)
    assert is_solved(found).all()
    level, interpolated = (np.abs(far_field(x).values[0]) + 1e-12 for x in (dense, found))
    off = np.abs(20 * np.log10(interpolated / level))
    off[level < 0.1 * level.max(axis=1, keepdims=True)] = np.nan
    front = directions().vectors[:, 0] > -1e-9
    by_frequency = np.nanpercentile(off[:, front], 99, axis=1)
    assert by_frequency.max() < 0.3
    assert np.mean(found["interpolation_error_db"].values >= by_frequency) >= 0.95
    power_db = 10 * np.log10(radiated_power(found).values / radiated_power(dense).values)
    assert np.abs(power_db).max() < 0.1
    index_db = directivity_index_db(found).values - directivity_index_db(dense).values
    assert np.abs(index_db).max() < 0.3


def test_the_file_holds_what_was_solved_and_how_far_off_the_rest_may_be(tmp_path):
    dataset = solved()
    save(dataset, tmp_path / "directivity.nc")
    again = load(tmp_path / "directivity.nc")
    np.testing.assert_allclose(again["frequency"].values, SOLVED)
    assert set(dataset.dims) >= {"source", "frequency", "direction", "shown_frequency"}
    assert again.attrs["interpolation_stated_error_db"] == 0.3
    one, other = shown(dataset), shown(again)
    np.testing.assert_array_equal(far_field(one).values, far_field(other).values)
    np.testing.assert_array_equal(
        one["interpolation_error_db"].values, again["interpolation_error_db"].values
    )


def test_a_shown_dataset_says_what_was_solved():
    found = shown(solved())
    assert is_interpolated(found)
    np.testing.assert_allclose(found.attrs["solved_frequency_hz"], SOLVED)
    np.testing.assert_allclose(solved_frequencies(found), SOLVED)
    assert shown(found) is found
    assert "iterations" not in found
    text = interpolation_text(found)
    assert text == interpolation_text(solved())
    assert text.startswith("interpolation error at most 0.")
    assert "0.3 dB stated" in text
    assert largest_error_db(found) == found["interpolation_error_db"].max()
    assert largest_error_db(found, behind=True) == found["interpolation_error_behind_db"].max()


def test_ripple_is_judged_by_what_was_solved():
    sparse = np.concatenate((np.arange(1000, 4000, 300.0), np.arange(4000, 17000, 2000.0)))
    sparse[-1] = R80[-1]
    found = shown(solved(frequencies_hz=np.append(sparse[sparse < R80[-1]], R80[-1])))
    assert shown_to_hz(found, (2000.0, 12_000.0), 0.15) < 4500
    assert shown_to_hz(shown(solved()), (2000.0, 12_000.0), 0.15) == 12_000


def test_sums_and_scores_work_on_the_shown_dataset():
    found = shown(solved())
    total = summed(found, np.full((1, len(R80)), 2.0 + 0j))
    np.testing.assert_allclose(
        radiated_power(total).values, 4 * radiated_power(found).values, rtol=1e-6
    )
    target = default_target(Room())
    one, other = score(found, target), score(patterns.dataset(echo, R80), target)
    assert one.is_complete
    assert one.total_db == pytest.approx(other.total_db, abs=0.05)


def test_two_sources_keep_their_phase_and_their_shared_power():
    def field(height_m, strength, frequency_hz):
        delay = -height_m * directions().vectors[:, 2] / SOUND_SPEED
        return strength * np.exp(2j * np.pi * np.outer(frequency_hz, delay))

    def both(frequency_hz):
        fields = [field(0.05, 1.0, frequency_hz), field(-0.25, 0.5, frequency_hz)]
        return patterns.assembled([patterns.band(fields, frequency_hz)], ["high", "low"])

    dataset = both(SOLVED)
    dataset["source_centre_m"].values[:] = [[0, 0, 0.05], [0, 0, -0.25]]
    found, dense = shown(with_shown_frequencies(dataset, R80, 0.3)), both(R80)
    np.testing.assert_allclose(far_field(found).values, far_field(dense).values, atol=0.01)
    np.testing.assert_allclose(
        power_matrix(found), power_matrix(dense), atol=0.02 * np.abs(power_matrix(dense)).max()
    )


def test_load_and_microphones_are_interpolated():
    radius, distance = 0.05, np.array([0.5, 2.0])

    def with_both(frequency_hz):
        k = 2 * np.pi * frequency_hz / SOUND_SPEED
        # A pulsating sphere: z = rho c (-i k a) / (1 - i k a), p = z v a/r exp(ik(r - a)).
        impedance = -1j * k * radius / (1 - 1j * k * radius)
        pressure = impedance[:, np.newaxis] * np.exp(1j * np.outer(k, distance)) / distance
        fields = np.ones((1, len(k), directions().n_directions), complex)
        band = patterns.band(fields, frequency_hz)
        band = type(band)(
            frequencies_hz=band.frequencies_hz,
            far_field=band.far_field,
            cross_power=band.cross_power,
            outcomes=band.outcomes,
            microphone_pressure=pressure[np.newaxis],
            load=impedance.reshape(-1, 1, 1),
        )
        return patterns.assembled([band], ["tweeter"], microphones_m=tuple(distance))

    found = shown(with_shown_frequencies(with_both(SOLVED), R80, 0.3))
    dense = with_both(R80)
    load_off = radiation_impedance(found).values - radiation_impedance(dense).values
    assert np.abs(load_off).max() < 0.01
    for part in ("microphone_pressure_real", "microphone_pressure_imag"):
        np.testing.assert_allclose(found[part].values, dense[part].values, atol=0.02)


def test_a_failed_frequency_is_bridged_where_its_neighbours_suffice():
    failed = SOLVED[8]
    found = shown(solved(failed=(failed,), stated_db=3.0))
    beside = inside(R80, (SOLVED[7] + 1, SOLVED[9] - 1))
    assert is_solved(found).all()
    reasons = found["reason"].values
    assert set(reasons[beside]) == {f"interpolated across {failed:.0f} Hz, which failed"}
    assert set(reasons[~beside]) == {""}
    assert np.isfinite(far_field(found).values).all()


def test_a_failed_frequency_that_leaves_too_much_open_is_said():
    failed = SOLVED[8]
    found = shown(solved(failed=(failed,), stated_db=1e-3))
    beside = inside(R80, (SOLVED[7] + 1, SOLVED[9] - 1))
    np.testing.assert_array_equal(~is_solved(found), beside)
    assert np.isnan(far_field(found).values[0, beside]).all()
    assert found["reason"].values[beside][0].startswith(f"{failed:.0f} Hz failed, which leaves 0.")
    assert found["reason"].values[beside][0].endswith("dB open here")
    gaps = score(found, default_target(Room())).gaps
    assert any(f"{failed:.0f} Hz failed" in line for line in gaps)


def test_nothing_is_shown_beyond_a_failed_end():
    found = shown(solved(failed=(SOLVED[-1],)))
    last = SOLVED[-2]
    lost = last < R80
    np.testing.assert_array_equal(~is_solved(found), lost)
    reason = f"nothing to interpolate between: {SOLVED[-1]:.0f} Hz failed"
    assert set(found["reason"].values[lost]) == {reason}
    assert np.isnan(found["interpolation_error_db"].values[lost]).all()


def test_if_nearly_everything_failed_nothing_is_shown():
    dataset = solved(failed=tuple(SOLVED[3:]))
    assert frequencies_to_add(dataset, R80, 0.3) == ()
    found = shown(dataset)
    assert not is_solved(found).any()
    assert np.isnan(far_field(found).values).all()
    assert np.isnan(radiated_power(found).values).all()
    assert interpolation_warning(found) == ""


def test_more_is_asked_for_beside_a_failed_frequency_but_not_again_for_itself():
    failed = SOLVED[8]
    dataset = patterns.dataset(echo, SOLVED, failed=(failed,))
    more = np.array(frequencies_to_add(dataset, R80, 0.02))
    beside = (more > SOLVED[7]) & (more < SOLVED[9])
    assert beside.sum() == 2
    assert failed not in more
    assert frequencies_to_add(dataset, R80, 50.0) == ()


def test_more_than_stated_is_a_warning():
    dataset = solved(stated_db=0.001)
    assert interpolation_warning(dataset).endswith("more than the 0.001 dB stated")
    assert "between the solved frequencies the level may be off by" in interpolation_warning(
        dataset
    )
    assert interpolation_warning(solved(stated_db=5.0)) == ""
