# SPDX-License-Identifier: GPL-3.0-or-later
"""Names in the plane of the objectives: readable, however near the candidates are."""

from itertools import combinations

from bafflelens.report.figures.trade_off import TradeOffPoint, trade_off


def test_names_of_crowded_candidates_do_not_cover_each_other():
    crowd = [
        TradeOffPoint(
            name=f"c{number:03d}",
            values=(0.3 + 0.02 * number, 0.002 * number, 0.3 + 0.001 * number),
            is_on_front=True,
            is_baseline=False,
        )
        for number in range(12)
    ]
    baseline = TradeOffPoint(
        name="plain baffle", values=(6.2, 0.0, 0.6), is_on_front=False, is_baseline=True
    )
    figure = trade_off([*crowd, baseline])
    figure.canvas.draw()
    for axes in figure.axes:
        names = [text for text in axes.texts if text.get_text() != "better"]
        assert {"c000", "plain baffle"} <= {text.get_text() for text in names}
        boxes = [text.get_window_extent() for text in names]
        assert not any(one.overlaps(two) for one, two in combinations(boxes, 2))
