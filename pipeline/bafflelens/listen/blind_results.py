# SPDX-License-Identifier: GPL-3.0-or-later
"""A blind test of what was heard, from its first trial to notes on both shapes."""

from __future__ import annotations

import json
from collections.abc import Callable

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.writing import write_file
from bafflelens.listen.blind import BlindTest, serve
from bafflelens.listen.rendering import Heard, sound_file
from bafflelens.listen.trials import Trials, result_text
from bafflelens.report.summary import note_on
from bafflelens.store import RunFolder, utc_now


def check_two(candidates: tuple[str, ...]) -> None:
    """Refuse a blind test of other than two shapes, before anything is computed."""
    if len(candidates) != 2:
        rule = "two for a blind test"
        raise InputError(invalid("number of candidates", len(candidates), rule))


def run_blind_test(
    folder: RunFolder, heard: Heard, trials: Trials, announce: Callable[[str], None]
) -> str:
    """Let a listener compare two versions blind, keep the result, and return it in words."""
    first, second = heard.versions
    test = BlindTest(
        names=(first.name, second.name),
        sounds=(sound_file(first.whole), sound_file(second.whole)),
        trials=trials,
    )
    return keep_result(folder, heard, serve(test, announce))


def keep_result(folder: RunFolder, heard: Heard, trials: Trials) -> str:
    """Write the result beside what was heard and as a note on both shapes.

    Returns
    -------
    str
        The result in words.
    """
    first, second = (version.name for version in heard.versions)
    said = result_text(trials, (first, second))
    made = utc_now()
    content = {
        "made_utc": made,
        "music": heard.music,
        "kind": trials.kind,
        "versions": [first, second],
        "hidden": list(trials.hidden),
        "answers": list(trials.answers),
        "count": trials.count,
        "p_value": trials.p_value,
        "result": said,
    }
    stamp = made.replace(":", "").replace("-", "")[:15]
    write_file(heard.out / f"blind_{stamp}.json", json.dumps(content, indent=2).encode())
    for name in (first, second):
        text = f"blind in headphones, {trials.kind}, {heard.music}: {said}"
        note_on(folder, name, text, sense="heard", verdict="undecided")
    return said
