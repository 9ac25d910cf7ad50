# SPDX-License-Identifier: GPL-3.0-or-later
"""How busy the workers were, from the times of their tasks; and it stands in the timing table."""

import math

import pytest

from bafflelens import report
from bafflelens.report import summary
from bafflelens.run.busy import BETWEEN_TASKS, IDLE, Busy
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job


def test_the_idle_share_follows_from_the_tasks():
    moments = iter([10.0, 12.0, 20.0])
    busy = Busy(2, lambda: next(moments))
    assert busy.text == ""
    assert math.isnan(busy.wall_s)
    busy.add(0.0)  # known from the cache
    for seconds in (6.0, 8.0, 10.0):
        busy.add(seconds)
    assert busy.wall_s == pytest.approx(16.0)  # from 4 to 20
    assert busy.idle_s == pytest.approx(16.0 - 24.0 / 2)
    said = "2 workers were busy with shapes 75% of the 16 s between the first and the last task"
    assert busy.text == said


def test_the_timing_table_says_it(write_job, tmp_path, stub, open_pool, monkeypatch):
    monkeypatch.setattr(report, "write_report", lambda view, path: path.write_text(view.title))
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")
    options = RunOptions(results=tmp_path / "results", methods=stub.methods, open_pool=open_pool)
    folder = run_job(write_job(), options).folder
    table = folder.load_record().timing_s
    assert 0 <= table[IDLE] < table[BETWEEN_TASKS] <= table["meshing and solving"]
    log = (folder.path / "log.txt").read_text(encoding="utf-8")
    assert "1 workers were busy with shapes" in log
