# SPDX-License-Identifier: GPL-3.0-or-later
"""The drawn blocks of a report, as markup with a text for those who cannot see them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from markupsafe import Markup
from matplotlib.figure import Figure

from bafflelens.base.status import Status
from bafflelens.directivity.lobe import tilt_at
from bafflelens.report import figures, words
from bafflelens.report.curves import (
    Curves,
    in_pascal_metre,
    marks_of,
    mean_on_axis_db,
    octaves_in,
    rated_voltage_v,
    requirements_of,
    unsolved_spans,
)
from bafflelens.report.figures import Scales
from bafflelens.report.shown import Shown
from bafflelens.report.style import svg_or_reason
from bafflelens.report.tables import octave_rows, parameter_rows, seat_bounces
from bafflelens.report.view import RunView
from bafflelens.report.words import kilohertz
from bafflelens.scoring.seat import SeatBounce


@dataclass(frozen=True, kw_only=True)
class Detail:
    """The block of one candidate, ready for the template."""

    shown: Shown
    maps: Markup
    polars: Markup
    bounces: Markup
    responses: Markup
    load: Markup
    lobe: Markup | None
    octaves: tuple[Mapping[str, str], ...]
    seat: tuple[SeatBounce, ...]
    parameters: tuple[Mapping[str, str | bool], ...]
    has_gaps: bool
    has_no_crossing: bool


def first_drawings(
    winner: Shown, reference: Shown, scales: Scales, run: RunView
) -> tuple[Markup, Markup, Markup]:
    """Return the small maps in both planes and the bounce curves of the first screen."""
    drawn = (winner.name, winner.curves), (reference.name, reference.curves)
    marks, both = marks_of(run.target), f"{winner.name} and of the {reference.name}"
    vertical, horizontal = (
        _markup(
            partial(figures.map_pair, *drawn, plane, scales, marks),
            f"first-{plane}",
            f"Small {plane} maps of {both} on one scale.",
        )
        for plane in ("vertical", "horizontal")
    )
    asked = requirements_of(run.target)
    bounces = _markup(
        lambda: figures.bounce_pair(winner.name, winner.curves, drawn[1], asked, scales),
        "first-bounces",
        f"Levels of {both} towards floor and ceiling over frequency.",
    )
    return vertical, horizontal, bounces


def thumbnails(drawn: Sequence[Shown], scales: Scales, run: RunView) -> Markup | None:
    """Return the small maps of the best and the baselines; None if nothing was solved."""
    best = [entry for entry in drawn if not entry.row.candidate.is_baseline]
    entries = best[: run.thumbnails]
    entries += [entry for entry in drawn if entry.row.candidate.is_baseline]
    if not entries:
        return None
    columns = [(_place_and_name(entry), entry.curves) for entry in entries]
    marks = marks_of(run.target)
    alt = (
        "Small contour maps, vertical above horizontal, one column each for "
        + words.listed([entry.name for entry in entries])
        + ". The same maps follow in full size."
    )
    return _markup(lambda: figures.thumbnail_maps(columns, scales, marks), "small", alt)


def choice(run: RunView, names: Mapping[str, str]) -> Markup | None:
    """Return the candidates by their objectives; None if fewer than two are ranked."""
    points = [
        figures.TradeOffPoint(
            name=names[row.candidate.id],
            values=row.candidate.score.objectives.values,
            is_on_front=row.is_on_front,
            is_baseline=row.candidate.is_baseline,
        )
        for row in run.rows
        if row.status == Status.RANKED and row.candidate.score
    ]
    if len(points) < 2:
        return None
    front = words.listed([point.name for point in points if point.is_on_front])
    alt = (
        "Two scatter plots of all ranked candidates: excess in vertical control against excess "
        f"in horizontal width, and against the cost of side effects. On the front: {front}."
    )
    return _markup(lambda: figures.trade_off(points), "choice", alt)


def comparison(
    winner: Shown | None, reference: Shown | None, scales: Scales, run: RunView
) -> Markup | None:
    """Return the maps of best and baseline with their difference.

    None if one of the two is missing, or their frequencies differ.
    """
    if winner is None or reference is None:
        return None
    if not np.array_equal(winner.curves.frequency_hz, reference.curves.frequency_hz):
        return None
    drawn = (winner.name, winner.curves), (reference.name, reference.curves)
    alt = (
        f"Contour maps of {winner.name} and of the {reference.name} on common scales, and the "
        "difference of the two, vertical above horizontal."
    )
    marks = marks_of(run.target)
    return _markup(lambda: figures.comparison_maps(*drawn, scales, marks), "compare", alt)


def detail_of(entry: Shown, reference: Shown | None, scales: Scales, run: RunView) -> Detail:
    """Return the block of one candidate.

    Parameters
    ----------
    entry : Shown
        The candidate.
    reference : Shown or None
        The baseline that is drawn beside it; None where it is the candidate itself, or missing.
    scales : Scales
        Shared axes.
    run : RunView
        For the target, and for what was searched.
    """
    curves, key = entry.curves, f"detail-{entry.row.candidate.id}"
    marks, other = marks_of(run.target), (reference.name, reference.curves) if reference else None
    return Detail(
        shown=entry,
        maps=_markup(
            lambda: figures.level_maps(curves, scales, marks),
            f"{key}-maps",
            f"Contour maps of {entry.name}, horizontal and vertical. {_beam_words(curves)}",
        ),
        polars=_markup(
            lambda: figures.polars(curves, octaves_in(scales.frequency_hz), marks, other),
            f"{key}-polars",
            f"Polar plots of {entry.name}, horizontal and vertical, at octave frequencies. "
            f"{_beam_words(curves)}",
        ),
        bounces=_markup(
            lambda: figures.bounce_levels(
                entry.name, curves, other, requirements_of(run.target), scales
            ),
            f"{key}-bounces",
            f"Levels of {entry.name} towards floor bounce, ceiling bounce and sides over "
            "frequency, against the target; numbers are in the table at octaves.",
        ),
        responses=_markup(
            lambda: figures.responses(entry.name, curves, other, scales),
            f"{key}-responses",
            f"Response, directivity index and beamwidth of {entry.name} over frequency; numbers "
            "are in the table at octaves.",
        ),
        load=_markup(
            lambda: figures.centre_and_load(
                entry.view.dataset, reference.view.dataset if reference else None, scales
            ),
            f"{key}-load",
            f"Acoustic centre of {entry.name} in both planes and, where it is known, the "
            "radiation impedance of its source over frequency.",
        ),
        lobe=_lobe_of(entry, reference, key),
        octaves=tuple(octave_rows(curves, scales)),
        seat=seat_bounces(entry, run),
        parameters=tuple(parameter_rows(entry, run)),
        has_gaps=bool(unsolved_spans(curves)),
        has_no_crossing=bool(curves.no_crossing_h.any() or curves.no_crossing_v.any()),
    )


def _lobe_of(entry: Shown, reference: Shown | None, key: str) -> Markup | None:
    """Return the vertical lobe through the crossover region; None where there is none."""
    meeting = entry.view.meeting
    if meeting is None:
        return None
    drawn = figures.LobeEntry(
        title=entry.name,
        dataset=entry.view.dataset,
        meeting=meeting,
        behind=reference.view.dataset if reference else None,
    )
    tilt = tilt_at(entry.view.dataset, meeting.frequency_hz)
    return _markup(
        lambda: figures.lobes([drawn]),
        f"{key}-lobe",
        f"Vertical level of {entry.name} around {kilohertz(meeting.frequency_hz)}, where "
        f"its ways hand over; the main lobe is tilted by {tilt:+.1f} degrees there.",
    )


def _markup(draw: Callable[[], Figure], name: str, alt: str) -> Markup:
    # Markup made here, with names and texts escaped in `svg_or_reason`.
    return Markup(svg_or_reason(draw, name, alt))


def _place_and_name(entry: Shown) -> str:
    place = f"{entry.row.place}: " if entry.row.place is not None else ""
    return f"{place}{entry.name}"


def _beam_words(curves: Curves) -> str:
    """Return the beamwidth at 4 kHz, or near it, in words."""
    at = curves.nearest(4000.0)
    where = kilohertz(curves.frequency_hz[at], 4000.0)
    if not curves.solved[at]:
        return f"At {where} it was not solved."
    angles = [
        "no −6 dB angle" if np.isnan(width) else f"{width:.0f}°"
        for width in (curves.beamwidth_h_deg[at], curves.beamwidth_v_deg[at])
    ]
    return f"At {where} the −6 dB beamwidth is {angles[0]} horizontally, {angles[1]} vertically."


def zero_text(reference: Shown | None, run: RunView) -> str:
    """Return what 0 dB is in the response panels."""
    voltage = rated_voltage_v(view.dataset for view in run.views)
    if voltage is not None:
        return (
            f"predicted level at 1 m for {voltage:g} V, 0 dB is 20 µPa; drivers enter as they "
            "were measured, and where they were not there is no line"
        )
    return f"{_relative_zero(reference, run)}; no driver's own response is in it"


def _relative_zero(reference: Shown | None, run: RunView) -> str:
    band = words.range_text(run.settings.band_hz)
    if reference is None:
        return f"there is no baseline, so 0 dB is the mean on the axis of the first drawn, {band}"
    level = mean_on_axis_db(reference.view.dataset, run.settings.band_hz)
    if not np.isfinite(level):
        return "0 dB is 20 µPa at 1 m for an acceleration of 1 m/s²"
    pressure = words.scientific(in_pascal_metre(level))
    return f"0 dB is the mean on-axis level of the {reference.name}, {band}: {pressure} Pa·m"


def response_slopes(scales: Scales) -> str:
    """Return how many dB level axes have on the length of a decade, in words."""
    found = {
        figures.level_slope(high - low, scales)
        for low, high in (scales.response_db, scales.bounce_db)
    }
    return words.listed([f"{slope:g}" for slope in sorted(found)])
