# SPDX-License-Identifier: GPL-3.0-or-later
"""The slope of what carving follows over a family of dome motions, against differences.

Fields are random, in single precision as they are stored, so the change goes mostly where the
slope is steepest: the remainder of Taylor's series must fall with the square of the step.
"""

from types import SimpleNamespace

import numpy as np
import patterns
import pytest

from bafflelens.directivity.direction_set import directions
from bafflelens.job.job_file import load_job
from bafflelens.mesh.dome_profiles import profiles_of
from bafflelens.run.carving.followed import softened_slope
from bafflelens.scoring.dome_slope import followed_value, of_profiles

HZ = patterns.sixth_octaves(2000.0, 4000.0, 3)
PROFILES = [f"tweeter/{kind.kind}{kind.order or ''}" for kind in profiles_of()]
SOFTNESS_DB = 1.0
STEPS = (2e-4, 1e-4, 5e-5)
FAMILY = '\n[domes.tweeter]\nkind = "soft"\nmembers = 5\n'


@pytest.mark.parametrize("follow", ["mean", "mean-and-spread"])
def test_shares_are_the_slope_with_each_member(follow):
    scores, step = np.random.default_rng(1).normal(size=7), 1e-6
    _, shares = followed_value(scores, follow)
    for number, share in enumerate(shares):
        change = step * (np.arange(7) == number)
        high, low = (followed_value(scores + s * change, follow)[0] for s in (1, -1))
        assert share == pytest.approx((high - low) / (2 * step), abs=1e-8)


def test_equal_members_have_no_spread_and_one_has_none_either():
    for scores in ([2.0], [2.0, 2.0, 2.0]):
        value, shares = followed_value(scores, "mean-and-spread")
        assert value == pytest.approx(2.0)
        assert shares == pytest.approx(1 / len(scores))


def test_what_is_followed_must_be_known():
    with pytest.raises(ValueError, match=r"Invalid what is followed 'rigid'. Must be one of mean"):
        followed_value([1.0], "rigid")


def test_a_rigid_member_weighs_on_the_source_alone():
    weight = np.ones((1, 2, 3), dtype=complex)
    mixing = np.zeros((1, 4, 2), dtype=complex)
    mixing[0, 0] = 1
    found = of_profiles(np.array([1.0]), [mixing], [weight])
    assert np.array_equal(found[0], weight[0])
    assert not found[1:].any()


def random_field(seed, spread_m):
    """A field (n_frequencies, n_directions): one strong point source and five weak ones."""
    random = np.random.default_rng(seed)
    places = random.uniform(-spread_m, spread_m, (6, 3))
    amplitude = random.normal(size=6) + 1j * random.normal(size=6)
    amplitude[0] += 5
    k = 2 * np.pi * HZ / patterns.AIR.sound_speed
    along = directions().vectors @ places.T
    return np.einsum("fds,s->fd", np.exp(-1j * k[:, np.newaxis, np.newaxis] * along), amplitude)


def fields_of(seed, spread_m):
    return np.stack([random_field(seed + n, spread_m) for n in range(1 + len(PROFILES))])


def dataset_of(fields):
    """Return a dataset of a source and its profiles, with the power of all of them."""
    result = patterns.band(fields, HZ)
    profiles = dict.fromkeys(PROFILES, 0.013)
    return patterns.assembled([result], ["tweeter"], profiles=profiles)


def slope_of(run, fields):
    """Return the value and the weights."""
    value, louder, weights = softened_slope(run, dataset_of(fields), None, None, SOFTNESS_DB)
    assert louder == 0
    return value, weights


@pytest.mark.parametrize("follow", ["rigid", "mean", "mean-and-spread"])
def test_the_remainder_falls_with_the_square_of_the_step(write_job, follow):
    followed = ("[score]", f'[score]\ndomes = "{follow}"')
    path = write_job(followed)
    path.write_text(path.read_text() + FAMILY)
    loaded = load_job(path)
    run = SimpleNamespace(loaded=loaded, folder=None, baseline_members=[])
    fields = fields_of(10, 0.06)
    value, weights = slope_of(run, fields)
    count = 1 if follow == "rigid" else len(fields)
    assert weights.shape[0] == count
    change = 0.2 * (1 + 1j) * fields_of(500, 0.12)
    change[:count] += weights * np.linalg.norm(fields) / np.linalg.norm(weights)
    change[count:] = 0
    slope = np.sum(weights.conj() * change[:count]).real
    remainders = [
        abs(slope_of(run, fields + step * change)[0]
            - value - step * slope)
        for step in STEPS
    ]  # fmt: skip
    assert remainders[-1] < 0.02 * STEPS[-1] * abs(slope)
    assert remainders[2] < 0.3 * remainders[1] < 0.09 * remainders[0]
