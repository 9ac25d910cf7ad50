# SPDX-License-Identifier: GPL-3.0-or-later
"""Responses of a shape at the ears: the whole, and what makes it up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from bafflelens.base.conventions import FloatArray
from bafflelens.listen.seat import BASE, Seat
from bafflelens.listen.shape_response import ShapeResponse
from bafflelens.listen.spectra import BLOCK, minimum_phase

FLOOR_AND_CEILING: Final = "floor and ceiling"
SIDES: Final = "side walls"
LATE: Final = "late"
PARTS: Final = (FLOOR_AND_CEILING, SIDES, LATE)
"""What can be heard alone."""


@dataclass(frozen=True, kw_only=True, eq=False)
class EarResponses:
    """Impulse responses from each loudspeaker to each ear, (n_loudspeakers, 2, n_samples).

    Attributes
    ----------
    whole : array
        Everything.
    parts : mapping of str to array
        By the names of `PARTS`.
    """

    whole: FloatArray
    parts: dict[str, FloatArray]


def ear_responses(shape: ShapeResponse, seat: Seat) -> EarResponses:
    """Return the impulse responses of a shape at the ears of a seat."""
    images = seat.images
    leaving = shape.leaving(images.leaving_azimuth_deg, images.leaving_elevation_deg)
    sent = (leaving * seat.air_path).astype(np.complex64)
    late = _coloured(seat.late, shape.power)
    masks = {
        FLOOR_AND_CEILING: images.met_only("floor", "ceiling"),
        SIDES: images.met_only("near side wall", "far side wall"),
    }
    rest = ~np.logical_or.reduce(tuple(masks.values()))
    early = {name: _early(sent, seat, mask, late.shape[-1]) for name, mask in masks.items()}
    whole = sum(early.values(), _early(sent, seat, rest, late.shape[-1])) + late
    return EarResponses(whole=whole, parts={**early, LATE: late})


def _early(sent: np.ndarray, seat: Seat, chosen: NDArray[np.bool_], length: int) -> FloatArray:
    """Return the sum over some images, (n_loudspeakers, 2, length)."""
    n_loudspeakers = len(seat.head)
    found = np.zeros((n_loudspeakers, 2, max(length, int(seat.start.max()) + BLOCK)))
    for number in np.flatnonzero(chosen):
        spectrum = sent[number] * seat.head[:, number]
        response = np.fft.irfft(spectrum, n=BLOCK, axis=-1)
        start = seat.start[number]
        # What comes before time 0, at the end of the block, belongs in front.
        found[..., start : start + BLOCK - BASE] += response[..., : BLOCK - BASE]
        found[..., start - BASE : start] += response[..., BLOCK - BASE :]
    return found[..., :length]


def _coloured(late: FloatArray, power: FloatArray) -> FloatArray:
    """Return late sound with the spectrum of a shape's sound power."""
    filtered = np.fft.irfft(minimum_phase(np.sqrt(power)), n=BLOCK)
    return np.asarray(oaconvolve(late, filtered[np.newaxis, np.newaxis], axes=-1))[
        ..., : late.shape[-1]
    ]
