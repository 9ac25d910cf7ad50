# SPDX-License-Identifier: GPL-3.0-or-later
"""A finished run as a report sees it, from directivities alone: nothing is solved."""

from bafflelens.report import CandidateView, RunView
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import score
from bafflelens.scoring.target import default_target

TARGET = default_target()


def small_view(datasets, *, name, title):
    """Return the view of a run with these directivities by id, the baseline among them."""
    results = [
        CandidateResult(
            id=candidate,
            label="plain_baffle" if candidate == "baseline" else "lens",
            is_baseline=candidate == "baseline",
            values={},
            score=score(dataset, TARGET),
            status="solved",
        )
        for candidate, dataset in datasets.items()
    ]
    views = (CandidateView(id=n, parameters=(), dataset=d) for n, d in datasets.items())
    return RunView(
        name=name,
        title=title,
        job_text="",
        created_utc="2026-01-31T20:45:00Z",
        status="finished",
        rows=rank(results),
        views=tuple(views),
        target=TARGET,
        detailed=1,
        thumbnails=1,
    )
