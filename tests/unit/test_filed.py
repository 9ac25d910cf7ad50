# SPDX-License-Identifier: GPL-3.0-or-later
"""The PDF for filing: A4, the same bytes for the same run, and what it shows."""

import re

import patterns
import pytest

from bafflelens.ranking import CandidateResult, rank
from bafflelens.report import CandidateView, RunView, filed
from bafflelens.report.filed import filed_report
from bafflelens.score import score
from bafflelens.target import default_target

TARGET = default_target()


@pytest.fixture(scope="module")
def run():
    dataset = patterns.dataset(lambda f, a, e: 1e-4 + 0 * a, [1000.0, 2000.0, 4000.0, 8000.0])
    results, views = [], []
    for name in ("baseline", "c001"):
        results.append(
            CandidateResult(
                id=name,
                label="plain" if name == "baseline" else "lens",
                is_baseline=name == "baseline",
                values={},
                score=score(dataset, TARGET),
                status="solved",
            )
        )
        views.append(CandidateView(id=name, parameters=(), dataset=dataset))
    return RunView(
        name="small_20260131T204500Z",
        title="A small run for $5 & $6",
        job_text="",
        created_utc="2026-01-31T20:45:00Z",
        status="finished",
        rows=rank(results),
        views=tuple(views),
        target=TARGET,
        detailed=1,
        thumbnails=1,
    )


def test_pages_are_a4_and_the_same_run_gives_the_same_file(run):
    content = filed_report(run, ["c001 is the best.", "It costs nothing."])
    sizes = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", content)
    assert len(sizes) == 2 + 3 * 2  # answer, ranking, three for each of two
    for size in sizes:
        assert [float(side) for side in size.split()] == pytest.approx(
            [0, 0, 841.9, 595.3], abs=0.2
        )
    assert b"CreationDate" not in content
    assert filed_report(run, ["c001 is the best.", "It costs nothing."]) == content


def test_answer_of_the_page_opens_the_file(run, monkeypatch):
    told = []
    monkeypatch.setattr(
        "bafflelens.report.page.filed_report", lambda _, answer: told.extend(answer) or b"%PDF"
    )
    assert filed(run) == b"%PDF"
    assert told == ["None of the 1 candidate could be ranked; the reasons are under Failures."]
