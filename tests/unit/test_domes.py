# SPDX-License-Identifier: GPL-3.0-or-later
"""Families of dome motions: in a job, in a result, in scores and in the ranking."""

import numpy as np
import pytest

from bafflelens import store
from bafflelens.base.errors import JobError
from bafflelens.bem.block_iteration import iterate_together
from bafflelens.bem.iteration import best_start, iterate
from bafflelens.directivity.dome_mixtures import as_sources, has_profiles, mixed, without_profiles
from bafflelens.directivity.far_field_data import far_field
from bafflelens.job.job_file import load_job
from bafflelens.mesh.dome_motions import (
    KINDS,
    DomeMember,
    DomeRanges,
    dome_ratio,
    draw_members,
    member_shares,
)
from bafflelens.mesh.dome_profiles import profiles_of
from bafflelens.mockup.comparison.simulation import dome_motions_of
from bafflelens.report.domes import domes_of
from bafflelens.report.summary import rank_run
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.dome_family import (
    DomeScores,
    lines_on_domes,
    octave_settings,
    survival_text,
    won,
)
from bafflelens.scoring.score import ScoreSettings

SECTION = '[domes.tweeter]\nkind = "soft"\nmembers = 5\n'
HZ = np.geomspace(500, 20_000, 30)
RADIUS_M = 0.013


def with_section(write_job, section=SECTION, *replacements):
    path = write_job(*replacements)
    path.write_text(path.read_text() + "\n" + section)
    return path


# ------------------------------------------------------------------------------------ motions


def test_a_member_without_effects_is_rigid():
    shares, left = member_shares(DomeMember(), profiles_of(), RADIUS_M, HZ)
    assert not shares.any()
    assert not left.any()


def test_the_apex_follows_the_rim_by_the_time_over_a_radius():
    member = DomeMember(lag_speed_m_s=500.0)
    (ratio,) = dome_ratio(member, np.array([0.0, 1.0]), RADIUS_M, np.array([10_000.0]))
    assert ratio[1] == pytest.approx(1)
    # a later phase is a larger one for exp(-i omega t)
    assert np.angle(ratio[0]) == pytest.approx(2 * np.pi * 10_000 * RADIUS_M / 500)


def test_the_apex_fades_by_3_db_at_the_corner():
    (ratio,) = dome_ratio(DomeMember(fade_hz=8e3), np.zeros(1), RADIUS_M, np.array([8e3]))
    assert 20 * np.log10(abs(ratio[0])) == pytest.approx(-3.01, abs=0.01)


def test_a_mode_rings_at_its_frequency_and_not_below():
    member = DomeMember(mode_hz=12e3, mode_quality=20.0)
    swing = abs(dome_ratio(member, np.zeros(1), RADIUS_M, np.array([200.0, 12e3, 12.6e3])))[:, 0]
    assert swing[0] == pytest.approx(1, abs=1e-3)
    assert swing[1] > 15
    assert swing[1] > 1.5 * swing[2]


@pytest.mark.parametrize("kind", KINDS)
def test_profiles_hold_the_default_families(kind):
    """What six profiles leave of any member, up to 20 kHz, is below half a per cent."""
    for member in draw_members(KINDS[kind], DomeRanges(), 32, 1):
        assert member_shares(member, profiles_of(), RADIUS_M, HZ)[1].max() < 0.005


def test_the_same_seed_draws_the_same_members():
    drawn = [draw_members(("lag", "fade"), DomeRanges(), 8, seed) for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1] != drawn[2]
    assert all(400 <= member.lag_speed_m_s <= 1600 for member in drawn[0])
    assert "apex lags" in drawn[0][0].text


# ----------------------------------------------------------------------------------- solver


def test_one_space_solves_several_sides_and_a_zero():
    rng = np.random.default_rng(3)
    size = 60
    matrix = np.eye(size) + 0.1 * rng.standard_normal((size, size)) / np.sqrt(size)
    sides = rng.standard_normal((3, size)) + 1j * rng.standard_normal((3, size))
    sides[1] = 0
    calls = []

    def multiply(vectors):
        calls.append(len(vectors))
        return vectors @ matrix.T

    guess = np.linalg.solve(matrix, sides[0])[np.newaxis]
    found = iterate_together(multiply, sides, guess, 1e-8, 50)
    assert found.is_converged
    assert np.allclose(found.solutions @ matrix.T, sides, atol=1e-6)
    assert not found.solutions[1].any()
    assert calls[:2] == [1, 1]  # the first side is known already: only the last is left


def test_what_was_searched_for_one_side_costs_no_product_for_the_others():
    """Known vectors hold the solution; of a space that GMRES searched the images are true."""
    rng = np.random.default_rng(5)
    size = 50
    matrix = (np.eye(size) + 0.5 * rng.standard_normal((size, size)) / np.sqrt(size)).astype(
        complex
    )
    first = rng.standard_normal((1, size)).astype(complex)
    multiply = lambda rows: rows @ matrix.T  # noqa: E731
    guess = rng.standard_normal((2, size)).astype(complex)
    found = iterate(multiply, first, best_start(multiply, first, guess, np), 1e-6, 40, np)
    assert len(found.spaces) == 2
    for space in found.spaces:
        np.testing.assert_allclose(space.images, multiply(space.vectors), atol=1e-10)

    again = iterate_together(multiply, 2 * first, None, 1e-5, 5, found.spaces)
    assert again.is_converged
    assert again.iterations == 0
    np.testing.assert_allclose(again.solutions, 2 * found.solutions, atol=1e-4)


def test_one_space_solves_in_single_precision_too():
    """As on a card: what rounding leaves of a direction is not taken for one."""
    rng = np.random.default_rng(7)
    size = 80
    matrix = np.eye(size) + 0.4 * rng.standard_normal((size, size)) / np.sqrt(size)
    matrix = matrix.astype(np.complex64)
    sides = rng.standard_normal((4, size)).astype(np.complex64)
    sides[3] = sides[0] + 1e-4 * sides[1]  # all but the same
    found = iterate_together(lambda rows: rows @ matrix.T, sides, None, 4e-5, 40, (), np)
    assert found.is_converged
    assert found.solutions.dtype == np.complex64
    left = np.linalg.norm(found.solutions @ matrix.T - sides, axis=1)
    assert np.all(left < 8e-5 * np.linalg.norm(sides, axis=1))


@pytest.mark.parametrize("kind", [np.complex64, np.complex128])
def test_a_guess_that_is_known_already_does_no_harm(kind):
    """Its image lies in the known space but for rounding, of which no direction may be made."""
    rng = np.random.default_rng(11)
    size = 200
    matrix = (np.eye(size) + 0.3 * rng.standard_normal((size, size)) / np.sqrt(size)).astype(kind)
    sides = rng.standard_normal((5, size)).astype(kind)
    multiply = lambda rows: rows @ matrix.T  # noqa: E731
    first = iterate(multiply, sides[:2], best_start(multiply, sides[:2], None, np), 1e-4, 40, np)
    goal = 4e-4
    found = iterate_together(multiply, sides[2:], first.solutions, goal, 40, first.spaces, np)
    assert found.is_converged
    left = np.linalg.norm(multiply(found.solutions) - sides[2:], axis=1)
    assert np.all(left < 1.5 * goal * np.linalg.norm(sides[2:], axis=1))


def test_one_space_gives_up():
    matrix = np.roll(np.eye(30), 1, axis=0)  # each step reaches one entry further
    side = np.eye(30)[:1].astype(complex)
    found = iterate_together(lambda v: v @ matrix.T, side, None, 1e-8, 5)
    assert not found.is_converged


# ----------------------------------------------------------------------------- job, and faults


def test_a_job_draws_its_family(write_job):
    family = load_job(with_section(write_job)).boundaries.families["tweeter"]
    assert len(family.members) == 5
    assert len(family.profiles) == 6


@pytest.mark.parametrize(
    ("section", "fault"),
    [
        ('[domes.tweeter]\nkind = "soft"\nmembers = 0', "members' '0'. Must be a whole number"),
        ("[domes.tweeter]\nmembers = 3", r"Invalid section \[domes.tweeter\]. Must be with"),
        (
            '[domes.tweeter]\nkind = "soft"\nfade_from_hz = 9e4',
            r"\[domes.tweeter\]. Must be with 'fade_from_hz' not above 'fade_to_hz'",
        ),
        ('[domes.tweeter]\nprofiles = ["wobble"]', "with 'profiles' a list of lag, fade"),
        ('[domes.woofer]\nkind = "hard"', r"\[domes.woofer\]. Must be named after a source"),
        ('[domes.tweeter]\nkind = "silk"', "Must be one of soft, hard"),
    ],
)
def test_faults_of_a_family_are_one_line_each(write_job, section, fault):
    with pytest.raises(JobError, match=fault) as caught:
        load_job(with_section(write_job, section))
    assert len(caught.value.faults) == 1


def test_a_profile_beyond_the_dome_is_refused(write_job):
    path = with_section(write_job, SECTION + 'velocity_table = "wide.txt"')
    rows = [f"{hz} {mm} 1 0" for hz in (500, 20_000) for mm in (0, 15)]
    (path.parent / "wide.txt").write_text("\n".join(rows))
    with pytest.raises(JobError, match=r"out to 15 mm'. Must be within the dome, .* 13 mm"):
        load_job(path)


def test_a_table_joins_the_family(write_job):
    path = with_section(write_job, SECTION + 'velocity_table = "own.txt"')
    rows = [f"{hz} {mm} 1 0" for hz in (500, 20_000) for mm in (0, 13)]
    (path.parent / "own.txt").write_text("\n".join(rows))
    family = load_job(path).boundaries.families["tweeter"]
    assert len(family.members) == 6
    shares, _ = member_shares(family.members[-1], family.profiles, RADIUS_M, HZ)
    assert abs(shares).max() < 1e-12


def test_following_a_family_needs_one(write_job):
    path = with_section(write_job, "", ("[score]", '[score]\ndomes = "mean"'))
    with pytest.raises(JobError, match=r"'score.domes' 'mean'. Must be 'rigid' in a job without"):
        load_job(path)


# ------------------------------------------------------------------------------ a whole run


@pytest.fixture(scope="module")
def runs(tmp_path_factory, run_in):
    """A run that follows the rigid dome, and one without a family, judged against it."""
    fewer = ("candidates = 3", "candidates = 1")
    return [run_in(tmp_path_factory.mktemp("run"), section, fewer) for section in (SECTION, "")]


@pytest.fixture
def run(runs):
    return runs[0]


def test_profiles_lie_beside_the_sources(run):
    dataset = run.load_directivity("baseline")
    assert has_profiles(dataset)
    assert list(dataset["source"].values) == ["tweeter"]
    assert dataset["profile"].values[0] == "tweeter/dome1"
    assert not has_profiles(without_profiles(dataset))


def test_a_rigid_member_is_the_source_itself(run):
    dataset = run.load_directivity("baseline")
    rigid = mixed(as_sources(dataset), ["tweeter"], {})
    assert np.array_equal(rigid["far_field_real"].values, dataset["far_field_real"].values)
    assert rigid["cross_power_real"].values == pytest.approx(dataset["cross_power_real"].values)


def test_a_mixture_is_the_sum(run):
    dataset = run.load_directivity("baseline")
    share = np.full(dataset.sizes["frequency"], 0.5j)
    one = mixed(as_sources(dataset), ["tweeter"], {"tweeter/surround": share})
    field = far_field(dataset).values[0] + 0.5j * (
        dataset["profile_far_field_real"].values[5]
        + 1j * dataset["profile_far_field_imag"].values[5]
    )
    assert far_field(one).values[0] == pytest.approx(field, rel=1e-6)


def test_every_shape_is_judged_over_the_family(run):
    rows = [row for row in rank_run(run) if row.status == "ranked"]
    assert all(row.domes is not None and len(row.domes.members_db) == 5 for row in rows)
    for row in rows:
        assert row.domes.rigid_db == pytest.approx(row.candidate.score.total_db)
        assert row.domes.worst_db >= row.domes.mean_db >= row.domes.best_db
    panel = domes_of(rows, {row.candidate.id: row.candidate.id for row in rows})
    assert panel.number == 5
    assert "<svg" in panel.drawing


def test_the_rigid_score_is_that_of_a_run_without_a_family(runs):
    totals = [{c.id: c.score.total_db for c in folder.candidates() if c.score} for folder in runs]
    assert totals[0] == pytest.approx(totals[1], abs=1e-9)
    assert not runs[1].domes()


def test_a_comparison_knows_what_motions_the_dome_may_have(runs):
    found = dome_motions_of(runs[0], "c001", "", 350.0)
    assert found.effects == ("lag", "fade", "surround")
    assert found.radius_m == pytest.approx(RADIUS_M)
    solved = runs[0].load_directivity("c001")
    scale = 350.0 / solved.attrs["air_sound_speed_m_s"]
    for fields in found.orbits.values():
        # The stub makes each source louder than the last: twice, three times ... the rigid one.
        wanted = np.arange(2, 8)[:, np.newaxis, np.newaxis] * np.ones_like(fields.rigid)
        np.testing.assert_allclose(fields.ratios, wanted, rtol=1e-5)
        np.testing.assert_allclose(fields.frequency_hz, scale * solved["frequency"].values)
    assert dome_motions_of(runs[1], "c001", "", 350.0) is None


# ------------------------------------------------------------------------- what follows it

FOLLOWED = ("[score]", '[score]\ndomes = "mean-and-spread"')
STAGES = (
    'quality = "draft"',
    'quality = "standard"\n[first_look]\nkeep_pct = 1\nmargin_db = 0\n[finalists]\ncount = 1',
)


def follows(score, domes):
    wanted = domes.mean_db + domes.spread_db
    return score.total_db == pytest.approx(wanted) and score.terms[-1].name == "domes"


def test_small_changes_and_all_stages_follow_the_family(write_job, options):
    """One run: a directed search of drafts, the best in full, finer, and changed a little."""
    path = with_section(
        write_job,
        SECTION.replace("5", "2"),
        FOLLOWED,
        STAGES,
        ("candidates = 3", 'plan = "directed"\ncandidates = 3'),
        ("leaders = 0", "leaders = 1"),
        ("depth_mm = { from = 10, to = 40 }", "depth_mm = 20"),
    )
    result = run_job(path, options)
    assert not result.has_failures
    folder = result.folder
    looks, finals = (folder.scores_at(stage) for stage in (store.FIRST_LOOK, store.FINALS))
    assert len(looks) == 4
    for candidate in folder.candidates():
        assert looks[candidate.id].terms[-1].name == "domes"
        if candidate.id in folder.domes():
            assert follows(candidate.score, folder.domes()[candidate.id])
            # The stub's patterns depend on the shape alone: all stages come to the same.
            for stage in (looks, finals):
                found = stage[candidate.id].total_db
                assert found == pytest.approx(candidate.score.total_db, abs=1e-6)
    (best,) = folder.load_record().robustness
    assert best.score_db == pytest.approx(
        next(c.score.total_db for c in folder.candidates() if c.id == best.candidate), abs=1e-6
    )


def test_an_engine_without_profiles_cannot_follow_a_family(write_job):
    engine = ('quality = "draft"', 'quality = "draft"\nengine = "bempp"')
    with pytest.raises(JobError, match="Must be direct or gpu where a section"):
        load_job(with_section(write_job, SECTION, engine))


# ------------------------------------------------------------------------------- the ranking


def test_differences_that_survive_are_counted():
    one = DomeScores(rigid_db=1.0, members_db=(1.0, 2.0, 3.0), octaves=((4000, 0.1), (8000, -0.6)))
    other = DomeScores(rigid_db=2.0, members_db=(2.0, 1.5, 4.0))
    assert won(one, other) == 2
    assert lines_on_domes([("c009", one), ("c003", other)]) == (
        "c009 beats c003 for 2 of 3 domes",
        "Of c009, the dome decides most in the octave at 8 kHz",
    )
    fewer = DomeScores(rigid_db=2.0, members_db=(2.0,))
    assert not survival_text("c009", one, "c003", fewer)
    assert fewer.spread_db == 0


def test_octaves_lie_in_the_score_band():
    found = octave_settings(ScoreSettings(from_hz=2000, to_hz=12_000))
    assert [middle for middle, _ in found] == [4000, 8000]
    assert all(2000 <= own.from_hz < own.to_hz <= 12_000 for _, own in found)
