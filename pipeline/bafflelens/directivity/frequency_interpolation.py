# SPDX-License-Identifier: GPL-3.0-or-later
r"""Far fields over frequency: where to solve, what lies between, and how far off that may be.

Method
------
Seen from one direction a loudspeaker's impulse response begins when the direct sound arrives
and dies away while edges, lips and cabinet send theirs. Such a causal, decaying response has a
spectrum that is analytic above a line in the complex frequency plane, and of all spectra that
pass through given points there the smoothest (least norm in a Hardy space) is a combination of
the kernels

.. math:: k(f, g) = \frac{2 \sqrt{a b}}{a + b - 4 \pi i (f - g)}, \quad
          a = 1 / T(f), \quad b = 1 / T(g)

with a decay time T. It is Szegő's kernel of the half plane (from memory: any text on Hardy
spaces or Nevanlinna-Pick interpolation); for a constant T it is the Fourier transform of
exp(-t/T), t > 0. T falls with frequency, :math:`T(f) = T_1 (f / \mathrm{kHz})^{-0.4}`, since
low frequencies go around the whole cabinet and high ones only along its front; the exponent is
fitted to lenses and plain cabinets (``tests/benchmarks/frequency_sampling.py``). :math:`T_1` is
chosen by leave-one-out: the value with which each solved frequency is best told from the others.

A little noise is allowed for (`_NOISE`, share of the variance): meshes change from band to band
and move the far field by about 1 %. Without it the interpolation would overshoot where the mesh
changes.

The estimate of the error is, at each frequency and direction, the kernel's own standard
deviation for unit variance, times what it takes to explain how far the nearest solved
frequencies were off when each was held back, times `_SAFETY`, which makes the estimate hold in
95 of 100 cases (same benchmark).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.mesh.quality import spacing_factor

LOWEST_LEVEL_DB: Final = -20.0
"""Directions below this level re maximum do not count in an error."""
PERCENTILE: Final = 99.0
"""Share of the directions that an error holds for, in per cent."""
LEAST_FREQUENCIES: Final = 4
"""So many solved frequencies are needed before anything can be said between them."""
PASSES: Final = 3
"""So often steps are halved where the estimate asks for it."""

_DECAYS_S: Final = (0.15e-3, 0.2e-3, 0.3e-3, 0.45e-3, 0.7e-3)  # T at 1 kHz
_DECAY_EXPONENT: Final = 0.4
_NOISE: Final = (1e-5, 1e-4, 1e-3)  # share of the variance
# Sound may arrive this much before that from the middle of a source: from its rim, or from what
# moves with it.
_ONSETS_S: Final = (0.05e-3, 0.15e-3, 0.3e-3, 0.5e-3)
_JUDGED_DIRECTIONS: Final = 400  # enough to choose a fit by
_SAFETY: Final = 1.25
_NEIGHBOURS: Final = 2.5  # reach of the local mean over solved frequencies, in steps

# The grid to begin with: steps below, and the step at 1 kHz for a body of this size, above which
# it grows as the decay time falls.
_STEPS_AN_OCTAVE: Final = 3
_STEP_AT_1_KHZ: Final = 233.0
TYPICAL_BODY_M: Final = 0.4

_Array = TypeVar("_Array", FloatArray, ComplexArray)


@dataclass(frozen=True, kw_only=True)
class Interpolated:
    """Far fields between the frequencies that were solved.

    Attributes
    ----------
    far_field : (n_sources, n_shown, n_directions) complex array
        Pa.m for 1 m/s^2.
    error_db : (n_shown,) array
        What the level of 99 % of the directions in front (within 90 degrees of the axis, above
        -20 dB re maximum) is off by at most, worst source; an estimate.
    error_behind_db : (n_shown,) array
        The same for the directions behind.
    is_resolved : (n_shown,) bool array
        Where the steps are so narrow that the scatter of the solutions themselves is the larger
        part of the error: there, narrower steps do not help.
    """

    far_field: ComplexArray
    error_db: FloatArray
    error_behind_db: FloatArray
    is_resolved: NDArray[np.bool_]


def first_grid(from_hz: float, to_hz: float, body_m: float, quality: str) -> FloatArray:
    """Return the frequencies to solve at first, both ends included, (n_frequencies,), in Hz.

    The steps are logarithmic below and nearly linear above, where they follow the spread of
    path lengths along the body: they are in inverse proportion to its size.

    Parameters
    ----------
    from_hz, to_hz : float
        The band.
    body_m : float
        Size of the body across the axis in m, as `body_size` gives it.
    quality : str
        Quality level, whose stated error sets how wide the steps may be.
    """
    step_at_1_khz = _STEP_AT_1_KHZ * (TYPICAL_BODY_M / body_m) * spacing_factor(quality)

    def step(frequency: float) -> float:
        by_octave = frequency * (2 ** (1 / _STEPS_AN_OCTAVE) - 1)
        return float(min(by_octave, step_at_1_khz * (frequency / 1000) ** _DECAY_EXPONENT))

    found = [from_hz]
    while found[-1] < to_hz:
        found.append(found[-1] + step(found[-1]))
    if len(found) < LEAST_FREQUENCIES + 1:
        return np.linspace(from_hz, to_hz, LEAST_FREQUENCIES + 1)
    # The last step overshoots; all are shortened alike, so that the grid ends at the band's end.
    share = (to_hz - from_hz) / (found[-1] - from_hz)
    return np.asarray(from_hz + (np.array(found) - from_hz) * share)


def body_size(vertices: FloatArray) -> float:
    """Return the largest extent of a body across the reference axis, in m.

    Parameters
    ----------
    vertices : (n_vertices, 3) array
        Points of its surface, also only of one half, in m.
    """
    span = vertices.max(axis=0) - vertices.min(axis=0)
    reach = np.abs(vertices).max(axis=0)
    # Of a half there is only one side; no body is wider than twice its reach.
    width = 2 * reach[1] if vertices[:, 1].min() > -1e-6 else span[1]
    return float(max(width, span[2]))


def further_frequencies(
    tried_hz: FloatArray, shown_hz: FloatArray, found: Interpolated, allowed_db: float
) -> FloatArray:
    """Return the middles of the steps in which the estimate exceeds what is allowed, in Hz.

    Parameters
    ----------
    tried_hz : (n_tried,) array
        Frequencies that were solved, or failed: none is returned again.
    shown_hz : (n_shown,) array
        Where the error was estimated, in Hz.
    found : Interpolated
        The estimate.
    allowed_db : float
        What is allowed, in dB.
    """
    rising = np.sort(tried_hz)
    step = np.clip(np.searchsorted(rising, shown_hz, side="right") - 1, 0, len(rising) - 2)
    too_wide = np.unique(step[(found.error_db > allowed_db) & ~found.is_resolved])
    return np.asarray((rising[too_wide] + rising[too_wide + 1]) / 2)


def interpolate(
    solved_hz: FloatArray,
    far_field: ComplexArray,
    shown_hz: FloatArray,
    *,
    delays_s: FloatArray,
    is_front: NDArray[np.bool_],
) -> Interpolated:
    """Interpolate complex far fields over frequency and estimate by how much they may be off.

    Parameters
    ----------
    solved_hz : (n_solved,) array
        Frequencies that were solved, rising, in Hz; at least four.
    far_field : (n_sources, n_solved, n_directions) complex array
        Far fields there, all finite.
    shown_hz : (n_shown,) array
        Frequencies wanted, within those solved.
    delays_s : (n_sources, n_directions) array
        When the sound from each source's rim arrives, in s, for a field that refers to the
        origin: -centre . direction / c.
    is_front : (n_directions,) bool array
        Directions within 90 degrees of the axis.

    Raises
    ------
    InputError
        If there are too few frequencies, or some are wanted outside those that were solved.
    """
    if len(solved_hz) < LEAST_FREQUENCIES:
        rule = f"at least {LEAST_FREQUENCIES} to interpolate between"
        raise InputError(invalid("number of solved frequencies", len(solved_hz), rule))
    low, high = solved_hz[0] * (1 - 1e-9), solved_hz[-1] * (1 + 1e-9)
    outside = shown_hz[(shown_hz < low) | (shown_hz > high)]
    if outside.size:
        rule = f"from {solved_hz[0]:.0f} to {solved_hz[-1]:.0f} Hz, which was solved"
        raise InputError(invalid("frequency to interpolate in Hz", f"{outside[0]:.0f}", rule))
    fields, errors, resolved = [], [], []
    for field, delay in zip(far_field, delays_s, strict=True):
        fit = _best_fit(solved_hz, field, delay, is_front)
        between, deviation, is_resolved = fit.at(shown_hz)
        fields.append(between)
        resolved.append(is_resolved)
        size = np.abs(between)
        off_db = 20 * np.log10(1 + _SAFETY * deviation / np.maximum(size, np.finfo(float).tiny))
        counts = size > size.max(axis=1, keepdims=True) * 10 ** (LOWEST_LEVEL_DB / 20)
        errors.append([_most(off_db, counts & side) for side in (is_front, ~is_front)])
    worst = np.max(errors, axis=0)
    return Interpolated(
        far_field=np.stack(fields),
        error_db=worst[0],
        error_behind_db=worst[1],
        is_resolved=np.all(resolved, axis=0),
    )


def weights_between(
    solved_hz: FloatArray,
    far_field: ComplexArray,
    shown_hz: FloatArray,
    weights: ComplexArray,
    *,
    delays_s: FloatArray,
    is_front: NDArray[np.bool_],
) -> ComplexArray:
    """Take weights on interpolated far fields back to those that were solved.

    An interpolation is linear in the fields once its fit is chosen; the choice is held.

    Parameters
    ----------
    solved_hz, far_field, shown_hz, delays_s, is_front
        As in `interpolate`.
    weights : (n_values, n_sources, n_shown, n_directions) complex array
        A value changes by the real part of the sum of weights* times the change of the
        interpolated field.

    Returns
    -------
    (n_values, n_sources, n_solved, n_directions) complex array
        The same with respect to the fields that were solved.
    """
    found = []
    for number, (field, delay) in enumerate(zip(far_field, delays_s, strict=True)):
        fit = _best_fit(solved_hz, field, delay, is_front)
        matrix = _kernel(shown_hz, solved_hz, fit.decay_s) @ fit.inverse
        aligned = weights[:, number] * _phase(shown_hz, fit.onset_s).conj()
        back = np.einsum("ij,vid->vjd", matrix.conj(), aligned)
        found.append(back * _phase(solved_hz, -fit.onset_s).conj())
    return np.stack(found, axis=1)


def interpolate_power(
    solved_hz: FloatArray,
    cross_power: ComplexArray,
    shown_hz: FloatArray,
    *,
    grid_power: ComplexArray,
    shown_grid_power: ComplexArray,
) -> ComplexArray:
    r"""Interpolate the power matrix of the sources.

    The power follows from the far field but for what the angular grid misses, a factor near 1
    that hardly changes: so that factor is interpolated, on straight lines. With G the matrix
    integrated on the grid and :math:`r_i = C_{ii} / G_{ii}`,

    .. math:: C_{ij} = G_{ij} \sqrt{r_i r_j} + D_{ij}

    where D, zero for a single source, is what is left at the solved frequencies.

    Parameters
    ----------
    solved_hz : (n_solved,) array
        Frequencies that were solved, rising, in Hz.
    cross_power : (n_solved, n_sources, n_sources) complex array
        Power matrix there, from the solver.
    shown_hz : (n_shown,) array
        Frequencies wanted.
    grid_power, shown_grid_power : (n, n_sources, n_sources) complex array
        The matrix as the angular grid gives it, at the solved and at the wanted frequencies.

    Returns
    -------
    (n_shown, n_sources, n_sources) complex array
        The power matrix, Hermitian.
    """
    factor = np.real(_diagonal(cross_power)) / np.real(_diagonal(grid_power))
    shown_factor = _straight(solved_hz, factor, shown_hz)
    left = cross_power - grid_power * _outer_root(factor)
    return np.asarray(
        shown_grid_power * _outer_root(shown_factor) + _straight(solved_hz, left, shown_hz)
    )


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """Fields in terms of kernels at the solved frequencies.

    Attributes
    ----------
    solved_hz : (n_solved,) array
        Where the kernels stand.
    decay_s : float
        Decay time at 1 kHz.
    onset_s : (n_directions,) array
        When sound begins to arrive.
    noise : float
        Variance of what is no response, as a share.
    inverse : (n_solved, n_solved) complex array
        Inverse of the kernel matrix, noise included.
    weights : (n_solved, n_directions) complex array
        Weight of each kernel.
    """

    solved_hz: FloatArray
    decay_s: float
    onset_s: FloatArray
    noise: float
    inverse: ComplexArray
    weights: ComplexArray

    @property
    def _stiffness(self) -> FloatArray:
        return np.asarray(np.real(np.diagonal(self.inverse))[:, np.newaxis])

    def at(self, shown_hz: FloatArray) -> tuple[ComplexArray, FloatArray, NDArray[np.bool_]]:
        """Return the fields, their expected deviation, and where the noise is most of it.

        (n_shown, n_directions) twice, and (n_shown,).
        """
        kernel = _kernel(shown_hz, self.solved_hz, self.decay_s)
        explained = np.einsum("fi,ij,fj->f", kernel, self.inverse, kernel.conj()).real
        left_open = np.maximum(1 - explained, 0.0)
        unit = np.sqrt(left_open + self.noise)[:, np.newaxis]
        # How far each solved frequency is off when told from the others, squared and in units of
        # what the kernel expects there (Rasmussen and Williams, Gaussian Processes for Machine
        # Learning, 2006, equations 5.12), as a local mean.
        amount = np.abs(self.weights) ** 2 / self._stiffness
        position = np.interp(shown_hz, self.solved_hz, np.arange(len(self.solved_hz)))
        distance = np.abs(position[:, np.newaxis] - np.arange(len(self.solved_hz)))
        share = np.maximum(1 - distance / _NEIGHBOURS, 0.0)
        amount = (share / share.sum(axis=1, keepdims=True)) @ amount
        deviation = np.asarray(unit * np.sqrt(amount))
        between = kernel @ self.weights * _phase(shown_hz, self.onset_s)
        return np.asarray(between), deviation, 2 * left_open < self.noise


def _best_fit(
    solved_hz: FloatArray, field: ComplexArray, delay_s: FloatArray, is_front: NDArray[np.bool_]
) -> _Fit:
    """Return the fit that tells each solved frequency best from the others."""
    loudest = np.maximum(np.abs(field).max(axis=1, keepdims=True), np.finfo(float).tiny)
    judged = np.flatnonzero(is_front)  # where it matters
    judged = judged[:: max(1, len(judged) // _JUDGED_DIRECTIONS)]
    least, best = np.inf, None
    for decay_s in _DECAYS_S:
        kernel = _kernel(solved_hz, solved_hz, decay_s)
        for noise in _NOISE:
            inverse = np.asarray(np.linalg.inv(kernel + noise * np.eye(len(solved_hz))))
            stiffness = np.real(np.diagonal(inverse))[:, np.newaxis]
            for margin_s in _ONSETS_S:
                aligned = field[:, judged] * _phase(solved_hz, margin_s - delay_s[judged])
                # Both ends would have to be extrapolated.
                off = (inverse @ aligned / stiffness / loudest)[1:-1]
                mean = float(np.mean(np.abs(off) ** 2))
                if mean < least:
                    least, best = mean, (decay_s, noise, margin_s, inverse)
    if best is None:
        msg = invalid("far field", "not a number", "finite at every solved frequency")
        raise InputError(msg)
    decay_s, noise, margin_s, inverse = best
    onset_s = delay_s - margin_s
    return _Fit(
        solved_hz=solved_hz,
        decay_s=decay_s,
        onset_s=onset_s,
        noise=noise,
        inverse=inverse,
        weights=np.asarray(inverse @ (field * _phase(solved_hz, -onset_s))),
    )


def _kernel(one_hz: FloatArray, other_hz: FloatArray, decay_s: float) -> ComplexArray:
    """Return the kernel between two lists of frequencies, (n_one, n_other)."""
    a, b = ((frequency / 1000) ** _DECAY_EXPONENT / decay_s for frequency in (one_hz, other_hz))
    step = one_hz[:, np.newaxis] - other_hz
    sum_of_both = a[:, np.newaxis] + b
    return np.asarray(2 * np.sqrt(np.outer(a, b)) / (sum_of_both - 4j * np.pi * step))


def _phase(frequency_hz: FloatArray, delay_s: FloatArray) -> ComplexArray:
    """Return what a delay does to a spectrum, for exp(-i omega t), (n_frequencies, n_delays)."""
    return np.asarray(np.exp(2j * np.pi * np.outer(frequency_hz, delay_s)))


def _most(off_db: FloatArray, counts: NDArray[np.bool_]) -> FloatArray:
    """Return the percentile over the directions that count, 0 where none does, in dB."""
    return np.array(
        [
            np.percentile(row[chosen], PERCENTILE) if chosen.any() else 0.0
            for row, chosen in zip(off_db, counts, strict=True)
        ]
    )


def _diagonal(matrix: ComplexArray) -> ComplexArray:
    return np.asarray(np.diagonal(matrix, axis1=1, axis2=2))


def _outer_root(factor: FloatArray) -> FloatArray:
    root = np.sqrt(factor)
    return np.asarray(root[:, :, np.newaxis] * root[:, np.newaxis, :])


def _straight(solved_hz: FloatArray, values: _Array, shown_hz: FloatArray) -> _Array:
    """Interpolate the first axis on straight lines over frequency."""
    upper = np.clip(np.searchsorted(solved_hz, shown_hz), 1, len(solved_hz) - 1)
    lower = upper - 1
    share = (shown_hz - solved_hz[lower]) / (solved_hz[upper] - solved_hz[lower])
    share = share.reshape(-1, *([1] * (values.ndim - 1)))
    return values[lower] * (1 - share) + values[upper] * share
