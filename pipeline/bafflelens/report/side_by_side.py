# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page's own script compares: maps and curves of many candidates, packed small.

Numbers are rounded to whole steps and written as base64, the lower byte first. A map takes one
byte a point, so that hundreds of candidates fit into a page that can be mailed. What does not fit
is left out from the lowest places upwards, and the page says so.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.colors import to_hex

from bafflelens.base.conventions import FloatArray
from bafflelens.report import style
from bafflelens.report.curves import Curves, marks_of, requirements_of, rounded_limits
from bafflelens.report.figures.maps import DIFFERENCE_STEPS_DB, LEVEL_STEPS_DB
from bafflelens.report.view import RunView
from bafflelens.scoring.ranking import RankedRow
from bafflelens.scoring.references import is_reference

MOST_CHOSEN: Final = len(style.SERIES)

_MAP_STEP_DB: Final = 0.25
_MAP_FLOOR_DB: Final = -50.0
_NOT_SOLVED: Final = 255
_CURVE_STEP: Final = 0.02
_NO_VALUE: Final = -32768
_MAPS_CHARACTERS: Final = 5_000_000
_CURVES_CHARACTERS: Final = 2_000_000
_DEEPEST_DB: Final = -30.0


@dataclass(frozen=True, kw_only=True)
class SideBySide:
    """What there is to compare.

    Attributes
    ----------
    names : tuple of (key, label, is_chosen)
        One box to tick each: the candidate's number in the data, what it is called, and whether
        it is ticked to begin with.
    data : Markup
        The data as JSON that can stand in a page.
    left_out : str
        What did not fit into the page, in words; empty if everything did.
    """

    names: tuple[tuple[str, str, bool], ...]
    data: Markup
    left_out: str


@dataclass(frozen=True, kw_only=True)
class _Panel:
    """A curve over frequency of each candidate, and its axis."""

    key: str
    title: str
    unit: str
    least: tuple[float, float]
    step: float
    is_level: bool = True


def side_by_side(
    run: RunView, curves: Mapping[str, Curves], names: Mapping[str, str], response_label: str
) -> SideBySide | None:
    """Pack the candidates for the page's script; None if fewer than two have curves.

    Parameters
    ----------
    run : RunView
        The run.
    curves : mapping of str to Curves
        The curves of all candidates that are solved, by id.
    names : mapping of str to str
        What each candidate is called.
    response_label : str
        What the levels of the response on the axis are re.
    """
    rows = [row for row in _leaders_first(run.rows) if row.candidate.id in curves]
    if len(rows) < 2:
        return None
    panels = _panels(run, response_label)
    values = {id_: _values_of(curves[id_]) for id_ in (row.candidate.id for row in rows)}
    grids: list[FloatArray] = []
    packed: list[dict[str, Any]] = []
    room_for_maps, room_for_curves, n_maps = _MAPS_CHARACTERS, _CURVES_CHARACTERS, 0
    for row in rows:
        name = row.candidate.id
        own = curves[name]
        lines = {
            panel.key: _packed_curve(values[name][panel.key])
            for panel in panels
            if panel.key in values[name]
        }
        room_for_curves -= sum(len(line) for line in lines.values())
        if room_for_curves < 0:
            break
        maps = {plane: _packed_map(own.level_db(plane)) for plane in ("vertical", "horizontal")}
        room_for_maps -= sum(len(text) for text in maps.values())
        n_maps += room_for_maps >= 0
        packed.append(
            {
                "id": name,
                "name": names[name],
                "grid": _grid_of(own.frequency_hz, grids),
                "curves": lines,
                "maps": maps if room_for_maps >= 0 else None,
            }
        )
    shown = [entry["id"] for entry in packed]
    content = {
        "angle": curves[shown[0]].angle_deg.tolist(),
        "grids": [[round(float(f), 2) for f in grid] for grid in grids],
        "map": {"step": _MAP_STEP_DB, "floor": _MAP_FLOOR_DB, "none": _NOT_SOLVED},
        "curve": {"step": _CURVE_STEP, "none": _NO_VALUE},
        "level": _scale(style.LEVEL_COLOURS, LEVEL_STEPS_DB),
        "difference": _scale(style.DIFFERENCE_COLOURS, DIFFERENCE_STEPS_DB),
        "series": [{"colour": c, "dash": _dash_text(dash)} for c, dash in style.SERIES],
        "target_colour": style.TARGET,
        "marks": [
            {"plane": mark.plane, "angle": mark.angle_deg, "label": mark.label}
            for mark in marks_of(run.target)
        ],
        "frequency": [min(float(g[0]) for g in grids), max(float(g[-1]) for g in grids)],
        "scored": list(run.settings.band_hz),
        "most": MOST_CHOSEN,
        "panels": [_panel_content(panel, run, values, shown, grids) for panel in panels],
        "candidates": packed,
    }
    best = next((i for i in shown if not _is_baseline(rows, i)), shown[0])
    baselines = [i for i in shown if _is_baseline(rows, i)]
    baseline = min(baselines, key=is_reference, default=shown[-1])
    labels = {row.candidate.id: _label(row, names) for row in rows}
    return SideBySide(
        names=tuple(
            (str(number), labels[name], name in (best, baseline))
            for number, name in enumerate(shown)
        ),
        data=_in_a_page(content),
        left_out=_left_out(len(rows), len(shown), n_maps),
    )


def _leaders_first(rows: Sequence[RankedRow]) -> list[RankedRow]:
    """Return the best first, but no baseline behind the tenth place: they must always fit."""
    first = list(rows[:10])
    late = [row for row in rows[10:] if row.candidate.is_baseline]
    return first + late + [row for row in rows[10:] if not row.candidate.is_baseline]


def _is_baseline(rows: Sequence[RankedRow], name: str) -> bool:
    return next(row.candidate.is_baseline for row in rows if row.candidate.id == name)


def _label(row: RankedRow, names: Mapping[str, str]) -> str:
    place = f"{row.place}: " if row.place is not None else ""
    score = row.candidate.score
    total = f", {score.total_db:.2f} dB" if score and np.isfinite(score.total_db) else ""
    return f"{place}{names[row.candidate.id]}{total}"


def _left_out(n_rows: int, n_curves: int, n_maps: int) -> str:
    parts = []
    if n_maps < n_curves:
        parts.append(f"maps of the first {n_maps} by place only")
    if n_curves < n_rows:
        parts.append(f"curves of the first {n_curves} of {n_rows} by place only")
    return "So that the file stays small it holds " + " and ".join(parts) if parts else ""


# ---------------------------------------------------------------------------------- curves


def _panels(run: RunView, response_label: str) -> list[_Panel]:
    asked = [
        _Panel(key=r.key, title=r.title, unit="dB re listening window", least=(-20, 5), step=5)
        for r in requirements_of(run.target)
    ]
    widths = [
        _Panel(
            key=key,
            title=f"Beamwidth, {plane}",
            unit="° between the −6 dB directions",
            least=(0, 180),
            step=60,
            is_level=False,
        )
        for key, plane in (("width_v", "vertical"), ("width_h", "horizontal"))
    ]
    return [
        _Panel(
            key="on_axis",
            title="On the axis re listening window",
            unit="dB",
            least=(-5, 5),
            step=5,
        ),
        *widths,
        _Panel(
            key="index", title="Directivity index on the axis", unit="dB", least=(0, 15), step=5
        ),
        *asked,
        _Panel(
            key="response",
            title="Response on the axis",
            unit=response_label,
            least=(-5, 5),
            step=5,
        ),
    ]


def _values_of(curves: Curves) -> dict[str, FloatArray]:
    return {
        "on_axis": curves.on_axis_db - curves.listening_window_db,
        "width_v": curves.beamwidth_v_deg,
        "width_h": curves.beamwidth_h_deg,
        "index": curves.directivity_index_db,
        "response": curves.on_axis_db,
        **curves.towards.level_db,
    }


def _panel_content(
    panel: _Panel,
    run: RunView,
    values: Mapping[str, Mapping[str, FloatArray]],
    shown: Sequence[str],
    grids: Sequence[FloatArray],
) -> dict[str, Any]:
    drawn = [values[name][panel.key] for name in shown if panel.key in values[name]]
    if panel.is_level:
        middle = np.nanmedian(drawn[0]) if np.isfinite(drawn[0]).any() else 0.0
        floor = _DEEPEST_DB + (middle if panel.key == "response" else 0.0)
        drawn = [np.maximum(line, floor) for line in drawn]
    least = panel.least
    if panel.key == "response":
        known = [float(np.nanmedian(line)) for line in drawn if np.isfinite(line).any()]
        centre = 5 * round(known[0] / 5) if known else 0
        least = (centre - 5.0, centre + 5.0)
    low, high = rounded_limits(drawn, panel.step, least)
    content: dict[str, Any] = {
        "key": panel.key,
        "title": panel.title,
        "unit": panel.unit,
        "low": low,
        "high": high,
        "step": panel.step,
        "is_level": panel.is_level,
    }
    for requirement in requirements_of(run.target):
        if requirement.key == panel.key:
            frequency = np.geomspace(grids[0][0], grids[0][-1], 60)
            level = requirement.limit.level_at(frequency)
            content["target"] = [
                [round(float(f), 1), round(float(x), 2)]
                for f, x in zip(frequency, level, strict=True)
                if np.isfinite(x)
            ]
            content["target_word"] = "at most" if requirement.is_upper else "at least"
    return content


# --------------------------------------------------------------------------------- packing


def _grid_of(frequency_hz: FloatArray, grids: list[FloatArray]) -> int:
    for number, grid in enumerate(grids):
        if np.array_equal(grid, frequency_hz):
            return number
    grids.append(frequency_hz)
    return len(grids) - 1


def _packed_map(level_db: FloatArray) -> str:
    steps = np.round((level_db - _MAP_FLOOR_DB) / _MAP_STEP_DB)
    steps = np.where(np.isfinite(steps), np.clip(steps, 0, _NOT_SOLVED - 1), _NOT_SOLVED)
    return base64.b64encode(steps.astype(np.uint8).tobytes()).decode("ascii")


def _packed_curve(values: FloatArray) -> str:
    steps = np.round(values / _CURVE_STEP)
    steps = np.where(np.isfinite(steps), np.clip(steps, -32767, 32767), _NO_VALUE)
    return base64.b64encode(steps.astype("<i2").tobytes()).decode("ascii")


def _scale(colours: str, steps: Sequence[float]) -> dict[str, Any]:
    palette = mpl.colormaps[colours].resampled(len(steps) + 1)
    return {"steps": list(steps), "colours": [to_hex(palette(i)) for i in range(len(steps) + 1)]}


def _dash_text(dash: style.Dash) -> str:
    return "" if isinstance(dash, str) else " ".join(f"{1.7 * part:g}" for part in dash[1])


def _in_a_page(content: Mapping[str, Any]) -> Markup:
    """Return JSON that cannot end the element it stands in."""
    text = json.dumps(content, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))
