# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML files that a user wrote, read with one line on what is wrong."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from bafflelens.base.errors import InputError, invalid


def read_toml(path: Path, what: str, fault: type[InputError] = InputError) -> dict[str, Any]:
    """Return the content of a TOML file.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it is to the user, for the message.
    fault : type of InputError
        What is raised.

    Raises
    ------
    InputError
        If it cannot be read or is no TOML in UTF-8.
    """
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8"))
    except OSError as error:
        rule = f"a readable TOML file ({error.strerror})"
        raise fault(invalid(what, path, rule)) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise fault(invalid(what, path, f"valid TOML: {error}")) from error
