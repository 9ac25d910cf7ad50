# SPDX-License-Identifier: GPL-3.0-or-later
"""A directed search: what it proposes, that it finds more than chance, that nothing shakes it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from bafflelens import store
from bafflelens.base.errors import JobError
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw, low_discrepancy, random_points
from bafflelens.job.shape_sections import Choices, Fixed, Span
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.run.searching.proposing import Tried, propose, seed_of_proposal
from bafflelens.run.warm_start import draw_job
from bafflelens.store import open_run

SETTINGS = {
    "lens.depth_mm": Span(10.0, 30.0),
    "lens.width_mm": Span(50.0, 250.0),
    "lens.steps": Choices((3.0, 1.0, 2.0)),
    "dome.diameter_mm": Fixed(26.0),
}
DIRECTED = ("candidates = 3", 'plan = "directed"\ncandidates = 14')


def bowl(values):
    """Return a smooth cost whose least is 0, at 17 mm, 190 mm and 2 steps."""
    return (
        ((values["lens.depth_mm"] - 17) / 20) ** 2
        + ((values["lens.width_mm"] - 190) / 200) ** 2
        + 0.2 * abs(values["lens.steps"] - 2)
    )


def searched(seed, number, first=8, possible=lambda values: True, cost=bowl, objectives=1):
    tried = []
    for values in low_discrepancy(SETTINGS, seed, 1000):
        if len(tried) < first and possible(values):
            tried.append(Tried(values=values, objectives_db=tried_cost(cost, values)))
    while len(tried) < number:
        values = propose(
            SETTINGS,
            tried,
            objectives=objectives,
            seed=seed_of_proposal(seed, len(tried)),
            is_possible=possible,
        )
        tried.append(Tried(values=values, objectives_db=tried_cost(cost, values)))
    return tried


def tried_cost(cost, values):
    found = cost(values)
    return found if isinstance(found, tuple) else (found,)


def test_proposals_lie_in_the_ranges_and_none_comes_twice():
    tried = searched(seed=1, number=40)
    seen = {tuple(item.values.values()) for item in tried}
    assert len(seen) == 40
    for item in tried:
        assert list(item.values) == list(SETTINGS)
        assert 10 <= item.values["lens.depth_mm"] <= 30
        assert 50 <= item.values["lens.width_mm"] <= 250
        assert item.values["lens.steps"] in (1, 2, 3)
        assert item.values["dome.diameter_mm"] == 26
        assert item.values["lens.depth_mm"] == round(item.values["lens.depth_mm"], 2)


def test_forty_directed_trials_are_better_than_a_hundred_and_sixty_random_ones():
    seeds = range(5)
    directed = [min(item.objectives_db[0] for item in searched(s, 40)) for s in seeds]
    random = [min(bowl(values) for values in random_points(SETTINGS, s, 160)) for s in seeds]
    assert np.median(directed) < np.median(random)


def test_what_breaks_a_rule_is_never_proposed():
    def possible(values):
        return values["lens.width_mm"] < 8 * values["lens.depth_mm"]

    assert all(possible(item.values) for item in searched(2, 30, possible=possible))


def test_with_several_objectives_both_ends_of_the_trade_off_are_found():
    """Two objectives that only differ in the depth they want: the front is every depth between."""

    def cost(values):
        aside = ((values["lens.width_mm"] - 150) / 200) ** 2 + 0.2 * abs(values["lens.steps"] - 2)
        share = (values["lens.depth_mm"] - 10) / 20
        return share + aside, 1 - share + aside

    tried = searched(3, 60, cost=cost, objectives=2)[20:]
    near = [item for item in tried if sum(item.objectives_db) < 1.15]
    depths = [item.values["lens.depth_mm"] for item in near]
    assert len(near) > len(tried) / 3  # at random it is one in seven
    assert min(depths) < 15
    assert max(depths) > 25


def test_where_nothing_new_is_left_none_is_proposed():
    settings = {"lens.steps": Choices((1.0, 2.0)), "dome.diameter_mm": Fixed(26.0)}
    tried = [
        Tried(values={"lens.steps": float(n), "dome.diameter_mm": 26.0}, objectives_db=(n,))
        for n in (1, 2)
    ]
    found = propose(settings, tried, objectives=1, seed=1, is_possible=lambda values: True)
    assert found is None


def test_open_and_failed_trials_take_part():
    tried = searched(4, 12)
    proposed = {}
    for name, last in (
        ("good", replace(tried[-1], objectives_db=(-5.0,))),
        ("failed", replace(tried[-1], objectives_db=None)),
        ("open", replace(tried[-1], objectives_db=None, is_open=True)),
    ):
        proposed[name] = propose(
            SETTINGS, [*tried[:-1], last], objectives=1, seed=9, is_possible=lambda values: True
        )
    assert all(values is not None for values in proposed.values())
    assert proposed["good"] != proposed["failed"]


# --------------------------------------------------------------------------- in a whole run


def of(result):
    return [(c.id, dict(c.values), c.status) for c in result.folder.candidates()]


def test_a_run_solves_as_many_as_the_job_says(write_job, stub, options):
    result = run_job(write_job(DIRECTED), options)
    found = of(result)
    assert [name for name, _, _ in found] == [
        "baseline",
        *(f"c{number:03d}" for number in range(1, 15)),
    ]
    assert {status for _, _, status in found} == {store.SOLVED}
    assert not result.has_failures
    # The first are spread evenly, the others are not from that sequence.
    loaded = load_job(write_job(DIRECTED))
    spread = draw(loaded)
    assert len(spread.candidates) + spread.proposed == 14
    assert [c.values for c in spread.candidates] == [v for _, v, _ in found[1:9]]


def test_a_run_that_was_stopped_proposes_what_an_undisturbed_one_does(
    write_job, stub, options, tmp_path
):
    job = write_job(DIRECTED)
    undisturbed = of(run_job(job, replace(options, results=tmp_path / "other")))
    stops = iter((3, 17, 40, 44))
    stop = next(stops)

    def interrupt(band):
        if len(stub.solved) >= stop:
            raise KeyboardInterrupt

    stub.solved.clear()
    stub.on_solve = interrupt
    with pytest.raises(KeyboardInterrupt):
        run_job(job, options)
    (path,) = options.results.iterdir()
    for following in stops:
        stop = following
        with pytest.raises(KeyboardInterrupt):
            resume_run(path, options)
    stub.on_solve = lambda band: None
    assert of(resume_run(path, options)) == undisturbed


def test_candidates_that_will_not_mesh_do_not_end_a_search(write_job, stub, options):
    stub.fail_mesh = lambda values: 100 < values.get("lens.opening_height_mm", 0) < 110
    result = run_job(write_job(DIRECTED), options)
    statuses = [status for _, _, status in of(result)]
    assert len(statuses) == 15
    assert store.FAILED in statuses
    assert statuses.count(store.SOLVED) > 7


def test_the_guesses_come_first_and_fewer_are_spread(write_job):
    guess = "\n[[search.guesses]]\nlens.opening_height_mm = 117\n"
    loaded = load_job(write_job(DIRECTED, ("\n[frequencies]", f"{guess}\n[frequencies]")))
    sampling = draw_job(loaded)
    assert sampling.candidates[0].values["lens.opening_height_mm"] == 117
    assert len(sampling.candidates) == 8
    assert sampling.proposed == 6


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("candidates = 3", "candidates = 3\naim = 'score'", "search.aim.*left out with plan 'low"),
        ("candidates = 3", "candidates = 3\nat_once = 2", "search.at_once.*left out with plan"),
        (DIRECTED[0], 'plan = "directed"', "Missing key 'search.candidates'.*'directed'"),
        (DIRECTED[0], DIRECTED[1] + '\naim = "both"', "search.aim.*one of score, trade-off"),
        (DIRECTED[0], DIRECTED[1] + "\nat_once = 0", "search.at_once.*from 1 to 1000"),
    ],
)
def test_wrong_search_sections_are_refused(write_job, old, new, match):
    with pytest.raises(JobError, match=match):
        load_job(write_job((old, new)))


def test_an_empty_search_space_is_refused(write_job):
    heights = "opening_height_mm = { from = 90, to = 160 }"
    depths = "depth_mm = { from = 10, to = 40 }"
    fixed = ((heights, "opening_height_mm = 100"), (depths, "depth_mm = 20"))
    with pytest.raises(JobError, match="at least one parameter with a range"):
        load_job(write_job(DIRECTED, *fixed))


def test_the_catalogue_alone_is_what_a_search_stands_on(write_job, stub, options):
    result = run_job(write_job(DIRECTED), options)
    folder = open_run(result.folder.path)
    assert math.isfinite(folder.candidates()[-1].score.total_db)
    assert not list(folder.path.glob("*optuna*"))
