# SPDX-License-Identifier: GPL-3.0-or-later
"""The report of a run: one HTML file that needs nothing else, and a PDF for filing.

``view`` says what a report is told. ``curves`` takes from the datasets what is drawn, ``shown``
chooses whose, ``figures`` draws it in the ``style`` and ``blocks`` makes markup of that.
``side_by_side`` packs the curves for the page's own script, ``compare.js``, which draws whichever
candidates are ticked. ``tables`` and ``words`` make text from numbers. ``page`` puts all of it
into the templates.
"""

from bafflelens.report.page import filed, write_report
from bafflelens.report.view import CandidateView, Failure, Picture, RunView, Timing

__all__ = ["CandidateView", "Failure", "Picture", "RunView", "Timing", "filed", "write_report"]
