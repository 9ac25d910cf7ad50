# SPDX-License-Identifier: GPL-3.0-or-later
"""The PDF for filing: A4, the same bytes for the same run, and what it shows."""

import re
from dataclasses import replace

import patterns
import pypdfium2
import pytest
from small_view import small_view

from bafflelens.report import Failure, filed
from bafflelens.report.pdf import filed_report
from bafflelens.scoring.sensitivity import ParameterChange, Robustness


@pytest.fixture(scope="module")
def run():
    dataset = patterns.dataset(lambda f, a, e: 1e-4 + 0 * a, [1000.0, 2000.0, 4000.0, 8000.0])
    return small_view(
        {"baseline": dataset, "c001": dataset},
        name="small_20260131T204500Z",
        title="A small run for $5 & $6",
    )


def test_pages_are_a4_and_the_same_run_gives_the_same_file(run):
    content = filed_report(run, ["c001 is the best.", "It costs nothing."])
    sizes = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", content)
    # answer, ranking, leaders, what failed, three for each of two
    assert len(sizes) == 4 + 3 * 2
    for size in sizes:
        assert [float(side) for side in size.split()] == pytest.approx(
            [0, 0, 841.9, 595.3], abs=0.2
        )
    assert b"CreationDate" not in content
    assert filed_report(run, ["c001 is the best.", "It costs nothing."]) == content


def test_what_is_known_of_a_leader_is_told(run):
    change = ParameterChange(
        key="lens.depth_mm", unit="mm", tolerance=1.0, less_db=0.1, more_db=0.3
    )
    found = Robustness(candidate="c001", score_db=3.0, changes=(change,))
    rows = tuple(
        replace(row, robustness=found, notes=("rejected by ear on 2026-01-31: thin",))
        if row.candidate.id == "c001"
        else row
        for row in run.rows
    )
    failure = Failure(candidate="c002", what="mesh", reason="14 free edges")
    content = filed_report(replace(run, rows=rows, failures=(failure,)), ["c001 is the best."])
    pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(content)]
    leaders = " ".join(next(text for text in pages if "The leaders" in text).split())
    assert "most by lens.depth_mm, up to +0.30 dB for 1 mm" in leaders
    assert "c001 rejected by ear on 2026-01-31: thin" in leaders
    assert "c002 mesh: 14 free edges" in next(text for text in pages if "What failed" in text)


def test_answer_of_the_page_opens_the_file(run, monkeypatch):
    told = []
    monkeypatch.setattr(
        "bafflelens.report.page.filed_report", lambda _, answer: told.extend(answer) or b"%PDF"
    )
    assert filed(run) == b"%PDF"
    assert told == ["None of the 1 candidate could be ranked; the reasons are under Failures."]
