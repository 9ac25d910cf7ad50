# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving: limits that hold whatever is searched, slopes against differences, and a whole one.

The body is a small box, meshed by hand, with a patch of its front for a dome: so no mesher takes
part, and the solver does.
"""

import math
import shutil
from dataclasses import replace

import numpy as np
import pytest
import small_job

from bafflelens import store
from bafflelens.base.errors import GeometryError, InputError
from bafflelens.job.search_sections import CarveSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.report.page import render
from bafflelens.report.summary import view_of
from bafflelens.run import pipeline
from bafflelens.run.carving import carve
from bafflelens.run.carving.carve import with_changes
from bafflelens.run.carving.curvature import Bends, curvatures
from bafflelens.run.carving.descent import DescentPoint, model_of, next_point, step_of
from bafflelens.run.carving.displacement import CarvedHeight
from bafflelens.run.carving.room import CarvingRoom, _eased, room_to_carve
from bafflelens.run.on_request import carve_on_request
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.score import TERM_NAMES
from bafflelens.shapes.meshing.loading import load_script, load_shape
from bafflelens.store import open_run
from bafflelens.workers.work_units import Methods

DOME = SourceMotion(
    name="tweeter",
    axis=(1.0, 0.0, 0.0),
    centre=(0.0, 0.0, 0.0),
    piston_surfaces=("dome",),
    taper_surfaces=(),
    inner_radius_m=0.013,
    outer_radius_m=0.016,
)
USUAL = CarveSection(surfaces=("baffle",), radius_mm=5.0, edge_mm=5.0, outward_mm=6.0)


def half_box(width_m=0.12, height_m=0.16, depth_m=0.06, step_m=0.015):
    """The half y >= 0 of a box whose front is in x = 0, the dome a patch of it."""
    y = np.linspace(0, width_m / 2, round(width_m / 2 / step_m) + 1)
    z = np.linspace(-height_m / 2, height_m / 2, round(height_m / step_m) + 1)
    x = np.linspace(-depth_m, 0, round(depth_m / step_m) + 1)
    points, triangles, names = [], [], []

    def sheet(first, second, place, name_of, turned):
        start = len(points)
        points.extend(place(a, b) for a in first for b in second)
        for i in range(len(first) - 1):
            for j in range(len(second) - 1):
                n, across = start + i * len(second) + j, len(second)
                for corners in ((n, n + across, n + across + 1), (n, n + across + 1, n + 1)):
                    triangles.append(corners[::-1] if turned else corners)
                    names.append(name_of(np.mean([points[c] for c in corners], axis=0)))

    def front(middle):
        return "dome" if np.hypot(*middle[1:]) < 0.016 else "baffle"

    sheet(y, z, lambda a, b: (0.0, a, b), front, False)
    sheet(y, z, lambda a, b: (-depth_m, a, b), lambda _: "cabinet", True)
    sheet(x, z, lambda a, b: (a, width_m / 2, b), lambda _: "cabinet", True)
    sheet(x, y, lambda a, b: (a, b, height_m / 2), lambda _: "cabinet", False)
    sheet(x, y, lambda a, b: (a, b, -height_m / 2), lambda _: "cabinet", True)
    merged, inverse = np.unique(np.round(points, 9), axis=0, return_inverse=True)
    return Mesh(merged, inverse.ravel()[np.array(triangles)], np.array(names))


BOX = half_box()
WHOLE = BOX.mirrored("y")


def room(**changes):
    return room_to_carve(WHOLE, ["baffle"], [DOME], with_changes(USUAL, changes))


def at(found, field, y_mm, z_mm):
    return float(found.at(field, np.array([[y_mm, z_mm]]) * 1e-3)[0])


# ------------------------------------------------------------------ where may move how much
def test_the_box_is_closed_and_faces_outwards():
    BOX.require_closed(("y",))
    assert WHOLE.volume == pytest.approx(0.12 * 0.16 * 0.06)


def test_nothing_is_free_at_the_driver_or_the_edge_and_all_of_it_between():
    found = room(edge_mm=5.0)
    assert at(found, found.share, 0.0, 18.0) == 0  # 16 mm and 3 for the flange
    assert at(found, found.share, 0.0, 76.0) == 0
    assert at(found, found.share, 0.0, 48.0) > 0.8
    np.testing.assert_allclose(found.share, found.share[::-1])
    np.testing.assert_allclose(found.surface_m[np.isfinite(found.surface_m)], 0.0, atol=1e-12)


@pytest.mark.parametrize(
    ("key", "value", "y_mm", "z_mm"),
    [
        ("screws_mm", [[40.0, 50.0, 10.0]], 40.0, 50.0),
        ("boxes_mm", [[-50.0, 30.0, 50.0, 60.0]], 0.0, 48.0),
        ("reach_mm", 45.0, 0.0, 48.0),
        ("driver_mm", 40.0, 0.0, 48.0),
        ("dome_clearance_mm", 40.0, 0.0, 48.0),
        ("edge_mm", 30.0, 0.0, 60.0),
    ],
)
def test_what_a_keep_out_names_stays(key, value, y_mm, z_mm):
    free, found = room(), room(**{key: value, "outward_mm": 1.0, "inward_mm": 1.0})
    assert at(free, free.share, y_mm, z_mm) > 0
    assert at(found, found.share, y_mm, z_mm) == 0


def test_a_keep_out_on_one_side_keeps_the_other_too_if_both_are_alike():
    screw = [[40.0, 50.0, 10.0]]
    alike, apart = room(screws_mm=screw), room(screws_mm=screw, mirror=False)
    assert at(alike, alike.share, -40.0, 50.0) == 0
    assert at(apart, apart.share, -40.0, 50.0) > 0.1


def test_the_least_wall_is_left():
    found = room(material_mm=9.0, wall_mm=5.0, inward_mm=8.0)
    assert found.inward_m.max() == pytest.approx(0.004)
    thin = room_to_carve(
        half_box(depth_m=0.02).mirrored("y"),
        ["baffle"],
        [DOME],
        with_changes(USUAL, {"wall_mm": 17}),
    )
    assert thin.inward_m.max() == pytest.approx(0.003)  # as far as the body is thick


def test_where_the_material_steps_the_depth_is_eased_and_never_deeper():
    depth = np.where(np.arange(60) < 30, 0.004, 0.001)[:, np.newaxis] * np.ones(40)
    eased = _eased(depth)
    assert (eased <= depth).all()
    assert np.abs(np.diff(eased, axis=0)).max() < 5e-4
    assert eased[5, 20] == pytest.approx(0.004)
    assert eased[50, 20] == pytest.approx(0.001)


def test_keep_outs_that_cover_all_are_refused():
    with pytest.raises(
        InputError, match=r"Invalid keep-outs of \[carve\] on baffle.*nothing is left"
    ):
        room(driver_mm=100.0)


def test_a_radius_larger_than_the_room_is_refused():
    with pytest.raises(
        InputError, match=r"Invalid limits of \[carve\].*radius_mm = 150.*it takes"
    ):
        room(radius_mm=150.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"radius_mm": 0.0}, r"Invalid key 'carve.radius_mm' '0.0'. Must be a number from 1 to"),
        ({"outward_mm": 0.0, "inward_mm": 0.0}, "one with outward_mm or inward_mm above 0"),
        ({"wall_mm": 10.0, "material_mm": 9.0}, "wall_mm is below its material_mm"),
        (
            {"quieter_from_hz": 9000.0, "quieter_to_hz": 8000.0},
            "quieter_from_hz is below its quieter_to_hz",
        ),
        ({"screws_mm": [[1.0, 2.0]]}, r"a list of \[y, z, diameter\], in mm"),
    ],
)
def test_limits_that_contradict_themselves_are_refused(changes, message):
    with pytest.raises(InputError, match=message):
        with_changes(USUAL, changes)


# ------------------------------------------------------------------ heights
@pytest.mark.parametrize("mirror", [True, False])
def test_heights_stay_within_their_limits_whatever_is_searched(mirror):
    found = room(outward_mm=6.0, inward_mm=3.0, mirror=mirror)
    height = CarvedHeight(found, mirror=mirror)
    amounts = np.random.default_rng(1).normal(scale=0.1, size=height.shape)  # 100 mm
    on_map = height.on_map(amounts)
    assert on_map.max() <= 0.006
    assert on_map.min() >= -0.003
    assert max(on_map.max(), -on_map.min()) > 0.002
    assert not on_map[found.share == 0].any()
    assert np.allclose(on_map, on_map[::-1]) == mirror


def test_a_mesh_moves_as_the_map_says():
    found = room()
    height = CarvedHeight(found, mirror=True)
    amounts = np.random.default_rng(2).normal(scale=0.002, size=height.shape)
    places = height.places(BOX.vertices[:, 1:])
    on_map = found.at(height.on_map(amounts), BOX.vertices[:, 1:])
    # Between the points of the map, 1 mm apart, both are smooth, but not the same curve.
    np.testing.assert_allclose(height.heights(amounts, places)[0], on_map, atol=2e-5)


def test_slopes_of_heights_and_of_bending_are_those_of_differences():
    random = np.random.default_rng(3)
    found = room()
    slopes = random.normal(size=(2, *found.share.shape))
    bent = random.normal(scale=20.0, size=(3, *found.share.shape))  # radii of 50 mm and less
    bends = Bends(y=slopes[0], z=slopes[1], yy=bent[0], zz=bent[1], yz=bent[2])
    height = CarvedHeight(replace(found, bends=bends), mirror=True)
    places = height.places(random.uniform(-0.05, 0.05, (50, 2)))
    amounts, change = random.normal(scale=0.003, size=(2, *height.shape))
    weights = random.normal(size=50)
    step = 1e-6
    follows = height.heights(amounts, places)[1]
    slope = float((height.slope(weights, follows, places) * change).sum())
    high, low = (weights @ height.heights(amounts + s * change, places)[0] for s in (step, -step))
    assert slope == pytest.approx((high - low) / (2 * step), rel=1e-6)
    assert height.bending(amounts)[0] > 1e3  # far beyond what may be carved
    amounts *= next(s for s in 0.97 ** np.arange(200) if height.keeps_radius(s * amounts))
    cost, by_amounts = height.bending(amounts)
    assert 0 < cost < np.inf
    step = 1e-8
    high, low = (height.bending(amounts + s * change)[0] for s in (step, -step))
    assert float((by_amounts * change).sum()) == pytest.approx((high - low) / (2 * step), rel=1e-4)


def test_the_radius_is_that_of_a_known_bump():
    """A ball of 50 mm that stands on a front, level or sloping, has its radius everywhere."""
    y, z = np.meshgrid(np.arange(-10, 11) * 1e-3, np.arange(-8, 9) * 1e-3, indexing="ij")
    ones = np.ones(y.shape)
    for along_y, along_z in ((0.0, 0.0), (0.4, -0.3)):
        middle = -0.05 * np.array([along_y, along_z]) / np.sqrt(1 + along_y**2 + along_z**2)
        ball = -np.sqrt(0.05**2 - (y + middle[0]) ** 2 - (z + middle[1]) ** 2)
        added = ball - along_y * y - along_z * z
        flat = Bends.flat(y.shape)
        found = curvatures(added, replace(flat, y=along_y * ones, z=along_z * ones), 1e-3)
        np.testing.assert_allclose(1 / found[2:-2, 2:-2], 0.05, rtol=0.02)


def test_what_bending_costs_does_not_depend_on_the_step_of_the_maps():
    """A bump costs as much on either map at heights that differ by less than 0.3 %: the cost rises
    steeply at the limit, by a factor of thirteen within 2 % there."""
    heights = []
    for step in (1e-3, 5e-4):
        places = np.arange(-0.05, 0.05 + step / 2, step)
        ones = np.ones((len(places), len(places)))
        whole = CarvingRoom(
            y_m=places,
            z_m=places,
            share=ones,
            outward_m=0.08 * ones,
            inward_m=0.08 * ones,
            surface_m=0 * ones,
            bends=Bends.flat(ones.shape),
            radius_m=0.02,
            smoothing_m=0.02,
        )
        height = CarvedHeight(whole, mirror=False)
        bump = np.zeros(height.shape)
        bump[tuple(n // 2 for n in height.shape)] = 1.0
        free, dear = 0.015, 0.022
        assert height.bending(free * bump)[0] == 0.0 < 0.05 < height.bending(dear * bump)[0]
        for _ in range(12):
            middle = (free + dear) / 2
            is_dear = height.bending(middle * bump)[0] > 0.05
            free, dear = (free, middle) if is_dear else (middle, dear)
        heights.append(free)
    assert heights[0] == pytest.approx(heights[1], rel=0.003)


# ------------------------------------------------------------------ the descent
def test_a_valley_is_followed_to_its_end():
    """Rosenbrock's valley: the steepest descent alone gets nowhere in it."""

    def value(x):
        a, b = x[0]
        return 100 * (b - a * a) ** 2 + (1 - a) ** 2, None

    def slope(x, _):
        a, b = x[0]
        return np.array([[-400 * a * (b - a * a) - 2 * (1 - a), 200 * (b - a * a)]])

    def size(x):
        return float(np.abs(x).max())

    start = np.array([[-1.2, 1.0]])
    points = [
        DescentPoint(amounts=start, value=value(start)[0], slope=slope(start, None), found=None)
    ]
    limits = {"first_step": 0.1, "largest_step": 0.5}
    while len(points) < 80:
        following = next_point(points, value=value, slope=slope, size=size, **limits)
        if following is None:
            break
        assert following.value < points[-1].value
        assert size(following.amounts - points[-1].amounts) <= 0.5 + 1e-9
        points.append(following)
    np.testing.assert_allclose(points[-1].amounts, [[1.0, 1.0]], atol=1e-3)


def test_a_step_that_is_too_long_is_searched_again_and_not_only_cut_short():
    """Least of a plane's slope, where x_0 <= 1 is enforced: cut short, x_0 would stay at 0.2."""

    def cost(x):
        beyond = np.maximum(x - np.array([[1.0, np.inf]]), 0.0)
        return 50 * float((beyond**2).sum()), 100 * beyond

    start = DescentPoint(
        amounts=np.zeros((1, 2)), value=0.0, slope=np.full((1, 2), -1.0), found=None
    )
    found = next_point(
        [start],
        value=lambda x: (-float(x.sum()), None),
        slope=lambda x, _: -np.ones_like(x),
        size=lambda x: float(np.abs(x).max()),
        first_step=10.0,
        largest_step=2.0,
        cost=cost,
    )
    assert found.amounts[0, 1] == pytest.approx(2.0)
    assert 0.6 < found.amounts[0, 0] < 1.01


def test_points_that_are_not_allowed_are_never_taken():
    def value(x):
        return (float(x.sum()), None) if x.min() > -0.3 else None

    start = np.zeros((1, 2))
    points = [DescentPoint(amounts=start, value=0.0, slope=np.ones((1, 2)), found=None)]
    found = next_point(
        points,
        value=value,
        slope=lambda x, _: np.ones_like(x),
        size=lambda x: float(np.abs(x).max()),
        first_step=1.0,
        largest_step=1.0,
    )
    assert found is not None
    assert -0.3 < found.amounts.min() < -0.2


def test_nothing_leads_down_from_the_bottom():
    bottom = DescentPoint(amounts=np.zeros((1, 2)), value=0.0, slope=np.zeros((1, 2)), found=None)
    options = {"size": lambda x: float(np.abs(x).max()), "first_step": 1.0, "largest_step": 1.0}
    assert next_point([bottom], value=lambda x: (1.0, None), slope=None, **options) is None


def test_one_step_remembered_scales_the_steepest_descent():
    points = [
        (np.array([[1.0, 1.0]]), np.array([[4.0, 4.0]])),
        (np.zeros((1, 2)) + 0.5, np.full((1, 2), 2.0)),
    ]
    step, promised = step_of(points[-1], model_of(points, 1.0), free)
    np.testing.assert_allclose(step, [[-0.5, -0.5]], rtol=1e-4)  # Newton's step of 2 x^2
    assert promised == pytest.approx(1.0, rel=1e-4)


def free(amounts):
    return 0.0, np.zeros_like(amounts)


def test_what_is_remembered_of_a_quadratic_is_its_own_curvature():
    random = np.random.default_rng(5)
    root = random.normal(size=(4, 4))
    matrix = root @ root.T + np.eye(4)
    along = np.linalg.eigh(matrix)[1]
    places = [np.zeros(4)]
    for one in along.T:  # conjugate steps: after them the model is the matrix
        places.append(places[-1] + one)
    model = model_of([(x, matrix @ x) for x in places], 1.0)
    np.testing.assert_allclose(
        model.times(random_step := random.normal(size=4)), matrix @ random_step
    )


def test_a_step_goes_along_a_stiff_limit_and_few_dear_values_are_asked():
    """Least of |x - (2, 1)|^2, stretched, where x_0 <= 1 is enforced by a stiff cost."""
    asked = 0

    def value(x):
        nonlocal asked
        asked += 1
        return float((x[0, 0] - 2) ** 2 + 20 * (x[0, 1] - 1 - 0.3 * x[0, 0]) ** 2), None

    def slope(x, _):
        along = 40 * (x[0, 1] - 1 - 0.3 * x[0, 0])
        return np.array([[2 * (x[0, 0] - 2) - 0.3 * along, along]])

    def cost(x):
        beyond = np.maximum(x - np.array([[1.0, np.inf]]), 0.0)
        return 1e5 * float((beyond**2).sum()), 2e5 * beyond

    start = np.zeros((1, 2))
    points = [
        DescentPoint(amounts=start, value=value(start)[0], slope=slope(start, None), found=None)
    ]
    limits = {"first_step": 0.1, "largest_step": 1.0, "size": lambda x: float(np.abs(x).max())}
    for _ in range(12):
        following = next_point(points, value=value, slope=slope, cost=cost, **limits)
        if following is None:
            break
        points.append(following)
    np.testing.assert_allclose(points[-1].amounts, [[1.0, 1.3]], atol=2e-3)
    assert asked < 25


# ------------------------------------------------------------------ a whole carving
def mesh_by_hand(shape, values, sizes, time_limit_s):
    """Stand in for the mesher: every shape is the box, moved where its declaration says so."""
    finish = getattr(load_script(shape.script), "finish", lambda mesh: mesh)
    return tuple(finish(BOX) for _ in sizes)


METHODS = Methods(mesh_shape=mesh_by_hand, warm_up=lambda report: None)
FEW = ("candidates = 3", "candidates = 1")
CARVE = """
[carve]
surfaces = ["baffle"]
steps = 2
radius_mm = 5
edge_mm = 5
"""


@pytest.fixture
def box_options(options):
    """Options of a run that meshes the box by hand, and solves it."""
    return replace(options, methods=METHODS)


@pytest.fixture(scope="module")
def solved_box(tmp_path_factory, open_pool):
    """The folder of a run of the box, without pages, with one candidate."""
    folder = tmp_path_factory.mktemp("box")
    job = small_job.write(folder, FEW)
    job.write_text(job.read_text() + CARVE)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pipeline, "report_run", lambda *_: None)
        options = RunOptions(results=folder, methods=METHODS, open_pool=open_pool)
        return run_job(job, options).folder.path


@pytest.fixture
def box_run(solved_box, tmp_path):
    return shutil.copytree(solved_box, tmp_path / solved_box.name)


def test_a_carving_is_kept_ranked_and_goes_on_where_it_was_stopped(box_run, box_options):
    found = carve_on_request(box_run, "c001", box_options)
    folder = open_run(box_run)
    assert found.candidate == "c001_carved"
    scores = [step.score_db for step in found.steps]
    assert len(scores) == 3
    assert scores[-1] < scores[0] - 0.05
    assert all(step.radii.radius_m >= 0.005 for step in found.steps)
    assert "0.0 mm out, 0.0 mm in" in found.steps[0].text
    carved = next(c for c in folder.candidates() if c.id == "c001_carved")
    assert carved.status == store.SOLVED
    # Draft and job have the same meshes and frequencies here: so the shape that was kept, built
    # from its files, scores what the last step did.
    assert carved.score.total_db == pytest.approx(min(scores), abs=0.01)
    mesh = folder.load_mesh("c001_carved")
    moved = mesh.vertices[:, 0] - BOX.vertices[:, 0]
    assert np.abs(moved).max() > 1e-3
    assert not moved[BOX.triangles[BOX.surface != "baffle"]].any()
    sheet, text = folder.carving_paths("c001_carved")
    assert sheet.stat().st_size > 10_000
    assert "smallest radius" in text.read_text()
    # A carving that was stopped after its first step goes on from there and ends alike.
    for path in box_run.glob("candidates/c001_carved/carved_*.npz"):
        target = box_run / "candidates/c001_carved2" / path.name
        target.parent.mkdir(exist_ok=True)
        if not path.name.startswith("carved_002"):
            target.write_bytes(path.read_bytes())
    again = carve_on_request(box_run, "c001", box_options)
    assert again.candidate == "c001_carved2"
    # It begins with other answers than the first, so that they agree within the residual.
    assert [step.score_db for step in again.steps] == pytest.approx(scores, abs=0.02)
    # Other limits begin anew.
    third = carve_on_request(box_run, "c001", box_options, changes={"outward_mm": 2.0, "steps": 1})
    assert third.candidate == "c001_carved3"
    assert len(third.steps) == 2


def test_a_carving_that_goes_on_takes_the_meshes_that_it_had(box_run, box_options, monkeypatch):
    """Scores on others differ by what the meshes are off by: no step would seem to lead lower."""
    monkeypatch.setattr(carve, "degraded", lambda *_: "worn")
    found = carve_on_request(box_run, "c001", box_options)
    assert [step.meshes for step in found.steps] == [1, 1, 2]
    assert found.best == 2  # whatever the first meshes said
    monkeypatch.setattr(carve, "degraded", lambda *_: "")
    copied(box_run, "c001_carved", "c001_carved2")
    again = carve_on_request(box_run, "c001", box_options, changes={"steps": 3})
    assert again.candidate == "c001_carved2"
    assert [step.meshes for step in again.steps] == [1, 1, 2, 2]
    # Worn ones are made anew before it goes on; steps on others do not say that it stands still.
    monkeypatch.setattr(carve, "degraded", lambda *_: "worn")
    monkeypatch.setattr(carve, "_LEAST_GAIN_DB", 1e3)
    copied(box_run, "c001_carved2", "c001_carved3")
    last = carve_on_request(box_run, "c001", box_options, changes={"steps": 4})
    assert [step.meshes for step in last.steps] == [1, 1, 2, 2, 3]
    assert last.why == "4 steps are done"


def test_where_it_stands_still_it_goes_on_with_a_score_that_is_less_softened(
    box_run, box_options, monkeypatch
):
    monkeypatch.setattr(carve, "_LEAST_GAIN_DB", 1e3)
    monkeypatch.setattr(carve, "_LOOK_BACK", 1)
    found = carve_on_request(box_run, "c001", box_options, changes={"steps": 3})
    softness = [step.softness_db for step in found.steps]
    assert softness == pytest.approx([0.3, 0.3, 0.1, 0.1])
    off = [abs(step.softened_db - step.score_db) for step in found.steps]
    assert max(off[2:]) < 0.6 * min(off[:2])
    # Stopped there, it goes on as softly as it was.
    copied(box_run, "c001_carved", "c001_carved2")
    again = carve_on_request(box_run, "c001", box_options, changes={"steps": 4})
    assert again.steps[-1].softness_db == pytest.approx(0.1)
    assert [step.number for step in again.steps] == [0, 1, 2, 3, 4]


def copied(run, name, other):
    """Keep the steps of a carving under another name, as if it had been stopped after them."""
    target = run / "candidates" / other
    target.mkdir()
    for path in run.glob(f"candidates/{name}/carved_*.npz"):
        shutil.copy(path, target)


def test_what_is_carved_gets_quieter_than_the_baseline_if_that_is_asked(box_run, box_options):
    changes = {"quieter_than_baseline": True, "quieter_from_hz": 2500.0}
    found = carve_on_request(box_run, "c001", box_options, changes=changes)
    first, last = found.steps[0], found.steps[-1]
    # The baseline is the same box, with the same mesh: so nothing is louder, nor quieter.
    assert first.above_db == pytest.approx(0.0, abs=1e-3)
    assert first.louder_db > 0.1  # by the margin
    assert last.louder_db < 0.8 * first.louder_db
    assert last.followed_db < first.followed_db - 0.05
    _, text = open_run(box_run).carving_paths("c001_carved")
    # Draft and job have the same meshes and frequencies here.
    assert f"{last.above_db:+.1f} dB re the baseline in each third octave from 2500" in (
        text.read_text()
    )


def test_the_slope_of_a_carving_is_that_of_differences(box_run, box_options, monkeypatch):
    """The whole chain: score, crossover, far field, surface, height; no mesh in between."""

    seen = {}

    def look(carving, points):
        evaluation, start = carving.evaluation, points[0]
        change = np.random.default_rng(5).normal(size=start.amounts.shape)
        change -= 30 * start.slope / np.abs(start.slope).max()
        step = 2e-5  # heights of some hundredths of a millimetre
        high, low = (evaluation.value(start.amounts + s * change)[0] for s in (step, -step))
        seen["differences"] = (high - low) / (2 * step)
        seen["slope"] = float((start.slope * change).sum())
        return "looked at"

    monkeypatch.setattr(carve, "_descend", look)
    monkeypatch.setattr(CarvedHeight, "keeps_radius", lambda *_: True)  # any place may move
    carve_on_request(box_run, "c001", box_options)
    assert abs(seen["slope"]) > 1
    # 10 mm elements at 4 kHz, and a patch of a flat front for a dome: see the tests of the slope
    # over a surface for how it falls with the element size.
    assert seen["slope"] == pytest.approx(seen["differences"], rel=0.15)


def test_a_carving_can_follow_a_family_of_dome_motions(write_job, box_options, monkeypatch):
    """The slope of mean and spread against differences; then a step, kept and judged alike."""

    job = write_job(FEW, ("[score]", '[score]\ndomes = "mean-and-spread"'))
    family = '[domes.tweeter]\nkind = "soft"\nmembers = 4\n'
    job.write_text(job.read_text() + family + CARVE.replace("steps = 2", "steps = 1"))
    path = run_job(job, box_options).folder.path
    seen = {}
    descend = carve._descend

    def look(carving, points):
        evaluation, start = carving.evaluation, points[0]
        assert start.found.weights.shape[0] == 7
        change = np.random.default_rng(5).normal(size=start.amounts.shape)
        change -= 30 * start.slope / np.abs(start.slope).max()
        step = 2e-5
        high, low = (evaluation.value(start.amounts + s * change)[0] for s in (step, -step))
        seen["differences"] = (high - low) / (2 * step)
        seen["slope"] = float((start.slope * change).sum())
        return descend(carving, points)

    monkeypatch.setattr(carve, "_descend", look)
    monkeypatch.setattr(CarvedHeight, "keeps_radius", lambda *_: True)  # any place may move
    found = carve_on_request(path, "c001", box_options)
    assert abs(seen["slope"]) > 1
    assert seen["slope"] == pytest.approx(seen["differences"], rel=0.15)  # as for a rigid dome
    scores = [step.score_db for step in found.steps]
    assert scores[1] < scores[0]
    folder = open_run(path)
    domes = folder.domes()["c001_carved"]
    carved = next(c for c in folder.candidates() if c.id == "c001_carved")
    assert carved.score.total_db == pytest.approx(domes.mean_db + domes.spread_db)
    assert carved.score.total_db == pytest.approx(min(scores), abs=0.01)


@pytest.mark.usefixtures("without_figures")
def test_the_leaders_of_a_run_are_carved_within_it(write_job, box_options):
    job = write_job(FEW)
    carve = CARVE.replace("steps = 2", "steps = 1\nleaders = 1")
    job.write_text(job.read_text() + carve)
    result = run_job(job, box_options)
    places = {row.candidate.id: row.place for row in result.rows}
    assert places["c001_carved"] < places["c001"]
    remarks = " ".join(result.folder.load_record().remarks)
    assert "carving c001 gained" in remarks
    carved = next(row.candidate for row in result.rows if row.candidate.id == "c001_carved")
    assert "carved from c001" in carved.label
    assert math.isfinite(carved.score.total_db)
    # The report leads with what it gained.
    folder = result.folder
    page = render(view_of(folder, folder.load_job(), folder.load_record()))
    assert page.index("Carving ") < page.index('id="carving"') < page.index('id="ranking"')


@pytest.mark.parametrize(
    ("candidate", "changes", "message"),
    [
        ("c7", {}, "Invalid candidate 'c7'"),
        ("c001", {"surfaces": ["lens"]}, "Invalid key 'carve.surfaces' 'lens'.*baffle"),
        ("c001", {"driver_mm": 100.0}, "nothing is left to carve"),
        ("c001", {"steps": 0}, "Invalid key 'carve.steps' '0'. Must be a whole number"),
        (
            "c001",
            {"quieter_than_baseline": True, "quieter_to_hz": 9000.0},
            "Invalid key 'carve.quieter_to_hz' '9000'. Must be from 2000 to 4000 Hz",
        ),
        (
            "c001",
            {"quieter_than_baseline": True, "quieter_from_hz": 4000.0},
            "Invalid key 'carve.quieter_from_hz' '4000'. Must be below 4000 Hz",
        ),
    ],
)
def test_what_cannot_be_carved_is_one_clear_line(
    box_run, box_options, candidate, changes, message
):
    with pytest.raises(InputError, match=message):
        carve_on_request(box_run, candidate, box_options, changes=changes)
    known = [c.id for c in open_run(box_run).candidates()]
    assert known == ["baseline", "c001"]


def test_a_candidate_that_meets_its_target_has_nothing_to_carve(write_job, box_options):
    lenient = "".join(f"[score.{name}]\ntolerance_db = 20\n" for name in TERM_NAMES)
    job = write_job(FEW)
    job.write_text(job.read_text() + lenient + CARVE)
    folder = run_job(job, box_options).folder.path
    with pytest.raises(InputError, match="one whose score has a slope left: this one meets"):
        carve_on_request(folder, "c001", box_options)


def test_a_carved_shape_keeps_only_planes_that_its_parent_has(box_run, box_options):
    carve_on_request(box_run, "c001", box_options, changes={"steps": 1})
    declaration = box_run / "shapes" / "carved.c001_carved" / "c001_carved.toml"
    assert load_shape(declaration).symmetry == ("y",)
    text = declaration.read_text()
    declaration.write_text(text.replace('symmetry = ["y"]', 'symmetry = ["z"]'))
    with pytest.raises(GeometryError, match=r"Invalid key 'symmetry' 'z'\. Must be planes"):
        load_shape(declaration)


def test_what_was_carved_or_scanned_can_be_carved_as_it_is(box_run, box_options):
    """The carved shape is declared as a scan is: so this is carving the clay as it is."""
    first = carve_on_request(box_run, "c001", box_options, changes={"steps": 1})
    second = carve_on_request(box_run, first.candidate, box_options, changes={"steps": 1})
    assert second.candidate == "c001_carved_carved"
    assert second.steps[0].score_db == pytest.approx(first.steps[1].score_db, abs=0.01)
    folder = open_run(box_run)
    before, after = (folder.load_mesh(name) for name in (first.candidate, second.candidate))
    assert np.abs(after.vertices - before.vertices).max() > 5e-4
    scores = {c.id: c.score.total_db for c in folder.candidates()}
    assert scores["c001_carved_carved"] == pytest.approx(second.steps[-1].score_db, abs=0.01)


def test_slopes_in_two_pieces_are_those_in_one(box_run, box_options, monkeypatch):
    """As a card has them made: plane waves by one worker, what follows from them by another."""
    submitted = []

    def look(carving, points):
        evaluation, start = carving.evaluation, points[0]
        submit = carving.run.pool.submit

        def noted(name, function, *arguments, **wishes):
            submitted.append((function.__name__, wishes.get("card", False)))
            return submit(name, function, *arguments, **wishes)

        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(type(evaluation._settings), "on_card", True)
            patched.setattr(carving.run.pool, "submit", noted)
            again = evaluation.slope(start.amounts, start.found)
        np.testing.assert_allclose(again, start.slope, rtol=1e-6, atol=1e-9)
        return "looked at"

    monkeypatch.setattr(carve, "_descend", look)
    carve_on_request(box_run, "c001", box_options)
    assert set(submitted) == {("plane_waves_of_band", True), ("slope_from_fields", False)}
