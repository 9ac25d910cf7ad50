# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page's script is given: near enough to the curves, safe in a page, and small."""

import base64
import json
from dataclasses import replace

import numpy as np
import patterns
import pytest

from bafflelens.report import RunView
from bafflelens.report.curves import curves_of
from bafflelens.report.side_by_side import side_by_side
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import Score
from bafflelens.scoring.target import default_target

TARGET = default_target()
LABEL = "Level in dB re baseline mean"


@pytest.fixture(scope="module")
def curves():
    steps = patterns.sixth_octaves(per_octave=3)
    data = patterns.dataset(patterns.cap(3.0, 30.0), steps, failed=(steps[4],))
    return curves_of(data, TARGET, zero_db=0.0)


def run_of(count):
    results = [
        CandidateResult(
            id="baseline" if number == 0 else f"c{number:04d}",
            label="plain_baffle",
            is_baseline=number == 0,
            values={},
            score=Score(terms=(), total_db=10.0 - 0.2 * bool(number) + 0.001 * number),
            status="solved",
        )
        for number in range(count)
    ]
    return RunView(
        name="stub", title="Stub", job_text="", created_utc="", status="", target=TARGET,
        rows=rank(results), views=(),
    )  # fmt: skip


def packed(count, curves, names=None):
    run = run_of(count)
    ids = [row.candidate.id for row in run.rows]
    names = names or {name: name for name in ids}
    return side_by_side(run, dict.fromkeys(ids, curves), names, LABEL)


def test_maps_and_curves_survive_packing_within_half_a_step(curves):
    content = json.loads(packed(3, curves).data)
    entry = content["candidates"][0]
    steps = np.frombuffer(base64.b64decode(entry["maps"]["vertical"]), dtype=np.uint8)
    level = content["map"]["floor"] + content["map"]["step"] * steps.astype(float)
    level = np.where(steps == content["map"]["none"], np.nan, level).reshape(
        len(curves.frequency_hz), -1
    )
    np.testing.assert_allclose(level, np.maximum(curves.vertical_db, -50.0), atol=0.1251)
    assert np.isnan(level[4]).all()
    line = np.frombuffer(base64.b64decode(entry["curves"]["index"]), dtype="<i2")
    assert line[4] == content["curve"]["none"]
    found = np.where(line == content["curve"]["none"], np.nan, line * content["curve"]["step"])
    np.testing.assert_allclose(found, curves.directivity_index_db, atol=0.0101)


def test_best_and_baseline_are_ticked(curves):
    assert [name for name in packed(4, curves).names if name[2]] == [
        ("0", "1: c0001, 9.80 dB", True),
        ("3", "4: baseline, 10.00 dB", True),
    ]


def test_a_name_cannot_end_the_element(curves):
    names = {"baseline": "</script><b>", "c0001": "a & b"}
    found = packed(2, curves, names)
    assert "<" not in found.data
    assert {c["name"] for c in json.loads(found.data)["candidates"]} == set(names.values())


def test_one_candidate_is_nothing_to_compare(curves):
    assert packed(1, curves) is None


def test_hundreds_of_candidates_stay_small_and_what_is_left_out_is_said(curves):
    # As after a night: 24 frequencies an octave from 500 Hz to 20 kHz.
    n = 128

    def longer(values):
        return np.resize(values, (n, *values.shape[1:]))

    night = replace(
        curves,
        frequency_hz=np.geomspace(500, 20000, n),
        **{
            name: longer(getattr(curves, name))
            for name in (
                "horizontal_db", "vertical_db", "on_axis_db", "listening_window_db",
                "directivity_index_db", "beamwidth_h_deg", "beamwidth_v_deg",
            )
        },
        towards=replace(
            curves.towards,
            frequency_hz=np.geomspace(500, 20000, n),
            level_db={key: longer(level) for key, level in curves.towards.level_db.items()},
        ),
    )  # fmt: skip
    found = packed(400, night)
    assert len(found.data) < 7.2e6  # of the 15 MB that a page may have
    content = json.loads(found.data)
    with_maps = sum(entry["maps"] is not None for entry in content["candidates"])
    assert 90 < with_maps < 400
    assert f"maps of the first {with_maps} by place only" in found.left_out
    assert len(content["candidates"]) == len(found.names) == 400
    baseline = next(entry for entry in content["candidates"] if entry["id"] == "baseline")
    assert baseline["maps"]  # last of all, and there all the same
    assert "curves of the first" in packed(1200, night).left_out
    assert packed(30, night).left_out == ""
