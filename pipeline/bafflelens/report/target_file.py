# SPDX-License-Identifier: GPL-3.0-or-later
"""The page that explains a job's target, as a file."""

from __future__ import annotations

from bafflelens.job.feasibility import tallest_opening_m, target_remarks
from bafflelens.job.job_file import LoadedJob
from bafflelens.report.figures.target import TargetPage, target_page
from bafflelens.report.style import drawn
from bafflelens.scoring.target import arrivals


def target_file(loaded: LoadedJob, file_format: str = "png") -> bytes:
    """Return the page that explains a job's target.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    file_format : {"png", "pdf", "svg"}
        Kind of file.

    Raises
    ------
    InputError
        If the kind is unknown.
    """
    job = loaded.job
    air = job.air.medium
    page = TargetPage(
        title=job.title,
        room=job.room.room,
        target=job.target.target(job.room.room),
        arrivals=arrivals(job.room.room, air),
        opening_height_m=tallest_opening_m(loaded),
        sound_speed=air.sound_speed,
        remarks=target_remarks(loaded),
    )
    return drawn(lambda: target_page(page), file_format)
