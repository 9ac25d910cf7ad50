"""A combination of parameters that cannot be built is told by its rule, whichever it is."""

import random

import pytest

from bafflelens.base.errors import GeometryError
from bafflelens.job.job_file import load_job
from bafflelens.shapes.meshing.loading import load_script, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import broken_rules, fill_parameters

from .conftest import GEOMETRIES
from .draws import draw_values

SCRIPTS = sorted(GEOMETRIES.glob("*.py"))
DRAWS = 10


def combinations(shape):
    """Yield ends of two parameters at a time, then random draws."""
    draw = random.Random(11)
    for _ in range(DRAWS):
        one, other = draw.sample(shape.parameters, 2)
        yield {one.key: one.low, other.key: other.low}
        yield {one.key: one.high, other.key: draw.uniform(other.low, other.high)}
        yield draw_values(shape, draw)
    yield {p.key: p.high for p in shape.parameters}


@pytest.mark.parametrize("script", SCRIPTS, ids=[path.stem for path in SCRIPTS])
def test_where_no_rule_is_broken_there_are_sources(script):
    module, shape = load_script(script), load_shape(script)
    n_fit = n_broken = 0
    for values in combinations(shape):
        faults = broken_rules(module, shape, values)
        if faults:
            n_broken += 1
            assert all("Must be" in fault for fault in faults), faults
        else:
            n_fit += 1
            assert module.sources(fill_parameters(module, values))
    assert n_fit > 0
    assert n_broken > 0


@pytest.mark.parametrize("name", ["arc_lens", "conic_lens"])
def test_sources_of_what_cannot_be_built_are_refused_by_the_rule(name):
    """A depth of 18 mm with a mouth of 40 mm: the blend of the wall has no room."""
    shape = load_shape(GEOMETRIES / f"{name}.py")
    values = {"lens.depth_mm": 18, "upper.mouth_height_mm": 40, "upper.opening_angle_deg": 20}
    values["upper.blend_mm"] = 30
    with pytest.raises(GeometryError, match=r"Invalid upper .* Must be"):
        source_motions(shape, values)


JOB = """
title = "A range that begins where nothing fits"
[geometry]
script = "{geometries}/{name}.py"
[geometry.lens]
depth_mm = {{ from = 18, to = 40 }}
[geometry.upper]
mouth_height_mm = {{ from = 40, to = 70 }}
opening_angle_deg = {{ from = 20, to = 50 }}
{more}
[baseline]
script = "{geometries}/plain_baffle.py"
[search]
plan = "low-discrepancy"
candidates = 4
"""


@pytest.mark.parametrize(("name", "more"), [("arc_lens", ""), ("conic_lens", "blend_mm = 20")])
def test_a_range_may_begin_where_nothing_fits(tmp_path, name, more):
    path = tmp_path / "job.toml"
    path.write_text(JOB.format(geometries=GEOMETRIES.as_posix(), name=name, more=more))
    loaded = load_job(path)
    assert loaded.shape.name == name
