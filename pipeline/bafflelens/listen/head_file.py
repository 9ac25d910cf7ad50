# SPDX-License-Identifier: GPL-3.0-or-later
"""Head-related impulse responses from files: a public set, or an AES69 (SOFA) file of the user.

The public set is that of W. G. Gardner and K. D. Martin, "HRTF measurements of a KEMAR", MIT
Media Laboratory, J. Acoust. Soc. Am. 97 (1995) 3907-3908: 710 directions at 1.4 m, 44.1 kHz,
normal pinna. Its authors allow any use and ask to be cited. The package ``slab`` (MIT licence)
carries it; only its data file is read, with a reader that makes nothing but numbers of it.
"""

from __future__ import annotations

import bz2
import pickle
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, files
from math import gcd
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
from scipy.signal import resample_poly

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.listen.spectra import RATE_HZ

KEMAR: Final = (
    "KEMAR, normal pinna: W. G. Gardner and K. D. Martin, HRTF measurements of a KEMAR, "
    "J. Acoust. Soc. Am. 97 (1995) 3907-3908"
)
_PACKAGE: Final = "slab"
_FILE: Final = "mit_kemar_normal_pinna.bz2"
_CONVENTION: Final = "SimpleFreeFieldHRIR"
_FEWEST: Final = 50  # directions
_NUMPY: Final = {"_reconstruct", "ndarray", "dtype"}


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadResponses:
    """Impulse responses of two ears by direction, at `RATE_HZ`.

    Attributes
    ----------
    name : str
        Where they come from, for people.
    azimuth_deg, elevation_deg : (n_directions,) array
        Where the sound comes from; azimuth is positive to the left.
    responses : (n_directions, 2, n_samples) array
        Left and right ear.
    """

    name: str
    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    responses: FloatArray


def read_head(path: Path | None = None) -> HeadResponses:
    """Return a user's AES69 file, or the public set.

    Raises
    ------
    InputError
        If a file is none of SimpleFreeFieldHRIR, or the public set is not installed.
    """
    return _public() if path is None else _from_sofa(path)


def _public() -> HeadResponses:
    try:
        found = [file for file in files(_PACKAGE) or () if file.name == _FILE]
    except PackageNotFoundError:
        found = []
    if not found:
        rule = f"installed with the package '{_PACKAGE}', or an AES69 file given with --head"
        raise InputError(invalid("head", "KEMAR", rule))
    with bz2.open(Path(str(found[0].locate()))) as stream:
        content = _Numbers(stream).load()
    places = np.asarray(content.sources, dtype=float)
    responses = np.stack([np.asarray(item.data).T for item in content.data])
    return HeadResponses(
        name=KEMAR,
        azimuth_deg=places[:, 0],
        elevation_deg=places[:, 1],
        responses=_at_rate(responses, float(content.samplerate)),
    )


class _Content:
    """Stands for every class of the package: it holds what was kept and does nothing."""


class _Numbers(pickle.Unpickler):
    """Reads arrays and plain values, and calls nothing else that a file may name."""

    def find_class(self, module: str, name: str) -> Any:
        if module.startswith(f"{_PACKAGE}.") and name in ("HRTF", "Filter"):
            return _Content
        if module.startswith("numpy") and name in _NUMPY:
            return super().find_class(module.replace("numpy.core", "numpy._core"), name)
        msg = f"{module}.{name}"
        raise pickle.UnpicklingError(msg)


def _from_sofa(path: Path) -> HeadResponses:
    try:
        with h5py.File(path, "r") as file:
            convention = _text(file.attrs.get("SOFAConventions", ""))
            if convention != _CONVENTION:
                raise InputError(
                    f"{path}: " + invalid("SOFA convention", convention or "none", _CONVENTION)
                )
            data, rates = np.asarray(file["Data.IR"]), np.unique(file["Data.SamplingRate"])
            places = np.asarray(file["SourcePosition"], dtype=float)
            kind = _text(file["SourcePosition"].attrs.get("Type", "spherical"))
            delay = np.asarray(file["Data.Delay"]) if "Data.Delay" in file else np.zeros((1, 2))
    except (OSError, KeyError) as error:
        rule = f"an AES69 file that can be read ({str(error).splitlines()[0]})"
        raise InputError(invalid("head file", path, rule)) from error
    faults = _faults(data, rates, places)
    if faults:
        raise InputError([invalid("head file", path, rule) for rule in faults])
    if kind == "cartesian":
        x, y, z = places.T
        azimuth, elevation = np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))
        places = np.degrees(np.stack((azimuth, elevation), axis=1))
    whole = np.round(np.broadcast_to(delay, data.shape[:2])).astype(int)
    padded = np.zeros((*data.shape[:2], data.shape[2] + int(whole.max())))
    for place in np.ndindex(*data.shape[:2]):
        padded[place][whole[place] : whole[place] + data.shape[2]] = data[place]
    return HeadResponses(
        name=path.name,
        azimuth_deg=places[:, 0],
        elevation_deg=places[:, 1],
        responses=_at_rate(padded, float(rates[0])),
    )


def _faults(data: FloatArray, rates: FloatArray, places: FloatArray) -> list[str]:
    faults = []
    if data.ndim != 3 or data.shape[1] != 2:
        faults.append(f"one with two receivers, the ears; its data are {data.shape}")
    if len(rates) != 1 or not 8000 <= rates[0] <= 384_000 or rates[0] != round(rates[0]):
        faults.append("one with a single whole sampling rate from 8000 to 384,000 Hz")
    if places.ndim != 2 or places.shape[0] != data.shape[0] or len(places) < _FEWEST:
        faults.append(f"one with at least {_FEWEST} directions, one for each measurement")
    if not np.isfinite(data).all():
        faults.append("one with finite numbers only")
    return faults


def _at_rate(responses: FloatArray, rate_hz: float) -> FloatArray:
    """Return responses at `RATE_HZ`."""
    given = round(rate_hz)
    if given == RATE_HZ:
        return np.asarray(responses, dtype=float)
    common = gcd(RATE_HZ, given)
    up, down = RATE_HZ // common, given // common
    return np.asarray(resample_poly(responses, up, down, axis=-1)) * down / up


def _text(value: Any) -> str:
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)
