# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the workers of a scheduler have this program, as it is here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from bafflelens.base import provenance
from bafflelens.base.errors import InputError, invalid


def require_same_program(client: Any) -> None:
    """Raise unless all workers have this program, as it is here, and what shapes its results.

    Raises
    ------
    InputError
        With the first worker that differs, and in what.
    """
    for address, difference in differences_from_here(client, None).items():
        rule = "a dask scheduler whose workers have the same versions as this program"
        fault = invalid("scheduler", client.scheduler.address, rule)
        msg = f"{fault} Worker {address}: {difference}."
        raise InputError(msg)


def differences_from_here(client: Any, workers: Sequence[str] | None) -> dict[str, str]:
    """Return in what workers differ from here; those that do not are left out."""
    here = _identity()
    answers = client.run(_identity, workers=workers, on_error="return")
    return {address: text for address, found in answers.items() if (text := _unlike(found, here))}


def _identity() -> dict[str, str]:
    """Return what must be the same in all processes that work on one run."""
    return {**provenance.versions(), "source of bafflelens": provenance.program_digest()}


def _unlike(found: Any, here: Mapping[str, str]) -> str:
    """Return in what a worker's answer differs, in words; empty if it does not."""
    if not isinstance(found, dict):
        return f"it has no such program ({' '.join(str(found).split())})"
    different = [name for name in here if found.get(name) != here[name]]
    if different == ["source of bafflelens"]:
        return "its bafflelens has the same version, but other source"
    return ", ".join(
        f"{name} {found.get(name, 'is missing')} there, {here[name]} here"
        for name in different
        if name != "source of bafflelens"
    )
