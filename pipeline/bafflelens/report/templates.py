# SPDX-License-Identifier: GPL-3.0-or-later
"""Templates of pages: how they are read."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined


def templates_in(folder: Path) -> Environment:
    """Return the templates of a folder: values are escaped, and a missing one is an error."""
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
