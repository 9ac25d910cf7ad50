# SPDX-License-Identifier: GPL-3.0-or-later
"""Answers of earlier shapes as first guesses: what they save, and that they change no result."""

import functools
from dataclasses import replace

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air
from bafflelens.bem import band_solvers, burton_miller
from bafflelens.bem.combination import best_combination
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.earlier_answers import EarlierAnswers, guesses, made_for, ways_from_sources
from bafflelens.bem.iteration import best_start
from bafflelens.bem.layers import AtFrequency, double_layers, single_layers
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh import topology
from bafflelens.mesh.absorbers import PorousLayer
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, tolerance
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.workers import dask_work
from bafflelens.workers.batches import Late
from bafflelens.workers.caching import answers as answers_module
from bafflelens.workers.caching.answers import SHAPES, AnswerStore
from bafflelens.workers.caching.asked_work import Meshes, WorkWishes
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.caching.solved import CacheSettings, open_cache
from bafflelens.workers.work_units import Methods, SolveSettings

AIR = radiating.AIR
BAND = Band(frequencies_hz=(1000.0, 1400.0), mesh_frequency_hz=1400.0)
FRONT = radiating.around(np.radians(np.arange(-60, 61, 15)))
MOTION = SourceMotion(
    name="dome",
    axis=(1.0, 0.0, 0.0),
    centre=(0.1, 0.0, 0.0),
    piston_surfaces=("dome",),
    taper_surfaces=(),
    inner_radius_m=0.05,
    outer_radius_m=0.05,
)
SETTINGS = SolveSettings(
    motions=(MOTION,), air=AIR, symmetry=("y",), engine="direct", quality="standard"
)


@functools.cache
def shape(*amounts):
    """Return half a box with a square piston; its rear and its top are bent by amounts in m."""
    mesh = bodies.box((0.2, 0.2, 0.3), (8, 8, 12), ("y",))
    x, y, z = mesh.centroids.T
    mesh = bodies.renamed(mesh, "dome", (x > 0.0999) & (y < 0.05) & (np.abs(z) < 0.05))
    vertices = mesh.vertices.copy()
    x, _, z = mesh.vertices.T
    for number, amount in enumerate(amounts, start=1):
        rear, top = np.clip(0.5 - 5 * x, 0, 1), np.clip((z - 0.05) / 0.1, 0, 1)
        vertices[:, 0] -= amount * rear * np.cos(number * np.pi * z / 0.3)
        vertices[:, 2] += amount * top * np.cos(number * np.pi * (x - 0.1) / 0.4)
    return Mesh(vertices, mesh.triangles, mesh.surface)


@functools.cache
def some_shapes(number):
    amounts = np.random.default_rng(7).uniform(-0.008, 0.008, (number, 3))
    return tuple(shape(*map(float, each)) for each in amounts)


def solved(mesh, earlier=None, air=AIR, symmetry=("y",), motions=(MOTION,), **settings):
    given = {"band": BAND, "directions": FRONT, **settings}
    return solve_band(mesh, motions, air=air, symmetry=symmetry, earlier=earlier, **given)


def nothing_yet(mesh, **changes):
    return EarlierAnswers(made_for=made_for(mesh, replace(SETTINGS.body, **changes)))


@functools.cache
def answers_of(number):
    """Return the answers of some shapes, each found from nothing."""
    found = [solved(mesh, nothing_yet(mesh)).answers for mesh in some_shapes(number)]
    envelopes = {
        frequency: np.concatenate([each.envelopes[frequency] for each in found])
        for frequency in BAND.frequencies_hz
    }
    return replace(found[0], envelopes=envelopes)


# --------------------------------------------------------------------------- topology


def test_vertices_may_move_and_nothing_else():
    mesh = shape()
    assert topology.digest(shape(0.005)) == topology.digest(mesh)
    turned = Mesh(mesh.vertices, mesh.triangles[:, [1, 2, 0]], mesh.surface)
    named = bodies.renamed(mesh, "felt", mesh.centroids[:, 0] < -0.0999)
    more = Mesh(np.vstack([mesh.vertices, [[9, 9, 9]]]), mesh.triangles, mesh.surface)
    digests = {topology.digest(each) for each in (mesh, turned, named, more)}
    assert len(digests) == 4


# --------------------------------------------------------------------------- one band


def test_a_shape_among_others_is_nearly_known():
    new = shape(0.004, -0.003, 0.002)
    alone, helped = solved(new), solved(new, answers_of(4))
    assert [o.earlier_shapes for o in alone.outcomes] == [0, 0]
    assert [o.earlier_shapes for o in helped.outcomes] == [4, 4]
    assert alone.outcomes[-1].start_residual == 1.0  # the first that is solved
    for one, other in zip(alone.outcomes, helped.outcomes, strict=True):
        assert other.start_residual < min(0.01, one.start_residual)
        assert other.iterations < one.iterations
        assert other.residual <= 1.1 * tolerance("standard")
    assert alone.answers is None
    assert set(helped.answers.envelopes) == set(BAND.frequencies_hz)


@pytest.mark.parametrize("number", [1, 4, 12])
def test_results_do_not_depend_on_what_was_known(number):
    """Whatever the basis, the far field is off by less than a tenth of the quality's error."""
    new = shape(0.004, -0.003, 0.002)
    exact = solved(new, quality="fine").far_field[0]
    found = solved(new, answers_of(number)).far_field[0]
    alone = solved(new).far_field[0]
    for each in (found, alone):
        assert np.abs(radiating.level(each) - radiating.level(exact)).max() < 0.02
    assert np.abs(radiating.level(found) - radiating.level(alone)).max() < 0.03


def test_enough_of_them_leave_no_matrix_to_store(monkeypatch):
    known = answers_of(SHAPES)

    def assemble(*_):
        pytest.fail("the matrix was stored")

    monkeypatch.setattr(burton_miller, "assemble", assemble)
    found = solved(shape(0.004, -0.003, 0.002), known)
    assert [o.iterations for o in found.outcomes] == [0, 0]
    assert all(o.residual == o.start_residual <= tolerance("standard") for o in found.outcomes)


@pytest.mark.parametrize("number", [2, 6, SHAPES])
def test_a_few_rows_tell_what_guesses_leave_of_all(number):
    """Against the least squares over the whole equation."""
    mesh, frequency = shape(0.004, -0.003, 0.002), BAND.frequencies_hz[-1]
    problem = SETTINGS.body.problem(mesh, frequency)
    at = AtFrequency(discretise(mesh, ("y",)), problem.wavenumber)
    known = answers_of(number).envelopes[frequency]
    spanned = guesses(known, problem.wavenumber, ways_from_sources(mesh, [MOTION]))
    side = single_layers(at, at.everywhere, np.asarray(problem.pressure_gradient))

    def multiply(vectors):
        return double_layers(at, at.everywhere, vectors) - 0.5 * vectors

    found = best_combination(problem, at, spanned)
    left = np.linalg.norm(side - multiply(found.pressure)) / np.linalg.norm(side)
    best = best_start(multiply, side, spanned, np).residuals
    assert left <= 1.1 * np.linalg.norm(best) / np.linalg.norm(side)
    assert found.residual == pytest.approx(left, rel=0.25)


def test_useless_ones_are_iterated_away():
    """Noise as a basis does no harm: the iteration goes on from it."""
    random = np.random.default_rng(3)
    known = answers_of(SHAPES)
    noise = {
        frequency: random.normal(size=each.shape).astype(np.complex64)
        for frequency, each in known.envelopes.items()
    }
    found = solved(shape(), replace(known, envelopes=noise))
    assert found.outcomes[-1].start_residual > 0.5
    assert all(o.residual <= 1.1 * tolerance("standard") for o in found.outcomes)
    np.testing.assert_allclose(
        radiating.level(found.far_field), radiating.level(solved(shape()).far_field), atol=0.03
    )


# --------------------------------------------------------------------------- quick looks


def looked_at(mesh, known, **settings):
    return solved(mesh, known, quality="draft", is_look=True, **settings)


def off_db(found, exact):
    levels = [radiating.level(each.far_field[0]) for each in (found, exact)]
    return np.abs(levels[0] - levels[1]).max()


def test_a_quick_look_takes_a_combination_that_holds_enough(monkeypatch):
    known, new = answers_of(6), shape(0.004, -0.003, 0.002)
    exact = solved(new, quality="fine")

    def assemble(*_):
        pytest.fail("the matrix was formed")

    monkeypatch.setattr(burton_miller, "assemble", assemble)
    found = looked_at(new, known)
    assert [o.iterations for o in found.outcomes] == [0, 0]
    limit = band_solvers.COMBINED_TOLERANCE * tolerance("draft")
    assert all(o.status == "solved" and o.residual <= limit for o in found.outcomes)
    assert off_db(found, exact) < 0.1  # a tenth of what a draft states
    assert not found.answers.envelopes  # it holds nothing that the others do not


def test_a_quick_look_at_what_is_not_known_solves_it_for_others():
    random, known = np.random.default_rng(3), answers_of(4)
    noise = {
        frequency: random.normal(size=each.shape).astype(np.complex64)
        for frequency, each in known.envelopes.items()
    }
    few = {frequency: each[:2] for frequency, each in known.envelopes.items()}
    limit = band_solvers.KNOWN_TOLERANCE * tolerance("draft")
    for envelopes in (noise, {}, few):
        found = looked_at(shape(0.004, -0.003, 0.002), replace(known, envelopes=envelopes))
        assert all(o.residual <= 1.1 * limit for o in found.outcomes)
        if envelopes is not few:
            assert all(o.iterations > 0 for o in found.outcomes)
            assert set(found.answers.envelopes) == set(BAND.frequencies_hz)


def test_a_combination_of_two_has_to_be_better_than_one_of_more():
    """Of fewer the same residual is a larger error of the far field: benchmarks/looks.py."""
    limits = [
        band_solvers.combined_tolerance(number, "draft", is_look=True) for number in range(5)
    ]
    draft = tolerance("draft")
    assert limits == [None, None, 2 * draft, 3 * draft, 3 * draft]
    known, taken = answers_of(6), []
    for number in (1, 2, 6):
        envelopes = {frequency: each[:number] for frequency, each in known.envelopes.items()}
        found = looked_at(shape(0.001, 0.001), replace(known, envelopes=envelopes))
        for outcome in found.outcomes:
            allowed = limits[min(number, 4)] or band_solvers.KNOWN_TOLERANCE * draft
            assert outcome.residual <= 1.1 * allowed
        taken.append(sum(outcome.iterations == 0 for outcome in found.outcomes))
    assert taken[0] <= taken[1] <= taken[2] == len(found.outcomes)


def test_a_quick_look_hears_what_absorbs():
    """Felt on the rear: the rows that are looked at hold its part, too."""
    felt = {"absorbers": {"felt": PorousLayer(thickness_m=0.02, flow_resistivity=2e4)}}
    *before, new = [
        bodies.renamed(mesh, "felt", shape().centroids[:, 0] < -0.099)
        for mesh in (*some_shapes(4), shape(0.004, -0.003, 0.002))
    ]
    known = nothing_yet(new, **felt)
    each = [looked_at(mesh, known, **felt).answers.envelopes for mesh in before]
    envelopes = {f: np.concatenate([one[f] for one in each]) for f in BAND.frequencies_hz}
    found = looked_at(new, replace(known, envelopes=envelopes), **felt)
    exact = solved(new, quality="fine", **felt)
    assert [o.iterations for o in found.outcomes] == [0, 0]
    assert off_db(found, exact) < 0.1
    assert off_db(exact, solved(shape(0.004, -0.003, 0.002))) > 0.1


@pytest.mark.parametrize(
    "changes",
    [
        {"air": Air(temperature_c=5.0)},
        {"symmetry": ()},
        {"motions": (replace(MOTION, axis=(0.8, 0.6, 0.0)),)},
        {"absorbers": {"rigid": PorousLayer(thickness_m=0.005, flow_resistivity=2e4)}},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_answers_of_something_else_are_refused(changes):
    rule = "Must be of the same mesh topology, sources, air, mirror planes and absorbers"
    with pytest.raises(InputError, match=rule):
        solved(shape(), answers_of(1), **changes)


def test_answers_on_another_mesh_are_refused():
    mesh = shape()
    other = Mesh(mesh.vertices, mesh.triangles[::-1], mesh.surface[::-1])
    with pytest.raises(InputError, match=r"Invalid earlier answers .* Must be of the same mesh"):
        solved(other, answers_of(1))


def test_a_source_that_moves_along_with_its_mesh_is_the_same():
    """A deeper lens sets the dome back; what the other has left is as good a guess there."""
    back = np.array([-0.004, 0.0, 0.0])
    mesh = shape(0.002)
    moved = Mesh(mesh.vertices + back, mesh.triangles, mesh.surface)
    motion = replace(MOTION, centre=tuple(map(float, MOTION.centre + back)))
    first = solved(mesh, nothing_yet(mesh))
    found = solved(moved, first.answers, motions=(motion,))
    assert [o.earlier_shapes for o in found.outcomes] == [1] * len(found.outcomes)
    assert all(o.start_residual < tolerance("standard") for o in found.outcomes)


def test_damaged_answers_are_refused():
    known = answers_of(1)
    one = known.envelopes[1400.0]
    with pytest.raises(InputError, match=r"Invalid shape of earlier answers .* Must be \(n_shap"):
        solved(shape(), replace(known, envelopes={1400.0: one[..., :-1]}))
    with pytest.raises(InputError, match=r"Invalid earlier answers 'not finite'. Must be finite"):
        solved(shape(), replace(known, envelopes={1400.0: one * np.nan}))


# ------------------------------------------------------------------------ where they are kept


def left_by(number):
    """Return invented answers, told apart by a number."""
    mesh = some_shapes(SHAPES + 3)[number]
    envelope = np.full((1, 1, mesh.n_triangles), 1.0 + number, dtype=np.complex64)
    return mesh, EarlierAnswers(
        made_for=made_for(mesh, SETTINGS.body), envelopes={1400.0: envelope}
    )


def numbers_in(store, settings=SETTINGS):
    found = store.earlier(shape(), settings, BAND.frequencies_hz).envelopes
    assert set(found) <= {1400.0}
    return sorted(int(each.real) - 1 for each in found.get(1400.0, np.zeros((0, 1, 1)))[:, 0, 0])


def test_the_newest_take_the_place_of_the_oldest():
    store = AnswerStore(None)
    for number in range(SHAPES + 3):
        mesh, answers = left_by(number)
        store.keep(mesh, SETTINGS, answers)
        store.keep(mesh, SETTINGS, answers)  # is there already
    assert numbers_in(store) == list(range(3, SHAPES + 3))


@pytest.mark.parametrize(
    "change",
    [{"quality": "fine"}, {"air": Air(temperature_c=5.0)}, {"symmetry": ()}],
    ids=lambda change: next(iter(change)),
)
def test_other_settings_find_nothing(change):
    store = AnswerStore(None)
    store.keep(left_by(0)[0], SETTINGS, left_by(0)[1])
    assert numbers_in(store) == [0]
    assert numbers_in(store, replace(SETTINGS, **change)) == []


def test_a_shared_topology_is_kept_for_other_runs(tmp_path):
    settings = CacheSettings(path=tmp_path / "solved.sqlite")
    with open_cache(settings, print) as cache:
        store = AnswerStore(cache)
        store.keep(left_by(0)[0], SETTINGS, left_by(0)[1])
        assert numbers_in(AnswerStore(cache)) == []  # nothing shares it yet
        for number in (1, 2):
            store.keep(left_by(number)[0], SETTINGS, left_by(number)[1])
    with open_cache(settings, print) as cache:
        assert numbers_in(AnswerStore(cache)) == [0, 1, 2]


def test_memory_is_limited():
    mesh, answers = left_by(0)
    store = AnswerStore(None, memory_bytes=3 * 8 * mesh.n_triangles)
    for frequency in (1000.0, 1200.0, 1400.0, 1600.0):
        moved = replace(answers, envelopes={frequency: answers.envelopes[1400.0]})
        store.keep(mesh, SETTINGS, moved)
    found = store.earlier(mesh, SETTINGS, (1000.0, 1200.0, 1400.0, 1600.0))
    assert set(found.envelopes) == {1400.0, 1600.0}


def test_an_entry_of_another_length_is_left_out(monkeypatch):
    store = AnswerStore(None)
    store.keep(left_by(0)[0], SETTINGS, left_by(0)[1])
    for entries in store._kept.values():
        entries[0] = entries[0][:-8]
    assert numbers_in(store) == []
    assert answers_module._read(b"", (1, 1)) is None


# ----------------------------------------------------------------------------- the pool


def in_pool(meshes, pool, **how):
    """Solve shapes one after another in a pool; return what came of each."""
    found = []
    for number, mesh in enumerate(meshes):
        known = Meshes(name="", key=b"", work=(), wishes=WorkWishes(priority=0.0), meshes=(mesh,))
        pool.solve_band(f"band {number}", Methods(), known, 0, BAND, SETTINGS, **how)
    for outcome in pool.outcomes():
        assert not outcome.error
        found.append(outcome.value.value)
    return found or [each.value.value for each in pool.outcomes_aside().values()]


def test_shapes_that_are_asked_for_together_help_one_another(open_pool):
    with open_pool() as inner:
        found = in_pool(some_shapes(3), RememberingPool(inner))
    assert [each.outcomes[0].earlier_shapes for each in found] == [0, 1, 2]
    assert all(each.answers is None for each in found)


@pytest.mark.parametrize("how", [{"reuse": False}, {"aside": True}])
def test_a_shape_may_stand_by_itself(open_pool, how):
    with open_pool() as inner:
        found = in_pool(some_shapes(2), RememberingPool(inner), **how)
    assert [each.outcomes[0].earlier_shapes for each in found] == [0, 0]


def test_a_run_that_is_stopped_gives_the_same_within_the_quality(open_pool, tmp_path):
    """After half of the shapes another pool goes on with the cache, or from nothing."""
    *first, last = some_shapes(4)
    with open_pool() as inner:
        undisturbed = in_pool((*first, last), RememberingPool(inner))[-1]
    settings = CacheSettings(path=tmp_path / "solved.sqlite")
    with open_cache(settings, print) as cache, open_pool() as inner:
        in_pool(first, RememberingPool(inner, cache))
    with open_cache(settings, print) as cache, open_pool() as inner:
        resumed = in_pool((last,), RememberingPool(inner, cache))[-1]
    with open_pool() as inner:
        alone = in_pool((last,), RememberingPool(inner))[-1]
    assert resumed.outcomes[0].earlier_shapes == 3
    assert alone.outcomes[0].earlier_shapes == 0
    in_front = directions().vectors[:, 0] > 0.5  # within 60 degrees, where the error is stated
    levels = [radiating.level(each.far_field)[..., in_front] for each in (undisturbed, resumed)]
    assert np.abs(levels[0] - levels[1]).max() == pytest.approx(0, abs=1e-6)
    assert np.abs(levels[0] - radiating.level(alone.far_field)[..., in_front]).max() < 0.03


def test_a_worker_gets_what_is_known_when_it_begins():
    known = [1]
    work = dask_work._Work(
        name="late",
        function=max,
        arguments=(Late(lambda: list(known)),),
        priority=0.0,
        memory=None,
    )
    known.append(2)
    assert work.piece.arguments == ([1, 2],)


def test_bodies_are_told_apart_by_all_they_have():
    bare = MovingBody(air=AIR, symmetry=(), motions=(MOTION,), absorbers={})
    felt = replace(bare, absorbers={"rigid": PorousLayer(thickness_m=0.005, flow_resistivity=2e4)})
    assert made_for(shape(), bare) == made_for(shape(0.003), replace(bare))
    assert made_for(shape(), bare) != made_for(shape(), felt)
