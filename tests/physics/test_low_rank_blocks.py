# SPDX-License-Identifier: GPL-3.0-or-later
"""The matrix in blocks of low rank is the full matrix, to the error that it is asked for.

The full matrix is the check: the error of a product with random numbers of mean square one is, in
the mean, the root of the sum of the squares of all entries that are off, which is what the
tolerance bounds. Bodies have what cross approximation is known to fail at: edges, where the
kernel vanishes for one face and not for the other, planes, where it vanishes altogether, narrow
slots and mirror planes.
"""

from dataclasses import replace

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem import cross_approximation, layers, low_rank
from bafflelens.bem.burton_miller import assemble
from bafflelens.bem.clusters import cut_clusters
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.layers import AtFrequency, far_arguments, near_pair_corrections
from bafflelens.bem.system_matrix import Storage, Workspace, error_of_blocks
from bafflelens.job.solve_costs import matrix_entries
from bafflelens.mesh.quality import QUALITIES, stated_error_db, tolerance

K = 40.0


def grooved_box():
    """A box with a groove across its front, 2,656 triangles."""
    x, y, z = np.linspace(-0.2, 0.2, 11), np.linspace(-0.2, 0.2, 11), np.linspace(-0.3, 0.3, 16)
    filled = np.ones((10, 10, 15), dtype=bool)
    filled[6:, :, 7] = False
    return bodies.blocks(x, y, z, filled), ()


def half_box():
    """Half of a box, cut by a mirror plane, 2,400 triangles."""
    return bodies.box((0.4, 0.6, 0.4), (14, 20, 13), ("y",)), ("y",)


def eighth_of_a_sphere():
    """Eight mirror images, itself included, of 1,936 triangles."""
    return bodies.octasphere(44, ("x", "y", "z")), ("x", "y", "z")


BODIES = [grooved_box, half_box, eighth_of_a_sphere]


@pytest.fixture(scope="module", params=BODIES, ids=lambda body: body.__name__)
def case(request):
    mesh, symmetry = request.param()
    at = AtFrequency(discretise(mesh, symmetry), K if mesh.areas.sum() < 1.5 else K / 4)
    return at, system(at, Storage.FULL)


def system(at, storage, residual=1e-4):
    return assemble(at, EngineSettings(storage=storage, tolerance=residual), Workspace())


def noise(number, size):
    """Complex numbers of mean square one, (number, size)."""
    random = np.random.default_rng(3)
    parts = random.normal(size=(2, number, size)) / np.sqrt(2)
    return parts[0] + 1j * parts[1]


@pytest.mark.parametrize("residual", [1e-2, 1e-3, 1e-4])
def test_the_error_of_all_entries_is_what_was_asked_for(case, residual):
    at, full = case
    vectors = noise(3, full.size)
    off = system(at, Storage.LOW_RANK, residual).multiply(vectors) - full.multiply(vectors)
    error = np.sqrt((np.abs(off) ** 2).sum() / len(vectors))
    assert error < 1.2 * error_of_blocks(full.size, residual)
    assert error > 0.05 * error_of_blocks(full.size, residual)  # nothing is computed for nothing


def test_no_column_is_missed(case):
    at, full = case
    columns = np.random.default_rng(5).choice(full.size, 60, replace=False)
    unit = np.zeros((60, full.size), dtype=complex)
    unit[np.arange(60), columns] = 1.0
    off = system(at, Storage.LOW_RANK).multiply(unit) - full.full_matrix()[:, columns].T
    mean = error_of_blocks(full.size, 1e-4) / full.size
    assert np.linalg.norm(off, axis=1).max() < 5 * mean * np.sqrt(full.size)
    assert np.abs(off).max() < 100 * mean


def test_a_plane_without_coupling_has_blocks_of_nothing(monkeypatch):
    monkeypatch.setattr(layers, "local_coupling", lambda mesh, *_: 0 * mesh.areas)
    mesh = bodies.box((0.4, 0.4, 0.4), (11, 11, 11))
    at = AtFrequency(discretise(mesh), K)
    vectors = noise(2, mesh.n_triangles)
    off = system(at, Storage.LOW_RANK).multiply(vectors) - system(at, Storage.FULL).multiply(
        vectors
    )
    assert np.linalg.norm(off, axis=1).max() < 1.2 * error_of_blocks(mesh.n_triangles, 1e-4)
    # What a face does to itself is nothing, and nothing is kept of it; what it does to the next
    # face is seen though the rows of the first come first.
    order = np.lexsort((mesh.centroids[:, 1], mesh.centroids[:, 0].round(6)))
    far = low_rank.in_order(far_arguments(at, at.everywhere), order)
    face = np.count_nonzero(mesh.centroids[:, 0] < -0.199)
    itself, with_next = [0, 100, face - 100, face, 0], [face - 100, face + 4, 0, 100, 0]
    blocks, tolerances = np.array([itself, with_next]), np.full(2, 1e-6)
    none = np.empty(0, dtype=np.int16)
    _, end, _, ranks, _ = cross_approximation.form_low_rank(far, blocks, tolerances, none)
    assert ranks[0] == 0
    assert 0 < ranks[1] <= 4
    assert end == 2 * ranks[1] * (104 + 100)


def formed(at, error, **more):
    far = far_arguments(at, at.everywhere)
    corrections = near_pair_corrections(at, at.everywhere)
    shared = at.discretisation
    return low_rank.form(far, shared.blocks, shared.near, corrections, tolerance=error, **more)


def low_rank_bytes(matrix):
    return sum(run.nbytes for run in matrix.runs if run.ranks is not None)


def test_every_entry_is_in_one_block():
    mesh, symmetry = half_box()
    shared = discretise(mesh, symmetry)
    found = cut_clusters(shared.tree, shared.signs)
    times = np.zeros((2, mesh.n_triangles, mesh.n_triangles), dtype=np.int8)
    for first, last, column, end, image in np.concatenate((found.admissible, found.near)):
        times[image, first:last, column:end] += 1
    assert times.min() == times.max() == 1
    assert sorted(found.order) == list(range(mesh.n_triangles))


def test_several_right_hand_sides_are_multiplied_as_one_after_the_other(case):
    at, full = case
    blocks, vectors = system(at, Storage.LOW_RANK), noise(3, full.size)
    together = blocks.multiply(vectors)
    alone = np.concatenate([blocks.multiply(vector[None]) for vector in vectors])
    assert np.abs(together - alone).max() < 1e-5


def test_threads_do_not_change_the_result(case, monkeypatch):
    at, full = case
    vectors = noise(1, full.size)
    results = []
    for threads in (1, 2, 5):
        monkeypatch.setenv("NUMBA_NUM_THREADS", str(threads))
        results.append(formed(at, 1e-3).product(vectors))
    assert np.array_equal(results[0], results[1])
    assert np.array_equal(results[0], results[2])


def test_where_arrays_lie_in_memory_changes_nothing():
    """Of loops with two versions, one of ten or so times another would run."""
    mesh, symmetry = grooved_box()
    at, random = AtFrequency(discretise(mesh, symmetry), K), np.random.default_rng(1)
    vectors, others, found = noise(1, mesh.n_triangles), [], set()
    for _ in range(15):
        others += [np.ones(size, np.uint8) for size in random.integers(100, 400_000, 20)]
        others = [others[n] for n in random.permutation(len(others))[:40]]
        found.add(formed(at, 1e-3).product(vectors).tobytes())
    assert len(found) == 1


def test_memory_of_a_matrix_before_changes_nothing(case):
    at, full = case
    vectors = noise(1, full.size)
    fresh, memory = formed(at, 1e-3).product(vectors), []
    formed(at, 1e-4, memory=memory)  # needs more than what follows
    before = list(memory)
    again = formed(at, 1e-3, memory=memory)
    assert np.array_equal(again.product(vectors), fresh)
    assert np.shares_memory(again.runs[0].packed, before[0])
    formed(at, 3e-5, memory=memory)  # needs more than there is
    assert len(memory) >= len(again.runs)
    assert np.array_equal(formed(at, 1e-3, memory=memory).product(vectors), fresh)


def test_what_is_expected_to_be_small_may_be_less_exact(case):
    at, full = case
    expected = np.where(at.mesh.centroids[:, 2] > 0.1 * np.ptp(at.mesh.centroids[:, 2]), 0.1, 1.0)
    expected /= np.sqrt(np.mean(expected**2))
    usual, fitted = formed(at, 1e-3), formed(at, 1e-3, expected=expected)
    assert low_rank_bytes(fitted) < 0.97 * low_rank_bytes(usual)
    vectors = expected * noise(3, full.size)
    off = fitted.product(vectors) - usual.product(vectors)
    assert np.linalg.norm(off, axis=1).max() < 2e-3


def test_source_inside_a_grooved_box():
    # p = exp(ikr) / (4 pi r) outside, exactly, for every body around the source.
    mesh, symmetry = grooved_box()
    origin = (0.0, 0.03, -0.1)
    exact, gradient = radiating.point_source(mesh.centroids, origin, K)
    velocity = radiating.velocity_of_gradient((gradient * mesh.normals).sum(axis=1), K)
    found = {
        storage: radiating.solved(
            mesh, velocity, K, symmetry, storage=storage, tolerance=2e-4
        ).surface_pressure
        for storage in (Storage.PACKED, Storage.LOW_RANK)
    }
    errors = {kind: radiating.relative_error(p, exact) for kind, p in found.items()}
    assert errors[Storage.LOW_RANK] < 0.05
    assert errors[Storage.LOW_RANK] == pytest.approx(errors[Storage.PACKED], rel=0.02)


@pytest.mark.parametrize("quality", QUALITIES)
def test_far_field_within_a_tenth_of_what_a_quality_promises(quality):
    mesh, symmetry = grooved_box()
    x, y, z = mesh.centroids.T
    piston = (x > 0.199) & (np.hypot(y, z - 0.12) < 0.05)
    angle = np.radians(np.arange(-60, 61, 5))
    front = np.concatenate((radiating.around(angle), radiating.around(angle)[:, [0, 2, 1]]))
    fields = [
        radiating.solved(
            mesh, piston, K, symmetry, storage=storage, tolerance=tolerance(quality)
        ).far_field(front)
        for storage in (Storage.PACKED, Storage.LOW_RANK)
    ]
    levels = radiating.level(np.concatenate(fields))
    heard = levels[0] > levels[0].max() - 20
    assert np.abs(levels[1] - levels[0])[heard].max() < 0.1 * stated_error_db(quality)


@pytest.mark.parametrize("cells", [(17, 17, 20), (24, 24, 29)], ids=["4,000", "8,000"])
def test_memory_is_what_the_estimate_says(cells):
    mesh = bodies.box((0.4, 0.4, 0.5), cells)
    wavelengths = np.sqrt(mesh.areas.mean() * 4 / np.sqrt(3)) * 6.5
    at = AtFrequency(discretise(mesh), 2 * np.pi / wavelengths)
    matrix = formed(at, error_of_blocks(mesh.n_triangles, tolerance("standard")))
    estimate = 4 * matrix_entries(mesh.n_triangles, "direct")
    assert 0.6 * estimate < matrix.nbytes < 1.1 * estimate
    assert matrix.nbytes < 0.6 * 4 * mesh.n_triangles**2


def test_which_storage_a_size_gets():
    settings = EngineSettings(packed_unknowns=100)
    assert settings.storage_for(100) is Storage.PACKED
    assert settings.storage_for(101) is Storage.LOW_RANK
    assert replace(settings, storage=Storage.FULL).storage_for(10**6) is Storage.FULL
    assert replace(settings, double_precision=True).storage_for(10) is Storage.FULL
