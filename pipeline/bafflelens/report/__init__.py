# SPDX-License-Identifier: GPL-3.0-or-later
"""The report of a run: one HTML file that needs nothing else, and a PDF for filing.

``view`` says what a report is told. ``curves`` takes from the datasets what is drawn, ``shown``
chooses whose, ``figures`` draws it in the ``style`` and ``blocks`` makes markup of that.
``side_by_side`` packs the curves for the page's own script, ``compare.js``, which draws whichever
candidates are ticked. ``tables`` and ``words`` make text from numbers, ``first_screen`` what to
make of it. ``page`` puts all of it into the templates, ``filed_pages`` and ``pdf`` onto paper.

What draws is slow to load and a ranking never needs it: what is offered here is loaded when it is
asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bafflelens.report.page import filed, write_report
    from bafflelens.report.view import CandidateView, Failure, Picture, RunView, Timing

__all__ = ["CandidateView", "Failure", "Picture", "RunView", "Timing", "filed", "write_report"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        msg = f"module 'bafflelens.report' has no attribute '{name}'"
        raise AttributeError(msg)
    home = "page" if name in ("filed", "write_report") else "view"
    return getattr(import_module(f"bafflelens.report.{home}"), name)
