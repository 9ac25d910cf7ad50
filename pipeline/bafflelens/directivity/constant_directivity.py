# SPDX-License-Identifier: GPL-3.0-or-later
"""Published measures of constant directivity, to be shown beside the criteria of this project.

R. Sridhar, J. G. Tylka and E. Y. Choueiri, "Metrics for Constant Directivity", 140th AES
Convention (2016), generalised in J. Audio Eng. Soc. 67 (2019) 666-678, propose five; these are
the fourth and the fifth. Only the abstracts were seen: what is correlated with what, and how
frequencies count, is this project's choice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bafflelens.base.octaves import octave_shares
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.polars import index_of, on_axis, orbit_levels_db

if TYPE_CHECKING:
    import xarray as xr


def index_deviation_db(dataset: xr.Dataset, band_hz: tuple[float, float]) -> float:
    """Return the standard deviation of the directivity index on the axis in a band, in dB.

    Frequencies count by their share of the band on a logarithmic axis. NaN if none was solved.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    band_hz : (from, to)
        The band in Hz.
    """
    solved = is_solved(dataset)
    share = octave_shares(dataset.variables["frequency"].values[solved], band_hz)
    if not share.sum() > 0:
        return float("nan")
    index = index_of(dataset, np.abs(on_axis(dataset)))[solved]
    mean = share @ index / share.sum()
    return float(np.sqrt(share @ (index - mean) ** 2 / share.sum()))


def polar_correlation(dataset: xr.Dataset, plane: str, band_hz: tuple[float, float]) -> float:
    r"""Return how alike the polar responses on one orbit are over a band: 1 if all the same.

    Parameters
    ----------
    dataset, plane
        As in `bafflelens.directivity.polars.orbit`.
    band_hz : (from, to)
        The band in Hz.

    Notes
    -----
    With :math:`P(f, t)` the modulus of the far field on the orbit over the listening-window
    average and :math:`\bar P(t)` its mean over the band on a logarithmic axis,

    .. math::

        \left\langle \frac{\sum_t P(f, t) \bar P(t)}
        {\sqrt{\sum_t P^2(f, t) \sum_t \bar P^2(t)}} \right\rangle_f .

    Amplitudes are used, not levels, so that what is far below the axis hardly counts. NaN if
    nothing was solved.
    """
    solved = is_solved(dataset)
    share = octave_shares(dataset.variables["frequency"].values[solved], band_hz)
    if not share.sum() > 0:
        return float("nan")
    _, level = orbit_levels_db(dataset, plane)
    polar = 10 ** (level[solved, 1:] / 20)  # the back once, not at both ends
    mean = share @ polar / share.sum()
    products = polar @ mean / np.sqrt((polar**2).sum(axis=1) * (mean**2).sum())
    return float(share @ products / share.sum())
