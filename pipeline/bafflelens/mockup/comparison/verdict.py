# SPDX-License-Identifier: GPL-3.0-or-later
"""How far the simulation can be trusted, in words, with the rule; and what to check next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from bafflelens.mockup.comparison.cause import LEAST_RMS_DB, Cause
from bafflelens.mockup.comparison.clay import ClayDeviation
from bafflelens.mockup.comparison.errors_by_zone import ZoneError
from bafflelens.mockup.comparison.exchange import Exchange
from bafflelens.mockup.comparison.fitting import Fit
from bafflelens.mockup.comparison.plausibility import UNTOLD
from bafflelens.mockup.comparison.width_and_index import WidthContradiction
from bafflelens.mockup.measurement.microphones import BOUNDS, PARAMETERS

WITHIN_DB: Final = 1.0
"""Agreement is within this, r.m.s. over a third-octave and a zone, unless the user says else."""

_FEWEST_POINTS: Final = 3
_DOME_HZ: Final = 8000.0
_WALL_SHARE: Final = 20  # of a wavelength
_EXPLAINED: Final = 0.6

_WORTH_A_LINE: Final = {"angle_deg": 0.2, "forward_m": 1e-3, "sideways_m": 1e-3, "tilt_deg": 0.3}
_WORDS: Final = {
    "angle_deg": ("zero of the angles", "°", 1.0, "towards positive angles"),
    "forward_m": ("rotation point forward", " mm", 1e3, "forward"),
    "sideways_m": ("rotation point sideways", " mm", 1e3, "towards positive angles"),
    "tilt_deg": ("tilt", "°", 1.0, "front up (vertical orbit: to the left)"),
}


@dataclass(frozen=True, kw_only=True)
class Reach:
    """Where a zone agrees.

    Attributes
    ----------
    zone : str
        Name of the zone.
    from_hz, to_hz : float
        The widest range of third-octaves that agree, in Hz; both 0 where none does.
    top_hz : float
        Upper end of what could be compared.
    worst_db : float
        Largest r.m.s. of a third-octave above that range; 0 if there is nothing above.
    """

    zone: str
    from_hz: float
    to_hz: float
    top_hz: float
    worst_db: float


@dataclass(frozen=True, kw_only=True)
class NextCheck:
    """A line of what to check next."""

    what: str
    seen: str
    next: str


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """The verdict.

    Attributes
    ----------
    sentences : tuple of str
        The verdict in words, the answer first.
    rule : str
        By which rule.
    reaches : tuple of Reach
        Where each zone agrees.
    checks : tuple of Check
        What to check next, the likeliest first.
    """

    sentences: tuple[str, ...]
    rule: str
    reaches: tuple[Reach, ...]
    checks: tuple[NextCheck, ...]


def reach_of(
    errors: Sequence[ZoneError],
    within_db: float,
    contradicted: Sequence[tuple[float, float]] = (),
) -> Reach:
    """Return the widest range of bands in which a zone agrees.

    A band agrees if its r.m.s. is within the limit, or within twice the repeatability where that
    is more, and no beamwidth contradicts that. Bands with next to no points are passed over.

    Parameters
    ----------
    errors : sequence of ZoneError
        Of one zone, by band.
    within_db : float
        What agreement means.
    contradicted : sequence of pairs of float
        Bands in which a beamwidth that lies in the zone does not agree.
    """
    judged = [one for one in errors if one.points >= _FEWEST_POINTS and np.isfinite(one.rms_db)]
    best: tuple[float, float, float] = (0.0, 0.0, 0.0)
    start: float | None = None
    for one in judged:
        repeatability = one.repeatability_db if np.isfinite(one.repeatability_db) else 0.0
        is_denied = (one.from_hz, one.to_hz) in contradicted
        if one.rms_db <= max(within_db, 2 * repeatability) and not is_denied:
            start = one.from_hz if start is None else start
            octaves = float(np.log2(one.to_hz / start))
            best = max(best, (octaves, start, one.to_hz))
        else:
            start = None
    _, low, high = best
    above = [one.rms_db for one in judged if one.from_hz >= high - 1e-9]
    return Reach(
        zone=errors[0].zone,
        from_hz=low,
        to_hz=high,
        top_hz=judged[-1].to_hz if judged else 0.0,
        worst_db=max(above, default=0.0),
    )


def setup_findings(fits: Mapping[str, Fit], within_db: float) -> tuple[str, ...]:
    """Return what was found of the set-up of each orbit beyond what was noted, one line each.

    Nothing is said of an orbit of which more than `within_db` is left wherever its microphones
    are put: what fits least badly is then no finding.
    """
    lines = []
    for plane, fit in fits.items():
        if fit.left_db > within_db:
            lines.append(
                f"{plane.capitalize()} orbit: {fit.left_db:.1f} dB remains wherever the "
                "microphones are placed and whichever way the angles count, so nothing can be "
                "said about its set-up. Look for a wrong file, orbit or shape first."
            )
            continue
        if fit.deviation.is_mirrored:
            lines.append(
                f"{plane.capitalize()} orbit: the sign of the angles is swapped. With the noted "
                f"sign {fit.swapped_db:.1f} dB remains, with the other {fit.left_db:.1f} dB; the "
                "comparison uses the other."
            )
        values = zip(PARAMETERS, fit.deviation.values, fit.uncertainty, fit.is_told, strict=True)
        for name, value, uncertainty, is_told in values:
            words, unit, factor, direction = _WORDS[name]
            twin = fit.twin_tilt_deg if name == "tilt_deg" else None
            # The range reaches to a twin, though neither of the two may be what was noted.
            own = uncertainty if twin is None else uncertainty - abs(twin - value)
            if is_told and abs(value) > max(own, _WORTH_A_LINE[name]):
                other = ""
                if name == "forward_m" and fit.uses_paths:
                    side = "deeper" if value > 0 else "less deep"
                    other = f" (or the driver sits that much {side} in the mock-up)"
                if twin is not None:
                    other = f", or {twin:+.1f}{unit}, which the data do not rule out"
                lines.append(
                    f"{plane.capitalize()} orbit: {words} {factor * value:+.1f} ± "
                    f"{factor * uncertainty:.1f}{unit} ({direction}) from what was noted{other}; "
                    "the comparison uses what was found."
                )
            if name in fit.at_bound:
                lines.append(
                    f"{plane.capitalize()} orbit: {words} ended at its bound of "
                    f"{factor * BOUNDS[name]:.0f}{unit}: the set-up is not as described."
                )
    return tuple(lines)


def fitted_text() -> str:
    """Return what is fitted, and within which bounds."""
    parts = [
        f"{_WORDS[name][0]} (±{_WORDS[name][2] * BOUNDS[name]:.0f}{_WORDS[name][1]})"
        for name in PARAMETERS
    ]
    return (
        "Fitted, for each orbit by itself: " + ", ".join(parts) + ", and the sign of the angles; "
        "besides, one overall level, without bounds. Nothing else. What the data do not tell "
        f"stays as noted. {UNTOLD}"
    )


def verdict_of(
    errors: Mapping[str, Sequence[ZoneError]],
    causes: Sequence[Cause],
    fits: Mapping[str, Fit],
    *,
    within_db: float,
    rms_db: float,
    gate_limit_hz: float,
    clay: ClayDeviation | None,
    sound_speed: float,
    reflection: tuple[float, float] | None = None,
    contradicted: Mapping[str, Sequence[WidthContradiction]] = MappingProxyType({}),
    exchange: Exchange | None = None,
    implausible: Sequence[str] = (),
) -> Verdict:
    """Return the verdict.

    Parameters
    ----------
    errors : mapping of str to sequence of ZoneError
        Errors by third-octave, of each zone.
    causes : sequence of Cause
        What the difference shows, that which explains most first.
    fits : mapping of str to Fit
        What was found of each orbit's set-up.
    within_db : float
        What agreement means.
    rms_db : float
        R.m.s. of all differences.
    gate_limit_hz : float
        Lowest frequency of the gate in Hz, 0 without.
    clay : ClayDeviation or None
        Deviation of the clay from the nominal shape; None if it was not scanned.
    sound_speed : float
        In m/s.
    reflection : tuple of 2 floats, optional
        Delay in s and ripple in dB of a reflection that was seen.
    contradicted : mapping of str to sequence of WidthContradiction
        Beamwidths that do not agree, by the name of each zone they lie in.
    exchange : Exchange, optional
        Where the orbits are compared under each other's name.
    implausible : sequence of str
        What of the description the data contradict, a line each.
    """
    judged = {name: rows for name, rows in errors.items() if name != "behind"}
    reaches = tuple(
        reach_of(rows, within_db, [(one.from_hz, one.to_hz) for one in contradicted.get(name, ())])
        for name, rows in judged.items()
    )
    sentences = _agreement(reaches, within_db)
    sentences += _contradiction({one for rows in contradicted.values() for one in rows})
    short = [reach for reach in reaches if reach.to_hz < reach.top_hz]
    begins = min((reach.to_hz for reach in short), default=0.0)
    likely = _possible(begins, gate_limit_hz, clay, fits, sound_speed, causes)
    if short:
        sentences.append(_disagreement(short, causes, rms_db))
    elif causes and rms_db > LEAST_RMS_DB:
        sentences.append("What difference there is: " + _in_order(causes))
    if reflection is not None and not any(cause.name == "reflection" for cause in causes):
        delay_s, ripple_db = reflection
        sentences.append(
            f"A ripple of ±{ripple_db:.1f} dB over frequency with a delay of "
            f"{1e3 * delay_s:.2f} ms is a reflection inside the gate. It is much the same at all "
            "angles and so hardly touches the directivity, but it is in the response and in the "
            "velocity correction: a shorter gate leaves it out."
        )
    if exchange is not None:
        sentences.append(exchange.text)
    sentences += setup_findings(fits, within_db)
    sentences += implausible
    checks = [
        NextCheck(
            what=cause.name, seen=f"{cause.text} ({100 * cause.share:.0f} %)", next=cause.check
        )
        for cause in causes
    ]
    checks += likely if short else []
    rule = (
        f"A third-octave of a zone agrees if the differences of its levels, each side re its mean "
        f"level within ±30°, are within {within_db:g} dB r.m.s., or within twice the "
        "repeatability where that is more, and if no beamwidth that ends inside the zone is off "
        f"by more than {2 * within_db:g} dB at its edge. A zone agrees over the widest range of "
        "such bands. Angles at which the simulation is more than 25 dB below its loudest do not "
        "count."
    )
    return Verdict(sentences=tuple(sentences), rule=rule, reaches=reaches, checks=tuple(checks))


def _agreement(reaches: Sequence[Reach], within_db: float) -> list[str]:
    by_top: dict[float, list[Reach]] = {}
    for reach in reaches:
        by_top.setdefault(reach.to_hz, []).append(reach)
    sentences = []
    for top in sorted(by_top, reverse=True):
        group = by_top[top]
        names = _listed([reach.zone for reach in group])
        if top == 0:
            sentences.append(f"No agreement within {within_db:g} dB: {names}.")
            continue
        low = max(reach.from_hz for reach in group)
        whole = all(reach.to_hz >= reach.top_hz for reach in group)
        end = ", the top of what was compared" if whole else ""
        sentences.append(
            f"Agrees within {within_db:g} dB from {_hertz(low)} up to {_hertz(top)}{end}: {names}."
        )
    return sentences


def _contradiction(found: set[WidthContradiction]) -> list[str]:
    """Return a line on each orbit whose beamwidths are apart though levels may agree."""
    sentences = []
    for plane in sorted({one.plane for one in found}):
        bands = sorted((one for one in found if one.plane == plane), key=lambda one: one.from_hz)
        worst = max(
            bands, key=lambda one: np.nan_to_num(abs(one.measured_deg - one.simulated_deg))
        )
        widths = [f"{width:.0f}°" if np.isfinite(width) else "none" for width in
                  (worst.measured_deg, worst.simulated_deg)]  # fmt: skip
        where = ", ".join(_hertz(float(np.sqrt(one.from_hz * one.to_hz))) for one in bands)
        sentences.append(
            f"The {plane} beamwidth contradicts agreement in the third-octaves at {where}: "
            f"{widths[0]} measured and {widths[1]} simulated at "
            f"{_hertz(float(np.sqrt(worst.from_hz * worst.to_hz)))}, from what is at "
            f"{worst.at_deg:.0f}° off the axis. Zones that reach there do not count as agreeing."
        )
    return sentences


def _disagreement(short: Sequence[Reach], causes: Sequence[Cause], rms_db: float) -> str:
    worst = max(short, key=lambda reach: reach.worst_db)
    text = f"Above that it does not: up to {worst.worst_db:.1f} dB r.m.s. ({worst.zone})."
    explained = sum(cause.share for cause in causes)
    if causes:
        text += " Likely reasons in order: " + _in_order(causes)
    if explained < _EXPLAINED:
        rest = "the rest" if causes else "the difference"
        text += f" The data alone do not tell what {rest} comes from; the table names what could."
    return text


def _in_order(causes: Sequence[Cause]) -> str:
    return " ".join(
        f"({n}) {cause.text} This explains {100 * cause.share:.0f} % of the difference."
        for n, cause in enumerate(causes, start=1)
    )


def _possible(
    begins_hz: float,
    gate_limit_hz: float,
    clay: ClayDeviation | None,
    fits: Mapping[str, Fit],
    sound_speed: float,
    causes: Sequence[Cause],
) -> list[NextCheck]:
    """Return what could be at fault from a frequency on, though the data show no mark of it."""
    shown = {cause.name for cause in causes}
    found = []
    if begins_hz > 0:
        needed_m = sound_speed / begins_hz / _WALL_SHARE
        if clay is None:
            found.append(
                NextCheck(
                    what="clay, walls",
                    seen=(
                        f"Not scanned. Walls that are off by {1e3 * needed_m:.1f} mm, 1/20 "
                        f"wavelength at {_hertz(begins_hz)}, would be enough."
                    ),
                    next="Scan the model and compare with the scan, too (--scan).",
                )
            )
        else:
            limit = sound_speed / (_WALL_SHARE * max(clay.walls_m, 1e-6))
            is_enough = begins_hz > 0.7 * limit
            found.append(
                NextCheck(
                    what="clay, walls",
                    seen=(
                        f"95 % of the scanned walls are within {1e3 * clay.walls_m:.1f} mm, "
                        f"1/20 wavelength at {_hertz(limit)}: "
                        + ("they may matter." if is_enough else "they hardly matter here.")
                    ),
                    next="The deviation map of the scan.",
                )
            )
        found.append(
            NextCheck(
                what="clay, throat",
                seen=(
                    "Tenths of a millimetre around the dome matter at the top of the band"
                    + (f"; the scan says {1e3 * clay.throat_m:.1f} mm." if clay else ".")
                ),
                next="Ring and step around the dome: feeler gauge, or a finer scan.",
            )
        )
        if begins_hz >= 0.75 * _DOME_HZ and "dome" not in shown:
            found.append(
                NextCheck(
                    what="dome",
                    seen=(
                        "Soft domes stop moving as one piece at about 8 to 10 kHz (common "
                        "practice, no source); the difference shows no such mark."
                    ),
                    next="The dome's velocity over its radius, as a table of the job.",
                )
            )
        if gate_limit_hz > 0 and begins_hz < 2 * gate_limit_hz and "gate" not in shown:
            found.append(
                NextCheck(
                    what="gate",
                    seen=f"The gate passes frequencies above {_hertz(gate_limit_hz)}.",
                    next="A longer gate.",
                )
            )
    for plane, fit in fits.items():
        untold = [
            _WORDS[name][0] for name, told in zip(PARAMETERS, fit.is_told, strict=True) if not told
        ]
        if untold:
            found.append(
                NextCheck(
                    what=f"set-up, {plane}",
                    seen=f"The data do not tell: {_listed(untold)}.",
                    next="Measure it, and note it in the description of the measurement.",
                )
            )
    return found


def _hertz(frequency: float) -> str:
    return f"{frequency:.0f} Hz" if frequency < 1000 else f"{frequency / 1e3:.1f} kHz"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else names[0]
