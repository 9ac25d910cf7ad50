# SPDX-License-Identifier: GPL-3.0-or-later
"""Directivities in AES69 (SOFA) files: two conventions, read and written.

AES69-2022 (SOFA 2.1) keeps data in netCDF-4, which is HDF5. Read are FreeFieldDirectivityTF, with
one receiver a direction around a source at the origin, and GeneralFIR, in which the microphone
is wherever listener and receiver positions put it. Spherical coordinates are azimuth (counted
to the left), elevation and radius, as in `bafflelens.base.conventions`; spectra are for
exp(+j omega t).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, NoReturn

import h5netcdf
import h5py
import numpy as np

from bafflelens.base.archives import hdf5
from bafflelens.base.conventions import ComplexArray, FloatArray, direction_vectors
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import shown_text

TRANSFER: Final = "FreeFieldDirectivityTF"
IMPULSE: Final = "GeneralFIR"
_TRANSFER_VERSION: Final = "1.1"
_IMPULSE_VERSION: Final = "1.0"
_DEGREES: Final = ("degree, degree, met", "degrees, degrees, met")
_RULE: Final = "a whole AES69 (SOFA) file that can be read; it may be cut short"


@dataclass(frozen=True, eq=False, kw_only=True)
class SofaDirectivity:
    """What a SOFA file says of a source's directivity.

    Attributes
    ----------
    path : Path
        The file.
    convention : str
        ``FreeFieldDirectivityTF`` or ``GeneralFIR``.
    positions_m : (n, 3) array
        Microphones relative to the source, in the source's own frame.
    frequencies_hz : (n_frequencies,) array or None
        Of transfer functions.
    transfer : (n, n_frequencies) array or None
        For exp(+j omega t).
    rate_hz : float or None
        Sampling rate of impulse responses.
    responses : (n, n_samples) array or None
        Impulse responses, with their delays.
    """

    path: Path
    convention: str
    positions_m: FloatArray
    frequencies_hz: FloatArray | None = None
    transfer: ComplexArray | None = None
    rate_hz: float | None = None
    responses: FloatArray | None = None

    @property
    def angles_deg(self) -> tuple[FloatArray, FloatArray]:
        """Azimuth and elevation of the microphones in degrees, each (n,)."""
        x, y, z = self.positions_m.T
        return (
            np.degrees(np.arctan2(y, x)),
            np.degrees(np.arctan2(z, np.hypot(x, y))),
        )

    @property
    def radii_m(self) -> FloatArray:
        """Distances of the microphones in m, (n,)."""
        return np.asarray(np.linalg.norm(self.positions_m, axis=1))


def read_sofa(path: Path) -> SofaDirectivity:
    """Read a SOFA file of one of the two conventions.

    Raises
    ------
    InputError
        If it is none, was cut short, or contradicts itself.
    """
    with hdf5(path, "SOFA file", _RULE) as file:
        attributes = {name: _text(value) for name, value in file.attrs.items()}
        convention = attributes.get("SOFAConventions", "")
        if attributes.get("Conventions") != "SOFA":
            _refuse(path, "an AES69 (SOFA) file: its attribute Conventions is not SOFA")
        if convention not in (TRANSFER, IMPULSE):
            rule = f"{TRANSFER} or {IMPULSE}"
            msg = f"{path}: {invalid('SOFA convention', shown_text(convention) or 'none', rule)}"
            raise InputError(msg)
        arrays = {
            name: np.asarray(value[()])
            for name, value in file.items()
            if isinstance(value, h5py.Dataset) and value.dtype.kind in "fiu"
        }
        units = {
            name: (_text(value.attrs.get("Type", "")), _text(value.attrs.get("Units", "")))
            for name, value in file.items()
            if isinstance(value, h5py.Dataset)
        }
    return _directivity(path, convention, arrays, units)


def _directivity(
    path: Path,
    convention: str,
    arrays: Mapping[str, FloatArray],
    units: Mapping[str, tuple[str, str]],
) -> SofaDirectivity:
    """Return the content of the arrays of a file."""
    needed = ["ListenerPosition", "ReceiverPosition", "SourcePosition"]
    needed += ["Data.Real", "Data.Imag", "N"] if convention == TRANSFER else ["Data.IR"]
    needed += [] if convention == TRANSFER else ["Data.SamplingRate"]
    lacking = [name for name in needed if name not in arrays]
    if lacking:
        _refuse(path, f"one that has the variable {lacking[0]}")
    data = arrays["Data.Real" if convention == TRANSFER else "Data.IR"]
    if data.ndim != 3:
        _refuse(path, f"one whose data have three dimensions; they have {data.ndim}")
    n_measurements, n_receivers, _ = data.shape
    positions = _microphones(path, arrays, units, n_measurements, n_receivers)
    if not all(np.isfinite(array).all() for array in (data, positions)):
        _refuse(path, "one with finite numbers only")
    if convention == TRANSFER:
        frequencies = np.atleast_1d(arrays["N"]).astype(float)
        if len(frequencies) != data.shape[2] or (np.diff(frequencies) <= 0).any():
            _refuse(path, "one whose frequencies N rise, one for each value")
        imaginary = arrays["Data.Imag"]
        if imaginary.shape != data.shape or not np.isfinite(imaginary).all():
            _refuse(path, "one whose Data.Imag fits Data.Real")
        unit = units.get("N", ("", ""))[1]
        if unit and not unit.lower().startswith(("hertz", "hz")):
            _refuse(path, f"one with frequencies in hertz, not {unit}")
        return SofaDirectivity(
            path=path,
            convention=convention,
            positions_m=positions.reshape(-1, 3),
            frequencies_hz=frequencies,
            transfer=(data + 1j * imaginary).reshape(-1, data.shape[2]),
        )
    rates = np.unique(arrays["Data.SamplingRate"])
    if len(rates) != 1:
        text = ", ".join(f"{rate:g}" for rate in rates)
        msg = f"{path}: {invalid('sampling rates', f'{text} Hz', 'one for all measurements')}"
        raise InputError(msg)
    delay = np.broadcast_to(
        np.atleast_2d(arrays.get("Data.Delay", np.zeros((1, 1)))), (n_measurements, n_receivers)
    )
    whole = np.round(delay - delay.min()).astype(int).ravel()
    if np.abs(delay - np.round(delay)).max() > 1e-6:
        _refuse(path, "one whose Data.Delay are whole samples")
    flat = data.reshape(-1, data.shape[2]).astype(float)
    padded = np.zeros((len(flat), data.shape[2] + int(whole.max())))
    for row, (response, shift) in enumerate(zip(flat, whole, strict=True)):
        padded[row, shift : shift + len(response)] = response
    return SofaDirectivity(
        path=path,
        convention=convention,
        positions_m=positions.reshape(-1, 3),
        rate_hz=float(rates[0]),
        responses=padded,
    )


def _microphones(
    path: Path,
    arrays: Mapping[str, FloatArray],
    units: Mapping[str, tuple[str, str]],
    n_measurements: int,
    n_receivers: int,
) -> FloatArray:
    """Return (n_measurements, n_receivers, 3) microphones in the source's own frame."""

    def places(name: str, default: FloatArray) -> FloatArray:
        values = np.asarray(arrays.get(name, default), dtype=float)
        kind, unit = units.get(name, ("cartesian", "metre"))
        return _cartesian(values, kind, unit)

    try:
        source = np.broadcast_to(
            places("SourcePosition", np.zeros((1, 3))).reshape(-1, 3), (n_measurements, 3)
        )
        listener = np.broadcast_to(
            places("ListenerPosition", np.zeros((1, 3))).reshape(-1, 3), (n_measurements, 3)
        )
        receivers = arrays["ReceiverPosition"]
        if receivers.ndim == 2:  # one position a receiver, the same in every measurement
            receivers = receivers[:, :, np.newaxis]
        kind, unit = units["ReceiverPosition"]
        receiver = _cartesian(np.moveaxis(receivers, 2, 0).astype(float), kind, unit)
        receiver = np.broadcast_to(receiver, (n_measurements, n_receivers, 3))
        forward = np.broadcast_to(
            places("SourceView", np.array([[1.0, 0.0, 0.0]])).reshape(-1, 3), (n_measurements, 3)
        )
        up = places("SourceUp", np.array([[0.0, 0.0, 1.0]])).reshape(-1, 3)
        up = np.broadcast_to(up, (n_measurements, 3))
    except ValueError:
        _refuse(path, "one whose positions fit its data, one a measurement or one for all")
    away = listener[:, np.newaxis] + receiver - source[:, np.newaxis]
    forward = forward / np.linalg.norm(forward, axis=1, keepdims=True)
    left = np.cross(up, forward)
    if (np.linalg.norm(left, axis=1) < 1e-6).any():
        _refuse(path, "one whose SourceUp is not along SourceView")
    left = left / np.linalg.norm(left, axis=1, keepdims=True)
    axes = np.stack((forward, left, np.cross(forward, left)), axis=1)
    return np.asarray(np.einsum("mac,mrc->mra", axes, away))


def _cartesian(values: FloatArray, kind: str, unit: str) -> FloatArray:
    if kind != "spherical" and not unit.lower().startswith(_DEGREES):
        return values
    vectors = direction_vectors(values[..., 0].ravel(), values[..., 1].ravel())
    return np.asarray(vectors.reshape(values.shape) * values[..., 2:3])


def transfer_file(
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    frequencies_hz: FloatArray,
    transfer: ComplexArray,
    *,
    radius_m: float,
    title: str,
    comment: str,
    application: str,
    version: str,
) -> bytes:
    """Return the bytes of a FreeFieldDirectivityTF file.

    Parameters
    ----------
    azimuth_deg, elevation_deg : (n_directions,) array
        Directions.
    frequencies_hz : (n_frequencies,) array
        Rising, in Hz.
    transfer : (n_directions, n_frequencies) array
        For exp(+j omega t).
    radius_m : float
        Radius that is written as the microphones'.
    title, comment, application, version : str
        What the file says of itself.
    """
    stream = io.BytesIO()
    with h5netcdf.File(stream, "w") as file:
        file.dimensions = _dimensions(len(azimuth_deg), len(frequencies_hz))
        texts = _texts(title=title, comment=comment, application=application, version=version)
        _describe(
            file,
            {
                **texts,
                "SOFAConventions": TRANSFER,
                "SOFAConventionsVersion": _TRANSFER_VERSION,
                "DataType": "TF",
                "DatabaseName": "",
                "SourceType": "simulated loudspeaker",
                "SourceManufacturer": "",
            },
        )
        _put_places(file, azimuth_deg, elevation_deg, radius_m)
        frequency = {"LongName": "frequency", "Units": "hertz"}
        _put(file, "N", ("N",), frequencies_hz, frequency)
        _put(file, "Data.Real", ("M", "R", "N"), transfer.real[np.newaxis], {})
        _put(file, "Data.Imag", ("M", "R", "N"), transfer.imag[np.newaxis], {})
    return stream.getvalue()


def impulse_file(
    azimuth_deg: FloatArray,
    elevation_deg: FloatArray,
    rate_hz: float,
    responses: FloatArray,
    *,
    radius_m: float,
    title: str,
    comment: str,
    application: str,
    version: str,
) -> bytes:
    """Return the bytes of a GeneralFIR file: a source at the origin, a receiver a direction.

    AES69 has no convention for directivities as impulse responses; GeneralFIR takes the places
    of FreeFieldDirectivityTF. `Data.Delay` is zero: all delay is in the responses, since it is
    no whole number of samples, and not every reader asks for `Data.Delay`.

    Parameters
    ----------
    azimuth_deg, elevation_deg : (n_directions,) array
        Directions.
    rate_hz : float
        Sampling rate.
    responses : (n_directions, n_samples) array
        Kept to single precision, which compresses.
    radius_m : float
        Radius that is written as the microphones'.
    title, comment, application, version : str
        What the file says of itself.
    """
    n, n_samples = responses.shape
    stream = io.BytesIO()
    with h5netcdf.File(stream, "w") as file:
        file.dimensions = _dimensions(n, n_samples)
        texts = _texts(title=title, comment=comment, application=application, version=version)
        _describe(
            file,
            {
                **texts,
                "SOFAConventions": IMPULSE,
                "SOFAConventionsVersion": _IMPULSE_VERSION,
                "DataType": "FIR",
            },
        )
        _put_places(file, azimuth_deg, elevation_deg, radius_m)
        _put(file, "Data.SamplingRate", ("I",), [rate_hz], {"Units": "hertz"})
        _put(file, "Data.Delay", ("I", "R"), np.zeros((1, n)), {})
        file.create_variable(
            "Data.IR",
            ("M", "R", "N"),
            float,
            data=responses.astype(np.float32).astype(float)[np.newaxis],
            compression="gzip",
            compression_opts=1,
            shuffle=True,
        )
    return stream.getvalue()


def _dimensions(n_directions: int, n_values: int) -> dict[str, int]:
    return {"M": 1, "R": n_directions, "E": 1, "N": n_values, "C": 3, "I": 1}


def _texts(*, title: str, comment: str, application: str, version: str) -> dict[str, str]:
    """Return the attributes that both conventions have."""
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
    return {
        "Conventions": "SOFA",
        "Version": "2.1",
        "RoomType": "free field",
        "Title": title,
        "DateCreated": now,
        "DateModified": now,
        "APIName": application,
        "APIVersion": version,
        "AuthorContact": "",
        "Organization": "",
        "License": "No license provided, ask the author for permission",
        "ApplicationName": application,
        "ApplicationVersion": version,
        "Comment": comment,
    }


def _describe(file: Any, texts: Mapping[str, str]) -> None:
    for name, text in texts.items():
        file.attrs[name] = text


def _put_places(
    file: Any, azimuth_deg: FloatArray, elevation_deg: FloatArray, radius_m: float
) -> None:
    """Write a source at the origin that looks ahead, and a receiver in every direction."""
    radius = np.full(len(azimuth_deg), radius_m)
    receivers = np.stack((azimuth_deg, elevation_deg, radius), axis=1)
    place = {"Type": "cartesian", "Units": "metre"}
    around = {"Type": "spherical", "Units": "degree, degree, metre"}
    origin, ahead, above = [[0.0, 0.0, 0.0]], [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]]
    axis = "The direction that azimuth and elevation 0 point to: the reference axis"
    point = "The tweeter's axis at the undisturbed front plane of the baffle"
    top = "The loudspeaker's own top"
    _put(file, "ListenerPosition", ("I", "C"), origin, place)
    _put(file, "ListenerView", ("I", "C"), ahead, place)
    _put(file, "ListenerUp", ("I", "C"), above, {})
    _put(file, "ReceiverPosition", ("R", "C", "I"), receivers[:, :, np.newaxis], around)
    _put(file, "SourcePosition", ("I", "C"), origin, {**place, "Reference": point})
    _put(file, "SourceView", ("I", "C"), ahead, {**place, "Reference": axis})
    _put(file, "SourceUp", ("I", "C"), above, {"Reference": top})
    _put(file, "EmitterPosition", ("E", "C", "I"), np.zeros((1, 3, 1)), place)


def _put(
    file: Any, name: str, dimensions: tuple[str, ...], values: Any, attributes: Mapping[str, str]
) -> None:
    array = np.asarray(values, dtype=float)
    variable = file.create_variable(name, dimensions, float, data=array)
    for key, text in attributes.items():
        variable.attrs[key] = text


def _text(value: Any) -> str:
    if isinstance(value, np.ndarray):
        value = value.ravel()[0] if value.size else ""
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)


def _refuse(path: Path, rule: str) -> NoReturn:
    raise InputError(invalid("SOFA file", path, rule))
