# SPDX-License-Identifier: GPL-3.0-or-later
"""The second opinion: when it is asked for, on which shape, what it says, and that none waits."""

from dataclasses import replace

import numpy as np
import pytest

from bafflelens.base.errors import BafflelensError
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.quality import Band
from bafflelens.report.summary import rank_run
from bafflelens.run.cross_check import largest_difference_db
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.store import open_run
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.work_units import SolveSettings

ASKED = ("second_opinion = false", "")
FREQUENCIES = 4  # of the small job, one a band; the lowest is that of the second opinion
SHAPES = 4
MORE = ("candidates = 3", "candidates = 7")


def only_run(options):
    (path,) = options.results.iterdir()
    return open_run(path)


class Engines:
    """Counts which engine solves after how many bands of others."""

    def __init__(self, stub):
        self._stub = stub
        self.bands = []

    def solve_band(self, mesh, motions, band, *, engine="direct", **given):
        self.bands.append((engine, band.mesh_frequency_hz))
        return self._stub.solve_band(mesh, motions, band, engine=engine, **given)

    def methods(self):
        return replace(self._stub.methods, solve_band=self.solve_band)


def test_it_is_kept(write_job, options):
    result = run_job(write_job(ASKED), options)
    record = only_run(options).load_record()
    text = record.second_opinion
    assert text.startswith("Warning: bempp on the same draft mesh of c00")
    assert "at 1995 Hz (4 unknowns here)" in text
    assert "dB apart within 60 degrees on both orbits, more than the 0.3 dB expected" in text
    assert not result.has_failures
    (warned,) = (row.candidate for row in result.rows if row.candidate.reasons)
    assert f"mesh of {warned.id} " in text
    assert warned.reasons == (text.replace("Warning: ", "Warning: second opinion: "),)
    assert record.timing_s["second opinion, summed over workers"] > 0
    resumed = resume_run(only_run(options).path, options)  # asked again, but told once
    assert [len(row.candidate.reasons) for row in resumed.rows].count(1) == 1
    assert not resumed.has_failures


def test_it_is_worked_on_while_candidates_are(write_job, stub, options):
    engines = Engines(stub)
    run_job(write_job(ASKED, MORE), replace(options, methods=engines.methods()))
    (asked,) = (n for n, (engine, _) in enumerate(engines.bands) if engine == "bempp")
    assert len(engines.bands) == 8 * FREQUENCIES + 2
    assert 4 * FREQUENCIES <= asked < 6 * FREQUENCIES  # half of eight shapes were judged


def test_nothing_is_asked_where_nobody_wants_it(write_job, stub, options):
    engines = Engines(stub)
    run_job(write_job(), replace(options, methods=engines.methods()))
    assert all(engine == "direct" for engine, _ in engines.bands)
    assert only_run(options).load_record().second_opinion is None


def test_it_says_if_another_shape_came_to_be_the_best(write_job, options):
    run_job(write_job(ASKED), options)
    folder = only_run(options)
    text = folder.load_record().second_opinion
    best = next(row for row in rank_run(folder) if not row.candidate.is_baseline).candidate.id
    asked_on = text.split("mesh of ")[1][:4]
    assert asked_on != best  # or this job does not serve
    assert text.endswith(f"({asked_on} was the best when it was asked for; {best} is now)")
    resumed = resume_run(folder.path, options)  # now on the best
    text = folder.load_record().second_opinion
    assert f"mesh of {best} " in text
    assert text.endswith("expected")
    warned = [row.candidate.id for row in resumed.rows if row.candidate.reasons]
    assert warned == [best]


def test_one_that_fails_is_a_warning(write_job, stub, options):
    engines = Engines(stub)

    def solve_band(mesh, motions, band, *, engine="direct", **given):
        if engine == "bempp":
            msg = "bempp is not installed"
            raise BafflelensError(msg)
        return engines.solve_band(mesh, motions, band, engine=engine, **given)

    methods = replace(stub.methods, solve_band=solve_band)
    assert not run_job(write_job(ASKED), replace(options, methods=methods)).has_failures
    text = only_run(options).load_record().second_opinion
    assert text.startswith("Warning: no second opinion, bempp on the same draft mesh")
    assert "failed: bempp is not installed" in text


def test_the_difference_of_engines_is_judged_near_the_axis(stub):
    grid = directions()
    front = np.abs(grid.azimuth_deg) <= 60
    one = _band_result(stub, np.ones(grid.n_directions))
    louder = _band_result(stub, np.where(front, 10 ** (0.2 / 20), 5.0))
    assert largest_difference_db(one, louder, grid) == pytest.approx(0.2)


# ------------------------------------------------------------------------- work aside
SETTINGS = SolveSettings(motions=(), air=None, symmetry=("y",), engine="direct", quality="draft")
BAND = Band(frequencies_hz=(2000.0,), mesh_frequency_hz=2000.0)


@pytest.fixture
def ask(stub, monkeypatch):
    """Return a function that asks a pool for a mesh and a band."""
    module = "bafflelens.workers.work_units"
    monkeypatch.setattr(f"{module}.unpacked", lambda script: script)
    monkeypatch.setattr(f"{module}.load_shape", lambda path: None)

    def ask(pool, name, **how):
        meshes = pool.mesh(f"{name} mesh", stub.methods, None, {}, [None], 1.0, **how)
        pool.solve_band(f"{name} band", stub.methods, meshes, 0, BAND, SETTINGS, **how)

    return ask


@pytest.fixture
def inner(open_pool):
    with open_pool() as pool:
        yield pool


@pytest.mark.parametrize("first", [True, False])
def test_work_aside_is_neither_seen_nor_waited_for(ask, inner, first):
    pool = RememberingPool(inner)
    ask(pool, "aside", aside=True, priority=1.0 if first else -1.0)
    ask(pool, "asked")
    assert [outcome.name for outcome in pool.outcomes()] == ["asked mesh", "asked band"]
    # one that comes last was not begun, one that comes first is done
    assert ("aside mesh" in inner.reserved) is first
    found = pool.outcomes_aside()
    assert set(found) == {"aside mesh", "aside band"}
    assert not any(outcome.error for outcome in found.values())
    assert pool.outcomes_aside() == {}
    assert (pool.tally.meshes, pool.tally.frequencies) == (1, 1)


def test_work_aside_that_is_not_ready_in_time_is_let_go(ask, inner):
    pool = RememberingPool(inner)
    ask(pool, "aside", aside=True)
    assert pool.outcomes_aside(is_over=lambda: True) == {}
    assert list(inner.outcomes()) == []
    assert list(pool.outcomes()) == []


class Together:
    """Gives back everything that waits at once, as one errand of a worker."""

    size = 1

    def __init__(self, inner):
        self._inner = inner
        self.submit = inner.submit

    def outcomes(self, *is_over):
        done = list(self._inner.outcomes(*is_over))
        for outcome in done:
            yield replace(outcome, more_at_once=outcome is not done[-1])


def test_what_comes_back_at_once_is_not_lost(ask, inner):
    pool = RememberingPool(Together(inner))
    ask(pool, "asked")
    ask(pool, "aside", aside=True)
    assert [outcome.name for outcome in pool.outcomes()] == ["asked mesh", "asked band"]
    assert set(pool.outcomes_aside()) == {"aside mesh", "aside band"}


def _band_result(stub, level):
    mesh = stub.mesh_shape(None, {}, [None], 1.0)[0]
    return replace(stub.solve_band(mesh, (), BAND), far_field=level.reshape(1, 1, -1) + 0j)
