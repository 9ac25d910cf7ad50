# SPDX-License-Identifier: GPL-3.0-or-later
"""The PDF for filing: A4, the same bytes for the same run, and what it shows."""

import re
from dataclasses import replace

import numpy as np
import patterns
import pypdfium2
import pytest
from small_view import small_view

from bafflelens.report import Failure, filed
from bafflelens.scoring.sensitivity import ParameterChange, Robustness


@pytest.fixture(scope="module")
def run():
    dataset = patterns.dataset(lambda f, a, e: 1e-4 + 0 * a, [1000.0, 2000.0, 4000.0, 8000.0])
    return small_view(
        {"baseline": dataset, "c001": dataset},
        name="small_20260131T204500Z",
        title="A small run for $5 & $6",
    )


@pytest.fixture(scope="module")
def better():
    frequencies = patterns.sixth_octaves(per_octave=3)
    datasets = {
        "baseline": patterns.dataset(falling(1.0), frequencies),
        "c001": patterns.dataset(falling(6.0), frequencies),
    }
    return replace(small_view(datasets, name="mine", title="Better"), folder="results/mine")


def falling(up_db):
    """Return a pattern of which the level at 45 degrees up is known."""
    return patterns.shaped(
        lambda _, azimuth, elevation: (
            -up_db * (np.sin(np.radians(elevation)) / np.sin(np.radians(45))) ** 2
            - 3.0 * (np.sin(np.radians(azimuth)) / np.sin(np.radians(60))) ** 2
        )
    )


def texts(content):
    return [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(content)]


def test_two_pages_of_a4_are_filed_and_the_same_run_gives_the_same_file(run):
    content = filed(run)
    sizes = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", content)
    assert len(sizes) == 2
    for size in sizes:
        assert [float(side) for side in size.split()] == pytest.approx(
            [0, 0, 841.9, 595.3], abs=0.2
        )
    assert b"CreationDate" not in content
    assert filed(run) == content
    answer, evidence = texts(content)
    assert "A small run for $5 & $6" in answer
    assert "Evidence" in evidence


def test_the_answer_says_what_to_make_and_the_evidence_what_it_is_worth(better):
    answer, evidence = (" ".join(text.split()) for text in texts(filed(better)))
    assert "Make c001" in answer
    for heading in ("Gains", "Costs", "Beware", "Next"):
        assert heading in answer
    assert "bafflelens handoff results/mine c001" in answer
    assert "smallest difference that means anything" in evidence.lower()
    assert "Paid for, dB" in evidence


def test_the_appendix_comes_on_request(run):
    # answer, evidence; ranking, leaders, what failed; four figures for each of two
    assert len(texts(filed(run, with_appendix=True))) == 2 + 3 + 4 * 2


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
    pages = texts(filed(replace(run, rows=rows, failures=(failure,)), with_appendix=True))
    leaders = " ".join(next(text for text in pages if "the leaders" in text).split())
    assert "lens depth matters most, up to +0.30 dB for 1 mm" in leaders
    assert "c001 rejected by ear on 2026-01-31: thin" in leaders
    assert "c002 mesh: 14 free edges" in next(text for text in pages if "what failed" in text)


def test_answer_of_the_page_opens_the_file(run, monkeypatch):
    told = []
    monkeypatch.setattr(
        "bafflelens.report.page.filed_report",
        lambda content, **_: told.extend(content.answer) or b"%PDF",
    )
    assert filed(run) == b"%PDF"
    assert told == ["None of the 1 candidate could be ranked; the reasons are under Failures."]
