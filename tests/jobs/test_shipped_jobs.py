# SPDX-License-Identifier: GPL-3.0-or-later
"""Every shipped job passes `check`; a tiny one runs for real, from the file to the page.

It is stopped on the way and goes on: one run shows both.
"""

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bafflelens.cli import main
from bafflelens.job.job_file import load_job
from bafflelens.report import blocks, summary
from bafflelens.scoring.criteria import vertical_benefit
from bafflelens.store import open_run, run_folders

ROOT = Path(__file__).parents[2]
SHIPPED = sorted((ROOT / "jobs").glob("*.toml"))
TINY = Path(__file__).parent / "tiny_lens.toml"


def test_jobs_are_shipped():
    assert ROOT / "jobs" / "first_lens.toml" in SHIPPED


@pytest.mark.parametrize("job", SHIPPED, ids=lambda path: path.stem)
def test_a_shipped_job_passes_check(job, capsys):
    assert main(["check", str(job)]) == 0
    assert "no faults found" in capsys.readouterr().out


@pytest.mark.parametrize("job", SHIPPED, ids=lambda path: path.stem)
def test_a_shipped_job_is_listed_in_the_readme(job):
    assert f"`{job.name}`" in (ROOT / "jobs" / "README.md").read_text(encoding="utf-8")


def test_the_first_job_is_what_was_promised():
    job = load_job(ROOT / "jobs" / "first_lens.toml").job
    assert job.search.plan == "low-discrepancy"
    assert job.search.candidates >= 12
    assert job.search.seed is not None
    frequencies = job.frequencies.frequencies_hz
    assert (round(frequencies[0]), round(frequencies[-1])) == (1000, 15849)
    assert job.frequencies.per_octave == 6
    assert (job.score.from_hz, job.score.to_hz) == (2000, 12000)


@pytest.fixture(scope="module")
def stopped(tmp_path_factory):
    """Begin the tiny job at a keyboard and press Ctrl-C: exit code, what was said, run folder.

    The terminal sends it to the workers as well, which must not add to what is printed.
    """
    results = tmp_path_factory.mktemp("results")
    process = subprocess.Popen(
        [sys.executable, "-m", "bafflelens", "run", str(TINY), "--results", str(results)],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
        # Or it is deaf to it where a shell began the tests in the background.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    printed = []
    for line in process.stderr:
        printed.append(line)
        if "solver ready" in line:  # from here on candidates are being solved
            os.killpg(process.pid, signal.SIGINT)
    process.stderr.close()
    code = process.wait(60)
    (folder,) = run_folders(results)
    return code, printed, folder.path


@pytest.fixture(scope="module")
def left(stopped, tmp_path_factory):
    """A copy of the folder as Ctrl-C left it."""
    path = stopped[-1]
    return shutil.copytree(path, tmp_path_factory.mktemp("left") / path.name)


@pytest.fixture(scope="module")
def tiny_run(stopped, left):
    """The run, finished after it was stopped; it is also what an undisturbed one comes to.

    ``tests/benchmarks/real_faults.py`` compares the two.
    """
    path = stopped[-1]
    assert main(["resume", str(path), "--workers", "1"]) == 0
    return open_run(path)


@pytest.mark.slow
def test_ctrl_c_at_the_keyboard_leaves_a_run_that_goes_on(stopped, left, capsys):
    code, printed, path = stopped
    assert code == 130, "".join(printed)
    assert printed[-2:] == [
        f"what is solved is kept; continue with: bafflelens resume {path}\n",
        "stopped by Ctrl-C\n",
    ]
    assert open_run(left).load_record().status == "interrupted"
    assert main(["rank", str(left)]) == 0  # what waits has not failed
    assert "not solved" in capsys.readouterr().out


@pytest.mark.slow
def test_a_tiny_job_runs_for_real(tiny_run):
    record = tiny_run.load_record()
    assert record.status == "finished"
    assert all(task.status == "done" for task in record.tasks)
    candidates = tiny_run.candidates()
    assert [candidate.id for candidate in candidates] == ["baseline", "c001", "c002"]
    for candidate in candidates:
        dataset = tiny_run.load_directivity(candidate.id)
        assert list(dataset["frequency"].values.round()) == [1995, 2512, 3162, 3981]
        assert set(dataset["status"].values) == {"solved"}
        assert dataset["power_balance"].values == pytest.approx(1.0, abs=0.04)  # draft
        assert candidate.score.is_complete


@pytest.mark.slow
def test_a_lens_sends_less_to_floor_and_ceiling_than_the_plain_baffle(tiny_run):
    """The rough aperture model lets 3 to 6 dB be expected at these frequencies."""
    job = tiny_run.load_job().job
    target = job.target.target(job.room.room)
    lens, plain = (tiny_run.load_directivity(name) for name in ("c001", "baseline"))
    benefit = vertical_benefit(lens, plain, target, job.score.settings.band_hz)
    assert 1.5 < benefit.mean_db < 7


@pytest.mark.slow
def test_other_meshes_of_one_shape_score_nearly_the_same(tiny_run):
    """Draft meshes are good to about 0.3 dB, and the score is a mean over many directions."""
    remeshing = tiny_run.load_record().remeshing
    assert len(set(remeshing.scores_db)) == 2
    assert 0 < max(remeshing.scores_db) - min(remeshing.scores_db) < 0.3
    assert remeshing.smallest_difference_db < 0.5


@pytest.mark.slow
def test_the_page_of_a_run_needs_nothing_else(tiny_run):
    page = tiny_run.report_path.read_text(encoding="utf-8")
    assert "Tiny: two lenses and the plain baffle" in page
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", page)
    assert page.count("data:image/png;base64,") >= 2  # the best lens and the baseline, in space


@pytest.mark.slow
def test_the_page_can_be_written_again(tiny_run, monkeypatch):
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())  # drawn once is enough
    monkeypatch.setattr(blocks, "svg_or_reason", lambda draw, name, alt: "<svg></svg>")
    tiny_run.report_path.unlink()
    assert main(["report", str(tiny_run.path)]) == 0
    assert tiny_run.report_path.exists()


@pytest.mark.slow
def test_nothing_is_left_open(tiny_run):
    """Neither scratch files nor the logs of the catalogue outlive the run."""
    left = {path.name for path in tiny_run.path.rglob("*")}
    assert not {name for name in left if name.endswith((".part", "-wal", "-shm"))}
    assert "bands" not in left
