# SPDX-License-Identifier: GPL-3.0-or-later
"""The doors for archives that somebody else wrote: zip files, numpy's .npz, HDF5.

As those of `bafflelens.base.reading`: what does not come through is one error in one line. What
damaged bytes lead these libraries to is theirs to choose, so whatever they raise is caught here.
"""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
from h5py import h5d, h5o
from numpy.lib import format as npy

from bafflelens.base.errors import BafflelensError, InputError, invalid
from bafflelens.base.reading import MIB, Fault, file_beside, place_shown, printable, shown_text

MOST_UNPACKED: Final = 1024 * MIB
"""Bytes of all that an archive holds."""
MOST_ENTRIES: Final = 2000

_NOWHERE: Final = Path("archive")


def unzipped(
    content: bytes, where: object, what: str, fault: Fault = InputError
) -> dict[str, bytes]:
    """Return the files of a zip archive by name.

    Parameters
    ----------
    content : bytes
        The archive.
    where : object
        The file that it is, for the message.
    what : str
        What that is to the user.
    fault : type of BafflelensError
        What is raised.

    Raises
    ------
    BafflelensError
        If it cannot be read, holds too much, holds a name twice, or one that leads out of the
        folder that it may be unpacked in.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            reason = _unfit(entries)
            if reason:
                raise fault(invalid(what, place_shown(where), f"a zip file {reason}"))
            return {entry.filename: archive.read(entry) for entry in entries}
    except BafflelensError:
        raise
    except Exception as error:
        rule = f"a zip file that can be read ({_cause(error)})"
        raise fault(invalid(what, place_shown(where), rule)) from error


def _unfit(entries: list[zipfile.ZipInfo]) -> str:
    """Return the rule that the list of an archive breaks, empty if none."""
    if len(entries) > MOST_ENTRIES:
        return f"of at most {MOST_ENTRIES} files; it has {len(entries)}"
    size = sum(entry.file_size for entry in entries)
    if size > MOST_UNPACKED:
        return f"of at most {MOST_UNPACKED / MIB:g} MiB unpacked; it says {size / MIB:.0f}"
    names = [entry.filename for entry in entries]
    for name in names:
        if file_beside(_NOWHERE, name, in_folders=True) is None or ":" in name:
            return f"whose files stay in their folder; '{shown_text(name)}' does not"
        if names.count(name) > 1:
            return f"with each file once; '{shown_text(name)}' comes twice"
    return ""


def arrays_of(
    content: bytes, where: object, what: str, rule: str, fault: Fault = InputError
) -> dict[str, np.ndarray[Any, np.dtype[Any]]]:
    """Return the arrays of an .npz file by name, without what only Python could read.

    Raises
    ------
    BafflelensError
        If it is none, or an array claims to be larger than its file.
    """
    try:
        files = unzipped(content, where, what)
        return {
            name.removesuffix(".npy"): _array(name, stored)
            for name, stored in files.items()
            if name.endswith(".npy")
        }
    except Exception as error:
        raise fault(invalid(what, place_shown(where), f"{rule} ({_cause(error)})")) from error


def _array(name: str, stored: bytes) -> np.ndarray[Any, np.dtype[Any]]:
    stream = io.BytesIO(stored)
    version = npy.read_magic(stream)
    read = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
    shape, _, dtype = read(stream)
    if dtype.hasobject or math.prod(shape) * dtype.itemsize > len(stored):
        msg = f"array {name} is not whole"
        raise ValueError(msg)
    return np.asarray(npy.read_array(io.BytesIO(stored), allow_pickle=False))


@contextmanager
def hdf5(path: Path, what: str, rule: str, fault: Fault = InputError) -> Iterator[h5py.File]:
    """Open an HDF5 file, and turn whatever its content leads to into one line.

    Parameters
    ----------
    path : Path
        The file.
    what, rule : str
        What it is to the user, and what it must be.
    fault : type of BafflelensError
        What is raised.

    Raises
    ------
    BafflelensError
        If it cannot be read, or its arrays claim to be larger than `MOST_UNPACKED`.
    """
    try:
        with h5py.File(path, "r") as file:
            names = [name.encode() for name in file]
            members = (
                h5o.open(file.id, name) for name in names if h5o.exists_by_name(file.id, name)
            )
            size = sum(
                math.prod(stored.shape or ()) * stored.dtype.itemsize
                for stored in members
                if isinstance(stored, h5d.DatasetID)
            )
            if size > MOST_UNPACKED:
                msg = f"its arrays are said to take {size / MIB:.0f} MiB"
                raise ValueError(msg)
            yield file
    except BafflelensError:
        raise
    except Exception as error:
        raise fault(invalid(what, place_shown(path), f"{rule} ({_cause(error)})")) from error


def _cause(error: Exception) -> str:
    """Return what a library, or a door before this one, says in a line."""
    said = printable(str(error)).strip().splitlines()
    first = said[0] if said else type(error).__name__
    return first if isinstance(error, BafflelensError) else shown_text(first)
