# SPDX-License-Identifier: GPL-3.0-or-later
"""Further baselines: read, checked, solved and shown beside the baseline, never in its place."""

import pytest
import small_job

from bafflelens.base.errors import JobError
from bafflelens.base.progress import Silent
from bafflelens.cli import main
from bafflelens.job.cost_estimate import make_plan
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw
from bafflelens.report.joint_ranking import rank_together
from bafflelens.report.shown import baseline_row, names_of
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.scoring.ranking import rank
from bafflelens.store import open_run

FELT = '[references.felt]\nscript = "plain.py"\n'
WIDE = (
    '[references.wide_box]\nscript = "plain.py"\n[references.wide_box.cabinet]\nwidth_mm = 300\n'
)


def job_with(write_job, tables, *others):
    return write_job(("[search]", f"{tables}[search]"), *others)


def test_a_reference_shares_the_candidates_parameters_like_the_baseline(write_job):
    fixed = ("[baseline]", "[geometry.cabinet]\nwidth_mm = 250\n[baseline]")
    sampling = draw(load_job(job_with(write_job, FELT + WIDE, fixed)))
    felt, wide = sampling.references
    assert (felt.id, felt.values) == ("reference_felt", {"cabinet.width_mm": 250.0})
    assert (wide.id, wide.values) == ("reference_wide_box", {"cabinet.width_mm": 300.0})
    assert sampling.baseline.values == {"cabinet.width_mm": 250.0}
    ids = [candidate.id for candidate in sampling.everything]
    assert ids == ["baseline", "reference_felt", "reference_wide_box", "c001", "c002", "c003"]


def test_the_plan_counts_and_meshes_references(write_job, stub):
    loaded = load_job(job_with(write_job, FELT + WIDE))
    plan = make_plan(loaded, draw(loaded), workers=1, mesh=stub.mesh_shape)
    assert plan.n_shapes == 6
    assert stub.meshed[:3] == [None, None, None]
    assert len(stub.meshed) == 4


def test_references_are_solved_and_ranked_as_baselines(write_job, options, stub, capsys):
    result = run_job(job_with(write_job, FELT), options)
    rows = {row.candidate.id: row for row in result.rows}
    felt, baseline = rows["reference_felt"], rows["baseline"]
    assert felt.candidate.is_baseline
    assert felt.candidate.is_reference
    assert not baseline.candidate.is_reference
    assert felt.candidate.score.is_complete
    assert all(term.is_judged for term in felt.candidate.score.terms if "sens" in term.name)
    assert result.folder.counts().best[0].startswith("c")
    assert baseline_row(result.rows).candidate.id == "baseline"
    assert names_of(result.rows)["reference_felt"] == "felt"
    assert (result.folder.path / "shapes" / "references.felt" / "plain.py").is_file()
    capsys.readouterr()
    assert main(["rank", str(result.folder.path)]) == 0
    assert "reference_felt" in capsys.readouterr().out


def test_a_run_with_references_goes_on(write_job, options, stub):
    path = job_with(write_job, FELT)

    def stop(_):
        if len(stub.solved) == 2:
            raise KeyboardInterrupt

    stub.on_solve = stop
    with pytest.raises(KeyboardInterrupt):
        run_job(path, options)
    stub.on_solve = lambda band: None
    (folder,) = (entry for entry in options.results.iterdir() if entry.is_dir())
    result = resume_run(folder, options)
    ids = [candidate.id for candidate in open_run(folder).candidates()]
    assert ids == ["baseline", "reference_felt", "c001", "c002", "c003"]
    assert {row.status for row in result.rows} == {"ranked"}
    assert open_run(folder).load_job().reference_shapes["felt"].name == "plain"


def test_sensitivity_is_relative_to_the_baseline_alone(write_job, options, stub, monkeypatch):
    """A reference of another width is louder or quieter than the baseline, not than itself."""
    level = {250.0: 2.0}
    solve = stub.solve_band

    def louder(mesh, motions, band, **settings):
        found = solve(mesh, motions, band, **settings)
        found.far_field[:] *= level.get(round(float(mesh.vertices.max()) * 1e3), 1.0)
        return found

    mesh_shape = stub.mesh_shape

    def by_width(shape, values, sizes, limit_s):
        if values.get("cabinet.width_mm") == 300.0:
            values = {"lens.opening_height_mm": 250.0}
        return mesh_shape(shape, values, sizes, limit_s)

    stub.solve_band, stub.mesh_shape = louder, by_width
    options = type(options)(
        results=options.results, methods=stub.methods, open_pool=options.open_pool
    )
    rows = {r.candidate.id: r for r in run_job(job_with(write_job, WIDE), options).rows}

    def loss(name):
        terms = rows[name].candidate.score.terms
        return next(term.value_db for term in terms if term.name == "sensitivity_loss")

    assert loss("baseline") == pytest.approx(0.0, abs=1e-9)
    assert loss("reference_wide_box") < -1.0
    assert rows["baseline"].better_by_db == 0.0


def test_without_its_baseline_a_reference_measures_nothing(write_job, options):
    found = [row.candidate for row in run_job(job_with(write_job, FELT), options).rows]
    without = [candidate for candidate in found if candidate.id != "baseline"]
    assert all(row.better_by_db != row.better_by_db for row in rank(without))


def test_references_of_several_runs_rank_together(write_job, options):
    folders = [run_job(job_with(write_job, FELT), options).folder for _ in range(2)]
    rows = rank_together(folders, Silent()).rows
    references = [row for row in rows if row.candidate.is_reference]
    assert len(references) == 2
    assert baseline_row(rows).candidate.id.endswith("/baseline")


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (
            '[references."../felt"]\nscript = "plain.py"\n',
            r"Invalid section \[references.../felt\]. Must be named with up to 40 letters",
        ),
        ("[references.felt]\n", "Missing key 'references.felt.script'. Must be the path of a"),
        (
            '[references.felt]\nscript = "none.py"\n',
            "key 'references.felt.script': Invalid geometry script '.*none.py'. Must be an exist",
        ),
        (
            FELT + "cabinet.widht_mm = 3\n",
            "Invalid key 'references.felt.cabinet.widht_mm'. Must be a known key; the nearest is "
            "'references.felt.cabinet.width_mm'",
        ),
        (
            FELT + "cabinet.width_mm = [200, 300]\n",
            "Invalid key 'references.felt.cabinet.width_mm' 'a range or list'. Must be one num",
        ),
        (
            FELT + "cabinet.width_mm = 900\n",
            "Invalid key 'references.felt.cabinet.width_mm' '900'. Must be from 100 to 400 mm",
        ),
    ],
)
def test_what_is_no_reference_is_refused(write_job, table, message):
    with pytest.raises(JobError, match=message):
        load_job(job_with(write_job, table))


def test_what_the_search_varies_must_be_given(write_job):
    varied = ("[baseline]", "[geometry.cabinet]\nwidth_mm = [200, 220]\n[baseline]")
    given = ('script = "plain.py"\n[ref', 'script = "plain.py"\ncabinet.width_mm = 200\n[ref')
    with pytest.raises(JobError, match=r"Missing key 'references.felt.cabinet.width_mm'. Must be"):
        load_job(job_with(write_job, FELT, varied, given))


def test_rules_of_a_reference_are_checked(write_job):
    tall = (
        '[references.tall]\nscript = "lens.py"\nlens.opening_height_mm = 60\nlens.depth_mm = 50\n'
    )
    with pytest.raises(
        JobError, match=r"\[references.tall\] Invalid depth '50 mm'. Must be at mo"
    ):
        draw(load_job(job_with(write_job, tall)))


def test_a_reference_with_several_sources_needs_a_crossover(write_job):
    path = job_with(write_job, '[references.two]\nscript = "two.py"\n')
    second = (
        small_job.BASELINE_SCRIPT.replace("    return [\n", "    first = [\n", 1)
        + '    return first + [{**first[0], "name": "midrange"}]\n'
    )
    (path.parent / "two.py").write_text(second)
    with pytest.raises(JobError, match=r"Missing section \[crossover\]. Must be given: 'two' has"):
        load_job(path)


def test_what_sources_there_are_goes_by_the_values_of_the_job(write_job):
    """A midrange that a reference has only where the job asks for it needs its way."""
    path = job_with(
        write_job,
        '[references.two]\nscript = "two.py"\n[references.two.cabinet]\nwidth_mm = 300\n',
    )
    second = small_job.BASELINE_SCRIPT.replace("    return [\n", "    first = [\n", 1) + (
        "    if parameters.cabinet.width_mm < 250:\n"
        "        return first\n"
        '    return first + [{**first[0], "name": "midrange"}]\n'
    )
    (path.parent / "two.py").write_text(second)
    with pytest.raises(JobError, match=r"Missing section \[crossover\]. Must be given: 'two' has"):
        load_job(path)
