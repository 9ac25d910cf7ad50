# SPDX-License-Identifier: GPL-3.0-or-later
"""The page that explains a job's target, as a file.

Depends on: figures, style; jobfile, outlook, target.
"""

from __future__ import annotations

import io
from typing import Final

from bafflelens.errors import InputError, invalid
from bafflelens.jobfile import LoadedJob
from bafflelens.outlook import tallest_opening_m, target_remarks
from bafflelens.report.figures.target import TargetPage, target_page
from bafflelens.report.style import drawing_style
from bafflelens.target import arrivals

FORMATS: Final = ("png", "pdf", "svg")
_PIXELS_PER_INCH: Final = 150


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
    if file_format not in FORMATS:
        rule = "one of ." + ", .".join(FORMATS)
        raise InputError(invalid("ending of the picture's name", f".{file_format}", rule))
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
    stream = io.BytesIO()
    with drawing_style():
        # Without the time of writing, the same target gives the same file.
        undated = {"pdf": {"CreationDate": None}, "svg": {"Date": None}}.get(file_format, {})
        target_page(page).savefig(
            stream, format=file_format, dpi=_PIXELS_PER_INCH, facecolor="white", metadata=undated
        )
    return stream.getvalue()
