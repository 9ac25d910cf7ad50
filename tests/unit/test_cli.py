# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: exit codes, and one line on stderr for each fault."""

import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bafflelens import cli, report, store
from bafflelens.base.errors import StoreError
from bafflelens.cli import main
from bafflelens.commands import options
from bafflelens.report import summary
from bafflelens.run.options import RunOptions


@pytest.fixture
def with_stubs(tmp_path, stub, open_pool, monkeypatch):
    """Let `run` and `resume` work with stubs, and return the results folder."""
    real = options.run_options

    def stubbed(*arguments):
        return replace(real(*arguments), methods=stub.methods, open_pool=open_pool)

    monkeypatch.setattr(options, "run_options", stubbed)
    monkeypatch.setattr(
        report, "write_report", lambda view, path: path.write_text(view.title, encoding="utf-8")
    )
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")
    return tmp_path / "results"


def run_stubbed(job, results):
    code = main(["run", str(job), "--results", str(results)])
    (folder,) = (path for path in results.iterdir() if path.is_dir())
    return code, folder


def test_a_run_prints_the_ranking_and_where_the_report_is(write_job, with_stubs, capsys):
    code, folder = run_stubbed(write_job(), with_stubs)
    printed = capsys.readouterr()
    assert code == 0
    assert f"report: {folder / 'report.html'}" in printed.out
    assert f"run folder: {folder}" in printed.err
    for word in ("baseline", "c003", "control", "opening height", "better by", "dominated by"):
        assert word in printed.out
    assert "width, mm" not in printed.out  # the same in all
    assert "smallest difference that means anything: 0.10 dB, an estimate" in printed.out
    assert re.search(r"At the seat, dB re the listening window: c\d+", printed.out)
    assert re.search(r"ceiling +\+45 +3\.6 +-3\.0 +-?\d+\.\d\d", printed.out)
    assert re.search(r"100%  c\d+ solved, score [\d.]+ dB, 0 s left", printed.err)


def test_a_failing_candidate_is_shown_and_the_exit_code_is_1(write_job, with_stubs, stub, capsys):
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm", 0) > 140
    code, folder = run_stubbed(write_job(("candidates = 3", "candidates = 8")), with_stubs)
    printed = capsys.readouterr()
    assert code == 1
    assert re.search(r" c\d+ failed: mesh: Invalid shape 'lens'. Must be one", printed.err)
    assert re.search(r"^c\d+ failed: mesh: Invalid shape", printed.out, re.MULTILINE)
    assert main(["rank", str(folder)]) == 1


def test_rank_prints_the_same_table_again(write_job, with_stubs, capsys):
    _, folder = run_stubbed(write_job(), with_stubs)
    first = capsys.readouterr().out.partition("report:")[0]
    assert main(["rank", str(folder)]) == 0
    assert capsys.readouterr().out == first


def test_report_is_written_again(write_job, with_stubs, capsys):
    _, folder = run_stubbed(write_job(), with_stubs)
    (folder / "report.html").unlink()
    assert main(["report", str(folder)]) == 0
    assert (folder / "report.html").read_text(encoding="utf-8") == "A small job"
    assert f"report: {folder / 'report.html'}" in capsys.readouterr().out


def test_report_is_filed_when_asked(write_job, with_stubs, monkeypatch, capsys):
    _, folder = run_stubbed(write_job(), with_stubs)
    assert not (folder / "report.pdf").exists()
    monkeypatch.setattr(
        report, "filed", lambda view, *, with_appendix: f"{view.title}, {with_appendix}".encode()
    )
    assert main(["report", str(folder), "--pdf"]) == 0
    assert (folder / "report.pdf").read_bytes() == b"A small job, False"
    assert f"report: {folder / 'report.pdf'}" in capsys.readouterr().out
    assert main(["report", str(folder), "--pdf", "--appendix"]) == 0
    assert (folder / "report.pdf").read_bytes() == b"A small job, True"
    assert main(["report", str(folder), "--appendix"]) == 2
    assert "Invalid option '--appendix' 'without '--pdf''. Must be" in capsys.readouterr().err


def test_ctrl_c_says_how_to_go_on(write_job, with_stubs, stub, capsys):
    def interrupt(band):
        if len(stub.solved) == 3:
            raise KeyboardInterrupt

    stub.on_solve = interrupt
    code, folder = run_stubbed(write_job(), with_stubs)
    printed = capsys.readouterr()
    assert code == 130
    assert f"continue with: bafflelens resume {folder}" in printed.err
    assert "Traceback" not in printed.err
    assert main(["rank", str(folder)]) == 0  # what waits has not failed
    said = capsys.readouterr().out.splitlines()
    assert (
        "4 not solved yet (baseline, c001, c002, c003): bafflelens resume continues with them"
        in said
    )
    stub.on_solve = lambda band: None
    assert main(["resume", str(folder)]) == 0


def test_a_full_disk_is_exit_code_1(write_job, with_stubs, monkeypatch, capsys):
    def full(*_, **__):
        msg = "Invalid path 'x'. Must be in a folder that can be written (No space left)."
        raise StoreError(msg)

    monkeypatch.setattr(store.RunFolder, "save_band", full)
    code, _ = run_stubbed(write_job(), with_stubs)
    assert code == 1
    assert capsys.readouterr().err.splitlines()[-1].startswith("The run was stopped. Invalid path")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["rnu"], "run"),
        (["check"], "JOB"),
        (["check", "missing.toml"], "Invalid job file 'missing.toml'. Must be a readable TOML"),
        (["check", "missing.toml", "--fast"], "--fast"),
        (["run", "missing.toml", "--workers", "many"], "many"),
        (["run", "missing.toml", "--workers", "0"], "'--workers' '0'. Must be a whole number"),
        (["rank", "missing"], "Invalid run folder 'missing'. Must be the folder of a run"),
        (["report", "missing"], "Invalid run folder 'missing'. Must be the folder of a run"),
        (["resume", "missing"], "Invalid run folder 'missing'. Must be the folder of a run"),
    ],
)
def test_wrong_input_is_one_line_and_exit_code_2(
    arguments, message, capsys, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert message in printed.err
    assert len(printed.err.strip().splitlines()) == 1
    assert "Traceback" not in printed.err
    assert not list(tmp_path.iterdir())


def test_each_fault_of_a_job_has_its_line(write_job, capsys):
    path = write_job(("candidates = 3", "candidates = 0"), ('quality = "draft"', "qualty = 1"))
    assert main(["check", str(path)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert all(line.startswith(f"{path}: Invalid key") for line in lines)


def test_an_unreachable_scheduler_is_exit_code_2(write_job, tmp_path, stub, monkeypatch, capsys):
    real = options.run_options
    monkeypatch.setattr(options, "run_options", lambda *a: replace(real(*a), methods=stub.methods))
    results = tmp_path / "results"
    arguments = ["run", str(write_job()), "--scheduler", "nonsense", "--results", str(results)]
    assert main(arguments) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("Invalid scheduler 'nonsense'. Must be the address of a running dask")
    assert not results.exists()


def test_check_prints_the_cost(write_job, stub, monkeypatch, capsys):
    monkeypatch.setattr(
        "bafflelens.run.options.RunOptions", lambda **kw: RunOptions(methods=stub.methods, **kw)
    )
    assert main(["check", str(write_job()), "--workers", "2"]) == 0
    printed = capsys.readouterr().out
    assert "A small job: no faults found." in printed
    assert "3 candidates and the baseline" in printed
    assert "4 from 1995 to 3981 Hz, 16 solves in all" in printed
    assert re.search(r"memory +up to [\d.]+ GiB in 2 worker processes, which may take", printed)
    assert " packed " in printed
    assert re.search(r"time +about [\d.]+ (s|min) ", printed)


def test_check_says_what_the_target_asks_in_vain(write_job, stub, monkeypatch, capsys):
    monkeypatch.setattr(
        "bafflelens.run.options.RunOptions", lambda **kw: RunOptions(methods=stub.methods, **kw)
    )
    low = write_job(("{ from = 90, to = 160 }", "{ from = 60, to = 80 }"))
    assert main(["check", str(low), "--workers", "2"]) == 0
    assert "\nnote: the target is out of reach below" in capsys.readouterr().out


def test_a_run_says_it_before_anything_is_solved(write_job, with_stubs, capsys):
    low = write_job(("{ from = 90, to = 160 }", "{ from = 60, to = 80 }"))
    code, folder = run_stubbed(low, with_stubs)
    assert code == 0
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("note: the target is out of reach below")
    assert store.RunFolder(folder).load_record().remarks[0].startswith("the target is out of rea")


def test_rank_takes_several_runs(write_job, with_stubs, capsys):
    _, first = run_stubbed(write_job(), with_stubs)
    second = first.rename(first.with_name("second"))
    _, first = run_stubbed(write_job(), with_stubs / "again")
    capsys.readouterr()
    assert main(["rank", str(first), str(second)]) == 0
    printed = capsys.readouterr().out
    for name in ("second/c001", f"{first.name}/c001", "second/baseline"):
        assert name in printed
    assert re.search(r"At the seat, dB re the listening window: \w+/c\d+", printed)
    assert main(["rank", str(first), str(first)]) == 2
    assert "Must be named once" in capsys.readouterr().err


def test_the_standard_s_curves_are_written_as_table_or_picture(
    write_job, with_stubs, tmp_path, capsys
):
    _, folder = run_stubbed(write_job(), with_stubs)
    capsys.readouterr()
    table = tmp_path / "curves.csv"
    assert main(["curves", str(folder), "c001", "--out", str(table)]) == 0
    assert f"curves: {table}" in capsys.readouterr().out
    header, *rows = (line.split(",") for line in table.read_text().splitlines())
    assert [row[0] for row in rows] == ["1995.26", "2511.89", "3162.28", "3981.07"]
    level = dict(zip(header, map(float, rows[0]), strict=True))
    # The stub's level falls with the angle from the axis alone.
    assert level["floor_db"] > level["ceiling_db"] > level["rear_wall_db"]
    index = level["listening_window_db"] - level["sound_power_db"]
    assert level["sound_power_index_db"] == pytest.approx(index, abs=2e-3)
    other = tmp_path / "other.csv"
    arguments = ["curves", str(folder), "c001", "--rear-wall", "B", "--out"]
    assert main([*arguments, str(other)]) == 0
    assert other.read_text() != table.read_text()
    picture = tmp_path / "curves.svg"
    assert main([*arguments, str(picture)]) == 0
    drawn = picture.read_text()
    assert "Rear wall: three angles" in drawn
    assert "Pale: the same of the" in drawn


@pytest.mark.parametrize(
    ("candidate", "name", "reading", "message"),
    [
        ("c009", "x.csv", "A", "Invalid candidate 'c009'. Must be one that the run has solved: b"),
        ("c001", "x.doc", "A", "ending of the file's name '.doc'. Must be one of .csv, .png, .p"),
        ("c001", "x.csv", "C", "reading of the rear wall 'C'. Must be one of A, B"),
    ],
)
def test_wrong_requests_for_curves_are_one_line(
    write_job, with_stubs, tmp_path, capsys, candidate, name, reading, message
):
    _, folder = run_stubbed(write_job(), with_stubs)
    capsys.readouterr()
    out = tmp_path / name
    arguments = ["curves", str(folder), candidate, "--rear-wall", reading, "--out", str(out)]
    assert main(arguments) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert message in line
    assert not out.exists()


@pytest.mark.parametrize(
    ("ending", "start"), [("png", b"\x89PNG"), ("PDF", b"%PDF"), ("svg", b"<?xml")]
)
def test_the_target_is_drawn_in_each_format(write_job, tmp_path, capsys, ending, start):
    path = tmp_path / f"page.{ending}"
    assert main(["target", str(write_job()), "--out", str(path)]) == 0
    assert path.read_bytes().startswith(start)
    assert f"target: {path}" in capsys.readouterr().out


def test_a_target_in_no_known_format_is_refused(write_job, tmp_path, capsys):
    assert main(["target", str(write_job()), "--out", str(tmp_path / "page.doc")]) == 2
    printed = capsys.readouterr().err
    assert (
        "Invalid ending of the picture's name '.doc'. Must be one of .png, .pdf, .svg." in printed
    )
    assert not (tmp_path / "page.doc").exists()
    assert main(["target", str(write_job()), "--out", str(tmp_path / "no" / "page.png")]) == 2
    assert "Must be in a folder that can be written" in capsys.readouterr().err


def in_a_fresh_interpreter(code):
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        env={"PYTHONPATH": str(Path(cli.__file__).parents[1])},
    )


def test_help_is_quick():
    """Neither dask nor numba nor gmsh is loaded to print the help."""
    code = (
        "import sys\n"
        "from bafflelens.cli import main\n"
        "assert main(['--help']) == 0\n"
        "heavy = {'dask', 'numba', 'gmsh', 'matplotlib', 'xarray'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)\n"
    )
    done = in_a_fresh_interpreter(code)
    assert done.returncode == 0, done.stderr
    for verb in ("check", "run", "resume", "rank", "report", "target", "curves"):
        assert re.search(rf"│ {verb} ", done.stdout), done.stdout


def test_beside_workers_libraries_of_matrices_are_told_of_one_thread_before_they_are_loaded():
    code = (
        "import os, sys; from bafflelens.commands.options import prepare_compiler; "
        "prepare_compiler(beside_workers=True); "
        "print('numpy' in sys.modules, os.environ['OPENBLAS_NUM_THREADS'], "
        "os.environ['OMP_NUM_THREADS'])"
    )
    environment = {name: value for name, value in os.environ.items() if "NUM_THREADS" not in name}
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env=environment | {"OMP_NUM_THREADS": "3", "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert run.stdout.split() == ["False", "1", "3"]  # what the user says counts


def test_a_number_of_threads_that_is_none_is_refused_before_anything_is_begun(write_job):
    job = write_job()
    run = subprocess.run(
        [sys.executable, "-m", "bafflelens", "run", job], capture_output=True, text=True,
        check=False, cwd=job.parent,
        env=os.environ | {"NUMBA_NUM_THREADS": "abc", "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert run.returncode == 2
    assert run.stderr.count("\n") == 1
    assert re.search(r"'NUMBA_NUM_THREADS' 'abc'. Must be a whole number from 1 on", run.stderr)
    assert not (job.parent / "results").exists()
