# SPDX-License-Identifier: GPL-3.0-or-later
"""The exceptions of bafflelens.

::

    BafflelensError
    ├── InputError          the user's input is wrong: exit code 2
    │   ├── JobError        a job file or a key in it
    │   └── GeometryError   a geometry script, or parameters that make no solid
    ├── MeshingError        a shape that could not be meshed
    ├── SolveError          a frequency that could not be solved, or an absurd result
    └── StoreError          a run folder that cannot be read or written
        └── DamagedError    a file in it that was cut short, say by a power cut

Every message has the same grammar: ``Invalid <what> '<value>'. Must be <rule>.``
with the file and the key or line in front.
"""

from __future__ import annotations

from collections.abc import Sequence


class BafflelensError(Exception):
    """Base of all errors that bafflelens raises on purpose."""


class InputError(BafflelensError):
    """The user's input is wrong; ``faults`` lists every fault found, one line each."""

    def __init__(self, faults: str | Sequence[str]) -> None:
        self.faults: tuple[str, ...] = (faults,) if isinstance(faults, str) else tuple(faults)
        super().__init__("\n".join(self.faults))


class JobError(InputError):
    """A job file is wrong."""


class GeometryError(InputError):
    """A geometry script is missing or broken, or its parameters make no solid."""


class MeshingError(BafflelensError):
    """A shape could not be meshed, or its mesh is not a closed surface."""


class SolveError(BafflelensError):
    """A frequency could not be solved, or its result contradicts physics."""


class StoreError(BafflelensError):
    """A run folder cannot be read or written."""


class DamagedError(StoreError):
    """A file of a run folder is damaged; it can be made anew from the others."""


def invalid(what: str, value: object, rule: str) -> str:
    """Return an error message in the project's one grammar.

    Parameters
    ----------
    what : str
        The thing that is wrong, with file and key in front where there is one.
    value : object
        What was given.
    rule : str
        What it must be, to complete "Must be ...".

    Returns
    -------
    str
        ``Invalid <what> '<value>'. Must be <rule>.``

    Examples
    --------
    >>> invalid("key 'air.temperature_c'", 300, "from -20 to 50 degrees C")
    "Invalid key 'air.temperature_c' '300'. Must be from -20 to 50 degrees C."
    """
    return f"Invalid {what} '{value}'. Must be {rule}."
