# SPDX-License-Identifier: GPL-3.0-or-later
"""The expected cost of a job."""

from dataclasses import replace

import numpy as np
import pytest

from bafflelens.base.errors import JobError, MeshingError
from bafflelens.bem.system_matrix import Storage
from bafflelens.job.cost_estimate import BandCost, Plan, job_bands, make_plan
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw
from bafflelens.job.solve_costs import (
    Speed,
    band_memory,
    estimate_triangles,
    frequency_seconds,
    matrix_entries,
    storage_of,
)
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize


def sheet(steps: int, side_m: float, surface: str) -> Mesh:
    """Return a square of 2 steps^2 right triangles."""
    x, y = np.meshgrid(*2 * [np.linspace(0, side_m, steps + 1)], indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    corner = (np.arange(steps)[:, None] * (steps + 1) + np.arange(steps)).ravel()
    first = np.stack([corner, corner + steps + 1, corner + 1], axis=1)
    second = np.stack([corner + steps + 1, corner + steps + 2, corner + 1], axis=1)
    triangles = np.concatenate([first, second])
    return Mesh(points, triangles, np.full(len(triangles), surface))


def rule(source_mm: float, **changes: float) -> MeshSize:
    content = {"growth": 1.0, "growth_distance_m": 0.2, "largest_m": 1.0, "curvature_elements": 8}
    return MeshSize(source_size_m=source_mm / 1e3, **(content | changes))


def test_triangles_are_area_over_that_of_an_equilateral_one():
    found = estimate_triangles(sheet(4, 0.4, "dome"), rule(10))
    assert found == pytest.approx(0.16 / (np.sqrt(3) / 4 * 0.01**2), rel=0.01)


def test_elements_grow_with_the_distance():
    near = estimate_triangles(sheet(20, 0.4, "dome"), rule(10))
    far = sheet(20, 0.4, "cabinet")
    fine = Mesh(
        np.concatenate([far.vertices, [[-1, 0, 0], [-1, 0.001, 0], [-1, 0, 0.001]]]),
        np.concatenate([far.triangles, [np.arange(3) + len(far.vertices)]]),
        np.append(far.surface, "dome"),
    )
    found = estimate_triangles(fine, rule(10, growth=2.0))
    assert found == pytest.approx(near / 4, rel=0.01)  # twice the size beyond 0.2 m
    assert estimate_triangles(fine, rule(10, growth=2.0, largest_m=0.01)) == pytest.approx(
        near, rel=0.01
    )


def test_what_is_fine_already_stays():
    coarse = sheet(10, 0.4, "dome")
    assert estimate_triangles(coarse, rule(500)) == coarse.n_triangles


def test_time_grows_with_the_square_of_the_unknowns_and_slower_with_low_rank():
    speed = Speed(overhead_s=0.0, near_field_s_per_unknown=0.0)
    for engine, size, growth in (
        ("direct", 1_000, 2),
        ("gpu", 10_000, 2),
        ("direct", 10_000, 1.5),
    ):
        one = frequency_seconds(size, 0, engine, speed)
        assert frequency_seconds(2 * size, 0, engine, speed) == pytest.approx(2**growth * one)
    pairs_s = 1_000**2 / speed.pairs_per_s
    one = frequency_seconds(1_000, 0, "direct", speed)
    assert frequency_seconds(1_000, 1, "direct", speed) == pytest.approx(one + pairs_s)


def test_a_plan_adds_up():
    bands = [
        BandCost(
            band=Band(frequencies_hz=(1000.0, 2000.0), mesh_frequency_hz=2000.0),
            unknowns=1000,
            memory_bytes=1e9,
            seconds=4.0,
        ),
        BandCost(
            band=Band(frequencies_hz=(4000.0,), mesh_frequency_hz=4000.0),
            unknowns=3000,
            memory_bytes=2e9,
            seconds=6.0,
        ),
    ]
    plan = Plan(
        n_shapes=4, band_costs=tuple(bands), workers=2, mesh_seconds=5.0, report_seconds=10.0
    )
    assert plan.n_frequencies == 3
    assert plan.solve_seconds == 10.0
    assert plan.total_seconds == 4 * (5 + 10) / 2 + 10
    assert plan.memory_bytes == 4e9
    assert replace(plan, remeshes=2).total_seconds == 6 * (5 + 10) / 2 + 10


def test_memory_is_that_of_the_matrix():
    small, double = (band_memory(unknowns, 1) for unknowns in (1_500, 3_000))
    assert double - small == pytest.approx(4 * (3_000**2 - 1_500**2) + 1e4 * 1_500)
    # Above, blocks of low rank keep a share that falls with the size.
    growth = band_memory(40_000, 1) - band_memory(10_000, 1)
    assert growth == pytest.approx(7 * 4 * matrix_entries(10_000, "direct") + 1e4 * 30_000)
    assert matrix_entries(10_000, "direct") < 0.3 * 10_000**2
    assert band_memory(60_000, 1) < 4 * 2**30


def test_the_card_keeps_every_entry():
    assert matrix_entries(20_000, "gpu") == 20_000**2
    assert storage_of(20_000, "gpu") is Storage.PACKED
    assert storage_of(20_000, "direct") is Storage.LOW_RANK


def test_the_second_engine_holds_the_whole_body():
    half, whole = (band_memory(4_000, planes, "bempp") for planes in (1, 0))
    assert half - whole == pytest.approx(40 * (8_000**2 - 4_000**2))


def test_a_plan_says_which_bands_wait_for_each_other(write_job, stub):
    loaded = load_job(write_job())
    plan = make_plan(loaded, draw(loaded), workers=2, memory_bytes=0.5e9, mesh=stub.mesh_shape)
    assert plan.memory_bytes == 0.5e9
    assert plan.solved_alone == tuple(job_bands(loaded))
    plan = make_plan(loaded, draw(loaded), workers=2, memory_bytes=1e12, mesh=stub.mesh_shape)
    assert {cost.storage for cost in plan.band_costs} == {Storage.PACKED}
    assert plan.solved_alone == ()


def test_a_job_is_planned_from_two_coarse_meshes(write_job, stub):
    loaded = load_job(write_job())
    plan = make_plan(loaded, draw(loaded), workers=2, mesh=stub.mesh_shape)
    assert len(stub.meshed) == 2
    assert plan.n_shapes == 4
    assert plan.n_frequencies == 4
    assert [cost.band for cost in plan.band_costs] == list(job_bands(loaded))
    unknowns = [cost.unknowns for cost in plan.band_costs]
    assert unknowns == sorted(unknowns)
    one = make_plan(loaded, draw(loaded), workers=1, mesh=stub.mesh_shape)
    assert one.total_seconds > plan.total_seconds


def test_a_first_candidate_that_cannot_be_meshed_is_passed_over(write_job, stub):
    loaded = load_job(write_job())
    sampling = draw(loaded)
    first = sampling.candidates[0].values["lens.opening_height_mm"]
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm") == first
    assert make_plan(loaded, sampling, workers=2, mesh=stub.mesh_shape).n_shapes == 4


def test_what_cannot_be_meshed_is_one_line_each(write_job):
    def fail(shape, values, sizes, time_limit_s):
        msg = f"Invalid shape '{shape.name}'. Must be one that gmsh can mesh."
        raise MeshingError(msg)

    loaded = load_job(write_job())
    with pytest.raises(JobError) as caught:
        make_plan(loaded, draw(loaded), workers=2, mesh=fail)
    assert [fault.partition("small.toml: ")[2] for fault in caught.value.faults] == [
        "plain.py, baseline: Invalid shape 'plain'. Must be one that gmsh can mesh.",
        "lens.py, c001: Invalid shape 'lens'. Must be one that gmsh can mesh.",
        "lens.py, c002: Invalid shape 'lens'. Must be one that gmsh can mesh.",
        "lens.py, c003: Invalid shape 'lens'. Must be one that gmsh can mesh.",
    ]
