# SPDX-License-Identifier: GPL-3.0-or-later
"""Side effects: what a shape must not do on the way to its target. One function each, in dB.

The rules at the head of `bafflelens.scoring.criteria` hold here too. What has to do with
interference is judged as far up as the frequencies show it (`shown_to_hz`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.base.octaves import THIRD_OCTAVE, by_octave, inside
from bafflelens.directivity.constant_directivity import index_deviation_db, polar_correlation
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.polars import (
    index_of,
    on_axis,
    orbit_levels_db,
    response_db,
    window_amplitude,
)
from bafflelens.scoring.criteria import LOWEST_LEVEL_DB, Finding, arc_level_db, mean_finding
from bafflelens.scoring.target import Target

if TYPE_CHECKING:
    import xarray as xr

STEADY_RISE_DB: Final = 0.5
"""Rise of the directivity index in a third-octave that is no step (common practice, no source): a
dome in a cabinet rises by this much as it begins to narrow."""

WINDOW_DEG: Final = {"horizontal": 30.0, "vertical": 10.0}
"""Half-widths of the listening window of ANSI/CTA-2034-A, by plane."""

AROUND_DEG: Final = {"horizontal": 60.0, "vertical": 40.0}
LOBES_TO_DEG: Final = 90.0
LOBE_STEP_DEG: Final = 2.5
_HALF_STEP: Final = 2 ** (THIRD_OCTAVE / 2)


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
    frequency = dataset.variables["frequency"].values
    used = is_solved(dataset) & inside(frequency, judged)
    if degree < 1 or used.sum() < 2 * (degree + 1):
        return _unjudged(shown)
    parts = {}
    amplitudes = {"on axis": np.abs(on_axis(dataset)), "window": window_amplitude(dataset)}
    position = np.log2(frequency[used] / band_hz[0])
    for name, amplitude in amplitudes.items():
        level = response_db(amplitude[used])
        trend = np.polynomial.Polynomial.fit(position, level, degree)
        remainder = np.abs(level - trend(position))
        parts[name] = by_octave(frequency[used], remainder, np.ones_like(remainder), judged)
    return mean_finding(parts, f"around a smooth curve, judged {_range_text(judged)}")


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
    solved = is_solved(dataset)
    frequency = dataset.variables["frequency"].values
    sides = arc_level_db(dataset, "horizontal", (-limit.angle_deg, limit.angle_deg))
    edge = 10 * np.log10(np.mean(10 ** (sides / 10), axis=1))
    wanted = limit.level_at(frequency * _HALF_STEP) - limit.level_at(frequency / _HALF_STEP)
    # Zero wherever the target asks for nothing.
    weight = np.where(np.isfinite(wanted), limit.weight_at(frequency), 0.0)
    judged = (band_hz[0], shown_to_hz(dataset, band_hz, path_difference_m))
    change, is_known = third_octave_change(frequency, edge, solved, judged[1])
    excess = np.maximum(change - np.maximum(wanted, 0.0), np.minimum(wanted, 0.0) - change)
    used = solved & is_known & (weight > 0)
    octaves = by_octave(
        frequency[solved],
        np.maximum(np.where(used, excess, 0.0), 0.0)[solved],
        np.where(used, weight, 0.0)[solved],
        judged,
    )
    if not octaves:
        return _unjudged(judged[1])
    what = f"a third-octave at {limit.angle_deg:g} degrees, judged {_range_text(judged)}"
    return mean_finding({"change": octaves}, what)


def index_smoothness(
    dataset: xr.Dataset, band_hz: tuple[float, float], path_difference_m: float
) -> Finding:
    r"""Return how abruptly the directivity index changes from one third-octave to the next.

    Parameters
    ----------
    dataset, band_hz, path_difference_m
        As in `on_axis_ripple`.

    Notes
    -----
    The index D(f) is that of the listening window (`directivity_index_db`), which covers all
    directions where `width_smoothness` looks to the sides. Its change over a third-octave,

    .. math:: \Delta D(f) = D(2^{1/6} f) - D(2^{-1/6} f),

    is free between 0 and 0.5 dB, the steady rise of a dome; what exceeds this goes through
    `by_octave`. Two published measures of constancy stand beside it in the note
    (`bafflelens.directivity.constant_directivity`).
    """
    solved = is_solved(dataset)
    frequency = dataset.variables["frequency"].values
    judged = (band_hz[0], shown_to_hz(dataset, band_hz, path_difference_m))
    index = index_of(dataset, window_amplitude(dataset))
    change, is_known = third_octave_change(frequency, index, solved, judged[1])
    excess = np.where(is_known, np.maximum(change - STEADY_RISE_DB, -change), 0.0)
    used = solved & is_known
    octaves = by_octave(
        frequency[solved], np.maximum(excess, 0.0)[solved], used[solved].astype(float), judged
    )
    if not octaves:
        return _unjudged(judged[1])
    finding = mean_finding({"step": octaves}, f"a third-octave, judged {_range_text(judged)}")
    correlation = [polar_correlation(dataset, p, judged) for p in ("horizontal", "vertical")]
    published = (
        f"standard deviation of the index {index_deviation_db(dataset, judged):.2f} dB, polar "
        f"correlation {correlation[0]:.3f} horizontal and {correlation[1]:.3f} vertical"
    )
    return replace(finding, note=f"{finding.note}; published measures: {published}")


def side_lobes(dataset: xr.Dataset, band_hz: tuple[float, float]) -> Finding:
    r"""Return by how much the level rises again on the way from the listening window outwards.

    Parameters
    ----------
    dataset, band_hz
        As in `on_axis_ripple`.

    Notes
    -----
    On each half of an orbit, from the window's edge (30 degrees to the sides, 10 up and down)
    to 90 degrees, every direction t averaged in energy over +-5 degrees and not below -20 dB,

    .. math:: e(f) = \max_t \left( L(f, t) - \min_{s \le t} L(f, s) \right)

    is the height of the highest lobe over the dip before it. The higher of both sides goes
    through `by_octave` for each plane; the value is the mean of both planes.
    """
    frequency, solved = dataset.variables["frequency"].values, is_solved(dataset)
    parts = {}
    for plane, edge_deg in WINDOW_DEG.items():
        angles = np.arange(edge_deg, LOBES_TO_DEG + LOBE_STEP_DEG, LOBE_STEP_DEG)
        levels = arc_level_db(dataset, plane, np.concatenate((-angles, angles)))
        height = np.max(
            [
                (side - np.minimum.accumulate(side, axis=1)).max(axis=1)
                for side in np.split(levels, 2, axis=1)
            ],
            axis=0,
        )
        weight = np.ones(int(solved.sum()))
        parts[plane] = by_octave(frequency[solved], height[solved], weight, band_hz)
    return mean_finding(parts, "rise again outside the listening window")


def window_nulls(dataset: xr.Dataset, band_hz: tuple[float, float]) -> Finding:
    r"""Return the depth of nulls that cross the listening window.

    A null between loudspeaker and listener moves with frequency: who moves his head, or looks
    at one curve at one place, sees a dip that no filter can fill.

    Parameters
    ----------
    dataset, band_hz
        As in `on_axis_ripple`.

    Notes
    -----
    In each plane, with L the level on the orbit, not below -20 dB, and t within the window (30
    degrees to the sides, 10 up and down),

    .. math:: e(f) = \max_t \left( \min(\max_{s<t} L(f, s), \max_{s>t} L(f, s)) - L(f, t) \right)

    where s reaches to 60 degrees to the sides and 40 up and down. So a null has louder
    directions on both sides; what merely falls off has none, however narrow. The flank of a
    null beyond the window counts as deep as it reaches in, so that nothing jumps when it
    crosses the edge. Each plane goes through `by_octave`; the value is the mean of both.
    """
    frequency, solved = dataset.variables["frequency"].values, is_solved(dataset)
    parts = {}
    for plane, window_deg in WINDOW_DEG.items():
        angle, level = orbit_levels_db(dataset, plane)
        around = np.abs(angle) <= AROUND_DEG[plane]
        values = np.maximum(level[:, around], LOWEST_LEVEL_DB)
        before = np.maximum.accumulate(values, axis=1)
        behind = np.maximum.accumulate(values[:, ::-1], axis=1)[:, ::-1]
        inside_window = np.abs(angle[around]) <= window_deg
        depth = (np.minimum(before, behind) - values)[:, inside_window].max(axis=1)
        weight = np.ones(int(solved.sum()))
        parts[plane] = by_octave(frequency[solved], depth[solved], weight, band_hz)
    return mean_finding(parts, "deep in the listening window")


def sensitivity_loss(
    dataset: xr.Dataset, baseline: xr.Dataset | None, band_hz: tuple[float, float]
) -> Finding:
    """Return by how much the listening window is quieter than the baseline's; negative: louder.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    baseline : xarray.Dataset or None
        That of the plain baffle with the same source; its frequencies may differ. Without it
        nothing is judged.
    band_hz : (from, to)
        The band that is judged, in Hz.

    Notes
    -----
    Listening-window levels for the same acceleration of the dome. Their difference goes
    through `by_octave`: where it is largest it counts most, since a filter that makes the
    response flat takes the rest down to there.
    """
    if baseline is None:
        return Finding(value_db=float("nan"), note="not judged: there is no baseline to compare")
    solved, known = is_solved(dataset), is_solved(baseline)
    if not solved.any() or not known.any():
        return Finding(value_db=float("nan"), note="not judged: nothing to compare was solved")
    position = np.log(dataset.variables["frequency"].values[solved])
    own = response_db(window_amplitude(dataset)[solved])
    other = np.interp(
        position,
        np.log(baseline.variables["frequency"].values[known]),
        response_db(window_amplitude(baseline)[known]),
    )
    frequency = dataset.variables["frequency"].values[solved]
    octaves = by_octave(frequency, other - own, np.ones_like(own), band_hz)
    finding = mean_finding({"loss": octaves}, "against the baseline in the listening window")
    if np.isnan(finding.value_db):
        return finding
    gained = ", ".join(
        f"{0.0 - round(octave.mean_db, 1):+.1f} dB {_range_text((octave.from_hz, octave.to_hz))}"
        for octave in octaves
    )
    return replace(finding, note=f"{gained} against the baseline in the listening window")


def third_octave_change(
    frequency_hz: FloatArray, level_db: FloatArray, solved: BoolArray, end_hz: float
) -> tuple[FloatArray, BoolArray]:
    """Return the change of a curve over a third-octave around each frequency.

    Parameters
    ----------
    frequency_hz, level_db, solved : (n_frequencies,) arrays
        The curve; where it was not solved it is bridged by a straight line over log f.
    end_hz : float
        What lies above is not looked at, in Hz.

    Returns
    -------
    change_db, is_known : (n_frequencies,) arrays
        The change in dB, and whether both ends of the third-octave lie in the curve.
    """
    at = np.flatnonzero(solved)
    if not at.size:
        return np.zeros_like(frequency_hz), np.zeros(frequency_hz.shape, dtype=bool)
    reach = (frequency_hz[at[0]], min(frequency_hz[at[-1]], end_hz))
    lower, upper, is_known = third_octave_ends(frequency_hz, reach)
    position, curve = np.log(frequency_hz[at]), level_db[at]
    change = np.interp(np.log(upper), position, curve) - np.interp(np.log(lower), position, curve)
    return change, is_known


def third_octave_ends(
    frequency_hz: FloatArray, reach_hz: tuple[float, float]
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return both ends of the third-octave around each frequency, and if they are in reach."""
    lower, upper = frequency_hz / _HALF_STEP, frequency_hz * _HALF_STEP
    return lower, upper, inside(upper, reach_hz) & inside(lower, reach_hz)


def shown_to_hz(
    dataset: xr.Dataset, band_hz: tuple[float, float], path_difference_m: float
) -> float:
    """Return the frequency up to which the spacing shows the ripple of a detour.

    Direct sound and sound with a detour d interfere with a period of c/d over frequency, and
    two steps a period are the least that shows it: the spacing may be c/(2 d). With steps of
    1/6 octave and 0.15 m this ends near 10 kHz. Frequencies that failed count as there, so that
    candidates of one job are judged over one band. Of an interpolated dataset the frequencies
    that were solved count, since an interpolation shows no ripple that it has not seen.

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
    frequency = np.asarray(
        dataset.attrs.get("solved_frequency_hz", dataset.variables["frequency"].values)
    )
    allowed = dataset.attrs["air_sound_speed_m_s"] / (2 * path_difference_m)
    too_wide = (np.diff(frequency) > allowed) & (frequency[1:] > band_hz[0])
    end = frequency[int(np.argmax(too_wide))] if too_wide.any() else band_hz[1]
    return float(np.clip(end, band_hz[0], band_hz[1]))


def _unjudged(shown_hz: float) -> Finding:
    note = (
        f"not judged: frequencies too far apart to show ripple above {shown_hz / 1000:.2g} kHz; "
        "raise per_octave"
    )
    return Finding(value_db=float("nan"), note=note)


def _range_text(band_hz: tuple[float, float]) -> str:
    return f"{band_hz[0] / 1000:.2g} to {band_hz[1] / 1000:.2g} kHz"
