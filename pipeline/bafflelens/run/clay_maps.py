# SPDX-License-Identifier: GPL-3.0-or-later
"""Clay maps in a run: of the best few of its ranking, as far as the time allows."""

from __future__ import annotations

from collections.abc import Sequence

from bafflelens.base.errors import BafflelensError
from bafflelens.base.status import Status
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import RankedRow


def map_leaders(run: Run, rows: Sequence[RankedRow]) -> None:
    """Make the clay maps of the leading candidates of a ranking that have none.

    The proposal of a map is not solved again here: `bafflelens clay-map` does that. A candidate
    that cannot be mapped is a remark in the run's record; the run goes on.

    Parameters
    ----------
    run : Run
        The run; its job says how many.
    rows : sequence of RankedRow
        Its ranking.
    """
    from bafflelens.mockup.clay_map.make import ClayMapRequest, make_clay_map

    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    leaders = [c.id for c in ranked if not c.is_baseline][: run.loaded.job.report.clay_maps]
    for name in leaders:
        out = run.folder.clay_map_path(name)
        if out.exists():
            continue
        if not run.clock.has_time_for(2 * run.clock.shape_s, run.clock.report_s):
            _remark(run, f"{name} has no clay map, no time left")
            continue
        request = ClayMapRequest(
            folder=run.folder, candidate=name, out=out, with_second_step=False
        )
        try:
            make_clay_map(request, run.progress)
        except BafflelensError as error:
            _remark(run, f"{name} has no clay map: {error}")


def _remark(run: Run, text: str) -> None:
    run.progress.say(text)
    run.journal.add_remark(text)
