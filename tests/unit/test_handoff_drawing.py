# SPDX-License-Identifier: GPL-3.0-or-later
"""The drawing: what of a line is hidden, outlines of curved faces, and the tolerances on it."""

from dataclasses import replace
from types import SimpleNamespace
from unittest.mock import MagicMock

import numpy as np
import pytest
import trimesh

from bafflelens.handoff.annotation import _tip
from bafflelens.handoff.dimension import OnSheet, general
from bafflelens.handoff.hidden_lines import (
    FROM_RIGHT,
    FRONT,
    heights_of,
    outlines,
    runs,
    uncovered,
)
from bafflelens.handoff.sheet import allowed_changes, rows_of_parameters
from bafflelens.handoff.sheet_flow import Flow
from bafflelens.handoff.sheet_frame import FRAME_MM, TITLE_BLOCK_MM
from bafflelens.mesh.mesh import Mesh
from bafflelens.scoring.sensitivity import ParameterChange, Robustness


def mesh_of(*parts):
    """One mesh of several closed bodies."""
    whole = trimesh.util.concatenate(parts)
    names = np.full(len(whole.faces), "lens")
    return Mesh(np.array(whole.vertices), np.array(whole.faces, dtype=np.int64), names)


def box(size, centre):
    return trimesh.creation.box(size, trimesh.transformations.translation_matrix(centre))


@pytest.mark.parametrize(
    ("view", "right", "up", "toward"),
    [
        (FRONT, (0, 1, 0), (0, 0, 1), (1, 0, 0)),
        (FROM_RIGHT, (1, 0, 0), (0, 0, 1), (0, -1, 0)),
    ],
)
def test_views_are_those_of_the_first_angle(view, right, up, toward):
    """What stands to the right of the front is seen from the viewer's left, its own right."""
    assert view.right == right
    assert view.up == up
    assert view.toward == pytest.approx(toward)


def test_a_bar_is_hidden_where_a_plate_is_in_front_of_it():
    """A plate 40 mm wide, 20 mm before a bar of 100 mm: 40 mm of it are hidden."""
    plate, bar = box((0.002, 0.04, 0.05), (0.02, 0, 0)), box((0.002, 0.1, 0.01), (0, 0, 0))
    heights = heights_of(mesh_of(plate, bar), FRONT)
    line = np.array([[0.001, -0.05, 0.005], [0.001, 0.05, 0.005]])
    pieces = list(runs(line, heights, 0.2e-3))
    assert [hidden for _, hidden in pieces] == [False, True, False]
    lengths = [np.ptp(points[:, 1]) * 1e3 for points, _ in pieces]
    assert lengths == pytest.approx([30, 40, 30], abs=1.0)  # two cells
    assert sum(lengths) == pytest.approx(100)
    # From behind nothing would be in front of it, and the plate's own edges are all seen.
    edge = np.array([[0.021, -0.02, 0.025], [0.021, 0.02, 0.025]])
    assert [hidden for _, hidden in runs(edge, heights, 0.2e-3)] == [False]
    assert [hidden for _, hidden in runs(line, heights_of(mesh_of(bar), FRONT), 1e-3)] == [False]


def test_an_edge_on_the_outline_is_seen_from_all_sides():
    cube = mesh_of(box((0.1, 0.1, 0.1), (0, 0, 0)))
    behind = np.array([[-0.05, -0.05, 0.05], [-0.05, 0.05, 0.05]])
    inside = np.array([[-0.05, -0.04, 0.04], [-0.05, 0.04, 0.04]])
    for view in (FRONT, FROM_RIGHT):
        assert [hidden for _, hidden in runs(behind, heights_of(cube, view), 1e-3)] == [False]
    assert [hidden for _, hidden in runs(inside, heights_of(cube, FRONT), 1e-3)] == [True]


def test_of_lines_on_one_another_one_is_drawn():
    """A hidden ring that runs round twice, one like it, and lines along and across a seen one."""
    angle = np.linspace(0, 4 * np.pi, 401)
    twice = 20 * np.column_stack((np.cos(angle), np.sin(angle)))
    once = twice[50:251]
    along = np.linspace(-30, 30, 121)
    seen = np.column_stack((along, np.full(121, 40.0)))
    partly = seen[60:] + np.array([15.0, 0.0])
    across = np.column_stack((np.full(121, 10.0), 40 + along))
    step = 2 * np.pi * 20 / 200
    found = uncovered([twice, once, partly, across], [seen], step)
    lengths = sorted(float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) for line in found)
    # What is beyond the seen line, all of the line across it, and the ring once.
    assert lengths == pytest.approx([15.0, 60.0, 2 * np.pi * 20], abs=3 * step)


def test_the_arc_of_an_angle_lies_between_its_legs():
    """60 degrees from the axis: the leader ends half-way on the arc, at 30 degrees."""
    ends = (0.0, 0.0), (40.0, 0.0), (20.0, 20.0 * np.sqrt(3))
    row = general("Q", "wall", "how", 60.0, unit="deg",
                  shown=OnSheet(how="angle", at_mm=ends, side="left"))  # fmt: skip
    drawn = []
    canvas = SimpleNamespace(
        arc=lambda *args: drawn.append(args), line=lambda *_: None, beginPath=MagicMock(),
        drawPath=lambda *_, **__: None,
    )  # fmt: skip
    x, y = _tip(canvas, row, lambda u, v: (u, v))
    assert np.degrees(np.arctan2(y, x)) == pytest.approx(30.0)
    ((left, low, right, high, start, extent),) = drawn
    assert np.hypot(x, y) == pytest.approx((right - left) / 2)
    assert (start, extent) == pytest.approx((0.0, 60.0))
    assert (left + right, low + high) == pytest.approx((0.0, 0.0))
    straight = replace(
        row, shown=OnSheet(how="angle", at_mm=((0, 0), (40, 0), (30, 0)), side="left")
    )
    assert _tip(canvas, straight, lambda u, v: (u, v)) == (15.0, 0.0)
    assert len(drawn) == 1


def test_the_outline_of_a_ball_is_a_circle_and_a_cube_has_none():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=0.05)
    turned = trimesh.transformations.rotation_matrix(0.3, (1, 2, 3))
    ball.apply_transform(turned)  # else the outline would run along edges by chance
    (ring,) = outlines(mesh_of(ball), FRONT)
    assert ring[0] == pytest.approx(ring[-1])
    assert np.hypot(ring[:, 1], ring[:, 2]) == pytest.approx(0.05, rel=2e-3)
    assert outlines(mesh_of(box((0.1, 0.1, 0.1), (0, 0, 0))), FRONT) == []


def test_an_acoustic_tolerance_is_not_told_beyond_what_was_solved():
    """0.2 dB for 1 mm are 2.5 mm for 0.5 dB; 0.01 dB would be 50 mm, of which nothing is known."""

    def change(key, cost):
        return ParameterChange(key=key, unit="mm", tolerance=1.0, less_db=0.0, more_db=cost)

    changes = (change("a", 0.2), change("b", 0.01), change("c", -0.3), change("d", None))
    unknown = ParameterChange(key="e", unit="mm", tolerance=1.0, less_db=None, more_db=None)
    found = allowed_changes(Robustness(candidate="c1", score_db=3.0, changes=(*changes, unknown)))
    assert found["a"].text == "±2.5 mm"
    assert found["b"].text == "> ±5 mm"
    assert found["c"].text == "> ±5 mm"  # it only got better
    assert found["d"].text == "> ±5 mm"
    assert "e" not in found
    assert allowed_changes(None) == {}


def test_many_parameters_take_more_sheets_than_one():
    """None is lost, none runs into the title block, and each sheet has the heads."""
    parameters = [
        SimpleNamespace(key=f"part.p{n}_mm", unit="mm", help="word " * (n % 60)) for n in range(90)
    ]
    dimensions = dict.fromkeys([p.key for p in parameters[:-1]], 1.0)
    shape = SimpleNamespace(parameters=parameters)
    rows = rows_of_parameters(SimpleNamespace(shape=shape, dimensions=dimensions, robustness=None))
    assert [row[0] for row in rows] == [f"part p{n}" for n in range(89)]  # one is not there
    flow = Flow()
    flow.table(("Parameter", "Value", "Cost", "What it is"), (92, 34, 48, 204), rows)
    assert len(flow.pages) > 1
    texts = [entry for page in flow.pages for entry in page.texts]
    assert sum(text == "Parameter" for text, *_ in texts) == len(flow.pages)
    assert {row[0] for row in rows} <= {text for text, *_ in texts}
    assert sum(text.split().count("word") for text, *_ in texts) == sum(n % 60 for n in range(89))
    assert min(y for _, _, y, _ in texts) > TITLE_BLOCK_MM[3]
    assert max(y for _, _, y, _ in texts) < FRAME_MM[3]
