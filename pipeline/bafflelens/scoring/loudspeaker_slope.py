# SPDX-License-Identifier: GPL-3.0-or-later
r"""The slope of the score with respect to what was solved: back through crossover and drivers.

What is judged is the sum of all sources between the solved frequencies; what a change of the
surface moves is each source's own far field at those that were solved. Interpolation is linear
once its fit is chosen, and the fit is held. In the electrical mode of a crossover the sum is
linear, too. With acoustic targets each way is divided by its own level and phase in front, and
all by one level (`bafflelens.directivity.crossover`): with :math:`a_s = R G / N_w`,

.. math::

    dF = \sum_s a_s dF_s + \sum_s a_s F_s \left( \frac{dR}{R} - d \ln |N_w|
         - i \, d \arg N_w \right)

and all three follow from the way's far field in front.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import xarray as xr

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray
from bafflelens.directivity.crossover import (
    DEEPEST_DIP_DB,
    Crossover,
    as_driven,
    common_level_shares,
    electrical_transfers,
    ways_of,
)
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.interpolated import shown, weights_where_solved
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker, play, strengths_of
from bafflelens.directivity.polars import LISTENING_WINDOW, positions
from bafflelens.directivity.source_sums import source_values
from bafflelens.scoring.quieter import Quieter
from bafflelens.scoring.score import ScoreSettings
from bafflelens.scoring.score_slope import ScoreSlope, score_slope
from bafflelens.scoring.target import Target


def played_score_slope(
    dataset: xr.Dataset,
    loudspeaker: DrivenLoudspeaker,
    plates: Mapping[str, xr.Dataset],
    target: Target,
    settings: ScoreSettings | None = None,
    baseline: xr.Dataset | None = None,
    *,
    softness_db: float = 0.0,
    quieter: Quieter | None = None,
    with_parts: bool = True,
) -> ScoreSlope:
    """Return the slope of the score with respect to the far field of every source as solved.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset as solved, at 1 m/s^2 for each of its sources.
    loudspeaker, plates
        As in `bafflelens.directivity.loudspeaker.play`; plates as they are shown.
    target, settings, baseline, softness_db, quieter, with_parts
        As in `bafflelens.scoring.score_slope.score_slope`; the baseline as it plays.

    Returns
    -------
    ScoreSlope
        Weights (n_sources, n_frequencies, n_directions) in the order of the dataset.

    Raises
    ------
    InputError
        As in `bafflelens.directivity.loudspeaker.play`.
    """
    between = shown(dataset)
    found = shown_score_slope(
        between,
        loudspeaker,
        plates,
        target,
        settings,
        baseline,
        softness_db=softness_db,
        quieter=quieter,
        with_parts=with_parts,
    )
    solved = weights_where_solved(dataset, np.stack(list(found.weights.values())))
    return replace(found, weights=dict(zip(found.weights, solved, strict=True)))


def shown_score_slope(
    between: xr.Dataset,
    loudspeaker: DrivenLoudspeaker,
    plates: Mapping[str, xr.Dataset],
    target: Target,
    settings: ScoreSettings | None = None,
    baseline: xr.Dataset | None = None,
    *,
    softness_db: float = 0.0,
    quieter: Quieter | None = None,
    with_parts: bool = True,
) -> ScoreSlope:
    """Return the slope of the score with respect to the far field of every source as shown.

    Parameters
    ----------
    between : xarray.Dataset
        A directivity dataset where it is shown, at 1 m/s^2 for each of its sources.
    loudspeaker, plates, target, settings, baseline, softness_db, quieter, with_parts
        As in `played_score_slope`.
    """
    found = score_slope(
        play(between, loudspeaker, plates),
        target,
        settings,
        baseline,
        softness_db=softness_db,
        quieter=quieter,
        with_parts=with_parts,
    )
    crossover = loudspeaker.crossover
    if crossover is None:
        return found
    strengths = None
    if crossover.mode == "electrical":
        strengths = strengths_of(between, loudspeaker, plates)
    weights = {
        name: weights_of_sources(between, crossover, strengths, weight[0])
        for name, weight in found.weights.items()
    }
    return replace(found, weights=weights)


def weights_of_sources(
    dataset: xr.Dataset,
    crossover: Crossover,
    strengths: ComplexArray | None,
    weights: ComplexArray,
) -> ComplexArray:
    """Return weights on the far field of each source, from those on their sum.

    Parameters
    ----------
    dataset, crossover, strengths
        As in `bafflelens.directivity.crossover.sum_of_ways`.
    weights : (n_frequencies, n_directions) complex array
        A value changes by the real part of the sum of weights* times the change of the sum.

    Returns
    -------
    (n_sources, n_frequencies, n_directions) complex array
        The same with respect to each source's own far field; 0 where a frequency failed.
    """
    transfer = as_driven(dataset, crossover, strengths)
    used = is_solved(dataset) & np.isfinite(transfer).all(axis=0)
    transfer = np.where(used, transfer, 0.0)
    weights = np.where(used[:, np.newaxis], weights, 0.0)
    found = transfer.conj()[:, :, np.newaxis] * weights
    if crossover.mode == "electrical":
        return np.asarray(found)
    ways = ways_of(dataset, crossover)
    field = _fields(dataset, used)
    # What a source's part of the sum weighs: it is scaled and turned with its way as a whole.
    parts = transfer * np.einsum("fd,sfd->sf", weights.conj(), field)
    highest, share = common_level_shares(dataset, electrical_transfers(dataset, crossover))
    by_common_level = float(parts.real.sum())
    for name in dict.fromkeys(way.name for way in ways):
        members = np.array([way.name == name for way in ways])
        by_level = -parts[members].sum(axis=0).real
        by_phase = parts[members].sum(axis=0).imag
        if ways[highest].name == name:
            by_level = by_level + by_common_level * share
        found[members] += _in_front(
            dataset, crossover.reference, field[members].sum(axis=0), by_level, by_phase, used
        )
    return np.asarray(found)


def _in_front(
    dataset: xr.Dataset,
    reference: str,
    field: ComplexArray,
    by_level: FloatArray,
    by_phase: FloatArray,
    used: BoolArray,
) -> ComplexArray:
    """Return weights on a way's far field from slopes with respect to ln|N| and arg N."""
    window_at = positions(dataset, LISTENING_WINDOW)  # the axis comes first
    found = np.zeros_like(field)
    window = field[:, window_at]
    mean = np.mean(np.abs(window) ** 2, axis=1)
    on_axis = np.abs(window[:, 0]) ** 2
    mean, safe_axis = np.where(used, mean, 1.0), np.where(used & (on_axis > 0), on_axis, 1.0)
    follows_axis = np.zeros(len(field), dtype=bool)
    if reference == "on-axis":
        follows_axis = on_axis >= 10 ** (DEEPEST_DIP_DB / 10) * mean
    by_window = np.where(follows_axis, 0.0, by_level) / (len(window_at) * mean)
    found[:, window_at] += by_window[:, np.newaxis] * window
    by_axis = np.where(follows_axis, by_level, 0.0) / safe_axis + 1j * by_phase / safe_axis
    found[:, window_at[0]] += by_axis * window[:, 0]
    return found


def _fields(dataset: xr.Dataset, used: BoolArray) -> ComplexArray:
    """Return the far field of each source, (n_sources, n_frequencies, n_directions)."""
    steps = dataset.sizes["frequency"]
    alone = np.eye(dataset.sizes["source"], dtype=complex)
    alone = np.repeat(alone[:, :, np.newaxis], steps, axis=2)
    field = np.stack([source_values(dataset, transfer) for transfer in alone])
    return np.where(used[:, np.newaxis], field, 0.0)
