# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job and a script say of moving and absorbing surfaces."""

import re

import numpy as np
import pytest

from bafflelens.base.errors import GeometryError, JobError
from bafflelens.base.medium import Air
from bafflelens.job.cost_estimate import make_plan
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw
from bafflelens.mesh.absorbers import AdmittanceTable, PorousLayer, surface_admittance
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions, surface_absorbers
from bafflelens.store import create_run
from bafflelens.store.run_record import first_record

RIGID = "1000 0 1 0\n1000 10 1 0\n20000 0 1 0\n20000 10 1 0\n"
ADMITTANCE = "1000 0.1 0.2\n20000 0.5 0.1\n"
FELT = "[surfaces.baffle]\nthickness_mm = 5\nflow_resistivity_kpa_s_m2 = 20\n"


@pytest.fixture
def job_with(write_job, tmp_path):
    """Return a function that writes the small job with more sections and two tables beside it."""
    (tmp_path / "dome.txt").write_text(RIGID)
    (tmp_path / "felt.txt").write_text(ADMITTANCE)
    return lambda sections, *changes: write_job(("[solve]", f"{sections}[solve]"), *changes)


def faults_of(path):
    with pytest.raises(JobError) as caught:
        load_job(path)
    return [fault.partition("small.toml: ")[2] for fault in caught.value.faults]


def test_without_sections_the_script_counts(job_with):
    loaded = load_job(job_with(""))
    assert loaded.boundaries.motions_of(loaded.shape, {}) == source_motions(loaded.shape, {})
    assert loaded.boundaries.absorbers_of(loaded.shape, {}) == {}


def test_a_job_sets_motion_table_and_absorbers(job_with):
    loaded = load_job(job_with("[sources.tweeter]\nmotion = 'radial'\n" + FELT))
    (motion,) = loaded.boundaries.motions_of(loaded.shape, {})
    assert motion.motion == "radial"
    layer = PorousLayer(thickness_m=0.005, flow_resistivity=20e3)
    assert loaded.boundaries.absorbers_of(loaded.shape, {}) == {"baffle": layer}

    loaded = load_job(job_with(FELT + "incidence = 'normal'\n"))
    assert loaded.boundaries.absorbers_of(loaded.shape, {})["baffle"].incidence == "normal"

    tables = "[sources.tweeter]\nvelocity_table = 'dome.txt'\n"
    tables += "[surfaces.baffle]\nadmittance_table = 'felt.txt'\n"
    loaded = load_job(job_with(tables))
    (motion,) = loaded.boundaries.motions_of(loaded.shape, {})
    np.testing.assert_array_equal(motion.table.ratio, np.ones((2, 2)))
    (found,) = loaded.boundaries.absorbers_of(loaded.shape, {}).values()
    assert isinstance(found, AdmittanceTable)


def test_a_run_keeps_its_tables(job_with, tmp_path):
    loaded = load_job(job_with("[sources.tweeter]\nvelocity_table = 'dome.txt'\n"))
    folder = create_run(tmp_path / "results", loaded, [], first_record(loaded))
    (tmp_path / "dome.txt").write_text("changed since")
    again = folder.load_job()
    (motion,) = again.boundaries.motions_of(again.shape, {})
    np.testing.assert_allclose(motion.table.radii_m, [0, 0.010])


@pytest.mark.parametrize(
    ("sections", "message"),
    [
        (
            "[sources.tweter]\nmotion = 'radial'\n",
            "Invalid section [sources.tweter]. Must be named after a source of the shapes; "
            "perhaps 'tweeter'.",
        ),
        (
            "[sources.tweeter]\nmotion = 'sideways'\n",
            "Invalid key 'sources.tweeter.motion' 'sideways'. Must be one of axial, radial.",
        ),
        (
            "[sources.tweeter]\nmoton = 'radial'\n",
            "Invalid key 'sources.tweeter.moton'. Must be a known key; the nearest is "
            "'sources.tweeter.motion'.",
        ),
        (
            "[sources]\ntweeter = 3\n",
            "Invalid key 'sources.tweeter' '3'. Must be a section [sources.tweeter].",
        ),
        (
            "[sources.tweeter]\nmotion = 'radial'\nvelocity_table = 'dome.txt'\n",
            "Invalid section [sources.tweeter]. Must be without 'velocity_table' if its 'motion' "
            "is radial: a table is axial.",
        ),
        (
            "[surfaces.felt]\nthickness_mm = 5\n",
            "Invalid section [surfaces.felt]. Must be either with 'thickness_mm' and "
            "'flow_resistivity_kpa_s_m2' or with 'admittance_table'.",
        ),
        (
            "[surfaces.felt]\nthickness_mm = 5\nadmittance_table = 'felt.txt'\n",
            "Invalid section [surfaces.felt]. Must be either with 'thickness_mm'",
        ),
        (
            "[surfaces.felt]\nadmittance_table = 'felt.txt'\nincidence = 'normal'\n",
            "Invalid section [surfaces.felt]. Must be without 'incidence' where there is an 'ad",
        ),
        (
            "[surfaces.felt]\nthickness_mm = 5\nflow_resistivity_kpa_s_m2 = 20\n"
            "incidence = 'oblique'\n",
            "Invalid key 'surfaces.felt.incidence' 'oblique'. Must be one of grazing, normal.",
        ),
        (
            "[surfaces.felt]\nthickness_mm = 0.1\nflow_resistivity_kpa_s_m2 = 20\n",
            "Invalid key 'surfaces.felt.thickness_mm' '0.1'. Must be a number from 0.5 to 200 mm.",
        ),
        (
            "[surfaces.felt]\nadmittance_table = 'none.txt'\n",
            "key 'surfaces.felt.admittance_table': Invalid table '",
        ),
        (
            "[sources.tweeter]\nvelocity_table = 'felt.txt'\n",
            "key 'sources.tweeter.velocity_table': ",
        ),
    ],
)
def test_faults(job_with, sections, message):
    found = faults_of(job_with(sections))
    assert [fault for fault in found if fault.startswith(message)], found


def test_a_table_that_ends_too_early(job_with, tmp_path):
    path = job_with(
        "[sources.tweeter]\nvelocity_table = 'dome.txt'\n"
        "[surfaces.baffle]\nadmittance_table = 'felt.txt'\n"
    )
    (tmp_path / "dome.txt").write_text(RIGID.replace("20000", "3000"))
    (tmp_path / "felt.txt").write_text(ADMITTANCE.replace("1000", "2500", 1))
    velocity, admittance = faults_of(path)
    assert "dome.txt up to 3000 Hz'. Must be a table up to the highest frequency" in velocity
    assert "felt.txt from 2500 to 20000 Hz'. Must be a table from 1995 to 3981" in admittance


def test_the_second_engine_knows_no_absorbers(job_with):
    path = job_with(FELT, ('quality = "draft"', 'engine = "bempp"'))
    (fault,) = faults_of(path)
    assert fault.startswith("Invalid key 'solve.engine' 'bempp'. Must be 'direct' where a surface")


def test_an_absorber_on_a_surface_that_is_not_there(job_with, stub):
    loaded = load_job(job_with(FELT.replace("baffle", "bafle")))
    expected = re.escape(
        "small.toml: Invalid section [surfaces.bafle]. Must be named after a surface of the "
        "shapes; perhaps 'baffle'."
    )
    with pytest.raises(JobError, match=expected):
        make_plan(loaded, draw(loaded), workers=1, mesh=stub.mesh_shape)


def test_admittance_lies_on_its_surface_alone(stub, write_job):
    (mesh,) = stub.mesh_shape(load_job(write_job()).shape, {}, [None], 1.0)
    layer = PorousLayer(thickness_m=0.005, flow_resistivity=20e3)
    given = surface_admittance(mesh, {"baffle": layer, "felt": layer}, 2000.0, Air())
    expected = np.where(mesh.surface == "baffle", layer.admittance(2000.0, Air()), 0)
    np.testing.assert_array_equal(given, expected)
    assert surface_admittance(mesh, {}, 2000.0, Air()) is None
    assert surface_admittance(mesh, {"felt": layer}, 2000.0, Air()) is None


# ------------------------------------------------------------------------- what a script says
@pytest.fixture
def shape_with(write_job):
    """Return a function that gives the small shape with a piece of its script changed."""
    script = write_job().parent / "lens.py"

    def changed(old, new):
        assert old in script.read_text()
        script.write_text(script.read_text().replace(old, new, 1))
        return load_shape(script)

    return changed


def with_absorbers(shape_with, given):
    code = f"def absorbers(parameters):\n    return {given}\n\n\n"
    return shape_with("def sources(", f"{code}def sources(")


def test_a_script_gives_motion_and_table(shape_with):
    shape = shape_with('"name": "tweeter",', '"name": "tweeter", "motion": "radial",')
    assert source_motions(shape, {})[0].motion == "radial"
    shape = shape_with('"motion": "radial",', '"velocity_table": [[1000, 0, 2, 0]],')
    assert source_motions(shape, {})[0].table.ratio == 2


@pytest.mark.parametrize(
    ("piece", "message"),
    [
        ('"motion": "sideways",', r"sources\(\): Invalid motion 'sideways'. Must be one of axial"),
        ('"velocity_table": [[1, 2]],', r"sources\(\), row 1: Invalid row '\[1, 2\]'. Must be 4"),
        ('"velocity_table": [[0, 0, 1, 0]],', "row 1: Invalid frequency '0 Hz'. Must be above"),
    ],
)
def test_faults_of_a_script_s_motion(shape_with, piece, message):
    shape = shape_with('"name": "tweeter",', f'"name": "tweeter", {piece}')
    with pytest.raises(GeometryError, match=message):
        source_motions(shape, {})


def test_a_script_gives_absorbers(shape_with):
    layer = {"thickness_m": 0.004, "flow_resistivity_pa_s_m2": 3e4}
    given = {"felt": layer, "baffle": {"admittance_table": [[1000, 0.1, 0.2]]}}
    found = surface_absorbers(with_absorbers(shape_with, given), {})
    assert found["felt"] == PorousLayer(thickness_m=0.004, flow_resistivity=3e4)
    assert found["baffle"].values == 0.1 - 0.2j
    given["felt"] = {**layer, "incidence": "normal"}
    straight = surface_absorbers(with_absorbers(shape_with, given), {})["felt"]
    assert (found["felt"].incidence, straight.incidence) == ("grazing", "normal")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ("{'felt': {'thickness_m': 0.004}}", r"absorbers\(\) 'KeyError.*Must be a dict of surf"),
        ("7", r"Invalid result of absorbers\(\) 'TypeError"),
        (
            "{'felt': {'thickness_m': 0.004, 'flow_resistivity_pa_s_m2': 5.0}}",
            r"absorbers\(\): Invalid flow resistivity '5.0'. Must be from 1000 to 200000",
        ),
        (
            "{'felt': {'thickness_m': 0.004, 'flow_resistivity_pa_s_m2': 3e4, 'incidence': 'x'}}",
            r"absorbers\(\): Invalid incidence on a layer 'x'. Must be one of grazing, normal.",
        ),
        (
            "{'felt': {'admittance_table': [[1000, -1, 0]]}}",
            r"absorbers\(\), row 1: Invalid real part '-1'. Must be at least 0",
        ),
    ],
)
def test_faults_of_a_script_s_absorbers(shape_with, given, message):
    with pytest.raises(GeometryError, match=message):
        surface_absorbers(with_absorbers(shape_with, given), {})
