# SPDX-License-Identifier: GPL-3.0-or-later
"""The pages of charts in the summary: polars and levels that a candidate is expected to have."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.charts import (
    LEVEL_MM_PER_DB,
    POLAR_DB,
    POLAR_MM_PER_DB,
    Curve,
    behind,
    decade_mm,
    level_chart,
    polar_chart,
)
from bafflelens.handoff.expected import Expected
from bafflelens.handoff.paper import heading, paragraph
from bafflelens.handoff.shortlist import Listed, ShortList
from bafflelens.mockup.measurement.measured import OrbitName
from bafflelens.report import style, words
from bafflelens.report.words import kilohertz

UP_AND_DOWN_DEG: Final = (15.0, -15.0)
_POLARS_HZ: Final = (1000.0, 2000.0, 4000.0, 8000.0, 16000.0, 500.0)
_ASIDE_DEG: Final = (15.0, 30.0, 45.0, 60.0)
_RELATIVE_DB: Final = (-25.0, 5.0)
_RESPONSE_DB: Final = (-15.0, 10.0)
_SAME_DB: Final = 0.1
_SIDES: Final[dict[OrbitName, tuple[str, str]]] = {
    "horizontal": ("left", "right"),
    "vertical": ("up", "down"),
}


def degrees_text(angle: float) -> str:
    """Return an angle with its sign."""
    return (f"{angle:+g}" if angle else "0").replace("-", "−") + "°"


def chart_pages(found: ShortList, one: Listed) -> Iterator[Any]:
    """Yield polars, then levels over frequency, each on a page of its own."""
    from reportlab.platypus import PageBreak

    expected = one.expected
    if expected is None:
        return
    name = f"{one.row.candidate.id} rev {one.made.revision}"
    yield PageBreak()
    yield heading(f"{name}: expected polars, {expected.where}", size=12)
    numbers = _polar_numbers(found, expected)
    for plane, view in (("horizontal", "from above"), ("vertical", "from its right")):
        yield polar_chart(
            f"{plane.capitalize()}, seen {view}; dB re axis",
            _SIDES[_orbit(plane)],
            [
                *(
                    behind(_polar_curves(one.baseline, plane, numbers), found.baseline_name)
                    if one.baseline is not None
                    else []
                ),
                *_polar_curves(expected, plane, numbers),
            ],
            [mark for mark in found.marks if mark.plane == plane],
        )
    yield paragraph(
        f"True to scale when printed at 100 %: {POLAR_MM_PER_DB:g} mm a decibel, rings every "
        f"3 dB, rays every 10°; cut at {POLAR_DB[1]:+g} and {POLAR_DB[0]:g} dB. One frequency a "
        "line, not a mean over a band. Re the axis: a dip there widens all angles; the response "
        "on the next page shows it.",
        size=7.5,
    )
    yield PageBreak()
    yield heading(f"{name}: expected over frequency, {expected.where}", size=11)
    ends = (float(expected.frequency_hz[0]), float(expected.frequency_hz[-1]))
    if ends[1] < ends[0] * 1.5:  # an axis needs a length
        ends = (ends[0] / 1.3, ends[1] * 1.3)
    yield level_chart(
        "Response on the axis",
        "dB re its mean over the scored band",
        list(_responses(found, one, expected)),
        ends,
        _RESPONSE_DB,
        found.band_hz,
    )
    for plane in ("horizontal", "vertical"):
        orbit = _orbit(plane)
        yield level_chart(
            f"{plane.capitalize()} orbit",
            "dB re axis",
            [
                *(
                    behind(list(_at_angles(found, one.baseline, orbit)), found.baseline_name)
                    if one.baseline is not None
                    else []
                ),
                *_at_angles(found, expected, orbit),
            ],
            ends,
            _RELATIVE_DB,
            found.band_hz,
        )
    decade = decade_mm(ends)
    yield paragraph(
        f"True to scale when printed at 100 %: {LEVEL_MM_PER_DB:g} mm a decibel, {decade:g} mm a "
        f"decade: {decade / LEVEL_MM_PER_DB:g} dB a decade (IEC 60263). "
        + _symmetry_text(expected),
        size=7.5,
    )


def _polar_curves(
    expected: Expected, plane: str, numbers: Sequence[tuple[float, int]]
) -> list[Curve]:
    """Return the curves of a polar chart, one for each of these nominal frequencies."""
    nearest = [(nominal, expected.nearest(nominal)) for nominal, _ in numbers]
    return [
        Curve(
            label=kilohertz(float(expected.frequency_hz[number]), nominal),
            along=expected.angle_deg,
            level_db=expected.relative_db(_orbit(plane))[number],
            colour=colour,
            dash=dash,
        )
        for (nominal, number), (colour, dash) in zip(nearest, style.SERIES, strict=False)
    ]


def _orbit(plane: str) -> OrbitName:
    return "horizontal" if plane == "horizontal" else "vertical"


def _polar_numbers(found: ShortList, expected: Expected) -> list[tuple[float, int]]:
    """Return nominal frequencies with the number of the nearest known one, rising."""
    low, high = float(expected.frequency_hz[0]), float(expected.frequency_hz[-1])
    inside = [f for f in _POLARS_HZ if low * 0.95 <= f <= high * 1.05][: len(style.SERIES)]
    if not inside:
        inside = [float(np.sqrt(np.prod(found.band_hz)))]
    return [(nominal, expected.nearest(nominal)) for nominal in sorted(inside)]


def _responses(found: ShortList, one: Listed, expected: Expected) -> Iterator[Curve]:
    if one.baseline is not None:
        yield Curve(
            label=f"{found.baseline_name}, its own mean",
            along=one.baseline.frequency_hz,
            level_db=_re_mean(one.baseline, found.band_hz),
            colour=style.BASELINE,
            dash=(0, (4, 2)),
            width_mm=0.3,
        )
    yield Curve(
        label=one.row.candidate.id,
        along=expected.frequency_hz,
        level_db=_re_mean(expected, found.band_hz),
        colour=style.CANDIDATE,
    )


def _re_mean(expected: Expected, band_hz: tuple[float, float]) -> FloatArray:
    """Return the response on the axis re its mean over a band, on a logarithmic axis."""
    level = expected.on_axis_db
    mean = words.band_mean(expected.frequency_hz, level, band_hz)
    return level - (mean if math.isfinite(mean) else float(level.mean()))


def _at_angles(found: ShortList, expected: Expected, plane: OrbitName) -> Iterator[Curve]:
    marked = [(mark.angle_deg, mark.word) for mark in found.marks if mark.plane == plane]
    if plane == "horizontal":
        wanted = [(angle, "") for angle in _ASIDE_DEG]
        wanted += [(angle, word) for angle, word in marked if angle > 0]
    else:
        wanted = [(angle, "") for angle in UP_AND_DOWN_DEG] + marked
    labels: dict[int, str] = {}
    for angle, word in wanted:
        labels[expected.at(angle)] = word or labels.get(expected.at(angle), "")
    relative = expected.relative_db(plane)
    for (number, word), (colour, dash) in zip(sorted(labels.items()), style.SERIES, strict=False):
        angle = float(expected.angle_deg[number])
        yield Curve(
            label=degrees_text(angle) + (f" {word}" if word else ""),
            along=expected.frequency_hz,
            level_db=relative[:, number],
            colour=colour,
            dash=dash,
        )


def _symmetry_text(expected: Expected) -> str:
    """Say how far the other side of the horizontal orbit is from the one that is drawn."""
    relative = expected.relative_db("horizontal")
    front = np.abs(expected.angle_deg) <= 60
    off = float(np.abs(relative - relative[:, ::-1])[:, front].max())
    if off < _SAME_DB:
        return "Its right side radiates like its left: angles to the left are drawn."
    return (
        f"Angles to the left are drawn; to the right levels differ by up to {off:.1f} dB within "
        "60° (tables in the candidate's zip file)."
    )
