# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known of the folder of a run without anything that is slow to load.

Everything else about such a folder knows `bafflelens.store` alone.
"""

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


def first_view_path(run: Path) -> Path:
    """Return where what the live page shows first of a run is kept."""
    return run / "first_view.bin"


def shared_files(run: Path) -> list[Path]:
    """Return the files that say what a run asked and found, but for those of its candidates."""
    named = [
        *(run / "job.toml", run / "run.json", run / "catalog.sqlite", run / "catalog.sqlite-wal"),
        run.parent / "notes.jsonl",
    ]
    below = [path for name in ("shapes", "tables") for path in sorted((run / name).rglob("*"))]
    files = [path for path in (*named, *below) if path.is_file()]
    return [path for path in files if "__pycache__" not in path.parts]


def candidate_folders(run: Path) -> list[Path]:
    """Return the folders of the candidates of a run, in order."""
    return sorted(path for path in (run / "candidates").glob("*") if path.is_dir())
