# SPDX-License-Identifier: GPL-3.0-or-later
"""A measurement beside a simulation: from levels to verdict. Read `compare_orbits`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.mockup.comparison.cause import Cause, OrbitFacts
from bafflelens.mockup.comparison.clay import ClayDeviation
from bafflelens.mockup.comparison.correction import Correction, correction_of
from bafflelens.mockup.comparison.diagnosis import causes_of
from bafflelens.mockup.comparison.difference import OrbitDifference, difference_of
from bafflelens.mockup.comparison.dome_fit import DomeFit
from bafflelens.mockup.comparison.errors_by_zone import (
    Zone,
    ZoneError,
    bands_between,
    zone_errors,
    zones_of,
)
from bafflelens.mockup.comparison.exchange import Exchange, find_exchange
from bafflelens.mockup.comparison.fitting import Fit, fit_orbit
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.plausibility import implausible
from bafflelens.mockup.comparison.radiator import Radiator
from bafflelens.mockup.comparison.reflections import find_reflection
from bafflelens.mockup.comparison.simulated import simulate_orbit
from bafflelens.mockup.comparison.verdict import WITHIN_DB, Verdict, verdict_of
from bafflelens.mockup.comparison.width_and_index import (
    FigureCurves,
    FigureError,
    WidthContradiction,
    contradictions,
    figure_curves,
    figure_errors,
)

SMOOTHING_OCTAVES: Final = 1 / 12
_A_DECADE: Final = 80  # ISO 3 R80, about 1/24 octave
_REFLECTION_WIDENS: Final = 3.0  # what is left of a reflection is not random
_FRONT_AND_SIDES: Final = 60.0


@dataclass(frozen=True, kw_only=True)
class ComparisonSettings:
    """How a measurement is compared.

    Attributes
    ----------
    smoothing_octaves : float
        Width over which power is averaged, on both sides.
    within_db : float
        What agreement means.
    bounce_deg : mapping of str to float
        Elevation at which floor and ceiling bounce leave the loudspeaker.
    is_plate : bool
        Whether the candidate is a driver in a known plate.
    clay : ClayDeviation or None
        Deviation of the scanned clay from the nominal shape; None if it was not scanned.
    """

    smoothing_octaves: float = SMOOTHING_OCTAVES
    within_db: float = WITHIN_DB
    bounce_deg: Mapping[str, float]
    is_plate: bool = False
    clay: ClayDeviation | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class ThreeWay:
    """What the difference splits into, of each orbit, at the same bands and angles.

    Attributes
    ----------
    scanned : tuple of OrbitDifference
        Measured minus the simulation of the scanned clay: the model's part, and the measurement's.
    shape_db : tuple of (n_frequencies, n_angles) array
        Simulation of the scanned clay minus that of the nominal shape: the shape's part.
    """

    scanned: tuple[OrbitDifference, ...]
    shape_db: tuple[FloatArray, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Everything that a comparison found.

    Attributes
    ----------
    settings : Settings
        How it was done.
    sound_speed : float
        During the measurement, in m/s.
    orbits : tuple of Orbit
        Measured, simulated and their difference.
    zones : tuple of Zone
        Zones that the angles allow.
    by_octave, by_third : mapping of str to tuple of ZoneError
        Errors of each zone.
    curves : Curves
        Beamwidth, index and on-axis shape.
    by_figure : mapping of str to tuple of FigureError
        What beamwidths and index are off by, by octave.
    causes : tuple of Cause
        What the difference shows.
    verdict : Verdict
        In words.
    rms_db : float
        Of all differences.
    three_way : ThreeWay or None
        Where the clay was scanned.
    correction : Correction or None
        Velocity correction; None where nothing agreed.
    exchange : Exchange or None
        Where the orbits were compared under each other's name.
    dome : DomeFit or None
        Which motion of the dome explains the rest; None where no profiles were solved.
    """

    settings: ComparisonSettings
    sound_speed: float
    orbits: tuple[OrbitFacts, ...]
    zones: tuple[Zone, ...]
    by_octave: Mapping[str, tuple[ZoneError, ...]]
    by_third: Mapping[str, tuple[ZoneError, ...]]
    curves: FigureCurves
    by_figure: Mapping[str, tuple[FigureError, ...]]
    causes: tuple[Cause, ...]
    verdict: Verdict
    rms_db: float
    three_way: ThreeWay | None
    correction: Correction | None
    exchange: Exchange | None = None
    dome: DomeFit | None = None

    @property
    def differences(self) -> tuple[OrbitDifference, ...]:
        """The difference of each orbit."""
        return tuple(orbit.difference for orbit in self.orbits)

    @property
    def fits(self) -> dict[str, Fit]:
        """What was found of each orbit's set-up, by plane."""
        return {one.plane: one.fit for one in self.differences}


def compare_orbits(
    measured: Sequence[Observed],
    nominal: Radiator,
    settings: ComparisonSettings,
    scanned: Radiator | None = None,
    placed: Callable[[], object] = lambda: None,
) -> Comparison:
    """Compare measured orbits with a simulation.

    Parameters
    ----------
    measured : sequence of Observed
        One or two orbits.
    nominal : Radiator
        The simulation of the shape, in the air of the measurement.
    settings : Settings
        How.
    scanned : Radiator, optional
        The simulation of the scanned clay. The set-up is then fitted with this one, which is
        nearer to what was measured.
    placed : callable
        Called whenever the set-up of an orbit is found, which takes most of the time.

    Raises
    ------
    InputError
        If measurement and simulation have too little in common.
    """
    measured = [one.without_noise() for one in measured]
    bands_hz = _bands(measured, nominal)
    nearest = nominal if scanned is None else scanned
    found = []
    for one in measured:
        found.append(find_set_up(one, nearest))
        placed()
    exchange = find_exchange(measured, [fit for fit, _ in found], nearest, find_set_up)
    if exchange is not None:
        measured = list(exchange.orbits)
        found = list(exchange.set_ups)
    fits = [fit for fit, _ in found]
    reflections = [seen for _, seen in found if seen is not None]
    orbits = [
        _orbit(one, nominal, fit, bands_hz, settings)
        for one, fit in zip(measured, fits, strict=True)
    ]
    three_way = None
    if scanned is not None:
        others = [
            _orbit(one, scanned, fit, bands_hz, settings).difference
            for one, fit in zip(measured, fits, strict=True)
        ]
        three_way = ThreeWay(
            scanned=tuple(others),
            shape_db=tuple(
                orbit.difference.difference_db - other.difference_db
                for orbit, other in zip(orbits, others, strict=True)
            ),
        )
    differences = [orbit.difference for orbit in orbits]
    zones = zones_of(differences, settings.bounce_deg)
    low, high = float(bands_hz[0]), float(bands_hz[-1])
    thirds = bands_between(low, high, 3)
    by_third = _by_zone(differences, zones, thirds)
    causes = causes_of(
        orbits,
        fraction=settings.smoothing_octaves,
        scanned=three_way.scanned if three_way else None,
    )
    rms_db = _rms(differences)
    curves = figure_curves(differences)
    octaves = bands_between(low, high, 1)
    verdict = verdict_of(
        by_third,
        causes,
        {one.plane: one.fit for one in differences},
        within_db=settings.within_db,
        rms_db=rms_db,
        gate_limit_hz=max(one.gate_limit_hz for one in measured),
        clay=settings.clay,
        reflection=max(reflections, key=lambda seen: seen[1]) if reflections else None,
        sound_speed=nominal.sound_speed,
        contradicted=_contradicted(differences, zones, thirds, settings.within_db),
        exchange=exchange,
        implausible=implausible(orbits, nominal.sound_speed),
    )
    return Comparison(
        settings=settings,
        sound_speed=nominal.sound_speed,
        orbits=tuple(orbits),
        zones=zones,
        by_octave=_by_zone(differences, zones, octaves),
        by_third=by_third,
        curves=curves,
        by_figure=figure_errors(curves, octaves),
        causes=causes,
        verdict=verdict,
        rms_db=rms_db,
        three_way=three_way,
        correction=_correction(orbits, bands_hz, verdict, settings),
        exchange=exchange,
    )


def errors_within_60(comparison: Comparison) -> tuple[ZoneError, ...]:
    """Return the errors by third-octave of all that lies within 60 degrees, both orbits."""
    zone = Zone(
        name="within 60°",
        masks={
            one.plane: np.abs(one.angle_deg) <= _FRONT_AND_SIDES + 0.5
            for one in comparison.differences
        },
    )
    low, high = (float(f) for f in comparison.curves.frequency_hz[[0, -1]])
    return zone_errors(comparison.differences, zone, bands_between(low, high, 3))


def _bands(measured: Sequence[Observed], radiator: Radiator) -> FloatArray:
    """Return the centres of the bands that all have in common."""
    solved = radiator.frequencies_hz
    lows = [float(solved[0])]
    highs = [float(solved[-1])]
    for one in measured:
        usable = one.frequency_hz[one.is_usable.any(axis=1)]
        if usable.size < 2:
            rule = "one with levels over the gate's limit and the noise"
            raise InputError(invalid("measurement", f"{one.plane} orbit", rule))
        lows.append(float(usable[0]))
        highs.append(float(usable[-1]))
    low, high = max(lows), min(highs)
    if high < 1.5 * low:
        measured_band = f"{max(lows[1:]):.0f} to {min(highs[1:]):.0f} Hz"
        rule = f"one that overlaps what was solved, {solved[0]:.0f} to {solved[-1]:.0f} Hz"
        raise InputError(invalid("band of the measurement", measured_band, rule))
    numbers = np.arange(
        np.ceil(_A_DECADE * np.log10(low) - 1e-6), np.floor(_A_DECADE * np.log10(high) + 1e-6) + 1
    )
    return np.asarray(10 ** (numbers / _A_DECADE))


def find_set_up(observed: Observed, radiator: Radiator) -> tuple[Fit, tuple[float, float] | None]:
    """Return the set-up of an orbit, with delay and ripple of a reflection kept out of it."""
    fit = _fitted(observed, radiator)
    reflection = find_reflection(observed, simulate_orbit(observed, radiator, fit.deviation))
    if reflection is None:
        return fit, None
    calm = _fitted(observed.without_ripple(reflection[0]), radiator)
    return replace(calm, uncertainty=_REFLECTION_WIDENS * calm.uncertainty), reflection


def _fitted(observed: Observed, radiator: Radiator) -> Fit:
    fit = fit_orbit(observed, radiator)
    if fit is None:
        rule = "measured at five angles at least, at four of the solved frequencies"
        raise InputError(invalid("measurement", f"{observed.plane} orbit", rule))
    return fit


def _orbit(
    observed: Observed,
    radiator: Radiator,
    fit: Fit,
    bands_hz: FloatArray,
    settings: ComparisonSettings,
) -> OrbitFacts:
    simulated = simulate_orbit(observed, radiator, fit.deviation)
    difference = difference_of(
        observed, fit, simulated, bands_hz=bands_hz, fraction=settings.smoothing_octaves
    )
    return OrbitFacts(observed=observed, simulated=simulated, difference=difference)


def _by_zone(
    differences: Sequence[OrbitDifference],
    zones: Sequence[Zone],
    bands: Sequence[tuple[float, float]],
) -> dict[str, tuple[ZoneError, ...]]:
    return {zone.name: zone_errors(differences, zone, bands) for zone in zones}


def _contradicted(
    differences: Sequence[OrbitDifference],
    zones: Sequence[Zone],
    bands: Sequence[tuple[float, float]],
    within_db: float,
) -> dict[str, tuple[WidthContradiction, ...]]:
    """Return beamwidths that do not agree, by the zones that reach to where they are apart."""
    angles = {one.plane: np.abs(one.angle_deg) for one in differences}
    found = contradictions(differences, bands, within_db)
    by_zone: dict[str, tuple[WidthContradiction, ...]] = {}
    for zone in zones:
        reach = {plane: angles[plane][mask] for plane, mask in zone.masks.items()}
        by_zone[zone.name] = tuple(
            one
            for one in found
            if one.plane in reach
            and reach[one.plane].min() <= one.at_deg <= reach[one.plane].max()
        )
    return by_zone


def _rms(differences: Sequence[OrbitDifference]) -> float:
    values = np.concatenate([one.difference_db[np.isfinite(one.difference_db)]
                             for one in differences])  # fmt: skip
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def _correction(
    orbits: Sequence[OrbitFacts],
    bands_hz: FloatArray,
    verdict: Verdict,
    settings: ComparisonSettings,
) -> Correction | None:
    """Return the velocity correction where the front agreed."""
    front = next((reach for reach in verdict.reaches if reach.zone.startswith("front")), None)
    if front is None or front.to_hz == 0:
        return None
    shown = bands_hz[(bands_hz >= front.from_hz) & (bands_hz <= front.to_hz)]
    pairs = [(orbit.observed, orbit.simulated) for orbit in orbits]
    return correction_of(pairs, shown, is_from_plate=settings.is_plate)
