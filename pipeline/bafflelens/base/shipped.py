# SPDX-License-Identifier: GPL-3.0-or-later
"""The shapes and jobs that come with the program: beside it in a clone, else in the package."""

from __future__ import annotations

from pathlib import Path
from typing import Final

_PACKAGE: Final = Path(__file__).parents[1]


def shipped(name: str) -> Path:
    """Return the folder ``geometries`` or ``jobs`` that came with the program.

    Parameters
    ----------
    name : {"geometries", "jobs"}
        Which one.
    """
    return shipped_with(_PACKAGE, name)


def shipped_with(package: Path, name: str) -> Path:
    """Return the same for a package of this program that lies elsewhere."""
    installed = package / "shipped" / name
    return installed if installed.is_dir() else package.parents[1] / name


def found_or_shipped(path: Path) -> Path:
    """Return a path that is there as it is; else the file or folder of that name that came along.

    Only ``geometries/...`` and ``jobs/...`` are looked for: whoever misspells a path of their own
    must not be given another file.
    """
    if path.exists() or path.is_absolute() or path.parts[:1] not in (("geometries",), ("jobs",)):
        return path
    along = shipped(path.parts[0]).joinpath(*path.parts[1:])
    return along if along.exists() and ".." not in path.parts else path
