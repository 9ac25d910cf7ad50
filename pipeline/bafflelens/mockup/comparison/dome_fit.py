# SPDX-License-Identifier: GPL-3.0-or-later
r"""Which motion of the dome explains what is left above 6 kHz, and whether a shape would, too.

Where profiles of a dome were solved (`bafflelens.mesh.dome_profiles`), a motion with the shares
s_k changes the level at angle t by

.. math:: C(t) = 20 \lg \bigl| 1 + \sum_k s_k F_k(t) / F_0(t) \bigr|,

F_k the far fields of the profiles and F_0 that of the rigid dome; taken at the angles that the
fitted set-up gives, re the front, as the difference is. At a distance of a metre and more a ratio
of near fields is that of far fields, since both have the same lens before them. The shares are not
free at every frequency, which would explain anything: they are those of the few physical numbers
of `bafflelens.mesh.dome_motions`, each with a strength that is 0 for a rigid dome and 1 at the
strong end of the range that the job gives.

The rival is the simplest shape that is off: everything larger or smaller (levels move over
frequency), and walls that open wider or narrower (they move over the angle, in each orbit by
itself). Both are fitted from 3 kHz up, where a dome leaves the difference alone and a shape does
not, with each of four blocks of frequencies left out in turn, and judged by what they predict
there. They are told apart if the sums of squares differ by more than their differences in blocks
of angle and frequency scatter (as for the twins of `fitting`). Ranges are those of `jackknife`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.interpolate import CubicSpline, RectBivariateSpline
from scipy.optimize import approx_fprime, least_squares
from scipy.special import stdtrit

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.directivity.polars import decibels
from bafflelens.mesh.dome_motions import DomeMember, member_shares
from bafflelens.mockup.comparison.difference import FRONT_DEG, OrbitDifference
from bafflelens.mockup.comparison.dome_fields import STRENGTHS, DomeMotions
from bafflelens.mockup.comparison.dome_words import JUDGED_FROM_HZ, DomeVerdict, dome_in_words
from bafflelens.mockup.comparison.jackknife import SOFT, jackknife_half_range

FITTED_FROM_HZ: Final = 3000.0
LEAST_RMS_DB: Final = 0.25
"""Less is what a good solution is off by: it needs no motion."""
LEAST_SHARE: Final = 0.25
"""What a cause must predict of the difference, in power, to be named."""

_LARGEST_DEG: Final = 90.0
_BLOCK_DEG: Final = 30.0
_BLOCKS: Final = 4
_SPREAD_DB: Final = 0.5
_LEAST_BANDS: Final = 8
_EVERY: Final = 2  # bands overlap: every second says as much
_SIZES: Final = (0.1, 0.15)  # largest changes of size and of angles that a shape is given

_Model = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class DomeFit:
    """What was found of a dome's motion.

    Attributes
    ----------
    source : str
        Name of the source.
    verdict : {"none", "dome", "shape", "untold", "neither"}
        Whether a motion is needed, and whether the data tell it from a shape that is off.
    member : DomeMember
        The motion that explains most.
    strengths, half_range : mapping of str to float
        By effect: 0 for rigid, 1 at the strong end of the job's range; and half the range of
        95 %.
    shares : mapping of str to (n_frequencies,) complex array
        Share of each profile in the motion, over that of the voice coil.
    frequency_hz : (n_frequencies,) array
        Where.
    before_db, left_db : float
        Difference above 6 kHz without and with the motion, r.m.s.
    predicted, by_shape : float
        Share of its power there that the motion, and a shape that is off, predict in blocks of
        frequencies that were left out of the fit; negative where they make it worse.
    text : str
        All that in words.
    """

    source: str
    verdict: DomeVerdict
    member: DomeMember
    strengths: Mapping[str, float]
    half_range: Mapping[str, float]
    shares: Mapping[str, ComplexArray]
    frequency_hz: FloatArray
    before_db: float
    left_db: float
    predicted: float
    by_shape: float
    text: str


def fit_dome(differences: Sequence[OrbitDifference], motions: DomeMotions) -> DomeFit | None:
    """Return the motion of a dome that explains the difference; None if too little is known.

    Parameters
    ----------
    differences : sequence of OrbitDifference
        Measured less simulated with the rigid dome, with the fitted set-up.
    motions : DomeMotions
        What may move how.
    """
    parts = [_Part(one, motions) for one in differences if one.plane in motions.orbits]
    frequency = np.unique(np.concatenate([part.frequency_hz for part in parts] or [np.zeros(0)]))
    if frequency.size < _LEAST_BANDS or frequency[-1] < JUDGED_FROM_HZ:
        return None
    measured = np.concatenate([part.measured_db for part in parts])
    hz = np.concatenate([part.hz for part in parts])
    edges = np.quantile(np.log(hz), np.linspace(0, 1, _BLOCKS + 1)[1:-1])
    block = np.searchsorted(edges, np.log(hz))
    angle = np.concatenate([part.angle_block + 100 * n for n, part in enumerate(parts)])
    judged = hz >= JUDGED_FROM_HZ
    n_effects = len(motions.effects)

    def by_dome(strengths: FloatArray) -> FloatArray:
        member = motions.member(strengths)
        shares, _ = member_shares(member, motions.profiles, motions.radius_m, frequency)
        return np.concatenate([part.by_dome(shares, frequency) for part in parts])

    def by_shape(changes: FloatArray) -> FloatArray:
        return np.concatenate(
            [part.by_shape(changes[0], changes[1 + n]) for n, part in enumerate(parts)]
        )

    bounds = np.array([STRENGTHS[effect] for effect in motions.effects]).T
    dome = _Fitted(by_dome, bounds, _starts(motions.effects))
    widest = np.array([_SIZES[0], *([_SIZES[1]] * len(parts))])
    shape = _Fitted(by_shape, np.array([-widest, widest]), [0 * widest], scale=widest / 2)
    whole = np.ones(len(measured), dtype=bool)
    strengths, changes = (one.best(measured, whole) for one in (dome, shape))
    squares = [
        (measured - _left_out(one.begun_at(start), measured, block)) ** 2
        for one, start in ((dome, strengths), (shape, changes))
    ]
    before = measured**2
    predicted, of_shape = (float(1 - one[judged].sum() / before[judged].sum()) for one in squares)
    verdict = _verdict(
        _rms(measured[judged]), predicted, of_shape, squares[1] - squares[0], block + 10 * angle
    )
    residual = (measured - by_dome(strengths)) / _SPREAD_DB
    slopes = -approx_fprime(strengths, lambda x: by_dome(x) / _SPREAD_DB, 1e-4).reshape(
        -1, n_effects
    )
    half = jackknife_half_range(residual, slopes, (angle, block), np.ones(n_effects))
    member = motions.member(strengths)
    shares, _ = member_shares(member, motions.profiles, motions.radius_m, frequency)
    names = [f"{profile.kind}{profile.order or ''}" for profile in motions.profiles]
    left_db = _rms((measured - by_dome(strengths))[judged])
    return DomeFit(
        source=motions.source,
        verdict=verdict,
        member=member,
        strengths=dict(zip(motions.effects, map(float, strengths), strict=True)),
        half_range=dict(zip(motions.effects, map(float, half), strict=True)),
        shares=dict(zip(names, shares, strict=True)),
        frequency_hz=frequency,
        before_db=_rms(measured[judged]),
        left_db=left_db,
        predicted=predicted,
        by_shape=of_shape,
        text=dome_in_words(motions, verdict, strengths, half, (_rms(measured[judged]), left_db),
                       (predicted, of_shape)),
    )  # fmt: skip


class _Part:
    """One orbit: what is known of its difference, and what a motion or a shape would make of it.

    Flat arrays hold the compared points from 3 kHz up and within 90 degrees, row by row.
    """

    def __init__(self, one: OrbitDifference, motions: DomeMotions) -> None:
        fields = motions.orbits[one.plane]
        inside = (one.frequency_hz >= FITTED_FROM_HZ) & (
            one.frequency_hz <= fields.frequency_hz[-1] * (1 + 1e-6)
        )
        inside &= np.arange(len(inside)) % _EVERY == 0
        self.frequency_hz = one.frequency_hz[inside]
        self._angle = one.angle_deg
        values = one.difference_db[inside]
        values[:, np.abs(self._angle) > _LARGEST_DEG] = np.nan
        self._known = np.isfinite(values)
        self._front = self._known & (np.abs(self._angle) <= FRONT_DEG)
        self._values = self._re_front(np.where(self._known, values, 0.0))
        self.measured_db = self._values[self._known]
        self.hz = np.broadcast_to(self.frequency_hz[:, np.newaxis], values.shape)[self._known]
        blocks = ((self._angle + 180) / _BLOCK_DEG + 1e-6).astype(np.int64)
        self.angle_block = np.broadcast_to(blocks, values.shape)[self._known]
        self._ratios = _at(fields.angle_deg, self._angle, fields.ratios)
        self._ratios = _at(
            np.log(fields.frequency_hz), np.log(self.frequency_hz), self._ratios.swapaxes(1, 2)
        ).swapaxes(1, 2)
        self._level = RectBivariateSpline(
            np.log(fields.frequency_hz), fields.angle_deg, decibels(fields.rigid)
        )

    def by_dome(self, shares: ComplexArray, frequency_hz: FloatArray) -> FloatArray:
        """Return the change of level by a motion at the known points."""
        own = shares[:, np.searchsorted(frequency_hz, self.frequency_hz)]
        change = decibels(1 + np.einsum("kf,kfa->fa", own, self._ratios))
        return np.asarray(self._re_front(change)[self._known])

    def by_shape(self, larger: float, wider: float) -> FloatArray:
        """Return the change of level by a size and by walls that open wider, both as shares."""
        log = np.log(self.frequency_hz)
        change = self._level(log + np.log1p(larger), self._angle / (1 + wider)) - self._level(
            log, self._angle
        )
        return np.asarray(self._re_front(change)[self._known])

    def _re_front(self, values: FloatArray) -> FloatArray:
        count = np.maximum(self._front.sum(axis=1), 1)
        mean = np.where(self._front, values, 0.0).sum(axis=1) / count
        return np.asarray(values - mean[:, np.newaxis])


@dataclass(frozen=True)
class _Fitted:
    """A model that is fitted: levels from parameters, their bounds, and where to begin."""

    model: _Model
    bounds: FloatArray
    starts: Sequence[FloatArray]
    scale: FloatArray | float = 1.0

    def best(self, measured_db: FloatArray, used: IntArray | np.ndarray) -> FloatArray:
        """Return the parameters that explain some of the points best."""

        def residual(values: FloatArray) -> FloatArray:
            left = (measured_db - self.model(values))[used] / _SPREAD_DB
            return np.concatenate((left, values / self.scale))

        found = [
            least_squares(residual, start, bounds=self.bounds, loss="soft_l1", f_scale=SOFT)
            for start in self.starts
        ]
        return np.asarray(min(found, key=lambda one: float(one.cost)).x)

    def begun_at(self, start: FloatArray) -> _Fitted:
        """Return the same model with one place to begin."""
        return replace(self, starts=[start])


def _starts(effects: Sequence[str]) -> list[FloatArray]:
    """Return where a fit begins: weak and strong, with what has two signs either way.

    A resonance must be near where it is, or its slope does not lead there.
    """
    signed = np.array([STRENGTHS[effect][0] < 0 for effect in effects])
    signs = (1, -1) if signed.any() else (1,)
    sizes = np.arange(0.3, 1.5, 0.15) if "modes" in effects else (0.2, 0.8)
    return [np.where(signed, sign * size, size) for sign in signs for size in sizes]


def _left_out(fitted: _Fitted, measured_db: FloatArray, block: IntArray) -> FloatArray:
    """Return what a model predicts in each block when it is fitted to the others."""
    found = np.zeros_like(measured_db)
    for number in np.unique(block):
        here = block == number
        found[here] = fitted.model(fitted.best(measured_db, ~here))[here]
    return found


def _verdict(
    before_db: float, by_dome: float, by_shape: float, more: FloatArray, block: IntArray
) -> DomeVerdict:
    """Return what the data tell; ``more`` is what the shape leaves beyond the dome, squared."""
    if before_db < LEAST_RMS_DB:
        return "none"
    if max(by_dome, by_shape) < LEAST_SHARE:
        return "neither"
    sums = np.bincount(np.unique(block, return_inverse=True)[1], weights=more)
    scatter = float(np.sqrt(sums.size) * sums.std(ddof=1))
    if abs(sums.sum()) <= stdtrit(sums.size - 1, 0.975) * scatter:
        return "untold"
    return "dome" if sums.sum() > 0 else "shape"


def _at(known: FloatArray, wanted: FloatArray, values: ComplexArray) -> ComplexArray:
    """Interpolate over the last axis, by cubic splines; held at the ends."""
    spline = CubicSpline(known, values, axis=-1)
    return np.asarray(spline(np.clip(wanted, known[0], known[-1])))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0
