# SPDX-License-Identifier: GPL-3.0-or-later
"""Criteria: one function each, from a directivity dataset to dB. Lower is better.

Depends on: conventions, directivity, octaves, polars, target.

Rules that all share:

- Levels are re the listening-window average, so that neither a hump nor a dip on the axis helps.
- Directions are averaged in energy over a patch or an arc, and a level below -20 dB counts as
  -20 dB, so that no exact null is scored.
- Frequencies count by their share of the band on a logarithmic axis. A mean hides narrow
  faults, so each octave counts half its mean and half its worst third-octave
  (`bafflelens.octaves.by_octave`).
- Frequencies that failed are left out here; `bafflelens.score` says that they are missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.conventions import FloatArray
from bafflelens.directivity import is_solved, source_sum
from bafflelens.octaves import (
    THIRD_OCTAVE,
    OctaveValue,
    by_octave,
    inside,
    octaves_of,
    overall_db,
    shares,
)
from bafflelens.polars import listening_window, on_axis_level_db, relative_level_db
from bafflelens.polars import listening_window_level_db as window_response_db
from bafflelens.target import Limit, Target

PATCH_HALF_HEIGHT_DEG: Final = 10.0
PATCH_HALF_WIDTH_DEG: Final = 30.0
ARC_HALF_WIDTH_DEG: Final = 5.0
LOWEST_LEVEL_DB: Final = -20.0


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What a criterion says of a candidate.

    Attributes
    ----------
    value_db : float
        The criterion's number; NaN where it could not be judged, and `note` says why.
    note : str
        The number in words: what it is made of, where it is worst.
    octaves : tuple of OctaveValue
        The number octave by octave; of a criterion with several parts, of the worst part.
    """

    value_db: float
    note: str
    octaves: tuple[OctaveValue, ...] = ()


@dataclass(frozen=True, kw_only=True)
class OctaveBenefit:
    """By how much the bounces are lower than the baseline's in one octave, in dB."""

    from_hz: float
    to_hz: float
    floor_db: float
    ceiling_db: float

    @property
    def mean_db(self) -> float:
        """Mean of floor and ceiling, in dB."""
        return 0.5 * (self.floor_db + self.ceiling_db)


@dataclass(frozen=True, kw_only=True)
class VerticalBenefit:
    """By how much the bounces are lower than the baseline's, in dB; positive is better.

    Attributes
    ----------
    floor_db, ceiling_db : float
        Over the whole band.
    octaves : tuple of OctaveBenefit
        Octave by octave.
    """

    floor_db: float
    ceiling_db: float
    octaves: tuple[OctaveBenefit, ...]

    @property
    def mean_db(self) -> float:
        """Mean of floor and ceiling over the whole band, in dB: the headline."""
        return 0.5 * (self.floor_db + self.ceiling_db)


def vertical_control(dataset: xr.Dataset, target: Target, band_hz: tuple[float, float]) -> Finding:
    r"""Return by how much the floor and ceiling bounces exceed the target.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    target : Target
        Gives the angles and the highest levels allowed.
    band_hz : (from, to)
        The band that is judged, in Hz; of it, what the target covers.

    Notes
    -----
    For each bounce b, with the patch level :math:`L_b` of `bounce_level_db` and the level
    :math:`T_b` that the target allows,

    .. math:: e_b(f) = \max(0, L_b(f) - T_b(f))

    is taken through `by_octave` with the target's weight; the value is the mean of both. Less
    than the target allows earns nothing more.
    """
    frequency, solved = dataset["frequency"].values, is_solved(dataset)
    parts = {}
    for name, limit in (("floor", target.floor), ("ceiling", target.ceiling)):
        level = bounce_level_db(dataset, limit.angle_deg)
        excess = np.maximum(level.values - limit.level_at(frequency), 0.0)
        parts[name] = by_octave(
            frequency[solved], excess[solved], limit.weight_at(frequency)[solved], band_hz
        )
    return _mean_finding(parts, "over the target")


def horizontal_width(dataset: xr.Dataset, target: Target, band_hz: tuple[float, float]) -> Finding:
    r"""Return by how much the horizontal window falls short of the target.

    Parameters
    ----------
    dataset, target, band_hz
        As in `vertical_control`.

    Notes
    -----
    For each limit r of the target and each side, :math:`L_r` is the lowest level on the arc
    from half the limit's angle to the angle itself (`edge_level_db`), and

    .. math:: e(f) = \max_r w_r \max(0, R_r - L_r) / \max_r w_r

    with the level :math:`R_r` that is wanted and its weight :math:`w_r`. Left and right go
    through `by_octave` each; the value is the mean of both.
    """
    return _shortfall(dataset, target.horizontal, "horizontal", ("right", "left"), band_hz)


def seat_height(dataset: xr.Dataset, target: Target, band_hz: tuple[float, float]) -> Finding:
    """Return by how much the level falls short a little above and below the axis.

    A beam so narrow that the height of the seat matters is no vertical control. The formula is
    that of `horizontal_width`, on the vertical orbit with the target's ``seat`` limits.

    Parameters
    ----------
    dataset, target, band_hz
        As in `vertical_control`.
    """
    return _shortfall(dataset, target.seat, "vertical", ("below", "above"), band_hz)


def on_axis_ripple(
    dataset: xr.Dataset, band_hz: tuple[float, float], path_difference_m: float
) -> Finding:
    r"""Return what an ordinary filter leaves of the unevenness in front.

    Parameters
    ----------
    dataset, band_hz
        As in `vertical_control`.
    path_difference_m : float
        Detour of the sound whose interference must be seen; see `shown_to_hz`.

    Notes
    -----
    A tilt and broad bends can be flattened by a few ordinary filter sections; interference
    cannot. So from the on-axis and from the listening-window level a polynomial in log f is
    taken out, fitted by least squares over the band, of one degree an octave (rounded up):
    about one broad filter section an octave. Unlike smoothing it has no trouble at the ends of
    the band. The modulus of what remains goes through `by_octave`; the value is the mean of
    both curves. The band ends where the frequency spacing no longer shows the ripple.
    """
    shown = shown_to_hz(dataset, band_hz, path_difference_m)
    judged = (band_hz[0], shown)
    degree = int(np.ceil(np.log2(shown / band_hz[0]) - 1e-9))
    frequency = dataset["frequency"].values
    used = is_solved(dataset) & inside(frequency, judged)
    if degree < 1 or used.sum() < 2 * (degree + 1):
        return _unjudged(shown)
    parts = {}
    curves = {"on axis": on_axis_level_db(dataset), "window": window_response_db(dataset)}
    position = np.log2(frequency[used] / band_hz[0])
    for name, curve in curves.items():
        level = curve.values[used]
        trend = np.polynomial.Polynomial.fit(position, level, degree)
        remainder = np.abs(level - trend(position))
        parts[name] = by_octave(frequency[used], remainder, np.ones_like(remainder), judged)
    return _mean_finding(parts, f"around a smooth curve, {_range_text(judged)}")


def width_smoothness(
    dataset: xr.Dataset, target: Target, band_hz: tuple[float, float], path_difference_m: float
) -> Finding:
    r"""Return how much the level at the window's edge changes from one third-octave to the next.

    Parameters
    ----------
    dataset, target, band_hz
        As in `vertical_control`.
    path_difference_m
        As in `on_axis_ripple`.

    Notes
    -----
    The beamwidth in degrees is undefined where there is no crossing, so the change is counted
    in dB: S(f) is the level at the widest angle of the target's horizontal limits, both sides
    averaged in energy, over an arc of +-5 degrees. The change over a third-octave,

    .. math:: \Delta S(f) = S(2^{1/6} f) - S(2^{-1/6} f),

    is free between zero and the change :math:`\Delta R` of the level that the target wants,
    which falls as a dome narrows; what exceeds this goes through `by_octave`.
    """
    if not target.horizontal:
        return Finding(value_db=float("nan"), note="not judged: the target has no width")
    limit = max(target.horizontal, key=lambda limit: limit.angle_deg)
    shown = shown_to_hz(dataset, band_hz, path_difference_m)
    solved = is_solved(dataset)
    frequency = dataset["frequency"].values
    half_step = 2 ** (THIRD_OCTAVE / 2)
    upper, lower = frequency * half_step, frequency / half_step
    wanted_change = limit.level_at(upper) - limit.level_at(lower)
    if not solved.any():
        return _unjudged(shown)
    reach = (frequency[solved][0], min(frequency[solved][-1], shown))
    used = solved & np.isfinite(wanted_change) & inside(upper, reach) & inside(lower, reach)
    weight = np.where(used, limit.weight_at(frequency), 0.0)
    sides = _arc_level_db(dataset, "horizontal", (-limit.angle_deg, limit.angle_deg))
    edge = 10 * np.log10(np.mean(10 ** (sides[solved] / 10), axis=1))
    position = np.log(frequency[solved])
    change = np.interp(np.log(upper), position, edge) - np.interp(np.log(lower), position, edge)
    excess = np.maximum(
        change - np.maximum(wanted_change, 0.0), np.minimum(wanted_change, 0.0) - change
    )
    judged = (band_hz[0], shown)
    excess = np.maximum(excess, 0.0)
    octaves = by_octave(frequency[solved], excess[solved], weight[solved], judged)
    if not octaves:
        return _unjudged(shown)
    what = f"a third-octave at {limit.angle_deg:g} degrees, {_range_text(judged)}"
    return _mean_finding({"change": octaves}, what)


def vertical_benefit(
    candidate: xr.Dataset, baseline: xr.Dataset, target: Target, band_hz: tuple[float, float]
) -> VerticalBenefit:
    """Return by how much a candidate's bounces are lower than the baseline's.

    The mean over the band, on a logarithmic axis, of the baseline's bounce levels less that of
    the candidate's, both re their own listening window. No target level enters, only angles.

    Parameters
    ----------
    candidate, baseline : xarray.Dataset
        Directivity datasets with one source; their frequencies may differ.
    target : Target
        Gives the angles of the bounces.
    band_hz : (from, to)
        The band, in Hz.
    """

    def benefit_db(limit: Limit, part_hz: tuple[float, float]) -> float:
        means = []
        for dataset in (baseline, candidate):
            solved = is_solved(dataset)
            level = bounce_level_db(dataset, limit.angle_deg).values[solved]
            share = shares(dataset["frequency"].values[solved], part_hz)
            known = share.sum() > 0
            means.append(float(share @ level / share.sum()) if known else float("nan"))
        return means[0] - means[1]

    octaves = tuple(
        OctaveBenefit(
            from_hz=part_hz[0],
            to_hz=part_hz[1],
            floor_db=benefit_db(target.floor, part_hz),
            ceiling_db=benefit_db(target.ceiling, part_hz),
        )
        for part_hz in octaves_of(band_hz)
    )
    return VerticalBenefit(
        floor_db=benefit_db(target.floor, band_hz),
        ceiling_db=benefit_db(target.ceiling, band_hz),
        octaves=octaves,
    )


def bounce_level_db(dataset: xr.Dataset, elevation_deg: float) -> xr.DataArray:
    """Return the level towards a bounce, re the listening window, (frequency,), in dB.

    The energy mean over the patch elevation +-10 degrees by azimuth +-30 degrees of the sphere
    grid. Each direction counts with the solid angle that its cell shares with the patch, so
    that the level is a smooth function of the angle.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    elevation_deg : float
        Elevation of the bounce, in degrees.
    """
    share = _patch_shares(dataset, elevation_deg)
    chosen = np.flatnonzero(share)
    energy = np.abs(source_sum(dataset).values[:, chosen]) ** 2 @ share[chosen] / share.sum()
    window = listening_window(dataset)
    ratio = np.maximum(energy / window.values**2, 10 ** (LOWEST_LEVEL_DB / 10))
    level = window.copy(data=10 * np.log10(ratio)).rename("level")
    return level.assign_attrs(
        units="dB",
        long_name=f"Level at {elevation_deg:.1f} degrees elevation re listening window",
    )


def edge_level_db(dataset: xr.Dataset, plane: str, angle_deg: float) -> FloatArray:
    """Return the lowest level in the outer half of a window, for both sides.

    Between half the angle and the angle itself, each direction averaged in energy over +-5
    degrees of the orbit, re the listening window. The lowest counts, so that a window which
    opens again at its edge is not called open.

    Parameters
    ----------
    dataset, plane
        As in `bafflelens.polars.orbit`.
    angle_deg : float
        Angle of the window's edge, in degrees.

    Returns
    -------
    (n_frequencies, 2) array
        Negative side (right, below), positive side (left, above), in dB.
    """
    steps = np.linspace(0.5, 1.0, max(2, int(np.ceil(angle_deg / 5)) + 1)) * angle_deg
    both = [_arc_level_db(dataset, plane, sign * steps).min(axis=1) for sign in (-1, 1)]
    return np.stack(both, axis=1)


def shown_to_hz(
    dataset: xr.Dataset, band_hz: tuple[float, float], path_difference_m: float
) -> float:
    """Return the frequency up to which the spacing shows the ripple of a detour.

    Direct sound and sound with a detour d interfere with a period of c/d over frequency, and
    two steps a period are the least that shows it: the spacing may be c/(2 d). With steps of
    1/6 octave and 0.15 m this ends near 10 kHz. Frequencies that failed count as there, so that
    candidates of one job are judged over one band.

    Parameters
    ----------
    dataset : xarray.Dataset
        Gives the frequencies and the speed of sound.
    band_hz : (from, to)
        The band in Hz.
    path_difference_m : float
        The detour d, in m.

    Returns
    -------
    float
        In Hz, within the band.
    """
    frequency = dataset["frequency"].values
    allowed = dataset.attrs["air_sound_speed_m_s"] / (2 * path_difference_m)
    too_wide = (np.diff(frequency) > allowed) & (frequency[1:] > band_hz[0])
    end = frequency[int(np.argmax(too_wide))] if too_wide.any() else band_hz[1]
    return float(np.clip(end, band_hz[0], band_hz[1]))


def _shortfall(
    dataset: xr.Dataset,
    limits: Sequence[Limit],
    plane: str,
    side_names: tuple[str, str],
    band_hz: tuple[float, float],
) -> Finding:
    """Return by how much levels at the sides fall short of limits: see `horizontal_width`."""
    frequency, solved = dataset["frequency"].values, is_solved(dataset)
    if not limits:
        return Finding(value_db=float("nan"), note="not judged: the target asks for nothing")
    weights = np.stack([limit.weight_at(frequency) for limit in limits])
    weight = weights.max(axis=0)
    short = []
    for limit, own_weight in zip(limits, weights, strict=True):
        wanted = np.where(own_weight > 0, limit.level_at(frequency), LOWEST_LEVEL_DB)
        missing = wanted[:, np.newaxis] - edge_level_db(dataset, plane, limit.angle_deg)
        short.append(own_weight[:, np.newaxis] * np.maximum(missing, 0.0))
    worst = np.max(short, axis=0) / np.where(weight > 0, weight, 1.0)[:, np.newaxis]
    parts = {
        name: by_octave(frequency[solved], worst[solved, side], weight[solved], band_hz)
        for side, name in enumerate(side_names)
    }
    return _mean_finding(parts, "short of the target")


def _arc_level_db(
    dataset: xr.Dataset, plane: str, angles_deg: Sequence[float] | FloatArray
) -> FloatArray:
    """Return the energy mean over +-5 degrees around angles of an orbit, re listening window.

    (n_frequencies, n_angles), in dB, not below -20 dB.
    """
    level = relative_level_db(dataset, plane)
    distance = np.abs(level["angle"].values[np.newaxis] - np.asarray(angles_deg)[:, np.newaxis])
    near = (distance <= ARC_HALF_WIDTH_DEG + 1e-9).astype(float)
    near /= near.sum(axis=1, keepdims=True)
    mean = 10 ** (level.values / 10) @ near.T
    return np.asarray(10 * np.log10(np.maximum(mean, 10 ** (LOWEST_LEVEL_DB / 10))))


def _patch_shares(dataset: xr.Dataset, elevation_deg: float) -> FloatArray:
    """Return the solid angle in sr that each direction's cell shares with a bounce's patch."""
    azimuth, elevation = dataset["azimuth_deg"].values, dataset["elevation_deg"].values
    half = float(dataset.attrs["sphere_step_deg"]) / 2
    lowest, highest = elevation_deg - PATCH_HALF_HEIGHT_DEG, elevation_deg + PATCH_HALF_HEIGHT_DEG
    bottom = np.clip(np.maximum(elevation - half, lowest), -90, 90)
    top = np.clip(np.minimum(elevation + half, highest), -90, 90)
    height = np.maximum(np.sin(np.radians(top)) - np.sin(np.radians(bottom)), 0.0)
    across = np.minimum(azimuth + half, PATCH_HALF_WIDTH_DEG) - np.maximum(
        azimuth - half, -PATCH_HALF_WIDTH_DEG
    )
    at_pole = np.abs(elevation) == 90  # a pole's cell goes all the way around
    width = np.where(at_pole, 2 * PATCH_HALF_WIDTH_DEG, np.maximum(across, 0.0))
    on_sphere = dataset["weight_sr"].values > 0
    return np.where(on_sphere, height * np.radians(width), 0.0)


def _mean_finding(parts: dict[str, tuple[OctaveValue, ...]], what: str) -> Finding:
    """Return the mean of a criterion's parts, with a note that names each."""
    values = {name: overall_db(octaves) for name, octaves in parts.items()}
    value = float(np.mean(list(values.values())))
    if np.isnan(value):
        return Finding(value_db=value, note="not judged: target and band have nothing in common")
    worst_part = max(values, key=lambda name: values[name])
    listed = ", ".join(f"{name} {number:.1f} dB" for name, number in values.items())
    worst = max(parts[worst_part], key=lambda octave: octave.worst_db)
    note = f"{listed} {what}"
    if worst.worst_db >= 0.05:
        where = f"{worst.worst_hz / 1000:.2g} kHz"
        note += f"; most around {where} ({worst_part}, {worst.worst_db:.1f} dB)"
    return Finding(value_db=value, note=note, octaves=parts[worst_part])


def _unjudged(shown_hz: float) -> Finding:
    note = (
        f"not judged: too few frequencies to {shown_hz / 1000:.2g} kHz, "
        "which is as far as their spacing shows ripple"
    )
    return Finding(value_db=float("nan"), note=note)


def _range_text(band_hz: tuple[float, float]) -> str:
    return f"judged {band_hz[0] / 1000:.2g} to {band_hz[1] / 1000:.2g} kHz"
