# SPDX-License-Identifier: GPL-3.0-or-later
"""A run for a notebook: candidates, parameters, scores and far fields as labelled arrays."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from bafflelens import store
from bafflelens.directivity.far_field_data import far_field
from bafflelens.report.summary import candidates_of, solved_candidate
from bafflelens.store import RunFolder
from bafflelens.store.system_response import played


@dataclass(frozen=True)
class OpenedRun:
    """A run folder, read only when it is asked for something.

    Attributes
    ----------
    folder : RunFolder
        The folder, for what is not offered here.
    """

    folder: RunFolder

    @property
    def candidates(self) -> tuple[str, ...]:
        """Ids of all candidates, the baseline among them, in the order of the run."""
        return tuple(candidate.id for candidate in candidates_of(self.folder))

    @property
    def parameters(self) -> xr.Dataset:
        """Parameters by key, over ``candidate``; NaN where a shape has none of that name."""
        found = candidates_of(self.folder)
        keys = dict.fromkeys(key for candidate in found for key in candidate.values)
        return xr.Dataset(
            {
                key: ("candidate", [candidate.values.get(key, np.nan) for candidate in found])
                for key in keys
            },
            coords={"candidate": [candidate.id for candidate in found]},
        )

    @property
    def scores(self) -> xr.Dataset:
        """``total`` and what each term adds to it, in dB; NaN where none could be given.

        Over ``candidate``; ``status`` says what became of each.
        """
        found = candidates_of(self.folder)
        terms = dict.fromkeys(
            term.name for candidate in found if candidate.score for term in candidate.score.terms
        )
        values = {name: np.full(len(found), np.nan) for name in ("total", *terms)}
        for number, candidate in enumerate(found):
            if candidate.score is None or not candidate.score.is_complete:
                continue
            values["total"][number] = candidate.score.total_db
            for term in candidate.score.terms:
                values[term.name][number] = term.cost_db
        dataset = xr.Dataset(
            {name: ("candidate", some, {"units": "dB"}) for name, some in values.items()},
            coords={"candidate": [candidate.id for candidate in found]},
        )
        return dataset.assign(status=("candidate", [candidate.status for candidate in found]))

    def directivity(self, candidate: str, *, as_played: bool = True) -> xr.Dataset:
        """Return a candidate's far field, with ``far_field`` complex in Pa.m.

        Parameters
        ----------
        candidate : str
            Its id.
        as_played : bool
            Whether its sources are summed as the job says, at the frequencies that are shown;
            otherwise each source by itself, as it was solved.

        Raises
        ------
        InputError
            If the run has no such candidate, or has not solved it.
        """
        solved_candidate(self.folder, candidate)
        dataset = self.folder.load_directivity(candidate)
        if as_played:
            dataset = played(self.folder, self.folder.load_job(), dataset)
        attributes = {"units": "Pa.m", "long_name": "Far field: p = value exp(ikr)/r"}
        return dataset.assign(far_field=far_field(dataset).assign_attrs(attributes))


def open_run(folder: Path | str) -> OpenedRun:
    """Open the folder of a run.

    Parameters
    ----------
    folder : path or str
        A folder below ``results``.

    Raises
    ------
    StoreError
        If there is no run.
    """
    return OpenedRun(store.open_run(Path(folder)))
