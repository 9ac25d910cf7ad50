# SPDX-License-Identifier: GPL-3.0-or-later
"""The figures of a report, each one function from curves to a matplotlib figure.

Made with matplotlib's objects alone: no figure is registered anywhere, so none leaks. A frequency
that failed is a hatched gap, never a line drawn across it.
"""

from bafflelens.report.figures.axes import Scales
from bafflelens.report.figures.effects import effect_bars
from bafflelens.report.figures.load import centre_and_load
from bafflelens.report.figures.lobe import LobeEntry, lobes
from bafflelens.report.figures.maps import comparison_maps, level_maps, map_pair, thumbnail_maps
from bafflelens.report.figures.panels import bounce_levels, bounce_pair, level_slope, responses
from bafflelens.report.figures.polar import polars
from bafflelens.report.figures.trade_off import TradeOffPoint, trade_off

__all__ = [
    "LobeEntry",
    "Scales",
    "TradeOffPoint",
    "bounce_levels",
    "bounce_pair",
    "centre_and_load",
    "comparison_maps",
    "effect_bars",
    "level_maps",
    "level_slope",
    "lobes",
    "map_pair",
    "polars",
    "responses",
    "thumbnail_maps",
    "trade_off",
]
