# SPDX-License-Identifier: GPL-3.0-or-later
"""Geometry scripts as they travel: their text goes to the worker, which keeps it in a folder.

A worker may be on another machine and see none of the files here. So a task carries the script
and the files beside it that it cannot do without; the worker writes them once, under a name
that follows from their content.
"""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from bafflelens.shapes.meshing.parameters import Shape

_PREFIX: Final = "bafflelens_shapes_"
_KEPT_S: Final = 86400.0


@dataclass(frozen=True)
class PackedScript:
    """A script with its companions.

    Attributes
    ----------
    name : str
        File name of the script.
    files : tuple of (str, bytes)
        Name and content of it and its companions, by name.
    """

    name: str
    files: tuple[tuple[str, bytes], ...]

    @property
    def digest(self) -> str:
        """What tells it from others."""
        found = hashlib.blake2b(self.name.encode(), digest_size=16)
        for name, content in self.files:
            found.update(f"\0{name}\0{len(content)}\0".encode())
            found.update(content)
        return found.hexdigest()


def packed(shape: Shape) -> PackedScript:
    """Return the script of a shape with the files that it cannot do without.

    Raises
    ------
    OSError
        If one of them cannot be read.
    """
    files = {path.name: path.read_bytes() for path in (shape.script, *shape.companions)}
    return PackedScript(shape.script.name, tuple(sorted(files.items())))


def unpacked(script: PackedScript) -> Path:
    """Return the path of a script on this machine, written there if it is not yet.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    folder = _folder() / script.digest
    if not (folder / script.name).is_file():
        folder.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(dir=folder.parent))
        for name, content in script.files:
            (scratch / Path(name).name).write_bytes(content)
        try:
            scratch.rename(folder)
        except OSError:  # another thread was faster
            shutil.rmtree(scratch, ignore_errors=True)
            if not (folder / script.name).is_file():
                raise
    return folder / script.name


@cache
def _folder() -> Path:
    """Return this process's own folder of scripts, where nobody else can put anything.

    What worker processes that were killed have left there is cleared up after a day.
    """
    base, mine = Path(tempfile.gettempdir()), f"{_PREFIX}{os.getuid()}_"
    for old in base.glob(f"{mine}*"):
        with suppress(OSError):
            if time.time() - old.stat().st_mtime > _KEPT_S:
                shutil.rmtree(old, ignore_errors=True)
    folder = tempfile.mkdtemp(prefix=mine, dir=base)
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)
