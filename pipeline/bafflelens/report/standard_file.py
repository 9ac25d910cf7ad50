# SPDX-License-Identifier: GPL-3.0-or-later
"""The curves of ANSI/CTA-2034-A of a candidate as a file of their own."""

from __future__ import annotations

import xarray as xr

from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.standard_curves import standard_curves
from bafflelens.report.figures.standard import standard_figure
from bafflelens.report.style import FORMATS, drawn
from bafflelens.report.summary import candidates_of, solved_candidate
from bafflelens.store import RunFolder
from bafflelens.store.system_response import played


def curves_file(
    folder: RunFolder, candidate_id: str, file_format: str, rear_wall: str = "A"
) -> bytes:
    """Return the curves of CTA-2034-A of a candidate, as a picture or a table.

    A picture has the baseline's behind them.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate_id : str
        Id of a candidate that is solved.
    file_format : {"csv", "png", "pdf", "svg"}
        Kind of file.
    rear_wall : {"A", "B"}
        Reading of the rear wall's angles.

    Raises
    ------
    InputError
        If the candidate is not among those that are solved, or the kind or the reading is
        unknown.
    """
    if file_format not in ("csv", *FORMATS):
        rule = "one of ." + ", .".join(("csv", *FORMATS))
        raise InputError(invalid("ending of the file's name", f".{file_format}", rule))
    solved_candidate(folder, candidate_id)
    loaded = folder.load_job()

    def curves_of(id_: str) -> xr.Dataset:
        return standard_curves(played(folder, loaded, folder.load_directivity(id_)), rear_wall)

    curves = curves_of(candidate_id)
    if file_format == "csv":
        table = curves.to_pandas().rename(columns=lambda name: f"{name}_db").round(3)
        table.index = table.index.astype(float).to_numpy().round(2)
        return str(table.to_csv(index_label="frequency_hz", lineterminator="\n")).encode()
    baselines = [c for c in candidates_of(folder) if c.is_baseline and not c.is_reference]
    behind = next(
        (
            (c.label.replace("_", " ") or c.id, curves_of(c.id))
            for c in baselines
            if c.id != candidate_id and folder.has_directivity(c.id)
        ),
        None,
    )
    return drawn(lambda: standard_figure(curves, candidate_id, behind), file_format)
