# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a comparison, and the pictures that go with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from markupsafe import Markup, escape
from matplotlib.figure import Figure

import bafflelens.report
from bafflelens.mockup.comparison import figures
from bafflelens.mockup.comparison.clay_error_shown import NOT_LOOKED_FOR, PICTURE, ShownClayError
from bafflelens.mockup.comparison.errors_by_zone import ZoneError
from bafflelens.mockup.comparison.result import Comparison
from bafflelens.mockup.comparison.verdict import fitted_text
from bafflelens.mockup.comparison.width_and_index import FigureError
from bafflelens.report.style import drawn, png_uri
from bafflelens.report.templates import templates_in
from bafflelens.report.words import kilohertz

_RESPONSE: Final = (
    "Left, the levels on the axis of the first orbit: the driver's own response is in the "
    "measurement, and in the simulation only where the job knows it."
)


@dataclass(frozen=True, kw_only=True)
class PageFacts:
    """What the page says besides the comparison itself.

    Attributes
    ----------
    title, run, candidate, measurement, compared_utc : str
        What was compared, and when.
    remarks : str
        What the user noted of the measurement.
    preparation : tuple of str
        What was done to the measurement, and seen of it.
    facts : tuple of (name, value)
        Set-up, air, meshes: everything a reader may want to look up.
    library_line : str
        What all mock-ups so far say; may be empty.
    correction_file : str
        Name of the file with the velocity correction; empty without one.
    """

    title: str
    run: str
    candidate: str
    measurement: str
    compared_utc: str
    remarks: str
    preparation: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    library_line: str
    correction_file: str


@dataclass(frozen=True, kw_only=True)
class _Shown:
    title: str
    run: str
    candidate: str
    measurement: str
    compared_utc: str
    remarks: str
    preparation: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    library_line: str
    smoothing: str
    response_text: str
    fitted_text: str
    correction_lines: tuple[str, ...]
    dome_text: str


@dataclass(frozen=True, kw_only=True)
class _Cell:
    text: str
    small: str = ""
    kind: str = ""


@dataclass(frozen=True, kw_only=True)
class _ZoneRow:
    name: str
    cells: tuple[_Cell, ...]
    reach: str


@dataclass(frozen=True, kw_only=True)
class _FigureRow:
    name: str
    cells: tuple[_Cell, ...]


@dataclass(frozen=True, kw_only=True)
class _SetupRow:
    plane: str
    cells: tuple[str, ...]


def count_pictures(*, is_three_way: bool) -> int:
    """Return how many pictures `pictures_of` draws."""
    return 7 if is_three_way else 5


def pictures_of(
    comparison: Comparison, is_drawn: Callable[[], object] = lambda: None
) -> dict[str, bytes]:
    """Return the pictures of a comparison as PNG files, by name; `is_drawn` is called for each."""
    drawings: dict[str, Callable[[], Figure]] = {
        "maps": partial(figures.maps_figure, comparison),
        "curves": partial(figures.curves_figure, comparison),
        "widths": partial(figures.widths_figure, comparison),
        "response": partial(figures.response_figure, comparison),
        "errors": partial(figures.errors_figure, comparison),
    }
    if comparison.three_way is not None:
        drawings["three_way"] = partial(figures.three_way_figure, comparison, comparison.three_way)
        drawings["split"] = partial(figures.split_figure, comparison, comparison.three_way)
    pictures = {}
    for name, draw in drawings.items():
        pictures[name] = drawn(draw, "png")
        is_drawn()
    return pictures


def page_of(
    comparison: Comparison,
    facts: PageFacts,
    pictures: Mapping[str, bytes],
    clay_error: ShownClayError = NOT_LOOKED_FOR,
) -> str:
    """Return the page as HTML that needs nothing else.

    Parameters
    ----------
    comparison : Comparison
        What was found.
    facts : PageFacts
        What was compared.
    pictures : mapping of str to bytes
        From `pictures_of`.
    clay_error : ShownClayError
        Where the clay seems wrong.
    """
    drawn_all = dict(pictures)
    if PICTURE in clay_error.files:
        drawn_all["clay_error"] = clay_error.files[PICTURE]
    rows = list(comparison.by_octave.values())

    def figure(name: str, caption: str) -> Markup:
        uri = png_uri(drawn_all[name])
        text = escape(caption)
        return Markup(
            f'<figure><img src="{uri}" alt="{text}"><figcaption>{text}</figcaption></figure>'
        )

    css = Path(bafflelens.report.__file__).with_name("page.css").read_text(encoding="utf-8")
    return (
        templates_in(Path(__file__).parent)
        .get_template("comparison.html.jinja")
        .render(
            css=Markup(css),
            page=_shown(comparison, facts),
            verdict=comparison.verdict,
            pictures=drawn_all,
            clay_lines=clay_error.lines,
            figure=figure,
            octaves=[kilohertz(_centre(one)) for one in rows[0]],
            zone_rows=_zone_rows(comparison),
            figure_rows=_figure_rows(comparison),
            setup_rows=_setup_rows(comparison),
        )
    )


def _shown(comparison: Comparison, facts: PageFacts) -> _Shown:
    fraction = round(1 / comparison.settings.smoothing_octaves)
    coherence = comparison.curves.shape_coherence
    response = _RESPONSE
    if np.isfinite(coherence):
        response += (
            f" The simulation explains {100 * coherence:.0f} % of the shape of the measured curve "
            "(squared correlation of what is narrower than an octave)."
        )
    return _Shown(
        title=facts.title,
        run=facts.run,
        candidate=facts.candidate,
        measurement=facts.measurement,
        compared_utc=facts.compared_utc,
        remarks=facts.remarks,
        preparation=facts.preparation,
        facts=facts.facts,
        library_line=facts.library_line,
        smoothing=f"1/{fraction} octave",
        response_text=response,
        fitted_text=fitted_text(),
        correction_lines=_correction_lines(comparison, facts),
        dome_text="" if comparison.dome is None else comparison.dome.text,
    )


def _correction_lines(comparison: Comparison, facts: PageFacts) -> tuple[str, ...]:
    correction = comparison.correction
    if correction is None:
        return ("No velocity correction: the front agrees nowhere.",)
    low, high = correction.frequency_hz[[0, -1]]
    return (
        correction.remark,
        f"It holds from {kilohertz(float(low))} to {kilohertz(float(high))}, where the front "
        f"agreed, and is in the file {facts.correction_file} (Hz, dB, degrees) as the next job "
        'reads it: [driver.tweeter] with quantity = "acceleration" and this response_file. Its '
        "uncertainty at each frequency is in the file beside it.",
    )


def _centre(one: ZoneError) -> float:
    return float(1000 * 2 ** np.round(np.log2(np.sqrt(one.from_hz * one.to_hz) / 1000)))


def _zone_rows(comparison: Comparison) -> list[_ZoneRow]:
    reaches = {reach.zone: reach for reach in comparison.verdict.reaches}
    found = []
    for name, errors in comparison.by_octave.items():
        reach = reaches.get(name)
        text = "not judged"
        if reach is not None:
            text = (
                f"{kilohertz(reach.from_hz)} to {kilohertz(reach.to_hz)}"
                if reach.to_hz
                else "nowhere"
            )
        cells = tuple(_cell(one, comparison.settings.within_db) for one in errors)
        found.append(_ZoneRow(name=name, cells=cells, reach=text))
    return found


def _cell(one: ZoneError, within_db: float) -> _Cell:
    if not one.points:
        return _Cell(text="–", kind="none")
    small = f"95 %: {one.largest_db:.1f}"
    limit = within_db
    if np.isfinite(one.repeatability_db):
        small += f", ±{2 * one.repeatability_db:.1f}"
        limit = max(limit, 2 * one.repeatability_db)
    return _Cell(text=f"{one.rms_db:.2f}", small=small, kind="bad" if one.rms_db > limit else "")


def _figure_rows(comparison: Comparison) -> list[_FigureRow]:
    rows = []
    for name, errors in comparison.by_figure.items():
        digits = 2 if errors[0].unit == "dB" else 1
        rows.append(
            _FigureRow(
                name=f"{name}, {errors[0].unit}",
                cells=tuple(_figure_cell(one, digits) for one in errors),
            )
        )
    return rows


def _figure_cell(one: FigureError, digits: int) -> _Cell:
    if not np.isfinite(one.mean):
        return _Cell(text="–", kind="none")
    small = f"r.m.s. {one.rms:.{digits}f}"
    if np.isfinite(one.repeatability):
        small += f", ±{2 * one.repeatability:.{digits}f}"
    return _Cell(text=f"{one.mean:+.{digits}f}", small=small)


def _setup_rows(comparison: Comparison) -> list[_SetupRow]:
    found = []
    for one in comparison.differences:
        fit = one.fit
        factors = (1.0, 1e3, 1e3, 1.0)
        cells = [
            f"{factor * value:+.1f} ± {factor * uncertainty:.1f}"
            if told
            else f"not told (±\u00a0{factor * uncertainty:.1f})"
            for factor, value, uncertainty, told in zip(
                factors, fit.deviation.values, fit.uncertainty, fit.is_told, strict=True
            )
        ]
        sign = "as noted"
        if fit.deviation.is_mirrored:
            sign = f"swapped ({fit.swapped_db:.1f} dB with the noted one)"
        elif not fit.sign_is_told:
            sign = "makes no difference here"
        level = f"{one.level_db:+.1f} ±\u00a0{one.level_uncertainty_db:.1f}"
        cells += [sign, level, f"{fit.left_db:.2f} ({fit.before_db:.2f})"]
        found.append(_SetupRow(plane=one.plane, cells=tuple(cells)))
    return found
