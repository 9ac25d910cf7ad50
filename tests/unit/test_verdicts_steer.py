# SPDX-License-Identifier: GPL-3.0-or-later
"""A verdict of eye or ear steers the answer: what was rejected is passed over, with its reason."""

import math
from dataclasses import replace

import pytest

from bafflelens import store
from bafflelens.report import page, words
from bafflelens.report.summary import note_on, rank_run, view_of
from bafflelens.scoring.notes import Note, rejection


@pytest.fixture
def folder(finished_run):
    return store.open_run(finished_run)


def answered(folder):
    view = view_of(folder, folder.load_job(), folder.load_record())
    names = {row.candidate.id: row.candidate.id for row in view.rows}
    baseline = next(row for row in view.rows if row.candidate.is_baseline)
    best = page._best(view)
    return best.candidate.id, page.answer(view, best, baseline, names, {})


def candidates(folder):
    return [row.candidate.id for row in rank_run(folder) if not row.candidate.is_baseline]


def test_the_answer_passes_over_what_was_rejected(folder):
    first, second, _ = candidates(folder)
    assert answered(folder)[0] == first
    note_on(folder, first, "thin on cello", sense="heard", verdict="rejected")
    best, sentences = answered(folder)
    assert best == second
    said = next(sentence for sentence in sentences if sentence.startswith("Passed over"))
    assert f"{first} was rejected by ear" in said
    assert said.endswith("thin on cello.")
    assert not any("thin on cello" in text for text in rank_run(folder)[0].reasons)


def test_the_latest_verdict_counts(folder, monkeypatch):
    first = candidates(folder)[0]
    for day, verdict in enumerate(("rejected", "undecided", "kept", "undecided"), start=1):
        monkeypatch.setattr(store, "utc_now", lambda day=day: f"2026-01-0{day}T00:00:00Z")
        note_on(folder, first, "listened again", sense="heard", verdict=verdict)
        assert (answered(folder)[0] == first) == (verdict == "kept" or day == 4)


def test_where_all_were_rejected_the_best_is_named_as_such(folder):
    for name in candidates(folder):
        note_on(folder, name, "no", sense="seen", verdict="rejected")
    best, sentences = answered(folder)
    assert best == candidates(folder)[0]
    assert any(s.startswith("Every ranked shape was rejected") for s in sentences)


def test_a_verdict_follows_the_shape_into_another_run():
    note = Note(
        created_utc="2026-01-01T00:00:00Z",
        run="earlier",
        candidate="c007",
        shape="lens",
        values={"lens.depth_mm": 20.0},
        sense="heard",
        verdict="rejected",
        text="sharp",
    )
    assert rejection([note], shape="lens", values={"lens.depth_mm": 20.0}) == note.judgement
    assert not rejection([note], shape="lens", values={"lens.depth_mm": 21.0})
    assert not rejection([note], shape="plain", values={"lens.depth_mm": 20.0})
    later = replace(note, created_utc="2026-02-01T00:00:00Z", verdict="kept")
    assert not rejection([later, note], shape="lens", values={"lens.depth_mm": 20.0})


def test_the_most_different_of_the_good_ones_is_next(folder):
    rows = [row for row in rank_run(folder) if not row.candidate.is_baseline]
    best = replace(rows[0], better_by_db=3.0)
    near, far = (
        replace(
            rows[n],
            better_by_db=gain,
            candidate=replace(rows[n].candidate, values=best.candidate.values | {key: value}),
        )
        for n, gain, key, value in (
            (1, 2.9, "lens.depth_mm", 11.0),
            (2, 2.5, "lens.depth_mm", 39.0),
        )
    )
    best = replace(
        best,
        candidate=replace(best.candidate, values=best.candidate.values | {"lens.depth_mm": 10.0}),
    )
    ranges = {"lens.depth_mm": (10.0, 40.0)}
    said = words.next_sentence([best, near, far], best, ranges)
    assert f"to try next: {far.candidate.id} (place" in said
    assert "2.50 dB better" in said
    poor = replace(far, better_by_db=2.0)
    assert not words.next_sentence([best, near, poor], best, ranges)
    assert not words.next_sentence([best, near, replace(far, rejected="no")], best, ranges)
    assert not words.next_sentence([replace(best, better_by_db=math.nan)], best, ranges)
