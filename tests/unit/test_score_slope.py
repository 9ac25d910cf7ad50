# SPDX-License-Identifier: GPL-3.0-or-later
"""The slope of the score: against the score itself and its central differences.

The patterns are random: a strong source and five weak ones at random places, which give lobes,
nulls and ripple of every kind. Data are in double precision here, so that differences are exact.
"""

import numpy as np
import patterns
import pytest

from bafflelens.directivity.crossover import Crossover, Way, as_driven
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import complex_variables, far_field
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.frequency_interpolation import interpolate, weights_between
from bafflelens.directivity.interpolated import shown, with_shown_frequencies
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker, play
from bafflelens.directivity.source_sums import power_matrix, source_values
from bafflelens.scoring.loudspeaker_slope import played_score_slope, weights_of_sources
from bafflelens.scoring.quieter import COST, MARGIN_DB, above_db, quieter_than, third_octave_means
from bafflelens.scoring.score import TERM_NAMES, ScoreSettings, TermSettings, score
from bafflelens.scoring.score_slope import FOLLOWED, OBJECTIVES, score_slope
from bafflelens.scoring.target import Room, ambitious_target, default_target

TARGET = default_target()
BAND_HZ = (2000.0, 12000.0)
FREQUENCY = patterns.sixth_octaves(1400.0, 13000.0)


def random_field(seed, spread_m=0.06, frequency=FREQUENCY):
    """A field (n_frequencies, n_directions): one strong point source and five weak ones."""
    random = np.random.default_rng(seed)
    places = random.uniform(-spread_m, spread_m, (6, 3))
    amplitude = random.normal(size=6) + 1j * random.normal(size=6)
    amplitude[0] += 5
    k = 2 * np.pi * frequency / patterns.AIR.sound_speed
    along = directions().vectors @ places.T
    return np.einsum("fds,s->fd", np.exp(-1j * k[:, np.newaxis, np.newaxis] * along), amplitude)


def dataset_of(fields, frequency=FREQUENCY, failed=(), names=("tweeter", "midrange")):
    """A dataset in double precision, so that small differences are not lost."""
    fields = np.asarray(fields, dtype=complex)
    dataset = patterns.assembled(
        [patterns.band(fields, frequency, failed)], list(names)[: len(fields)]
    )
    exact = complex_variables(np.zeros_like(fields), np.moveaxis(power_matrix(dataset), 0, 2))
    field = np.where(np.isnan(far_field(dataset).values), np.nan, fields)
    dims = exact["far_field_real"][0]
    return dataset.assign(far_field_real=(dims, field.real), far_field_imag=(dims, field.imag))


BASELINE = dataset_of([10 * random_field(99)])  # so loud that sensitivity is lost


def only(name):
    """Settings in which one criterion counts, without tolerance."""
    terms = {other: TermSettings(weight=0.0) for other in TERM_NAMES}
    return ScoreSettings(**{**terms, name: TermSettings(weight=1.0)})


def difference(value_of, fields, change, step):
    return (value_of(fields + step * change) - value_of(fields - step * change)) / (2 * step)


def random_change(fields, seed):
    """A smooth change of a field: what a slightly other body would radiate."""
    return np.stack(
        [random_field(1000 * seed + number, 0.12) for number in range(len(fields))]
    ) * (1 + 1j)


# ------------------------------------------------------------------ one source
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_values_are_those_of_the_score(seed):
    dataset = dataset_of([random_field(seed)], failed=FREQUENCY[[0]])
    expected = score(dataset, TARGET, baseline=BASELINE)
    found = score_slope(dataset, TARGET, baseline=BASELINE)
    assert found.values_db["score"] == pytest.approx(expected.total_db, abs=1e-9)
    assert found.terms_db == pytest.approx(
        {term.name: term.value_db for term in expected.terms}, abs=1e-9
    )
    objectives = [found.values_db[name] for name in OBJECTIVES[1:]]
    assert objectives == pytest.approx(expected.objectives.values, abs=1e-9)


@pytest.mark.parametrize("name", TERM_NAMES)
def test_each_criterion_has_the_slope_of_its_differences(name):
    settings = only(name)
    for seed in (1, 2, 3):
        fields = random_field(seed)[np.newaxis]
        change = random_change(fields, seed)

        def value(fields):
            return score(dataset_of(fields), TARGET, settings, BASELINE).total_db

        found = score_slope(dataset_of(fields), TARGET, settings, BASELINE)
        slope = np.sum(found.weights["score"].conj() * change).real
        assert abs(slope) > 1e-3  # or nothing would be compared
        # The slope of the index is taken on the sphere grid, as its power is here.
        assert slope == pytest.approx(difference(value, fields, change, 1e-6), rel=2e-5)


@pytest.mark.parametrize("softness_db", [0.3, 1.0])
def test_a_softened_score_has_the_slope_of_its_own_differences(softness_db):
    fields = random_field(4)[np.newaxis]
    change = random_change(fields, 4)

    def slopes(fields):
        return score_slope(dataset_of(fields), TARGET, baseline=BASELINE, softness_db=softness_db)

    found = slopes(fields)
    for name in OBJECTIVES:
        slope = np.sum(found.weights[name].conj() * change).real

        def value(fields, name=name):
            return slopes(fields).values_db[name]

        assert slope == pytest.approx(difference(value, fields, change, 1e-6), rel=2e-5)


def test_parts_add_up_by_their_weights():
    settings = ScoreSettings(
        vertical_control=TermSettings(weight=2.0), horizontal_width=TermSettings(weight=0.5)
    )
    found = score_slope(dataset_of([random_field(5)]), TARGET, settings, BASELINE)
    vertical, horizontal, side_effects = (found.weights[name] for name in OBJECTIVES[1:])
    expected = 2.0 * vertical + 0.5 * horizontal + side_effects
    np.testing.assert_allclose(found.weights["score"], expected, atol=1e-12)


def test_softening_moves_a_value_by_less_than_a_few_softnesses():
    dataset = dataset_of([random_field(6)])
    exact = score_slope(dataset, TARGET, baseline=BASELINE)
    soft = score_slope(dataset, TARGET, baseline=BASELINE, softness_db=0.1)
    for name, value in exact.terms_db.items():
        assert soft.terms_db[name] == pytest.approx(value, abs=0.1 * (0.5 + np.log(3)))


def test_what_is_met_has_no_slope():
    lenient = ScoreSettings(
        **{name: TermSettings(weight=1.0, tolerance_db=40.0) for name in TERM_NAMES}
    )
    found = score_slope(dataset_of([random_field(7)]), TARGET, lenient, BASELINE, softness_db=0.3)
    assert found.values_db["score"] == 0
    assert not found.weights["score"].any()


def test_no_slope_where_a_frequency_failed_or_lies_outside_the_band():
    failed = FREQUENCY[[8]]
    dataset = dataset_of([random_field(8)], failed=failed)
    weights = score_slope(dataset, TARGET, baseline=BASELINE).weights["score"][0]
    assert np.isfinite(weights).all()
    assert not weights[8].any()
    assert weights[9].any()
    far_below = FREQUENCY < 2000 * 2 ** (-1 / 4)
    assert not weights[far_below].any()


def test_several_seats_have_the_slope_of_the_loudest():
    target = ambitious_target(Room(nearest_m=2.0, farthest_m=4.5))
    fields = random_field(9)[np.newaxis]
    change = random_change(fields, 9)

    def value(fields):
        return score(dataset_of(fields), target, baseline=BASELINE).total_db

    found = score_slope(dataset_of(fields), target, baseline=BASELINE)
    slope = np.sum(found.weights["score"].conj() * change).real
    assert slope == pytest.approx(difference(value, fields, change, 1e-6), rel=2e-5)


# ------------------------------------------------------------------ several sources, interpolated
def two_ways(**options):
    shape = {"family": "linkwitz-riley", "order": 4, "frequency_hz": 3000.0}
    return Crossover(
        ways=(
            Way(name="tweeter", filters=(Filter(kind="high-pass", **shape),)),
            Way(name="midrange", filters=(Filter(kind="low-pass", **shape),), delay_s=5e-5),
        ),
        **options,
    )


def two_fields(seed):
    return np.stack([random_field(seed), 3 * random_field(seed + 50)])


@pytest.mark.parametrize(
    ("options", "strengths"),
    [
        ({"reference": "listening-window"}, None),
        ({"reference": "on-axis"}, None),
        ({"mode": "electrical"}, np.array([[1 + 2j], [3 - 1j]]) * np.ones(len(FREQUENCY))),
    ],
    ids=["window", "axis", "electrical"],
)
def test_slopes_go_back_through_a_crossover_of_two_sources(options, strengths):
    crossover = two_ways(**options)
    fields = two_fields(11)

    def sum_of(fields):
        """The sum of the ways, in double precision."""
        dataset = dataset_of(fields)
        transfer = as_driven(dataset, crossover, strengths)
        return dataset_of([source_values(dataset, transfer)])

    def value(fields):
        return score(sum_of(fields), TARGET, baseline=BASELINE).total_db

    by_sum = score_slope(sum_of(fields), TARGET, baseline=BASELINE).weights["score"][0]
    weights = weights_of_sources(dataset_of(fields), crossover, strengths, by_sum)
    for number, change in enumerate(random_change(fields, 11)):
        part = np.zeros_like(fields)
        part[number] = change
        slope = np.sum(weights.conj() * part).real
        assert slope == pytest.approx(difference(value, fields, part, 1e-6), rel=2e-5)


def test_on_axis_reference_holds_where_the_axis_has_a_null():
    crossover = two_ways(reference="on-axis")
    fields = two_fields(12)
    fields[0, 8, 0] *= 1e-3  # the axis comes first: 20 dB and more below the window
    change = random_change(fields, 12) * (np.arange(len(FREQUENCY)) == 8)[:, np.newaxis]
    change[:, :, 0] = 0  # the phase of the null is all that its own change would move

    def value(fields):
        dataset = dataset_of(fields)
        total = dataset_of([source_values(dataset, as_driven(dataset, crossover))])
        return score(total, TARGET, baseline=BASELINE).total_db

    dataset = dataset_of(fields)
    total = dataset_of([source_values(dataset, as_driven(dataset, crossover))])
    by_sum = score_slope(total, TARGET, baseline=BASELINE).weights["score"][0]
    weights = weights_of_sources(dataset, crossover, None, by_sum)
    slope = np.sum(weights.conj() * change).real
    assert slope == pytest.approx(difference(value, fields, change, 1e-6), rel=2e-5)


def test_weights_go_back_through_an_interpolation():
    solved_hz = np.linspace(1000.0, 12000.0, 24)
    shown_hz = patterns.sixth_octaves(1200.0, 11000.0)
    some = slice(0, 2666, 40)
    fields = two_fields(13)[:, :1, some] * np.exp(2j * np.pi * solved_hz * 1e-4)[:, np.newaxis]
    fields += 0.2 * np.stack([random_field(s, 0.06, solved_hz)[:, some] for s in (14, 15)])
    count = fields.shape[2]
    options = {"delays_s": np.zeros((2, count)), "is_front": np.ones(count, dtype=bool)}
    random = np.random.default_rng(1)
    shape = (3, 2, len(shown_hz), count)
    weights = random.normal(size=shape) + 1j * random.normal(size=shape)
    change = 1e-3 * random.normal(size=fields.shape)
    back = weights_between(solved_hz, fields, shown_hz, weights, **options)
    before, after = (
        interpolate(solved_hz, given, shown_hz, **options).far_field
        for given in (fields, fields + change)
    )
    there = np.einsum("vsfd,sfd->v", weights.conj(), after - before).real
    here = np.einsum("vsfd,sfd->v", back.conj(), change).real
    # The difference of two interpolations has 1e-3 of their digits.
    np.testing.assert_allclose(here, there, rtol=1e-5)


def test_a_played_and_interpolated_candidate_has_the_slope_of_its_differences():
    """Differences are larger here: what is shown is kept in single precision."""
    loudspeaker = DrivenLoudspeaker(crossover=two_ways())
    solved_hz = np.linspace(1200.0, 14000.0, 40)
    fields = np.stack([random_field(16, 0.03, solved_hz), random_field(17, 0.03, solved_hz)])
    change = 0.1 * np.stack([random_field(n, 0.03, solved_hz) for n in (18, 19)])

    def as_solved(fields):
        return with_shown_frequencies(dataset_of(fields, solved_hz), FREQUENCY[:-1], 3.0)

    def value(fields):
        played = play(shown(as_solved(fields)), loudspeaker, {})
        return score_slope(played, TARGET, softness_db=0.5).values_db["score"]

    found = played_score_slope(as_solved(fields), loudspeaker, {}, TARGET, softness_db=0.5)
    assert found.weights["score"].shape == fields.shape
    slope = np.sum(found.weights["score"].conj() * change).real
    assert slope == pytest.approx(difference(value, fields, change, 1e-2), rel=5e-3)


# ------------------------------------------------------------------ quieter than another shape
def test_third_octaves_are_those_around_1_khz_cut_to_the_band():
    centres, means = third_octave_means(FREQUENCY, BAND_HZ)
    np.testing.assert_allclose(centres, 1000 * 2 ** (np.arange(3, 12) / 3))
    np.testing.assert_allclose(means.sum(axis=1), 1.0)
    for centre, mean in zip(centres, means, strict=True):
        used = FREQUENCY[mean > 0]
        assert abs(np.log2(used / centre)).max() < 1 / 3
        # Of a straight line over the logarithm the mean is its value in the middle of the part.
        low, high = max(centre / 2 ** (1 / 6), BAND_HZ[0]), min(centre * 2 ** (1 / 6), BAND_HZ[1])
        assert mean @ np.log2(FREQUENCY) == pytest.approx(np.log2(low * high) / 2, abs=0.09)


def test_a_shape_is_not_louder_than_itself_and_by_what_is_added():
    quieter = quieter_than(BASELINE, TARGET, BAND_HZ)
    np.testing.assert_allclose(above_db(BASELINE, TARGET, quieter), 0.0, atol=1e-9)
    other = dataset_of([random_field(3)])
    forth = above_db(other, TARGET, quieter)
    back = above_db(BASELINE, TARGET, quieter_than(other, TARGET, BAND_HZ))
    np.testing.assert_allclose(forth, -back, atol=1e-9)
    assert np.abs(forth).max() > 1


def test_what_is_quieter_by_the_margin_costs_nothing_and_a_decibel_what_is_said():
    other = dataset_of([random_field(3)])
    quieter = quieter_than(other, TARGET, BAND_HZ)
    values = []
    for lift_db in (MARGIN_DB + 0.1, -5.0, -6.0):  # by how much the other one is louder
        lifted = type(quieter)(
            frequency_hz=quieter.frequency_hz,
            level_db=quieter.level_db + lift_db,
            band_hz=BAND_HZ,
        )
        found = score_slope(other, TARGET, baseline=BASELINE, quieter=lifted)
        values.append(found.values_db[FOLLOWED] - found.values_db["score"])
    n_thirds = len(third_octave_means(FREQUENCY, BAND_HZ)[0])
    assert values[0] == pytest.approx(0.0, abs=1e-9)
    assert values[2] - values[1] == pytest.approx(2 * n_thirds * COST)


def test_the_slope_is_that_of_differences():
    quieter = quieter_than(BASELINE, TARGET, BAND_HZ)
    for seed in (1, 2):
        fields = random_field(seed)[np.newaxis]
        change = random_change(fields, seed)

        def slopes(fields):
            dataset = dataset_of(fields)
            return score_slope(
                dataset, TARGET, baseline=BASELINE, softness_db=0.3, quieter=quieter
            )

        found = slopes(fields)
        slope = np.sum(found.weights[FOLLOWED].conj() * change).real
        alone = np.sum(found.weights["score"].conj() * change).real
        step = 1e-6
        high, low = (slopes(fields + s * change).values_db[FOLLOWED] for s in (step, -step))
        assert abs(slope - alone) > 1e-3
        assert slope == pytest.approx((high - low) / (2 * step), rel=2e-5)
