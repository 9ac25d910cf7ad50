# SPDX-License-Identifier: GPL-3.0-or-later
r"""The source's own response, from a measurement that agreed: for the driver of the next job.

A simulation holds for an acceleration of 1 m/s^2 (or what the job says of the driver). With s the
simulated and m the measured pressure at several angles in front, the acceleration that explains
the measurement best is, where phases have one zero of time,

.. math:: a = \sum_i s_i^* m_i / \sum_i |s_i|^2

and without phases the mean of |m|/|s| in dB. It is smoothed over frequency (a Gaussian of 1/6
octave at half height, over ln a), less the delay that lines it up best. What the angles differ by,
as a standard error with three neighbours counted as one, is its uncertainty.

From the driver in a known plate this is the driver. From a lens it takes in what the shape is off
by at all angles alike, and says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.directivity.responses import Response
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.simulated import Simulated

FRONT_DEG: Final = 60.0
_HALF_HEIGHT_OCTAVES: Final = 1 / 6
_NEIGHBOURS: Final = 3
_FEWEST_ANGLES: Final = 3
_LONGEST_DELAY_S: Final = 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class Correction:
    """A velocity correction.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        In Hz.
    level_db, phase_deg : (n_frequencies,) array
        The acceleration re that of the simulation, for exp(+j omega t) as measurements are; the
        phase is zero where it is not known.
    level_uncertainty_db, phase_uncertainty_deg : (n_frequencies,) array
        Two standard errors.
    has_phase : bool
        Whether phases were measured.
    delay_s : float
        Delay that was taken out of the phase.
    is_from_plate : bool
        Whether the driver sat in a known plate.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray
    level_uncertainty_db: FloatArray
    phase_uncertainty_deg: FloatArray
    has_phase: bool
    delay_s: float
    is_from_plate: bool

    @property
    def remark(self) -> str:
        """What it is, for the head of a file and for the page."""
        where = (
            "from the driver in a known plate"
            if self.is_from_plate
            else "from the lens itself: what its shape is off by at all angles alike is in it"
        )
        phase = (
            f"phase for exp(+j omega t) less a delay of {1e3 * self.delay_s:.3f} ms"
            if self.has_phase
            else "phase not measured, written as zero"
        )
        largest = float(np.max(self.level_uncertainty_db))
        return (
            f"Acceleration of the source, {where}; {phase}. Uncertainty (two standard errors): "
            f"at most {largest:.2f} dB, {float(np.median(self.level_uncertainty_db)):.2f} dB in "
            "the median."
        )

    @property
    def response(self) -> Response:
        """The correction as a response, which a job reads as a driver's acceleration."""
        return Response(
            name="velocity correction",
            frequency_hz=self.frequency_hz,
            level_db=self.level_db,
            phase_deg=self.phase_deg,
        )


def correction_of(
    orbits: Sequence[tuple[Observed, Simulated]],
    shown_hz: FloatArray,
    *,
    is_from_plate: bool,
) -> Correction | None:
    """Return the velocity correction at frequencies; None if too few angles are known.

    Parameters
    ----------
    orbits : sequence of (Observed, Simulated)
        Measured and simulated, at the same microphones.
    shown_hz : (n_frequencies,) array
        Where it is wanted, in Hz: within the range in which both agreed.
    is_from_plate : bool
        Whether the driver sat in a known plate.
    """
    with_phase = all(observed.pressure is not None for observed, _ in orbits)
    logs, weights, frequency = _ratios(orbits, with_phase)
    if shown_hz.size < 2 or frequency.size < 2 or logs.shape[1] < _FEWEST_ANGLES:
        return None
    total = weights.sum(axis=1)
    known = (weights > 0).sum(axis=1) >= _FEWEST_ANGLES
    if known.sum() < 2:
        return None
    frequency, logs, weights, total = (a[known] for a in (frequency, logs, weights, total))
    delay_s = 0.0
    mean = (weights * logs).sum(axis=1) / total
    if with_phase:
        # Averaging logarithms needs unwrapped phases: the vector mean gives the branch.
        vector = (weights * np.exp(logs)).sum(axis=1) / total
        delay_s = _delay(frequency, vector)
        turn = np.exp(-2j * np.pi * frequency * delay_s)
        phase = np.unwrap(np.angle(vector * turn))
        phase -= 2 * np.pi * np.round(phase[phase.size // 2] / (2 * np.pi))
        mean = mean.real + 1j * phase
        away = logs.imag - 2 * np.pi * frequency[:, np.newaxis] * delay_s - phase[:, np.newaxis]
        away = np.angle(np.exp(1j * away))
    else:
        away = np.zeros(logs.shape)
    scatter = logs.real - mean.real[:, np.newaxis]
    groups = np.maximum((weights > 0).sum(axis=1) / _NEIGHBOURS, 1.0)
    errors = [
        2 * np.sqrt((weights * values**2).sum(axis=1) / total / groups)
        for values in (scatter, away)
    ]
    smooth = _gaussian(frequency, shown_hz)
    value = smooth @ mean
    decibels = 20 / np.log(10)
    return Correction(
        frequency_hz=shown_hz,
        level_db=decibels * value.real,
        phase_deg=-np.degrees(value.imag),  # for exp(+j omega t)
        level_uncertainty_db=decibels * (smooth @ errors[0]),
        phase_uncertainty_deg=np.degrees(smooth @ errors[1]),
        has_phase=with_phase,
        delay_s=delay_s,
        is_from_plate=is_from_plate,
    )


def _ratios(
    orbits: Sequence[tuple[Observed, Simulated]], with_phase: bool
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Return ln(m/s) and weights of all angles in front, and the first orbit's frequencies."""
    frequency = orbits[0][1].frequency_hz
    logs, weights = [], []
    for observed, simulated in orbits:
        front = np.abs(observed.angle_deg) <= FRONT_DEG
        inside = np.isin(observed.frequency_hz, simulated.frequency_hz)
        level = observed.level_db[inside][:, front]
        usable = observed.is_usable[inside][:, front] & np.isfinite(level)
        s = simulated.pressure[:, front]
        found = np.log(10) / 20 * np.nan_to_num(level) - np.log(np.maximum(np.abs(s), 1e-30))
        ratio = found.astype(complex)
        if with_phase and observed.pressure is not None:
            ratio += 1j * np.angle(observed.pressure[inside][:, front] * s.conj())
        weight = np.where(usable, np.abs(s) ** 2, 0.0)
        weight /= np.maximum(weight.max(axis=1, keepdims=True), 1e-300)
        if not np.array_equal(simulated.frequency_hz, frequency):
            near = np.searchsorted(simulated.frequency_hz, frequency).clip(
                0, simulated.frequency_hz.size - 1
            )
            ratio, weight = ratio[near], weight[near]
        logs.append(ratio)
        weights.append(weight)
    return np.concatenate(logs, axis=1), np.concatenate(weights, axis=1), frequency


def _delay(frequency_hz: FloatArray, values: ComplexArray) -> float:
    """Return the delay, for exp(-i omega t), that lines up the phases best, in s."""
    unit = values / np.abs(values)
    step = 1 / (8 * frequency_hz[-1])
    tried = np.arange(0, _LONGEST_DELAY_S, step)
    tried = np.concatenate((-tried[:0:-1], tried))
    score = np.abs(np.exp(-2j * np.pi * np.outer(tried, frequency_hz)) @ unit)
    good = tried[score >= 0.999 * score.max()]  # equal steps in Hz leave several
    return float(good[np.argmin(np.abs(good))])


def _gaussian(frequency_hz: FloatArray, shown_hz: FloatArray) -> FloatArray:
    """Return smoothing weights, (n_shown, n_frequencies), with straight lines kept straight."""
    log, centre = np.log2(frequency_hz), np.log2(shown_hz)[:, np.newaxis]
    cell = np.gradient(log)
    offset = log - centre
    weight = cell * np.exp(-4 * np.log(2) * (offset / _HALF_HEIGHT_OCTAVES) ** 2)
    # A local straight line, so that the ends of the band are not pulled inwards.
    zero, one, two = (np.sum(weight * offset**n, axis=1, keepdims=True) for n in range(3))
    slope = np.where(two * zero - one**2 > 1e-12 * zero**2, two * zero - one**2, np.inf)
    return np.asarray(
        np.where(np.isinf(slope), weight / zero, weight * (two - one * offset) / slope)
    )
