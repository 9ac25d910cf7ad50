# SPDX-License-Identifier: GPL-3.0-or-later
"""What tells the folder of a run from any other, without anything that is slow to load."""

from __future__ import annotations

from pathlib import Path

from bafflelens.base.errors import StoreError, invalid


def require_run(path: Path) -> None:
    """Refuse a folder that is not that of a run.

    Raises
    ------
    StoreError
        If a file is missing that every run has.
    """
    if not (path / "run.json").is_file() or not (path / "catalog.sqlite").is_file():
        rule = "the folder of a run, with a run.json and a catalog.sqlite in it"
        raise StoreError(invalid("run folder", path, rule))
