# SPDX-License-Identifier: GPL-3.0-or-later
"""The score: a weighted sum of what the criteria find, in dB. Lower is better."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.octaves import THIRD_OCTAVE, inside
from bafflelens.directivity.far_field_data import in_directions, is_solved
from bafflelens.scoring.criteria import (
    ASKS_NOTHING,
    Finding,
    horizontal_width,
    needed_directions,
    seat_height,
    up_down_symmetry,
    vertical_control,
)
from bafflelens.scoring.side_effects import (
    index_smoothness,
    on_axis_ripple,
    sensitivity_loss,
    side_lobes,
    width_smoothness,
    window_nulls,
)
from bafflelens.scoring.target import Target

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True, kw_only=True)
class TermSettings:
    """How a criterion counts in the score.

    Attributes
    ----------
    weight : float
        Cost in dB of the score for each dB over the tolerance; 0 only shows the term.
    tolerance_db : float
        What is free, in dB.
    """

    weight: float = 1.0
    tolerance_db: float = 0.0

    def __post_init__(self) -> None:
        faults = [
            invalid(f"{name} of a score term", value, "0 or more")
            for name, value in (("weight", self.weight), ("tolerance in dB", self.tolerance_db))
            if not 0 <= value < np.inf
        ]
        if faults:
            raise InputError(faults)


@dataclass(frozen=True, kw_only=True)
class ScoreSettings:
    """What the score weighs, and over which band.

    Attributes
    ----------
    from_hz, to_hz : float
        The band that is judged, in Hz.
    path_difference_m : float
        Detour of the sound whose ripple the frequency spacing must show, in m. Where it does
        not, ripple and smoothness are not judged. The edges of common cabinets are 0.1 to
        0.15 m from the tweeter, the lips of a lens half as far.
    vertical_control, horizontal_width, seat_height : TermSettings
        Weight and tolerance of what the target asks for.
    on_axis_ripple, width_smoothness : TermSettings
        Weight and tolerance of the side effects. They count half, and half a dB is free: a felt
        ring or a filter may still help, and the mesh alone makes some of it.
    """

    from_hz: float = 2000.0
    to_hz: float = 12000.0
    path_difference_m: float = 0.15
    vertical_control: TermSettings = TermSettings()
    horizontal_width: TermSettings = TermSettings()
    seat_height: TermSettings = TermSettings()
    on_axis_ripple: TermSettings = TermSettings(weight=0.5, tolerance_db=0.5)
    width_smoothness: TermSettings = TermSettings(weight=0.5, tolerance_db=0.5)
    index_smoothness: TermSettings = TermSettings(weight=0.5, tolerance_db=0.5)
    up_down_symmetry: TermSettings = TermSettings(weight=0.25, tolerance_db=1.0)
    side_lobes: TermSettings = TermSettings(weight=0.25, tolerance_db=1.0)
    window_nulls: TermSettings = TermSettings(weight=0.5, tolerance_db=2.0)
    sensitivity_loss: TermSettings = TermSettings(weight=0.25, tolerance_db=1.0)

    def __post_init__(self) -> None:
        faults = []
        if not 0 < self.from_hz < self.to_hz < np.inf:
            rule = "rising and above 0 Hz"
            faults.append(invalid("score band", f"{self.from_hz:g} to {self.to_hz:g} Hz", rule))
        if not 0 < self.path_difference_m < np.inf:
            what = "path difference of the score in m"
            faults.append(invalid(what, self.path_difference_m, "greater than 0"))
        terms = [getattr(self, field.name) for field in fields(self)]
        weights = [term.weight for term in terms if isinstance(term, TermSettings)]
        if not any(weights):
            faults.append(invalid("weights of the score", weights, "above 0 in one term at least"))
        if faults:
            raise InputError(faults)

    @property
    def band_hz(self) -> tuple[float, float]:
        """The band that is judged, (from, to) in Hz."""
        return (self.from_hz, self.to_hz)


@dataclass(frozen=True, kw_only=True, slots=True)  # a large run has tens of thousands
class Term:
    """One line of the score: a criterion, and what the candidate pays for it.

    Attributes
    ----------
    name : str
        Name of the criterion, as in `ScoreSettings` (``vertical_control``).
    value_db : float
        What the criterion found; NaN if it could not be judged.
    tolerance_db, weight : float
        As in `TermSettings`.
    excess_db : float
        Value over tolerance; 0 if it could not be judged.
    note : str
        The value in words.
    """

    name: str
    value_db: float
    tolerance_db: float
    weight: float
    excess_db: float
    note: str

    @property
    def label(self) -> str:
        """The name as words, for a table."""
        return self.name.replace("_", " ")

    @property
    def is_judged(self) -> bool:
        """Whether the criterion could be judged."""
        return bool(np.isfinite(self.value_db))

    @property
    def cost_db(self) -> float:
        """What the term adds to the score, in dB."""
        return self.weight * self.excess_db


@dataclass(frozen=True, kw_only=True)
class Objectives:
    """What a choice is between: more of the one costs of the others. Lower is better, in dB.

    Attributes
    ----------
    vertical_db, horizontal_db : float
        Excess of vertical control and of horizontal width over their tolerances.
    side_effects_db : float
        What all other terms cost, by their weights.
    """

    vertical_db: float
    horizontal_db: float
    side_effects_db: float

    @property
    def values(self) -> tuple[float, float, float]:
        """All three, in this order."""
        return (self.vertical_db, self.horizontal_db, self.side_effects_db)


@dataclass(frozen=True, kw_only=True, slots=True)
class Score:
    """A candidate's score with every term.

    Attributes
    ----------
    terms : tuple of Term
        All terms, in a fixed order.
    total_db : float
        Sum of their costs in dB, lower is better; NaN if nothing in the band was solved, or a
        main term could not be judged there: not judged is not zero.
    gaps : tuple of str
        What is missing in the band. Unless empty, the total must not be ranked.
    """

    terms: tuple[Term, ...]
    total_db: float
    gaps: tuple[str, ...] = ()

    @property
    def objectives(self) -> Objectives:
        """Vertical control, horizontal width, and all that must not happen besides."""
        excess = {term.name: term.excess_db for term in self.terms}
        return Objectives(
            vertical_db=excess.get("vertical_control", 0.0),
            horizontal_db=excess.get("horizontal_width", 0.0),
            side_effects_db=sum(
                term.cost_db
                for term in self.terms
                if term.name not in ("vertical_control", "horizontal_width")
            ),
        )

    @property
    def is_complete(self) -> bool:
        """Whether the whole band was solved."""
        return not self.gaps


TERM_NAMES: Final = tuple(
    field.name for field in fields(ScoreSettings) if isinstance(field.default, TermSettings)
)


MAIN_TERMS: Final = ("vertical_control", "horizontal_width")
"""What a room asks for; the other terms are side effects."""

AGAINST_BASELINE: Final = ("sensitivity_loss",)
"""Terms that are judged against the baseline."""


def score(
    dataset: xr.Dataset,
    target: Target,
    settings: ScoreSettings | None = None,
    baseline: xr.Dataset | None = None,
) -> Score:
    """Return the score of a candidate.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    target : Target
        What the levels are judged against.
    settings : ScoreSettings, optional
        Band, weights and tolerances; the defaults if left out.
    baseline : xarray.Dataset, optional
        The plain baffle, which sensitivity is compared with; not judged if left out.

    Notes
    -----
    The total is the sum over the terms of weight times max(0, value - tolerance).
    """
    settings = settings or ScoreSettings()
    band_hz, path_m = settings.band_hz, settings.path_difference_m
    missing = gaps(dataset, band_hz)
    dataset = in_directions(dataset, needed_directions(dataset, target))
    criteria: dict[str, Callable[[], Finding]] = {
        "vertical_control": lambda: vertical_control(dataset, target, band_hz),
        "horizontal_width": lambda: horizontal_width(dataset, target, band_hz),
        "seat_height": lambda: seat_height(dataset, target, band_hz),
        "on_axis_ripple": lambda: on_axis_ripple(dataset, band_hz, path_m),
        "width_smoothness": lambda: width_smoothness(dataset, target, band_hz, path_m),
        "index_smoothness": lambda: index_smoothness(dataset, band_hz, path_m),
        "up_down_symmetry": lambda: up_down_symmetry(dataset, target, band_hz),
        "side_lobes": lambda: side_lobes(dataset, band_hz),
        "window_nulls": lambda: window_nulls(dataset, band_hz),
        "sensitivity_loss": lambda: sensitivity_loss(dataset, baseline, band_hz),
    }
    terms = tuple(_term(name, criteria[name](), getattr(settings, name)) for name in TERM_NAMES)
    solved = is_solved(dataset) & inside(dataset.variables["frequency"].values, band_hz)
    unjudged = _unjudged(terms, band_hz) if solved.any() else ()
    is_whole = solved.any() and not unjudged
    total = sum(term.cost_db for term in terms) if is_whole else float("nan")
    return Score(terms=terms, total_db=total, gaps=(*missing, *unjudged))


def _unjudged(terms: Sequence[Term], band_hz: tuple[float, float]) -> tuple[str, ...]:
    """Return why main terms that weigh something could not be judged, a line each.

    One that the target does not ask for is no fault, as long as the other is judged.
    """
    main = [term for term in terms if term.name in MAIN_TERMS and term.weight > 0]
    is_any = any(term.is_judged for term in main)
    return tuple(
        f"{term.label} in the score band of {band_hz[0]:g} to {band_hz[1]:g} Hz: {term.note}"
        for term in main
        if not term.is_judged and not (is_any and term.note == ASKS_NOTHING)
    )


def gaps(dataset: xr.Dataset, band_hz: tuple[float, float]) -> tuple[str, ...]:
    """Return what is missing in a band, one line each; empty if it was solved throughout.

    Missing are frequencies that failed, an end of the band that no frequency is near, and steps
    too wide for a third-octave to be judged.
    """
    frequency = dataset.variables["frequency"].values
    failed = ~is_solved(dataset) & inside(frequency, band_hz)
    reasons = dataset.variables["reason"].values
    lines = [
        f"{frequency[i]:.0f} Hz failed: {reasons[i] or 'no reason recorded'}"
        for i in np.flatnonzero(failed)
    ]
    half_step = 2 ** (THIRD_OCTAVE / 2)
    band_text = f"the score band of {band_hz[0]:g} to {band_hz[1]:g} Hz"
    if not inside(frequency, band_hz).any():
        lines.append(f"no frequency in {band_text}")
    if not frequency.size or frequency[0] > band_hz[0] * half_step:
        lines.append(f"no frequency at the lower end of {band_text}")
    if not frequency.size or frequency[-1] < band_hz[1] / half_step:
        lines.append(f"no frequency at the upper end of {band_text}")
    # A step from f to g lies in the band as far as it overlaps it.
    low, high = frequency[:-1], frequency[1:]
    too_wide = (high / low > 2**THIRD_OCTAVE * (1 + 1e-6)) & (high > band_hz[0])
    too_wide &= low < band_hz[1]
    if too_wide.any():
        first = int(np.argmax(too_wide))
        lines.append(
            f"steps wider than a third-octave, the first from {low[first]:.0f} to "
            f"{high[first]:.0f} Hz"
        )
    return tuple(lines)


def _term(name: str, finding: Finding, settings: TermSettings) -> Term:
    judged = np.isfinite(finding.value_db)
    return Term(
        name=name,
        value_db=finding.value_db,
        tolerance_db=settings.tolerance_db,
        weight=settings.weight,
        excess_db=max(0.0, finding.value_db - settings.tolerance_db) if judged else 0.0,
        note=finding.note,
    )
