# SPDX-License-Identifier: GPL-3.0-or-later
"""Notes of what was heard or seen: kept beside the runs, remembered for shapes alike."""

import os
import re
from dataclasses import replace

import pytest

from bafflelens import store
from bafflelens.base.errors import InputError, StoreError
from bafflelens.base.progress import Silent
from bafflelens.cli import WRONG_INPUT, main
from bafflelens.report.joint_ranking import rank_together
from bafflelens.report.summary import note_on, rank_run
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.notes import Note, distance, notes_of_run, reminders
from bafflelens.store import open_run

SPANS = {"lens.depth_mm": 50.0, "lens.opening_height_mm": 100.0}
VALUES = {"lens.depth_mm": 20.0, "lens.opening_height_mm": 90.0}
NOTE = Note(
    created_utc="2026-03-01T10:00:00Z",
    run="spring",
    candidate="c004",
    shape="vertical_lens",
    values=VALUES,
    sense="heard",
    verdict="rejected",
    text="harsh on brass",
)


def reminded(changes, *notes, run="summer", shape="vertical_lens"):
    return reminders(
        notes or (NOTE,),
        run=run,
        candidate="c004",
        shape=shape,
        values=VALUES | changes,
        spans=SPANS,
    )


def test_the_distance_is_the_largest_change_as_a_share_of_its_range():
    other = {"lens.depth_mm": 21.0, "lens.opening_height_mm": 85.0}
    assert distance(VALUES, other, SPANS) == pytest.approx(0.05)
    assert distance(other, VALUES, SPANS) == distance(VALUES, other, SPANS)
    assert distance(VALUES, VALUES | {"lip.radius_mm": 3.0}, SPANS) == float("inf")


def test_a_shape_nearby_reminds_of_a_verdict():
    (text,) = reminded({"lens.opening_height_mm": 93.0})
    expected = (
        "a shape 3 % away, c004 of spring, was rejected by ear on 2026-03-01: harsh on brass"
    )
    assert text == expected


def test_a_shape_farther_away_or_of_another_script_does_not():
    assert reminded({"lens.opening_height_mm": 96.0}) == ()
    assert reminded({}, shape="waveguide") == ()


def test_a_note_of_its_own_comes_first_and_then_the_nearest():
    own = replace(NOTE, run="summer", verdict="kept", sense="seen", text="neat")
    same = replace(NOTE, verdict="undecided", text="fine on voices")
    near = replace(NOTE, candidate="c009", values=VALUES | {"lens.depth_mm": 21.0})
    texts = reminded({}, near, same, own)
    assert texts[0] == "kept by eye on 2026-03-01: neat"
    assert texts[1].startswith("the same shape, c004 of spring, was left undecided by ear")
    assert texts[2].startswith("a shape 2 % away, c009 of spring, was rejected by ear")


def test_notes_are_kept_in_order_and_listed_by_run(tmp_path):
    assert store.load_notes(tmp_path) == ()
    second = replace(NOTE, run="summer", text="ünchanged")
    store.add_note(tmp_path, NOTE)
    store.add_note(tmp_path, second)
    assert store.load_notes(tmp_path) == (NOTE, second)
    assert notes_of_run(store.load_notes(tmp_path), "summer") == (
        "c004 rejected by ear on 2026-03-01: ünchanged",
    )


def test_a_damaged_line_is_named(tmp_path):
    store.add_note(tmp_path, NOTE)
    with (tmp_path / "notes.jsonl").open("a") as stream:
        stream.write('{"run": "spr\n')
    with pytest.raises(StoreError, match=r"line 2 of '.*notes.jsonl'. Must be a note written by"):
        store.load_notes(tmp_path)


def test_a_note_that_does_not_fit_on_the_disk_spoils_none(tmp_path, monkeypatch):
    store.add_note(tmp_path, NOTE)

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        store.add_note(tmp_path, NOTE)
    assert store.load_notes(tmp_path) == (NOTE,)


# ------------------------------------------------------------------------------ of runs


def test_a_later_run_is_reminded(write_job, options, capsys):
    first = run_job(write_job(), options).folder
    assert main(
        ["note", str(first.path), "c002", "thin  on cello", "--verdict", "rejected"]
    ) == 0  # fmt: skip
    assert main(["note", str(first.path)]) == 0
    assert "c002 rejected by ear on" in capsys.readouterr().out
    later = run_job(write_job(('title = "A small', 'title = "Another small')), options).folder
    rows = {row.candidate.id: row for row in rank_run(later)}
    assert len(rows["c002"].notes) == 1
    assert f"the same shape, c002 of {first.name}, was rejected by ear" in rows["c002"].notes[0]
    assert rows["c002"].notes[0].endswith("thin on cello")
    assert rows["baseline"].notes == ()
    assert main(["rank", str(later.path)]) == 0
    assert "was rejected by ear" in capsys.readouterr().out
    joint = rank_together([first, later], Silent()).rows
    assert [len(row.notes) for row in joint if row.candidate.id.endswith("/c002")] == [1, 1]


def test_a_run_without_notes_says_so(write_job, options, capsys):
    folder = run_job(write_job(), options).folder
    assert main(["note", str(folder.path)]) == 0
    assert "no notes on this run" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("candidate", "text", "change", "message"),
    [
        ("c077", "thin", {}, "candidate 'c077'. Must be one of baseline, c001, c002, c003"),
        ("c001", "  ", {}, "note '  '. Must be text that says what was heard or seen"),
        ("c001", "a \udcff", {}, "note 'a \\udcff'. Must be at most 4000 characters without"),
        ("c001", "thin", {"sense": "felt"}, "sense 'felt'. Must be one of heard, seen, measured"),
        (
            "c001",
            "thin",
            {"verdict": "bad"},
            "verdict 'bad'. Must be one of kept, rejected, undecided",
        ),
    ],
)
def test_what_is_no_note_is_refused(write_job, options, candidate, text, change, message):
    folder = run_job(write_job(), options).folder
    settings = {"sense": "heard", "verdict": "kept"} | change
    with pytest.raises(InputError, match=re.escape(message)):
        note_on(folder, candidate, text, **settings)
    assert store.load_notes(folder.path.parent) == ()


def test_no_run_and_no_text_are_refused(write_job, options, tmp_path, capsys):
    assert main(["note", str(tmp_path / "nowhere"), "c001", "thin"]) == WRONG_INPUT
    folder = open_run(run_job(write_job(), options).folder.path)
    assert main(["note", str(folder.path), "c001"]) == WRONG_INPUT
    assert "Invalid note ''" in capsys.readouterr().err
