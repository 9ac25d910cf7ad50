# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that are whole or not there, and what the operating system refuses."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

from bafflelens.base.errors import StoreError, invalid

_LITTLE_ROOM_BYTES: Final = 64 * 2**20


def write_file(path: Path, content: bytes, *, replace_existing: bool = False) -> None:
    """Write a file under a temporary name, then rename it.

    Raises
    ------
    StoreError
        If it cannot be written, or exists and is not to be replaced.
    """
    with replacing(path, replace_existing=replace_existing) as stream:
        stream.write(content)


@contextmanager
def replacing(
    path: Path, *, replace_existing: bool = False, durable: bool = True
) -> Iterator[IO[bytes]]:
    """Write to a temporary name; the file has its own name only when it is whole."""
    temporary = path.with_name(path.name + ".part")
    with storing(path):
        if not replace_existing:
            require_new_file(path)
        try:
            with temporary.open("wb") as stream:
                yield stream
                stream.flush()
                if durable:
                    os.fsync(stream.fileno())
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)


@contextmanager
def storing(path: Path) -> Iterator[None]:
    """Turn what the operating system refuses into one clear line."""
    try:
        yield
    except OSError as error:
        rule = f"in a folder that can be written ({error.strerror or error})"
        raise StoreError(invalid("path", path, rule)) from error


def require_new_file(path: Path) -> None:
    """Refuse the name of a file that exists.

    Raises
    ------
    StoreError
        If it does.
    """
    if path.exists():
        raise StoreError(invalid("file", path, "a new name: results are never overwritten"))


def require_new_folder(path: Path) -> None:
    """Refuse a folder that holds something already.

    Raises
    ------
    StoreError
        If it does, or is a file.
    """
    with storing(path):
        if path.exists() and (not path.is_dir() or any(path.iterdir())):
            raise StoreError(invalid("folder", path, "new or empty: nothing is overwritten"))


def write_folder(path: Path, files: Mapping[str, bytes]) -> None:
    """Write a folder of files under a temporary name, then rename it.

    Raises
    ------
    StoreError
        If it holds something already, or cannot be written.
    """
    require_new_folder(path)
    with storing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".new-") as scratch:
            new = Path(scratch) / "folder"
            new.mkdir()
            for name, content in files.items():
                write_file(new / name, content)
            if path.is_dir():
                path.rmdir()
            new.replace(path)


def has_room(results: Path) -> bool:
    """Tell whether there is room on the disk of a results folder for a little more."""
    try:
        return shutil.disk_usage(results).free > _LITTLE_ROOM_BYTES
    except OSError:
        return False
