# SPDX-License-Identifier: GPL-3.0-or-later
"""What the tables of a report hold: parameters, terms, solver checks, facts, the target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.medium import Air
from bafflelens.base.parameter_words import split_key
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.interpolated import (
    interpolation_text,
    is_interpolated,
    largest_error_db,
)
from bafflelens.report import words
from bafflelens.report.curves import Curves, angle_text, octaves_in
from bafflelens.report.figures import Scales
from bafflelens.report.shown import Shown
from bafflelens.report.style import TERMS
from bafflelens.report.view import CandidateView, RunView
from bafflelens.report.words import kilohertz
from bafflelens.scoring.ranking import RankedRow
from bafflelens.scoring.score import Score, Term
from bafflelens.scoring.seat import SeatBounce, bounces_at_seat
from bafflelens.scoring.target import Target

_WIDEST_BAR_PX: Final = 76

LEFT_OUT: Final = (
    "Air without viscosity and heat conduction, and small amplitudes: no loss in narrow gaps "
    "or on the way, no distortion.",
    "A rigid body: cabinet, lens and baffle do not vibrate and absorb nothing, but for surfaces "
    "that the shape or the job covers with felt or foam.",
    "No break-up, unless the job gives a table of velocities: "
    "the dome moves as one rigid piece along its axis with a constant acceleration; "
    "the surround's motion falls linearly to zero at its outer edge. A driver's own response "
    "enters only where the job gives a measurement of it.",
    "A loudspeaker alone in free air: no floor, wall, stand or grille, and no driver but those "
    "that are modelled. Levels "
    "towards a bounce are those that leave the loudspeaker, without the longer way and without "
    "what the floor or the ceiling absorbs.",
)


@dataclass(frozen=True, kw_only=True)
class Column:
    """A parameter that differs between the candidates."""

    key: str
    part: str
    name: str
    unit: str


# ------------------------------------------------------------------------------- the ranking


def columns_of(run: RunView) -> list[Column]:
    """Return the parameters that differ between the candidates, in the shape's order."""
    tried = [c.values for c in (row.candidate for row in run.rows) if not c.is_baseline]
    tried = [values for values in tried if values]  # what was carved has none
    keys = dict.fromkeys(key for values in tried for key in values)
    varied = [key for key in keys if len({values.get(key) for values in tried}) > 1]
    return [column_of(key) for key in varied]


def column_of(key: str) -> Column:
    """Return part, name and unit of a parameter's key."""
    part, name, unit = split_key(key)
    return Column(key=key, part=part, name=name, unit=unit)


def terms_of(rows: Sequence[RankedRow]) -> tuple[Term, ...]:
    """Return the terms of the score, for the head of the table."""
    return next((row.candidate.score.terms for row in rows if row.candidate.score), ())


def term_units(rows: Sequence[RankedRow]) -> list[str]:
    """Return what stands below the name of each term: unit, weight and tolerance."""
    return [
        f"dB, weight {words.number(term.weight)}"
        + (f", {words.number(term.tolerance_db)} dB free" if term.tolerance_db else "")
        for term in terms_of(rows)
    ]


def term_colours(rows: Sequence[RankedRow]) -> dict[str, str]:
    """Return the colour of each term, by name."""
    colours = cycle(TERMS)
    return {term.name: colour for term, colour in zip(terms_of(rows), colours, strict=False)}


def bar_width(largest_total_db: float, score: Score) -> float:
    """Return the width of a score's bar in pixels."""
    share = score.total_db / largest_total_db
    return round(_WIDEST_BAR_PX * share, 1) if np.isfinite(share) else 0.0


def largest_total(rows: Sequence[RankedRow]) -> float:
    """Return the highest score there is, in dB; 1 if there is none above 0."""
    totals = [row.candidate.score.total_db for row in rows if row.candidate.score]
    return max((total for total in totals if np.isfinite(total)), default=0.0) or 1.0


# ----------------------------------------------------------------------------- one candidate


def octave_rows(curves: Curves, scales: Scales) -> Iterator[dict[str, str]]:
    """Yield the curves at octaves as text."""
    for frequency in octaves_in(scales.frequency_hz):
        at = curves.nearest(frequency)
        if not curves.solved[at]:
            where = kilohertz(curves.frequency_hz[at], frequency)
            yield {"frequency": where, "missing": "not solved"}
            continue
        levels = {
            key: words.decibel_text(float(v[at])) for key, v in curves.towards.level_db.items()
        }
        yield {
            "frequency": kilohertz(curves.frequency_hz[at], frequency),
            "missing": "",
            "index": words.decibel_text(float(curves.directivity_index_db[at])),
            "horizontal": _angle(curves.beamwidth_h_deg[at]),
            "vertical": _angle(curves.beamwidth_v_deg[at]),
            "floor": levels["floor"],
            "ceiling": levels["ceiling"],
            "side": levels.get("side", "–"),
        }


def _angle(value: float) -> str:
    return "none" if np.isnan(value) else f"{value:.0f}"


def seat_bounces(entry: Shown, run: RunView) -> tuple[SeatBounce, ...]:
    """Return what of a candidate arrives at the seat; empty if the room is not known."""
    if run.room is None:
        return ()
    dataset = entry.view.dataset
    air = Air(
        temperature_c=float(dataset.attrs["air_temperature_c"]),
        relative_humidity_pct=float(dataset.attrs["air_relative_humidity_pct"]),
        pressure_pa=float(dataset.attrs["air_pressure_pa"]),
    )
    return bounces_at_seat(dataset, run.room, run.settings.band_hz, air)


def parameter_rows(entry: Shown, run: RunView) -> Iterator[dict[str, str | bool]]:
    """Yield the dimensions of a candidate that are there, those that were searched marked.

    A carved shape has none of its own: those of its parent, and how far it was moved.
    """
    view, row = entry.view, entry.row
    carving = next((each for each in run.carvings if each.id == view.id), None)
    if carving is not None:
        view = next((each for each in run.views if each.id == carving.parent), view)
        rows = run.every_row or run.rows
        row = next((each for each in rows if each.candidate.id == carving.parent), row)
    known = {parameter.key: parameter for parameter in view.parameters}
    searched = {column.key for column in columns_of(run)}
    for key, value in row.dimensions.items():
        column, parameter = column_of(key), known.get(key)
        yield {
            "part": column.part,
            "name": column.name,
            "value": words.number(value),
            "unit": column.unit,
            "help": parameter.help if parameter else "",
            "is_searched": key in searched,
        }
    if carving is None:
        return
    for name, moved_m in (("added", carving.added_m), ("taken", carving.taken_m)):
        yield {
            "part": f"carved from {carving.parent}",
            "name": f"most {name}",
            "value": words.number(round(1e3 * moved_m, 1)),
            "unit": "mm",
            "help": f"{name} along the reference axis, where it is most",
            "is_searched": False,
        }


# --------------------------------------------------------------- how it was judged and computed


def target_rows(target: Target) -> Iterator[dict[str, str]]:
    """Yield what the target asks, one direction a row."""
    limits = [
        (f"Floor bounce, {angle_text(target.floor.angle_deg)}", "at most", target.floor),
        (f"Ceiling bounce, {angle_text(target.ceiling.angle_deg)}", "at most", target.ceiling),
        *((f"To the sides, ±{x.angle_deg:.0f}°", "at least", x) for x in target.horizontal),
        *((f"Up and down, ±{x.angle_deg:.0f}°", "at least", x) for x in target.seat),
    ]
    for direction, asked, limit in limits:
        points = [
            f"{words.decibel_text(level)} at {kilohertz(frequency)}"
            + (f" (weight {words.number(weight)})" if weight != 1 else "")
            for frequency, level, weight in zip(
                limit.frequencies_hz, limit.levels_db, limit.weights, strict=True
            )
        ]
        yield {"direction": direction, "asked": f"{asked} " + ", ".join(points)}


@dataclass(frozen=True, kw_only=True)
class SolverCheck:
    """Size and quality of a candidate's solution; the worst over all solved frequencies.

    Attributes
    ----------
    name : str
        The candidate.
    n_solved, n_frequencies : int
        How many frequencies were solved, of how many.
    n_triangles : int or None
        Triangles of the finest mesh, as solved; None if it is not known.
    unknowns : tuple of 2 ints
        Smallest and largest linear system; zeros if nothing was solved.
    iterations : int
        Most iterations.
    residual : float
        Largest relative residual; NaN if nothing was solved.
    balance_pct : float
        Largest difference of the power through the surface from that in the far field, in per
        cent; NaN if nothing was solved.
    seconds : float
        Time of the solver, summed, in s.
    interpolation_db, interpolation_behind_db : float
        What the interpolation over frequency may be off by, at most, in front and behind, in
        dB; NaN where nothing is interpolated.
    """

    name: str
    n_solved: int
    n_frequencies: int
    n_triangles: int | None
    unknowns: tuple[int, int]
    iterations: int
    residual: float
    balance_pct: float
    seconds: float
    interpolation_db: float
    interpolation_behind_db: float


def solver_checks(run: RunView, names: Mapping[str, str]) -> list[SolverCheck]:
    """Return the checks of all candidates that there are datasets of, best first."""
    views = {view.id: view for view in run.views}
    ids = [row.candidate.id for row in run.rows if row.candidate.id in views]
    return [_solver_check(views[name], names[name]) for name in ids]


def _solver_check(view: CandidateView, name: str) -> SolverCheck:
    dataset = view.dataset if view.solved is None else view.solved
    solved = is_solved(dataset)
    data = dataset.isel(frequency=np.flatnonzero(solved))
    unknowns, iterations = data["unknowns"].values, data["iterations"].values
    off = np.abs(data["power_balance"].values - 1)
    return SolverCheck(
        name=name,
        n_solved=int(solved.sum()),
        n_frequencies=int(solved.size),
        n_triangles=view.mesh.n_triangles if view.mesh else None,
        unknowns=(int(unknowns.min()), int(unknowns.max())) if solved.any() else (0, 0),
        iterations=int(iterations.max(initial=0)),
        residual=float(data["residual"].values.max()) if solved.any() else float("nan"),
        balance_pct=100 * float(off.max()) if solved.any() else float("nan"),
        seconds=float(np.nansum(dataset["seconds"].values)),
        interpolation_db=largest_error_db(dataset),
        interpolation_behind_db=largest_error_db(dataset, behind=True),
    )


def solver_summary(checks: Sequence[SolverCheck]) -> str:
    """Return one sentence about the solutions of all candidates."""
    solved = sum(check.n_solved for check in checks)
    asked = sum(check.n_frequencies for check in checks)
    if not solved:
        return "No frequency was solved."
    balance = np.nanmax([check.balance_pct for check in checks])
    largest = max(check.unknowns[1] for check in checks)
    text = (
        f"{solved:,} of {asked:,} frequencies were solved, with up to {largest:,} unknowns. The "
        "power through the surface and the power in the far field, which are computed apart, "
        f"differ by {balance:.2f} % at most."
    )
    errors = [check.interpolation_db for check in checks if np.isfinite(check.interpolation_db)]
    if errors:
        text += (
            " Between the solved frequencies levels are interpolated, with an error of at most "
            f"{max(errors):.2f} dB within 90° of the axis: an estimate from frequencies held back."
        )
    return text


def facts_of(shown: Sequence[Shown]) -> dict[str, str]:
    """Return what the datasets say of engine, mesh, air and conventions."""
    if not shown:
        return {}
    entry = shown[0]
    attributes, curves = entry.view.dataset.attrs, entry.curves
    facts = {
        "Engine": str(attributes["engine"]),
        "Frequencies": _frequencies_text(curves, entry.view.dataset),
        "Air": (
            f"{words.number(attributes['air_temperature_c'])} °C, "
            f"{words.number(attributes['air_relative_humidity_pct'])} % relative humidity, "
            f"{words.number(attributes['air_pressure_pa'] / 1000)} kPa: speed of sound "
            f"{attributes['air_sound_speed_m_s']:.1f} m/s, density "
            f"{attributes['air_density_kg_m3']:.3f} kg/m³"
        ),
        "Source": str(attributes["source_acceleration"]),
        "Time factor": str(attributes["time_convention"]),
        "Axes": str(attributes["reference_axis"]),
        "Reference point": str(attributes["reference_point"]),
    }
    for key, value in attributes.items():
        if key.startswith("mesh_"):
            name = "Mesh: " + key.removeprefix("mesh_").replace("_", " ")
            facts[name] = _attribute_text(value)
    return facts


def _frequencies_text(curves: Curves, dataset: xr.Dataset) -> str:
    """Return which frequencies were solved, which are shown, and what that may cost."""
    frequency = curves.frequency_hz
    text = f"{len(frequency)} from {frequency[0]:.0f} to {frequency[-1]:.0f} Hz"
    if is_interpolated(dataset):
        text = (
            f"{len(curves.computed_hz)} solved, as needed; shown at {text} (24 an octave, ISO 3 "
            f"R80) by complex interpolation: {interpolation_text(dataset)}"
        )
    return f"{text}; maps and curves join them by straight lines"


def _attribute_text(value: object) -> str:
    """Return an attribute as text; counts in full, other numbers with four digits."""
    if isinstance(value, int | np.integer):
        return f"{int(value):,}"
    return words.number(value) if isinstance(value, float) else str(value)
