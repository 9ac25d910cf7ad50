# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes that are moved from those of another shape: made first, once, and seen by nobody."""

from pathlib import Path

import numpy as np
import pytest

from bafflelens.base.errors import MeshingError
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.places import VertexPlaces
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.workers.batches import Outcome
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.work_units import Methods

LENS = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
KEY = "lens.opening_height_mm"


@pytest.fixture(name="script", scope="module")
def _script():
    return packed(load_shape(LENS))


class Inline:
    """Does the work in this process."""

    def __init__(self, size=1):
        self.size, self.waiting = size, []

    def submit(self, name, function, *arguments, **wishes):
        self.waiting.append((name, function, arguments))

    def outcomes(self, is_over):
        if is_over():
            self.waiting.clear()
        while self.waiting:
            name, function, arguments = self.waiting.pop(0)
            try:
                yield Outcome(name=name, value=function(*arguments))
            except MeshingError as error:
                yield Outcome(name=name, value=None, error=str(error))


class Mesher:
    """Notes what it is asked for: the height, and that of the meshes to move."""

    def __init__(self, failing=(), too_far=()):
        self.calls, self.failing, self.too_far = [], failing, too_far
        self.__qualname__ = "Mesher"  # as a function has, for its name in the cache

    def __call__(self, shape, values, sizes, time_limit_s, anchors=()):
        height = values[KEY]
        self.calls.append((height, *(mesh.vertices[0, 0] for mesh in anchors)))
        if height in self.failing:
            msg = "cannot be meshed"
            raise MeshingError(msg)
        places = VertexPlaces(
            entity=np.zeros((3, 2), dtype=int),
            share=np.zeros((3, 2)),
            solid="",
            volume_ratio=1.0,
            is_moved=bool(anchors) and height not in self.too_far,
        )
        return (Mesh(np.full((3, 3), height), np.array([[0, 1, 2]]), np.array(["dome"]), places),)


def asked(script, mesher, *moves, pool=None):
    """Ask for meshes (height, that of what they are moved from); return the outcomes' names."""
    pool = pool or RememberingPool(Inline())
    methods = Methods(mesh_shape=mesher)
    for number, (height, start) in enumerate(moves):
        moved_from = None if start is None else {KEY: start}
        pool.mesh(f"mesh {number}", methods, script, {KEY: height}, [], 1.0, moved_from=moved_from)
    return [(outcome.name, outcome.error) for outcome in pool.outcomes()]


def test_what_others_are_moved_from_is_made_first_and_once(script):
    mesher = Mesher()
    seen = asked(script, mesher, (101.0, 100.0), (102.0, 100.0))
    assert seen == [("mesh 0", ""), ("mesh 1", "")]
    assert mesher.calls == [(100.0,), (101.0, 100.0), (102.0, 100.0)]


def test_a_shape_among_them_serves_the_others(script):
    mesher = Mesher()
    seen = asked(script, mesher, (100.0, 100.0), (101.0, 100.0))
    assert seen == [("mesh 0", ""), ("mesh 1", "")]
    assert mesher.calls == [(100.0,), (101.0, 100.0)]


def test_what_was_too_far_to_be_moved_is_not_made_again_to_move_others(script):
    mesher, pool = Mesher(too_far=(150.0,)), RememberingPool(Inline())
    assert asked(script, mesher, (150.0, 100.0), pool=pool) == [("mesh 0", "")]
    assert asked(script, mesher, (151.0, 150.0), pool=pool) == [("mesh 0", "")]
    assert mesher.calls == [(100.0,), (150.0, 100.0), (151.0, 150.0)]


def test_where_it_cannot_be_meshed_the_others_are_made(script):
    mesher = Mesher(failing=(100.0,))
    assert asked(script, mesher, (101.0, 100.0)) == [("mesh 0", "")]
    assert mesher.calls == [(100.0,), (101.0,)]


def test_nothing_waits_for_what_was_let_go(script):
    mesher, pool = Mesher(), RememberingPool(Inline())
    pool.mesh(
        "old", Methods(mesh_shape=mesher), script, {KEY: 101.0}, [], 1.0, moved_from={KEY: 100.0}
    )
    assert list(pool.outcomes(lambda: True)) == []
    assert asked(script, mesher, (102.0, 100.0), pool=pool) == [("mesh 0", "")]
    assert mesher.calls == [(100.0,), (102.0, 100.0)]
