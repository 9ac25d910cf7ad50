# SPDX-License-Identifier: GPL-3.0-or-later
"""What the seat hears from a shape, before anything is made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from bafflelens.commands.console import ConsoleProgress, decibel_figure, new_table, say, show_table
from bafflelens.commands.options import FINE, Folder

if TYPE_CHECKING:
    from bafflelens.listen.rendering import Heard


def listen(
    folder: Folder,
    /,
    *candidates: Annotated[str, Parameter(help="Ids of solved candidates: c009 baseline.")],
    out: Annotated[Path, Parameter(help="Folder to write into; new or empty.")],
    music: Annotated[
        Path | None,
        Parameter(help="Stereo file (WAV, FLAC, OGG, MP3); otherwise an invented test signal."),
    ] = None,
    equalise: Annotated[
        str, Parameter(help="axis: make the on-axis response of each shape even.")
    ] = "",
    head: Annotated[
        Path | None,
        Parameter(help="AES69 (SOFA) file of a head, SimpleFreeFieldHRIR; otherwise KEMAR."),
    ] = None,
    headphones: Annotated[
        Path | None,
        Parameter(help="Response of the headphones (Hz, dB, degrees), to be divided out."),
    ] = None,
    speakers: Annotated[
        bool,
        Parameter(negative="", help="Also write files for real loudspeakers, without a room."),
    ] = False,
    again: Annotated[
        Path | None,
        Parameter(help="Earlier folder of the same shapes, of which only the music changes."),
    ] = None,
    blind: Annotated[
        bool, Parameter(negative="", help="Then compare two shapes blind, on a page of your own.")
    ] = False,
    test: Annotated[
        str, Parameter(help="With --blind: abx (told apart?) or preference (which is better?).")
    ] = "abx",
    trials: Annotated[
        int, Parameter(help="With --blind: number of trials, fixed beforehand.")
    ] = 16,
) -> int:
    """Make heard in headphones what the seat gets of two shapes; begin at low level."""
    from bafflelens.listen.blind_results import check_two, run_blind_test
    from bafflelens.listen.rendering import Wishes
    from bafflelens.listen.rendering import listen as render
    from bafflelens.listen.trials import new_trials, trial_plan_text
    from bafflelens.store import open_run

    planned = new_trials(test, trials)
    if blind:
        check_two(candidates)
    wishes = Wishes(
        equalise=equalise, head=head, headphones=headphones, speakers=speakers, again=again
    )
    opened = open_run(folder)
    heard = render(opened, candidates, music, out, wishes, ConsoleProgress())
    _print_heard(heard)
    if blind:
        say(trial_plan_text(trials, test))
        announce = lambda address: say(f"open in a browser of this machine: {address}")  # noqa: E731
        say(f"noted on both: {run_blind_test(opened, heard, planned, announce)}")
    return FINE


def _print_heard(heard: Heard) -> None:
    table = new_table(
        "Versions, equally loud",
        *("shape", "changed by dB", "loudness LUFS", "true peak dB", "pink noise dB"),
    )
    for version in heard.versions:
        level = version.level
        table.add_row(
            version.name,
            decibel_figure(level.gain_db, signed=True),
            decibel_figure(level.loudness_lufs),
            decibel_figure(level.peak_db),
            decibel_figure(level.noise_db, signed=True),
        )
    show_table(table)
    for remark in heard.remarks:
        say(remark)
    say(f"what arrives: {heard.out / 'arrivals.html'}")
