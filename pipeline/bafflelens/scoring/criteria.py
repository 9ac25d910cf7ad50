# SPDX-License-Identifier: GPL-3.0-or-later
"""Criteria: one function each, from a directivity dataset to dB. Lower is better.

Here is what the target asks for; what must not happen besides is in
`bafflelens.scoring.side_effects`.

Rules that all share:

- Levels are re the listening-window average, so that neither a hump nor a dip on the axis helps.
- Directions are averaged in energy over a patch or an arc, and a level below -20 dB counts as
  -20 dB, so that no exact null is scored.
- Frequencies count by their share of the band on a logarithmic axis. A mean hides narrow
  faults, so each octave counts half its mean and half its worst third-octave
  (`bafflelens.base.octaves.by_octave`).
- Frequencies that failed are left out here; `bafflelens.scoring.score` says that they are missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.octaves import OctaveValue, by_octave, octave_shares, octaves_of, overall_db
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.polars import arc_shares, orbit_levels_db, window_amplitude
from bafflelens.directivity.source_sums import source_values
from bafflelens.scoring.target import Limit, Target

if TYPE_CHECKING:
    import xarray as xr

PATCH_HALF_HEIGHT_DEG: Final = 10.0
PATCH_HALF_WIDTH_DEG: Final = 30.0
ASKS_NOTHING: Final = "not judged: the target asks for nothing"
"""Note of a criterion that the user leaves out of the target, which is no fault."""

ARC_HALF_WIDTH_DEG: Final = 5.0
LOWEST_LEVEL_DB: Final = -20.0

SYMMETRY_STEP_DEG: Final = 5.0


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
    For each bounce b, with the level :math:`L_b` of `towards_bounce_db`, the highest of all
    seats, and the level :math:`T_b` that the target allows,

    .. math:: e_b(f) = \max(0, L_b(f) - T_b(f))

    is taken through `by_octave` with the target's weight; the value is the mean of both, and the
    note tells it octave by octave as well. Less than the target allows earns nothing more.
    """
    frequency, solved = dataset.variables["frequency"].values, is_solved(dataset)
    parts = {}
    for name, limit in (("floor", target.floor), ("ceiling", target.ceiling)):
        level = towards_bounce_db(dataset, limit, target.seat_azimuth_deg)
        excess = np.maximum(level - limit.level_at(frequency), 0.0)
        parts[name] = by_octave(
            frequency[solved], excess[solved], limit.weight_at(frequency)[solved], band_hz
        )
    finding = mean_finding(parts, "over the target")
    listed = _by_octave_text(parts)
    return replace(finding, note=f"{finding.note}; {listed}") if listed else finding


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


def up_down_symmetry(dataset: xr.Dataset, target: Target, band_hz: tuple[float, float]) -> Finding:
    r"""Return by how much the levels above and below the axis differ.

    A tilted lobe sends its sound to one of floor and ceiling, and turns over with frequency.

    Parameters
    ----------
    dataset, target, band_hz
        As in `vertical_control`.

    Notes
    -----
    With L(f, t) the level on the vertical orbit, each direction averaged in energy over +-5
    degrees, and the angles t every 5 degrees to the steeper bounce of the main seat (that of a
    nearer or farther one has no part in it),

    .. math:: e(f) = \langle |L(f, t) - L(f, -t)| \rangle_t

    goes through `by_octave`. What both miss or meet alike is no matter of symmetry.
    """
    frequency, solved = dataset.variables["frequency"].values, is_solved(dataset)
    steepest = max(abs(limit.angle_deg) for limit in (target.floor, target.ceiling))
    angles = np.arange(1, max(1, round(steepest / SYMMETRY_STEP_DEG)) + 1) * SYMMETRY_STEP_DEG
    levels = arc_level_db(dataset, "vertical", np.concatenate((-angles, angles)))
    below, above = np.split(levels, 2, axis=1)
    apart = np.abs(above - below).mean(axis=1)
    octaves = by_octave(frequency[solved], apart[solved], np.ones(int(solved.sum())), band_hz)
    finding = mean_finding(
        {"difference": octaves}, f"between up and down, to {angles[-1]:g} degrees"
    )
    louder = (above - below).mean(axis=1)[solved]
    share = octave_shares(frequency[solved], band_hz)
    if not share.sum() > 0:
        return finding
    mean = float(share @ louder / share.sum())
    side = "upwards" if mean > 0 else "downwards"
    return replace(finding, note=f"{finding.note}; {abs(mean):.1f} dB more {side} on average")


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
            level = towards_bounce_db(dataset, limit, target.seat_azimuth_deg)[solved]
            share = octave_shares(dataset.variables["frequency"].values[solved], part_hz)
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


def needed_directions(dataset: xr.Dataset, target: Target) -> IntArray:
    """Return the numbers of the directions that any criterion looks at.

    Both orbits, and the patches of the target's bounces: a sixth of all, which makes a score
    that much faster.
    """
    azimuth, elevation = (
        dataset.variables["azimuth_deg"].values,
        dataset.variables["elevation_deg"].values,
    )
    needed = (elevation == 0) | (azimuth == 0) | (azimuth == 180)
    for limit in (target.floor, target.ceiling):
        for angle in limit.angles_deg:
            needed |= patch_shares(dataset, angle, target.seat_azimuth_deg) > 0
    return np.flatnonzero(needed)


def towards_bounce_db(dataset: xr.Dataset, limit: Limit, azimuth_deg: float = 0.0) -> FloatArray:
    """Return the level towards a bounce, the highest of all its angles, re listening window.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    limit : Limit
        Gives the angles, one for each seat.
    azimuth_deg : float
        Azimuth of the seats, in degrees.

    Returns
    -------
    (n_frequencies,) array
        In dB.
    """
    levels = [bounce_level_db(dataset, angle, azimuth_deg) for angle in limit.angles_deg]
    return np.asarray(np.max(levels, axis=0))


def bounce_level_db(
    dataset: xr.Dataset,
    elevation_deg: float,
    azimuth_deg: float = 0.0,
    half_width_deg: float = PATCH_HALF_WIDTH_DEG,
) -> FloatArray:
    """Return the level towards a direction, re the listening window.

    The energy mean over the patch elevation +-10 degrees by azimuth +-30 degrees of the sphere
    grid. Each direction counts with the solid angle that its cell shares with the patch, so
    that the level is a smooth function of the angle.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    elevation_deg, azimuth_deg : float
        Middle of the patch, in degrees.
    half_width_deg : float
        How far it reaches to each side, in degrees of azimuth.

    Returns
    -------
    (n_frequencies,) array
        In dB, not below -20 dB.
    """
    share = patch_shares(dataset, elevation_deg, azimuth_deg, half_width_deg)
    chosen = np.flatnonzero(share)
    field = source_values(dataset, directions=chosen)
    energy = np.abs(field) ** 2 @ share[chosen] / share.sum()
    window = window_amplitude(dataset)
    ratio = np.maximum(energy / window**2, 10 ** (LOWEST_LEVEL_DB / 10))
    return np.asarray(10 * np.log10(ratio))


def edge_level_db(dataset: xr.Dataset, plane: str, angle_deg: float) -> FloatArray:
    """Return the lowest level in the outer half of a window, for both sides.

    Between half the angle and the angle itself, each direction averaged in energy over +-5
    degrees of the orbit, re the listening window. The lowest counts, so that a window which
    opens again at its edge is not called open.

    Parameters
    ----------
    dataset, plane
        As in `bafflelens.directivity.polars.orbit`.
    angle_deg : float
        Angle of the window's edge, in degrees.

    Returns
    -------
    (n_frequencies, 2) array
        Negative side (right, below), positive side (left, above), in dB.
    """
    sides = np.split(arc_level_db(dataset, plane, edge_angles(angle_deg)), 2, axis=1)
    return np.stack([side.min(axis=1) for side in sides], axis=1)


def edge_angles(angle_deg: float) -> FloatArray:
    """Return where `edge_level_db` looks, in degrees: the one side, then the other."""
    steps = np.linspace(0.5, 1.0, max(2, int(np.ceil(angle_deg / 5)) + 1)) * angle_deg
    return np.concatenate((-steps, steps))


def _shortfall(
    dataset: xr.Dataset,
    limits: Sequence[Limit],
    plane: str,
    side_names: tuple[str, str],
    band_hz: tuple[float, float],
) -> Finding:
    """Return by how much levels at the sides fall short of limits: see `horizontal_width`."""
    frequency, solved = dataset.variables["frequency"].values, is_solved(dataset)
    if not limits:
        return Finding(value_db=float("nan"), note=ASKS_NOTHING)
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
    return mean_finding(parts, "short of the target")


def arc_level_db(
    dataset: xr.Dataset, plane: str, angles_deg: Sequence[float] | FloatArray
) -> FloatArray:
    """Return the energy mean over +-5 degrees around angles of an orbit, re listening window.

    (n_frequencies, n_angles), in dB, not below -20 dB.
    """
    angle, level = orbit_levels_db(dataset, plane)
    mean = 10 ** (level / 10) @ arc_shares(angle, angles_deg, ARC_HALF_WIDTH_DEG).T
    return np.asarray(10 * np.log10(np.maximum(mean, 10 ** (LOWEST_LEVEL_DB / 10))))


def patch_shares(
    dataset: xr.Dataset,
    elevation_deg: float,
    azimuth_deg: float,
    half_width_deg: float = PATCH_HALF_WIDTH_DEG,
) -> FloatArray:
    """Return the solid angle in sr that each direction's cell shares with a bounce's patch."""
    azimuth, elevation = (
        dataset.variables["azimuth_deg"].values,
        dataset.variables["elevation_deg"].values,
    )
    azimuth = (azimuth - azimuth_deg + 180) % 360 - 180  # as seen from the middle of the patch
    half = float(dataset.attrs["sphere_step_deg"]) / 2
    lowest, highest = elevation_deg - PATCH_HALF_HEIGHT_DEG, elevation_deg + PATCH_HALF_HEIGHT_DEG
    bottom = np.clip(np.maximum(elevation - half, lowest), -90, 90)
    top = np.clip(np.minimum(elevation + half, highest), -90, 90)
    height = np.maximum(np.sin(np.radians(top)) - np.sin(np.radians(bottom)), 0.0)
    across = np.minimum(azimuth + half, half_width_deg) - np.maximum(
        azimuth - half, -half_width_deg
    )
    at_pole = np.abs(elevation) == 90  # a pole's cell goes all the way around
    width = np.where(at_pole, 2 * half_width_deg, np.maximum(across, 0.0))
    on_sphere = dataset.variables["weight_sr"].values > 0
    return np.where(on_sphere, height * np.radians(width), 0.0)


def mean_finding(parts: dict[str, tuple[OctaveValue, ...]], what: str) -> Finding:
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


def _by_octave_text(parts: dict[str, tuple[OctaveValue, ...]]) -> str:
    """Return the mean of a criterion's parts in each octave, in words."""
    values: dict[tuple[float, float], list[float]] = {}
    for octaves in parts.values():
        for octave in octaves:
            values.setdefault((octave.from_hz, octave.to_hz), []).append(octave.value_db)
    return ", ".join(
        f"{np.mean(found):.1f} dB {low / 1000:.2g} to {high / 1000:.2g} kHz"
        for (low, high), found in sorted(values.items())
    )
