# SPDX-License-Identifier: GPL-3.0-or-later
"""Begin a job of one's own: ask for the loudspeaker and its room, and write the job."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Final

from cyclopts import Parameter

from bafflelens.base.errors import InputError, invalid
from bafflelens.commands.console import complain, say
from bafflelens.commands.options import FINE

_PICTURE_NAME: Final = "dimensions.png"

Millimetres = Annotated[str | None, Parameter(help="In mm, or with a unit: 190, 19cm, 0.19m.")]
Metres = Annotated[str | None, Parameter(help="In m, or with a unit.")]


def new(
    folder: Annotated[Path, Parameter(help="Folder to make for the job.")],
    /,
    *,
    dome: Millimetres = None,
    dome_height: Millimetres = None,
    cabinet_width: Millimetres = None,
    cabinet_height: Millimetres = None,
    cabinet_depth: Millimetres = None,
    tweeter_below_top: Millimetres = None,
    midrange: Annotated[
        str | None, Parameter(help="Diameter of the midrange's cone in mm; 0 for none.")
    ] = None,
    midrange_below: Millimetres = None,
    crossover: Annotated[
        str | None, Parameter(help="Frequency in Hz at which midrange and tweeter hand over.")
    ] = None,
    distance: Metres = None,
    ear_height: Metres = None,
    tweeter_height: Metres = None,
    ceiling_height: Metres = None,
) -> int:
    """Write a first job of your own: it asks in a terminal for what no option gives."""
    from bafflelens.job.new_job import JOB_NAME, job_files
    from bafflelens.report.figures.new_job import new_job_figure
    from bafflelens.report.style import drawn
    from bafflelens.store import require_new_folder, write_folder

    given = {
        "dome": dome, "dome_height": dome_height, "cabinet_width": cabinet_width,
        "cabinet_height": cabinet_height, "cabinet_depth": cabinet_depth,
        "tweeter_below_top": tweeter_below_top, "midrange": midrange,
        "midrange_below": midrange_below, "crossover": crossover, "distance": distance,
        "ear_height": ear_height, "tweeter_height": tweeter_height,
        "ceiling_height": ceiling_height,
    }  # fmt: skip
    require_new_folder(folder)
    ask = _asked if sys.stdin.isatty() else None
    answers = gathered({name: text for name, text in given.items() if text is not None}, ask)
    files = job_files(folder.resolve().name.replace("_", " "), answers)
    _require_job_that_passes(files, JOB_NAME)
    picture = drawn(lambda: new_job_figure(answers), "png")
    write_folder(folder, {**files, _PICTURE_NAME: picture})
    say(f"job: {folder / JOB_NAME}")
    say(f"picture: {folder / _PICTURE_NAME}")
    say(f"next: bafflelens check {folder / JOB_NAME}, then bafflelens run {folder / JOB_NAME}")
    return FINE


def gathered(given: Mapping[str, str], ask: Callable[[str], str] | None) -> dict[str, float]:
    """Return an answer to every question: given as an option, asked for, or the default.

    Parameters
    ----------
    given : mapping of str to str
        Options by name, as they were typed.
    ask : callable or None
        Shows a question and returns the answer, empty for the default; None where nobody can
        be asked.

    Raises
    ------
    InputError
        With every option that is wrong. Whoever is asked is asked again.
    """
    from bafflelens.job.new_job import QUESTIONS, is_asked, proposed_answer, read_answer

    answers: dict[str, float] = {}
    faults: list[str] = []
    for question in QUESTIONS:
        name = question.name
        if name in given:
            try:
                answers[name] = read_answer(question, given[name])
            except InputError as error:
                faults += error.faults
                answers[name] = question.default
    if "midrange_below" in given and not answers.get("midrange", 1.0):
        rule = "left out where there is no midrange"
        faults.append(invalid("option '--midrange-below'", given["midrange_below"], rule))
    if faults:
        raise InputError(faults)
    for question in QUESTIONS:
        if question.name in answers:
            continue
        answers[question.name] = default = proposed_answer(question, answers)
        if ask is None or not is_asked(question, answers):
            continue
        shown = f"{question.mark or ' '}  {question.text}, {question.rule} [{default:g}]: "
        while text := ask(shown).strip():
            try:
                answers[question.name] = read_answer(question, text)
                break
            except InputError as error:
                complain(error.faults)
    return answers


def _asked(question: str) -> str:
    """Return what is typed; the end of the input is no answer."""
    try:
        return input(question)
    except EOFError as error:
        raise InputError(invalid("answer", "", "given to every question; nothing was written")) \
            from error  # fmt: skip


def _require_job_that_passes(files: Mapping[str, bytes], name: str) -> None:
    """Refuse answers of which no job follows that can be run, before anything is written."""
    from bafflelens.job.job_file import load_job
    from bafflelens.run.warm_start import draw_job

    with tempfile.TemporaryDirectory(prefix="bafflelens_new_") as scratch:
        for other, content in files.items():
            (Path(scratch) / other).write_bytes(content)
        try:
            draw_job(load_job(Path(scratch) / name))
        except InputError as error:
            faults = [fault.replace(f"{scratch}/", "") for fault in error.faults]
            raise InputError(faults) from error
