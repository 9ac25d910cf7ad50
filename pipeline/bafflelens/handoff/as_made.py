# SPDX-License-Identifier: GPL-3.0-or-later
"""A job that solves a part as it was made, beside what it should have been."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Final

from bafflelens.handoff.manifest import Opened

JOB: Final = "job.toml"
_TABLE: Final = re.compile(r"^\s*\[{1,2}\s*\"?([A-Za-z_]+)", re.MULTILINE)
_REPLACED: Final = ("geometry", "baseline", "references", "search", "robustness")


def job_as_made(opened: Opened, clay: Path, stem: str) -> bytes:
    """Return the run's job with the scanned part as the only candidate.

    The baseline is the candidate as it should have been, so that the difference of the two
    scores is what the making costs.

    Parameters
    ----------
    opened : Opened
        The candidate's hand-off, with the run's job.
    clay : Path
        Folder that `bafflelens scan` is to make, beside this job.
    stem : str
        Of the scanner's file: what the scan is named after.
    """
    manifest = opened.manifest
    nominal = str(manifest["geometry"])
    declaration = f"{stem}.toml" if f"{stem}.toml" != nominal else f"{stem}_scan.toml"
    lines = [
        f"# Written by `bafflelens inspect`: {opened.stem} as made, against as it should be.",
        "# Paths of further files in it are those of the run's job.",
        _kept(opened.files.get(JOB, b"").decode("utf-8")).rstrip(),
        "",
        "[geometry]",
        f"script = {json.dumps(f'{clay.name}/{declaration}')}",
        "",
        "[baseline]",
        f"script = {json.dumps(f'{clay.name}/{nominal}')}",
        *(f"{key} = {float(value)!r}" for key, value in manifest["values"].items()),
        "",
        "[search]",
        'plan = "list"',
    ]
    return ("\n".join(lines) + "\n").encode()


def _kept(text: str) -> str:
    """Return the text of a job without the tables that say which shapes are solved."""
    starts = [(found.start(), found.group(1)) for found in _TABLE.finditer(text)]
    ends = [start for start, _ in starts[1:]] + [len(text)]
    first = starts[0][0] if starts else len(text)
    parts = [text[:first]]
    parts += [
        text[start:end]
        for (start, name), end in zip(starts, ends, strict=True)
        if name not in _REPLACED
    ]
    return "".join(parts)
