# SPDX-License-Identifier: GPL-3.0-or-later
"""What a result was made with: versions, commit, machine. Nothing that names a person or place."""

from __future__ import annotations

import hashlib
import os
import platform
import subprocess
from collections.abc import Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

import bafflelens
from bafflelens.base.processor import usable_processors

PACKAGES: Final = ("numpy", "scipy", "numba", "gmsh", "xarray", "distributed", "bempp-cl")

COMPUTES: Final = (
    *("base", "mesh", "shapes", "bem"),
    "directivity/direction_set.py",
    "directivity/far_field_data.py",
    "workers/work_units.py",
)
"""Packages and modules that meshes and solved frequencies follow from. What judges, shows, keeps
or orders them is not among these; all that `workers.work_units` imports must be."""

SHAPES: Final = ("shapes",)
"""What scripts build their solids with."""

_GIT_TIMEOUT_S: Final = 5.0


def versions() -> dict[str, str]:
    """Return the version of bafflelens, of Python and of the packages that shape a result."""
    found = {"bafflelens": _version("bafflelens"), "python": platform.python_version()}
    return found | {name: _version(name) for name in PACKAGES}


@cache
def program_digest() -> str:
    """Return a digest of all source, of every kind, that meshes and frequencies follow from."""
    return source_digest(Path(bafflelens.__file__).parent)


@cache
def shapes_digest() -> str:
    """Return a digest of all source that the solid of a shape follows from."""
    return source_digest(Path(bafflelens.__file__).parent, SHAPES)


def source_digest(package: Path, parts: Sequence[str] = COMPUTES) -> str:
    """Return the digest of source below a package's folder, by default of what computes."""
    found = hashlib.blake2b(digest_size=16)
    for path in sorted(path for part in parts for path in _files(package / part)):
        content = path.read_bytes()
        found.update(f"{path.relative_to(package).as_posix()}\0{len(content)}\0".encode())
        found.update(content)
    return found.hexdigest()


@cache
def commit() -> str | None:
    """Return the commit that the program runs from, marked if changed; None if installed.

    Asked once a process: what is committed later is not what this one has loaded.
    """
    package = Path(bafflelens.__file__).parent
    # Installed inside the checkout of another project, that project's commit says nothing.
    if _git(package, "ls-files", "--error-unmatch", Path(bafflelens.__file__).name) is None:
        return None
    return _git(package, "describe", "--always", "--dirty", "--abbrev=12", "--exclude=*")


def host() -> dict[str, str | int | float]:
    """Return what kind of machine this is."""
    gibibytes = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "system": platform.system(),
        "machine": platform.machine(),
        "processors": usable_processors(),
        "memory_gib": round(gibibytes, 1),
    }


def _files(part: Path) -> list[Path]:
    """Return the files of a module or package, but for what Python and numba leave there."""
    if part.is_file():
        return [part]
    return [path for path in part.rglob("*") if path.is_file() and "__pycache__" not in path.parts]


@cache
def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def _git(folder: Path, *arguments: str) -> str | None:
    try:
        done = subprocess.run(
            ["git", "-C", str(folder), *arguments],
            capture_output=True,
            text=True,
            timeout=_GIT_TIMEOUT_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.strip() if done.returncode == 0 else None
