# SPDX-License-Identifier: GPL-3.0-or-later
"""The picture of an inspection: each region and dimension against its limit."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from matplotlib.figure import Figure

from bafflelens.report.style import plain_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from bafflelens.handoff.judging import Judged

_COLOURS: Final = {
    "within": "#4477aa",
    "over": "#cc3311",
    "over the general tolerance": "#ee7733",
    "too close to call": "#ddaa33",
}
_OTHER: Final = "#bbbbbb"
_WIDEST: Final = 4.0  # limits


@plain_words()
def regions_picture(regions: Sequence[Judged], dimensions: Sequence[Judged], title: str) -> bytes:
    """Return bars of what each is off in shares of its limit, with uncertainties, as PNG.

    Parameters
    ----------
    regions, dimensions : sequence of Judged
        What was judged.
    title : str
        A line above.
    """
    rows = max(len(regions), len(dimensions), 4)
    figure = Figure(figsize=(12.0, 1.8 + 0.32 * rows), layout="constrained", dpi=130)
    figure.suptitle(title)
    left, right = figure.subplots(1, 2)
    _draw(left, regions, "Regions: root mean square over the limit")
    _draw(right, dimensions, "Dimensions: off by, over the limit")
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


def _draw(axes: Axes, items: Sequence[Judged], title: str) -> None:
    for row, item in enumerate(items):
        colour = _COLOURS.get(item.state, _OTHER)
        limited = item.allowed if math.isfinite(item.allowed) else math.inf
        share = item.size / limited if math.isfinite(item.size) else 0.0
        is_told = item.state not in ("not seen", "not told by this scan")
        error = item.uncertainty / limited if is_told else 0.0
        shown = min(share, _WIDEST)
        axes.barh(row, shown, color=colour, height=0.65)
        if is_told:
            axes.errorbar(shown, row, xerr=min(error, _WIDEST), color="black", capsize=2, lw=1)
        number = "not seen" if item.state == "not seen" else f"{item.off:+.2f} {item.unit}"
        words = number if item.state in ("within", "not seen") else f"{number}, {item.state}"
        axes.text(
            max(shown + min(error, _WIDEST), 1.0) + 0.06, row, words, va="center", fontsize=8
        )
    axes.axvline(1.0, color="black", linestyle="--", linewidth=1)
    axes.set_yticks(range(len(items)), [item.name for item in items])
    axes.set_xlim(0, _WIDEST + 2)
    axes.set_xticks(range(int(_WIDEST) + 1), [*map(str, range(int(_WIDEST))), f"{_WIDEST:g}+"])
    axes.invert_yaxis()
    axes.set_title(title, fontsize=10)
    axes.spines[["top", "right"]].set_visible(False)
