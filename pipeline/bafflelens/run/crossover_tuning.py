# SPDX-License-Identifier: GPL-3.0-or-later
"""Tune the crossover of a candidate that is solved: search, draw the lobe, keep what was found."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.directivity.crossover import Crossover, sum_of_ways
from bafflelens.directivity.far_field_data import in_directions
from bafflelens.directivity.interpolated import shown
from bafflelens.directivity.lobe import Meeting, find_meeting, region_of, tilt_at, tilts_deg
from bafflelens.job.driver_sections import CrossoverSection
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.report.figures.lobe import LobeEntry, lobes
from bafflelens.report.style import drawing_style
from bafflelens.scoring.criteria import needed_directions
from bafflelens.scoring.crossover_search import (
    Trial,
    pair_of,
    search_crossover,
    search_space,
)
from bafflelens.scoring.handover import seat_reach_deg
from bafflelens.scoring.score import Score, score
from bafflelens.store import RunFolder
from bafflelens.store.system_response import driver_strengths, played


@dataclass(frozen=True, kw_only=True)
class LobeSummary:
    """The vertical lobe of a sum around its crossover frequency; NaN where it is not known.

    Attributes
    ----------
    frequency_hz : float
        Where the ways hand over in front, in Hz.
    tilt_deg : float
        Tilt of the main lobe there, in degrees, positive up.
    largest_deg : float
        The tilt of largest amount within half an octave.
    """

    frequency_hz: float
    tilt_deg: float
    largest_deg: float


@dataclass(frozen=True, kw_only=True)
class Tuning:
    """What a search found.

    Attributes
    ----------
    upper, lower : str
        The ways between which the crossover was moved.
    own : Trial
        The job's own crossover.
    trials : tuple of Trial
        All that were tried, the best first.
    lobes : tuple of LobeSummary
        For the job's own and for the best of `trials`.
    toml, picture : Path
        Where the best crossover and the picture of its lobe are kept.
    """

    upper: str
    lower: str
    own: Trial
    trials: tuple[Trial, ...]
    lobes: tuple[LobeSummary, ...]
    toml: Path
    picture: Path

    @property
    def best_name(self) -> str:
        """What the first of `trials` is called: one with a hole or a tilt is not the best."""
        return "least bad" if self.trials[0].flaws else "best"


def tune_candidate(
    folder: RunFolder, loaded: LoadedJob, candidate_id: str, progress: Progress
) -> Tuning:
    """Search a crossover for a candidate and keep the best, with a picture of its lobe.

    Parameters
    ----------
    folder : RunFolder
        The run.
    loaded : LoadedJob
        Says what is tried and how it is judged; that of the run, or another.
    candidate_id : str
        The candidate; ``baseline`` too.
    progress : Progress
        Who is told.

    Raises
    ------
    InputError
        If the candidate is not there or not solved, or has nothing to be searched.
    StoreError
        If the result cannot be written.
    """
    dataset = _solved(folder, candidate_id)
    crossover, section = _searched(loaded)
    pair = pair_of(dataset, crossover)
    strengths = driver_strengths(folder, loaded, dataset)
    own, trials = _search(folder, loaded, dataset, strengths, progress)
    best = trials[0]
    sums = {trial: sum_of_ways(dataset, trial.crossover, strengths) for trial in (own, best)}
    meetings = {trial: find_meeting(dataset, trial.crossover, strengths) for trial in (own, best)}
    summaries = tuple(_lobe_of(trial, sums[trial], meetings[trial]) for trial in (own, best))
    text = _as_toml(best, section, loaded, candidate_id)
    names = ("As in the job", "Least bad found" if best.flaws else "Best found")
    picture = _picture(
        [
            LobeEntry(title=name, dataset=sums[trial], meeting=found)
            for name, trial in zip(names, (own, best), strict=True)
            if (found := meetings[trial]) is not None
        ]
    )
    toml_path, picture_path = folder.save_crossover(candidate_id, text, picture)
    return Tuning(
        upper=pair.upper.name,
        lower=pair.lower.name,
        own=own,
        trials=trials,
        lobes=summaries,
        toml=toml_path,
        picture=picture_path,
    )


def best_crossover(
    folder: RunFolder, loaded: LoadedJob, candidate_id: str, progress: Progress
) -> Trial:
    """Return the best crossover that a search finds for a candidate; nothing is kept.

    Raises
    ------
    InputError
        If the candidate is not there or not solved, has nothing to be searched, or no crossover
        that was tried could be judged.
    """
    dataset = _solved(folder, candidate_id)
    strengths = driver_strengths(folder, loaded, dataset)
    own, trials = _search(folder, loaded, dataset, strengths, progress)
    best = min((own, *trials), key=lambda trial: trial.total_db)
    if not math.isfinite(best.total_db):
        rule = f"one that can be judged: {'; '.join(own.score.gaps)}"
        raise InputError(invalid("score of every crossover of", candidate_id, rule))
    return best


def _searched(loaded: LoadedJob) -> tuple[Crossover, CrossoverSection]:
    """Return the crossover of a job that is to be searched, and what the job says of it."""
    crossover, section = loaded.loudspeaker.crossover, loaded.job.crossover
    if crossover is None or section is None:
        rule = "one with a section [crossover]; another job can be named with --job"
        raise InputError(invalid("job", loaded.path, rule))
    return crossover, section


def _solved(folder: RunFolder, candidate_id: str) -> xr.Dataset:
    """Return what was solved of a candidate, at the frequencies that are shown."""
    known = [entry.id for entry in folder.candidates()]
    if candidate_id not in known:
        raise InputError(invalid("candidate", candidate_id, "one of " + ", ".join(known)))
    if not folder.has_directivity(candidate_id):
        raise InputError(invalid("candidate", candidate_id, "one that was solved"))
    return shown(folder.load_directivity(candidate_id))


def _search(
    folder: RunFolder,
    loaded: LoadedJob,
    dataset: xr.Dataset,
    strengths: ComplexArray | None,
    progress: Progress,
) -> tuple[Trial, tuple[Trial, ...]]:
    """Search with the score of the job, looking only at the directions that it needs."""
    job = loaded.job
    crossover, section = _searched(loaded)
    space = search_space(
        dataset,
        pair_of(dataset, crossover),
        from_hz=section.search.from_hz,
        to_hz=section.search.to_hz,
        slopes=section.search.parsed_slopes,
        delay_s=1e-3 * section.search.delay_ms,
    )
    target = job.target.target(job.room.room)
    baseline = None
    if folder.has_directivity(BASELINE_ID):
        baseline = played(folder, loaded, folder.load_directivity(BASELINE_ID))

    def judge(heard: xr.Dataset) -> Score:
        return score(heard, target, job.score.settings, baseline)

    kept = in_directions(dataset, needed_directions(dataset, target))
    progress.say(f"trying {space.n_trials} crossovers; nothing is solved again")
    with progress.bar(float(space.n_trials)) as advance:
        return search_crossover(
            kept,
            crossover,
            space,
            judge,
            strengths,
            tell=lambda: advance(1.0),
            tilt_limit_deg=seat_reach_deg(target),
        )


def _lobe_of(trial: Trial, heard: xr.Dataset, meeting: Meeting | None) -> LobeSummary:
    """Return the lobe where the ways of a trial meet."""
    frequency_hz = meeting.frequency_hz if meeting else trial.frequency_hz
    low, high = region_of(frequency_hz)
    frequency = heard["frequency"].values
    tilts = tilts_deg(heard)[(frequency >= low) & (frequency <= high)]
    tilts = tilts[np.isfinite(tilts)]
    return LobeSummary(
        frequency_hz=frequency_hz,
        tilt_deg=tilt_at(heard, frequency_hz),
        largest_deg=float(tilts[np.argmax(np.abs(tilts))]) if tilts.size else float("nan"),
    )


def _picture(entries: list[LobeEntry]) -> bytes:
    """Return the lobes as a PNG file."""
    buffer = io.BytesIO()
    with drawing_style():
        lobes(entries).savefig(buffer, format="png", dpi=130, facecolor="white")
    return buffer.getvalue()


def _as_toml(trial: Trial, section: CrossoverSection, loaded: LoadedJob, candidate_id: str) -> str:
    """Return a crossover as the section of a job file."""
    lines = [
        f"# Found by bafflelens crossover for {candidate_id}, judged as {loaded.path.name} does:",
        f"# score {trial.score.total_db:.2f} dB. To be put in place of [crossover] in a job.",
        *(f"# Not good around the handover: {flaw}." for flaw in trial.flaws),
        "",
        "[crossover]",
        f'mode = "{trial.crossover.mode}"',
        f'reference = "{trial.crossover.reference}"',
    ]
    for way in trial.crossover.ways:
        lines += ["", f"[crossover.{way.name}]"]
        for part in way.filters:
            lines.append(
                f'{part.kind.replace("-", "_")} = {{ family = "{part.family}", '
                f"order = {part.order}, frequency_hz = {part.frequency_hz:.1f} }}"
            )
        given: Mapping[str, tuple[bool, str]] = {
            "gain_db": (way.gain_db != 0, f"{way.gain_db:g}"),
            "delay_ms": (way.delay_s != 0, f"{1e3 * way.delay_s:.6g}"),
            "polarity": (way.is_inverted, '"inverted"'),
        }
        lines += [f"{key} = {text}" for key, (is_given, text) in given.items() if is_given]
        network = section.ways[way.name].network_file
        if network is not None:
            lines.append(f'network_file = "{network}"')
    return "\n".join(lines) + "\n"
