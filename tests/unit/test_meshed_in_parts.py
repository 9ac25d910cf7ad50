# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes of one shape that idle workers share: the finest by itself, seen by nobody."""

import numpy as np
import pytest

from bafflelens.base.errors import MeshingError
from bafflelens.bem.sweep import BandResult
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize
from bafflelens.shapes.meshing.scripts import PackedScript
from bafflelens.workers.batches import Outcome
from bafflelens.workers.caching import cached_pool
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.caching.solved import CacheSettings, open_cache
from bafflelens.workers.work_units import Methods, SolveSettings, Timed

SIZES_M = (0.01, 0.008, 0.004, 0.006, 0.005)
FINEST = SIZES_M.index(min(SIZES_M))
SCRIPT = PackedScript(name="none.py", files=(("none.py", b""),))
SETTINGS = SolveSettings(motions=(), air=None, symmetry=(), engine="bempp", quality="draft")


class Inline:
    """Does the work in this process, in the order of the list or from its end."""

    def __init__(self, size, *, last_first=False):
        self.size, self.last_first, self.waiting, self.names = size, last_first, [], []

    def submit(self, name, function, *arguments, **wishes):
        self.names.append(name)
        self.waiting.append((name, function, arguments))

    def outcomes(self, is_over):
        while self.waiting:
            name, function, arguments = self.waiting.pop(-1 if self.last_first else 0)
            try:
                yield Outcome(name=name, value=function(*arguments))
            except MeshingError as error:
                yield Outcome(name=name, value=None, error=str(error))


def rules(sizes_m=SIZES_M):
    return [
        MeshSize(
            source_size_m=size,
            growth=2.0,
            growth_distance_m=0.2,
            largest_m=0.04,
            curvature_elements=8,
        )
        for size in sizes_m
    ]


def mesh_of(size):
    return Mesh(np.full((3, 3), size.source_size_m), np.array([[0, 1, 2]]), np.array(["dome"]))


@pytest.fixture(name="methods")
def _methods(monkeypatch):
    """Meshes that tell their size, and bands that tell theirs by their only frequency."""
    made, failing = [], []

    def mesh_shape(shape, values, sizes, limit_s):
        made.append([size.source_size_m for size in sizes])
        if any(size in failing for size in made[-1]):
            msg = "Cannot be meshed."
            raise MeshingError(msg)
        return tuple(mesh_of(size) for size in sizes)

    def solve_band(mesh, motions, band, **given):
        return BandResult(
            frequencies_hz=np.array([1e3 * mesh.vertices[0, 0]]),
            far_field=np.zeros((0, 1, 0), dtype=complex),
            cross_power=np.zeros((1, 0, 0), dtype=complex),
            outcomes=(),
        )

    monkeypatch.setattr(cached_pool, "mesh_candidate", _mesh_candidate)
    methods = Methods(mesh_shape=mesh_shape, solve_band=solve_band)
    return methods, made, failing


def _mesh_candidate(methods, script, values, sizes, limit_s):
    return Timed(value=methods.mesh_shape(None, values, sizes, limit_s), seconds=len(sizes))


def ask(pool, methods, sizes=SIZES_M, *, name="lens", bands=True):
    """Ask for meshes and a band on each."""
    meshes = pool.mesh(f"{name} mesh", methods, SCRIPT, {"height_mm": 1.0}, rules(sizes), 1.0)
    for number in range(len(sizes) if bands else 0):
        band = Band(frequencies_hz=(100.0,), mesh_frequency_hz=100.0)
        pool.solve_band(f"{name} band {number}", methods, meshes, number, band, SETTINGS)
    return meshes


@pytest.mark.parametrize("last_first", [False, True])
def test_the_finest_is_made_by_itself_and_its_band_begun_before_the_others(methods, last_first):
    methods, made, _ = methods
    inner = Inline(2, last_first=last_first)
    pool = RememberingPool(inner)
    ask(pool, methods)
    found = {outcome.name: outcome.value for outcome in pool.outcomes()}
    assert sorted(map(len, made)) == [1, 4]
    assert [min(SIZES_M)] in made
    if not last_first:
        assert inner.names.index(f"lens band {FINEST}") == 2  # after both parts alone
    # whoever asked sees one mesh work, all meshes in order, and the time of both parts
    assert sorted(found) == [*(f"lens band {n}" for n in range(5)), "lens mesh"]
    whole = found["lens mesh"]
    assert [mesh.vertices[0, 0] for mesh in whole.value] == list(SIZES_M)
    assert whole.seconds == len(SIZES_M)
    for number, size in enumerate(SIZES_M):
        assert found[f"lens band {number}"].value.frequencies_hz[0] == 1e3 * size


@pytest.mark.parametrize(("workers", "number"), [(1, 5), (2, 3)])
def test_they_are_made_together_where_no_worker_is_idle_or_they_are_few(methods, workers, number):
    methods, made, _ = methods
    pool = RememberingPool(Inline(workers))
    ask(pool, methods, SIZES_M[:number])
    assert len(list(pool.outcomes())) == 1 + number
    assert made == [list(SIZES_M[:number])]


def test_only_the_first_of_several_shapes_is_made_in_parts(methods):
    methods, made, _ = methods
    pool = RememberingPool(Inline(2))
    for name in ("first", "second", "third"):
        ask(pool, methods, name=name)
    assert len(list(pool.outcomes())) == 3 * 6
    assert sorted(map(len, made)) == [1, 4, 5, 5]


@pytest.mark.parametrize("last_first", [False, True])
@pytest.mark.parametrize("fails", [min(SIZES_M), SIZES_M[0]])
def test_a_part_that_fails_fails_all_once(methods, last_first, fails):
    methods, _, failing = methods
    failing.append(fails)
    pool = RememberingPool(Inline(2, last_first=last_first))
    ask(pool, methods)
    found = [(outcome.name, outcome.error) for outcome in pool.outcomes()]
    names = [name for name, _ in found]
    assert sorted(names) == sorted(set(names))
    assert ("lens mesh", "Cannot be meshed.") in found
    failed = {name for name, error in found if error}
    assert failed >= {f"lens band {SIZES_M.index(fails)}", "lens mesh"}


def test_what_is_made_in_parts_is_kept_as_a_whole(methods, tmp_path):
    methods, made, _ = methods
    for _ in range(2):
        with open_cache(CacheSettings(path=tmp_path / "solved.sqlite"), print) as cache:
            pool = RememberingPool(Inline(2), cache)
            meshes = ask(pool, methods, bands=False)
            assert [outcome.name for outcome in pool.outcomes()] == ["lens mesh"]
            assert [mesh.vertices[0, 0] for mesh in meshes.meshes] == list(SIZES_M)
    assert sorted(map(len, made)) == [1, 4]


def test_parts_of_what_is_aside_are_aside(methods):
    methods, _, _ = methods
    pool = RememberingPool(Inline(2))
    pool.mesh("aside", methods, SCRIPT, {"height_mm": 1.0}, rules(), 1.0, aside=True)
    assert list(pool.outcomes()) == []
    found = pool.outcomes_aside()
    assert list(found) == ["aside"]
    assert len(found["aside"].value.value) == len(SIZES_M)


def test_others_that_are_moved_from_them_wait_for_the_whole(methods):
    methods, made, _ = methods
    pool = RememberingPool(Inline(2))
    for number in range(3):
        values = {"height_mm": 1.0 + number}
        first = {"height_mm": 1.0}
        pool.mesh(f"lens {number}", methods, SCRIPT, values, rules(), 1.0, moved_from=first)
    assert sorted(outcome.name for outcome in pool.outcomes()) == ["lens 0", "lens 1", "lens 2"]
    assert sorted(map(len, made)) == [1, 4, 5, 5]
