# SPDX-License-Identifier: GPL-3.0-or-later
"""Search a crossover for a solved shape."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from cyclopts import Parameter

from bafflelens.commands.console import ConsoleProgress, decibel_figure, new_table, say, show_table
from bafflelens.commands.options import FINE, Folder

if TYPE_CHECKING:
    from bafflelens.run.crossover_tuning import Tuning

_TRIALS_SHOWN: Final = 8


def crossover(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate, or baseline.")],
    /,
    *,
    job: Annotated[
        Path | None,
        Parameter(help="Job that says what to try and how to judge it, if not the run's own."),
    ] = None,
) -> int:
    """Search crossover frequency, slope, polarity and delay for a solved shape."""
    from bafflelens.job.job_file import load_job
    from bafflelens.run.crossover_tuning import tune_candidate
    from bafflelens.store import open_run

    opened = open_run(folder)
    loaded = opened.load_job() if job is None else load_job(job)
    _print_tuning(tune_candidate(opened, loaded, candidate, ConsoleProgress()))
    return FINE


def _print_tuning(found: Tuning) -> None:
    """Print the job's own crossover and the best of those that were tried."""
    table = new_table(
        f"Crossover between {found.lower} and {found.upper}, score in dB, lower is better",
        *("crossover", "Hz", "slope", "polarity", "delay ms", "score", "excursion dB", "handover"),
    )
    shown = [("as in the job", found.own)]
    shown += [(f"{place}", trial) for place, trial in enumerate(found.trials[:_TRIALS_SHOWN], 1)]
    for name, trial in shown:
        table.add_row(
            name,
            f"{trial.frequency_hz:.0f}",
            f"{trial.family} {trial.order}",
            "inverted" if trial.is_inverted else "normal",
            f"{1e3 * trial.delay_s:+.3f}",
            decibel_figure(trial.score.total_db),
            decibel_figure(trial.excursion_db, signed=True),
            "flawed" if trial.flaws else "good",
        )
    terms = new_table(
        "What they pay, in dB",
        "term",
        "as in the job",
        found.best_name,
        "cost",
        f"cost of {found.best_name}",
    )
    for own, best in zip(found.own.score.terms, found.trials[0].score.terms, strict=True):
        values = decibel_figure(own.value_db), decibel_figure(best.value_db)
        terms.add_row(
            own.label, *values, decibel_figure(own.cost_db), decibel_figure(best.cost_db)
        )
    show_table(table)
    show_table(terms)
    for name, lobe in zip(("as in the job", found.best_name), found.lobes, strict=True):
        text = (
            f"{name}: the ways hand over at {lobe.frequency_hz:.0f} Hz, with the vertical lobe "
            f"tilted by {lobe.tilt_deg:+.1f} degrees, {lobe.largest_deg:+.1f} at most within half "
            "an octave (positive is up)"
        )
        say(text)
    for name, trial in (("as in the job", found.own), (found.best_name, found.trials[0])):
        for flaw in trial.flaws:
            say(f"{name}: not good around the handover: {flaw}")
    if found.trials[0].flaws:
        say("none that was tried sums well there; try other slopes, a wider range or more delay")
    note = (
        f"excursion: of {found.upper}, re the crossover of the job at the same level in front; "
        "what it can take, its maker must say"
    )
    for line in (note, f"kept: {found.toml}", f"picture: {found.picture}"):
        say(line)
