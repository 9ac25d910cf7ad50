# SPDX-License-Identifier: GPL-3.0-or-later
"""A shape for real loudspeakers: its response in front, without a room, which is already there."""

from __future__ import annotations

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.directivity.polars import LISTENING_WINDOW
from bafflelens.listen.shape_response import ShapeResponse
from bafflelens.listen.spectra import BLOCK, minimum_phase


def window_response(shape: ShapeResponse) -> FloatArray:
    """Return the listening-window average as an impulse response of least delay, (n_samples,)."""
    azimuth, elevation = np.array(LISTENING_WINDOW).T
    power = np.mean(np.abs(shape.leaving(azimuth, elevation)) ** 2, axis=0)
    return np.asarray(np.fft.irfft(minimum_phase(np.sqrt(power)), n=BLOCK))
