# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate's directivity as impulse responses for other programs, in an AES69 (SOFA) file.

What is solved in frequency steps becomes a causal response a direction, as
`bafflelens.listen.shape_response` does it for listening: interpolated within the band as a sum of
responses that begin with the sound from the source, continued outside it. The flight time to the
microphones, 1 m from the reference point, is in the responses.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.listen.shape_response import shape_response, sphere_grid
from bafflelens.listen.spectra import BLOCK, RATE_HZ, delayed
from bafflelens.mockup.measurement.export import RADIUS_M, about, flight_time_s
from bafflelens.mockup.measurement.sofa import impulse_file

NAME: Final = "impulse_responses.sofa"

_FARTHEST_M: Final = 0.8  # a response may begin half a millisecond before its source's middle
_SHORTEST: Final = 512  # samples, 11 ms
_CUT_OFF_DB: Final = -60.0  # energy after a response's end re all of it, in every direction


def impulse_response_file(dataset: xr.Dataset, solved: xr.Dataset, title: str) -> dict[str, bytes]:
    """Return name and content of the file of a directivity's impulse responses.

    Parameters
    ----------
    dataset : xarray.Dataset
        With one source, as it plays, where it is shown.
    solved : xarray.Dataset
        The same as solved, which says where the sources are.
    title : str
        What it is, for the file.

    Raises
    ------
    InputError
        If too little of the band is solved, or a source is so far from the reference point that
        its sound could be there before time 0.
    """
    centres = np.zeros((1, 3))
    if "source_centre_m" in solved:
        centres = np.atleast_2d(solved["source_centre_m"].transpose("source", "axis").values)
    off_m = float(np.linalg.norm(centres, axis=1).max())
    if off_m > _FARTHEST_M:
        rule = f"at most {_FARTHEST_M:g} m, for causal responses at {RADIUS_M:g} m"
        what = "distance of a source from the reference point"
        msg = f"{title}: {invalid(what, f'{off_m:.2f} m', rule)}"
        raise InputError(msg)
    transfer: ComplexArray | None = None
    if "strength_db" in dataset:
        strength_db = dataset["strength_db"].values[np.newaxis]
        transfer = np.asarray(10 ** (strength_db / 20), dtype=complex)
    shape = shape_response(title, dataset, transfer, centres)
    turned = delayed(shape.directions, np.array(flight_time_s(dataset) * RATE_HZ))
    responses = np.fft.irfft(turned, n=BLOCK, axis=-1)
    responses = responses[:, : kept_samples(responses)]
    _, chosen = sphere_grid(dataset)
    low, high = shape.band_hz
    comment = (
        f"{about(dataset)} The responses have the {1e3 * flight_time_s(dataset):.3f} ms of that "
        f"metre in them; Data.Delay is zero. Solved from {low:.0f} to {high:.0f} Hz, interpolated "
        f"there within {shape.error_db:.1f} dB (estimate, in front). Outside that band it is "
        "extrapolated: the levels of the band's ends are held, and fade out above 20 kHz; no "
        "driver's low end and no room is in it."
    )
    content = impulse_file(
        dataset["azimuth_deg"].values[chosen],
        dataset["elevation_deg"].values[chosen],
        float(RATE_HZ),
        responses,
        radius_m=RADIUS_M,
        title=title,
        comment=comment,
        application="bafflelens",
        version=str(dataset.attrs.get("version_bafflelens", "")),
    )
    return {NAME: content}


def kept_samples(responses: FloatArray) -> int:
    """Return the power of two of samples after which next to nothing of any response is left.

    Parameters
    ----------
    responses : (n, n_samples) array
        Impulse responses.
    """
    left = np.cumsum(responses[:, ::-1] ** 2, axis=1)[:, ::-1]  # energy from each sample on
    share = (left / left[:, :1]).max(axis=0)
    ends = [2**power for power in range(_SHORTEST.bit_length() - 1, BLOCK.bit_length() - 1)]
    fits = (end for end in ends if share[end] < 10 ** (_CUT_OFF_DB / 10))
    return next(fits, len(share))
