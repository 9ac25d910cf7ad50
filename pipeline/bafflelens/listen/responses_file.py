# SPDX-License-Identifier: GPL-3.0-or-later
"""Binaural room responses as AES69 (SOFA) files: SingleRoomMIMOSRIR, two emitters, two ears."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import Any, Final

import h5netcdf
import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.listen.room import Enclosure
from bafflelens.listen.spectra import RATE_HZ

_EAR_M: Final = 0.0875  # half the width that is written for a head; nothing depends on it
_KELVIN: Final = 273.15


def responses_file(
    responses: FloatArray,
    enclosure: Enclosure,
    *,
    temperature_c: float,
    title: str,
    comment: str,
    version: str,
) -> bytes:
    """Return the bytes of a file of responses (n_loudspeakers, 2, n_samples).

    Positions are in the room's frame: x from the loudspeakers' wall towards the seat, y to the
    loudspeakers' left, z up; the first emitter is the listener's left loudspeaker.
    """
    n_loudspeakers, _, n_samples = responses.shape
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
    offset = enclosure.ear_m[1] - enclosure.tweeter_m[1]
    emitters = np.array([[0.0, 2 * offset * number, 0.0] for number in range(n_loudspeakers)])
    ears = np.array([[0.0, _EAR_M, 0.0], [0.0, -_EAR_M, 0.0]])  # in the head's own frame
    stream = io.BytesIO()
    with h5netcdf.File(stream, "w") as file:
        file.dimensions = {
            **{"M": 1, "R": 2, "E": n_loudspeakers, "N": n_samples, "C": 3, "I": 1},
        }
        for name, text in _attributes(title, comment, version, now).items():
            file.attrs[name] = text
        place = {"Type": "cartesian", "Units": "metre"}
        up, ahead, back = [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]], [[-1.0, 0.0, 0.0]]
        _put(file, "ListenerPosition", ("M", "C"), enclosure.ear_m[np.newaxis], place)
        _put(file, "ListenerView", ("I", "C"), back, place)
        _put(file, "ListenerUp", ("I", "C"), up, {})
        _put(file, "ReceiverPosition", ("R", "C", "I"), ears[..., np.newaxis], place)
        each_up = np.tile(np.array(up)[..., np.newaxis], (2, 1, 1))
        sideways = np.array([[[0.0], [1.0], [0.0]], [[0.0], [-1.0], [0.0]]])
        _put(file, "ReceiverView", ("R", "C", "I"), sideways, place)
        _put(file, "ReceiverUp", ("R", "C", "I"), each_up, {})
        _put(file, "SourcePosition", ("M", "C"), enclosure.tweeter_m[np.newaxis], place)
        _put(file, "SourceView", ("I", "C"), ahead, place)
        _put(file, "SourceUp", ("I", "C"), up, {})
        _put(file, "EmitterPosition", ("E", "C", "I"), emitters[..., np.newaxis], place)
        toed = np.radians(enclosure.toe_in_deg) * np.array([1, -1])[:n_loudspeakers]
        views = np.stack((np.cos(toed), np.sin(toed), 0 * toed), axis=1)[..., np.newaxis]
        _put(file, "EmitterView", ("E", "C", "I"), views, place)
        _put(file, "EmitterUp", ("E", "C", "I"), each_up[:n_loudspeakers], {})
        _put(file, "RoomCornerA", ("I", "C"), enclosure.lower_m[np.newaxis], place)
        _put(file, "RoomCornerB", ("I", "C"), enclosure.upper_m[np.newaxis], place)
        _put(file, "RoomCorners", ("I", "I"), [[0.0]], place)
        _put(file, "RoomTemperature", ("I",), [temperature_c + _KELVIN], {"Units": "kelvin"})
        volume = {"Units": "cubic metre"}
        _put(file, "RoomVolume", ("I",), [enclosure.volume_m3], volume)
        _put(file, "MeasurementDate", ("M",), [datetime.now(UTC).timestamp()], {})
        _put(file, "Data.SamplingRate", ("I",), [float(RATE_HZ)], {"Units": "hertz"})
        _put(file, "Data.Delay", ("I", "R", "I"), np.zeros((1, 2, 1)), {})
        data = np.moveaxis(responses, 0, -1)[np.newaxis]
        _put(file, "Data.IR", ("M", "R", "N", "E"), data, {})
    return stream.getvalue()


def _attributes(title: str, comment: str, version: str, now: str) -> dict[str, str]:
    return {
        "Conventions": "SOFA",
        "Version": "2.1",
        "SOFAConventions": "SingleRoomMIMOSRIR",
        "SOFAConventionsVersion": "1.0",
        "DataType": "FIR-E",
        "RoomType": "shoebox",
        "Title": title,
        "DateCreated": now,
        "DateModified": now,
        "APIName": "bafflelens",
        "APIVersion": version,
        "AuthorContact": "",
        "Organization": "",
        "License": "No license provided, ask the author for permission",
        "ApplicationName": "bafflelens",
        "ApplicationVersion": version,
        "Comment": comment,
        "DatabaseName": "",
    }


def _put(
    file: Any, name: str, dimensions: tuple[str, ...], values: Any, attributes: dict[str, str]
) -> None:
    array = np.asarray(values, dtype=float)
    variable = file.create_variable(name, dimensions, float, data=array)
    for key, text in attributes.items():
        variable.attrs[key] = text
