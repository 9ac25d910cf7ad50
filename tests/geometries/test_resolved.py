# SPDX-License-Identifier: GPL-3.0-or-later
"""What the parameters of a shape resolve to: what stands for another value, what is not there.

The property that proves it: a shape built from what its parameters resolve to is the same shape.
"""

import random

import pytest

from bafflelens.base.errors import GeometryError
from bafflelens.shapes.meshing.loading import (
    check_parameters,
    dimensions_of_shape,
    load_script,
    load_shape,
)
from bafflelens.shapes.meshing.parameters import fill_parameters

from .conftest import GEOMETRIES
from .draws import draw_values

SCRIPTS = sorted(GEOMETRIES.glob("*.py"))
LENSES = ["arc_lens", "conic_lens", "exponential_lens", "spline_lens"]
ABSENT = ("plate.", "felt.", "head.", "midrange.")
DRAWS = 30


def dimensions(name, **values):
    """Return what a shape comes to; of a key the dot is written as two underscores."""
    given = {key.replace("__", "."): value for key, value in values.items()}
    shape = load_shape(GEOMETRIES / f"{name}.py")
    assert check_parameters(shape, given) == []
    return dimensions_of_shape(shape)(given)


def test_a_lower_wall_as_above_has_the_dimensions_of_the_upper_one():
    found = dimensions(
        "arc_lens",
        upper__mouth_height_mm=52.4,
        upper__opening_angle_deg=40.8,
        lower__mouth_height_mm=0,
        lower__opening_angle_deg=35,
    )
    assert found["lower.mouth_height_mm"] == 52.4
    assert found["lower.opening_angle_deg"] == 40.8
    assert not [key for key in found if key.startswith(ABSENT)]


def test_a_lower_wall_of_its_own_keeps_its_dimensions():
    found = dimensions(
        "arc_lens",
        upper__mouth_height_mm=52.4,
        upper__opening_angle_deg=40.8,
        lower__mouth_height_mm=48,
        lower__opening_angle_deg=35,
    )
    assert (found["lower.mouth_height_mm"], found["lower.opening_angle_deg"]) == (48, 35)
    assert (found["upper.mouth_height_mm"], found["upper.opening_angle_deg"]) == (52.4, 40.8)


def test_of_two_midranges_the_one_that_is_not_there_is_not_told():
    found = dimensions("two_way")
    assert found["midrange.below_mm"] == 110
    assert "midrange.above_mm" not in found
    assert found["midrange.diameter_mm"] == 90
    alone = dimensions("two_way", midrange__below_mm=0)
    assert not [key for key in alone if key.startswith("midrange.")]


def test_a_width_that_is_left_to_the_cabinet_is_the_cabinets():
    found = dimensions("shaped_cabinet", head__height_mm=100, cabinet__width_mm=220)
    assert (found["head.bottom_width_mm"], found["head.top_width_mm"]) == (220, 220)
    tapered = dimensions("shaped_cabinet", head__height_mm=100, head__bottom_width_mm=180)
    assert (tapered["head.bottom_width_mm"], tapered["head.top_width_mm"]) == (180, 180)


@pytest.mark.parametrize("name", ["plain_baffle", "vertical_lens", "two_way"])
def test_an_edge_has_a_radius_or_a_chamfer(name):
    radius, chamfer = "cabinet.edge_radius_mm", "cabinet.edge_chamfer_mm"
    rounded = dimensions(name)
    assert rounded[radius] == 15
    assert chamfer not in rounded
    cut = dimensions(name, cabinet__edge_radius_mm=0, cabinet__edge_chamfer_mm=12)
    assert cut[chamfer] == 12
    assert radius not in cut
    assert dimensions(name, cabinet__edge_radius_mm=0)[radius] == 0  # sharp, which is told


def test_a_ring_of_felt_is_told_where_there_is_one():
    assert not [key for key in dimensions("plain_baffle") if key.startswith("felt.")]
    ring = dimensions("plain_baffle", felt__width_mm=20)
    assert (ring["felt.width_mm"], ring["felt.thickness_mm"]) == (20, 5)


def test_a_plate_is_round_or_rectangular():
    assert "plate.width_mm" not in dimensions("faceplate")
    square = dimensions(
        "faceplate", plate__diameter_mm=0, plate__width_mm=110, plate__height_mm=110
    )
    assert "plate.diameter_mm" not in square
    assert square["plate.height_mm"] == 110


@pytest.mark.parametrize("script", SCRIPTS, ids=[path.stem for path in SCRIPTS])
def test_a_script_resolves_its_own_parameters_and_what_they_come_to_is_the_same_shape(script):
    module, shape = load_script(script), load_shape(script)
    tell, draw, n_fit = dimensions_of_shape(shape), random.Random(5), 0
    for _ in range(DRAWS):
        values = draw_values(shape, draw)
        given = fill_parameters(module, values)
        assert set(module.resolved(given)) <= set(shape.defaults)
        if check_parameters(shape, values):
            continue
        n_fit += 1
        found = tell(values)
        built = fill_parameters(module, {**values, **found})
        assert check_parameters(shape, {**values, **found}) == []
        assert module.sources(built) == module.sources(given)
        assert tell({**values, **found}) == found
    assert n_fit > 0


@pytest.mark.parametrize("name", LENSES)
def test_a_lens_as_resolved_has_the_walls_and_the_cabinet_of_the_one_given(name):
    from bafflelens.shapes.lens_loudspeaker import lens_loudspeaker

    module = load_script(GEOMETRIES / f"{name}.py")
    given = {"head.height_mm": 80.0, "midrange.below_mm": 150.0, "lower.blend_mm": 20.0}
    found = dimensions_of_shape(load_shape(GEOMETRIES / f"{name}.py"))(given)
    assert found["lower.blend_mm"] == found["upper.blend_mm"] != 20.0
    one, other = (
        lens_loudspeaker(fill_parameters(module, values)) for values in (given, {**given, **found})
    )
    assert one == other


SCRIPT = (GEOMETRIES / "plain_baffle.py").read_text()


def script_that_resolves(tmp_path, body):
    """Return a shape whose script has another ``resolved``, or none."""
    path = tmp_path / "own.py"
    start, end = SCRIPT.index("def resolved("), SCRIPT.index("def build(")
    path.write_text(SCRIPT[:start] + body + "\n\n\n" + SCRIPT[end:])
    return load_shape(path)


def test_a_script_that_does_not_say_resolves_to_what_was_given(tmp_path):
    shape = script_that_resolves(tmp_path, "")
    found = dimensions_of_shape(shape)({"cabinet.width_mm": 222})
    assert found == {**shape.defaults, "cabinet.width_mm": 222}


@pytest.mark.parametrize(
    ("result", "message"),
    [
        ("{'felt.with_mm': None}", r"Invalid key 'felt.with_mm'. Must be a parameter of own"),
        (
            "{'felt.width_mm': float('nan')}",
            r"Invalid value of 'felt.width_mm' 'nan'. Must be a f",
        ),
        ("{'felt.width_mm': '3'}", r"Invalid value of 'felt.width_mm' '3'. Must be a finite"),
        ("[1, 2]", r"resolved\(\): Invalid result 'list'. Must be a dict from key to number"),
        ("1 / 0", r"Invalid geometry script 'ZeroDivisionError: division by zero'"),
    ],
)
def test_a_script_that_resolves_to_nonsense_is_refused_before_anything_is_solved(
    tmp_path, result, message
):
    shape = script_that_resolves(tmp_path, f"def resolved(parameters):\n    return {result}")
    with pytest.raises(GeometryError, match=message):
        check_parameters(shape, {})
