# SPDX-License-Identifier: GPL-3.0-or-later
"""What all mock-ups so far say of how far a simulation can be trusted.

Each mock-up that was compared leaves the error of its levels by third-octave. Over all of them the
typical error of a band is the median; it is told up to the frequency where it stays within
`WITHIN_DB`. A difference between candidates that is smaller says nothing about clay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

WITHIN_DB: Final = 1.5


@dataclass(frozen=True, kw_only=True)
class MockUp:
    """One mock-up that was compared.

    Attributes
    ----------
    key : str
        What it is told by (`mock_up_key`). The same compared again takes its place.
    run, candidate, measurement, compared_utc : str
        For people.
    bands_hz : tuple of float
        Centres of third-octaves, in Hz.
    rms_db : tuple of float
        R.m.s. difference of the levels within 60 degrees, in dB.
    agrees_to_hz : float
        Up to which frequency the front agreed within the limit of that comparison; 0 for nowhere.
    """

    key: str
    run: str
    candidate: str
    measurement: str
    compared_utc: str
    bands_hz: tuple[float, ...]
    rms_db: tuple[float, ...]
    agrees_to_hz: float


@dataclass(frozen=True, kw_only=True)
class TypicalError:
    """What mock-ups are typically off by.

    Attributes
    ----------
    n_mock_ups : int
        How many there are.
    error_db : float
        Median over mock-ups and bands up to `to_hz`.
    to_hz : float
        Up to which frequency; 0 if already the lowest band is off by more.
    """

    n_mock_ups: int
    error_db: float
    to_hz: float


def mock_up_key(name: str, run: str, candidate: str) -> str:
    """Return what a mock-up is told by: its name, or without one what it was compared with.

    Case and spaces of a name do not matter. Without a name all mock-ups of one candidate pass
    for the same, so that comparing one often does not make it many.

    Examples
    --------
    >>> mock_up_key("Clay  3", "a", "c001") == mock_up_key("clay 3", "b", "c002")
    True
    >>> mock_up_key("", "a", "c001")
    'c001 of a'
    """
    return (
        f"mock-up {' '.join(name.casefold().split())}" if name.strip() else f"{candidate} of {run}"
    )


def typical_error(mock_ups: Sequence[MockUp]) -> TypicalError:
    """Return the typical error of all mock-ups.

    Examples
    --------
    >>> one = MockUp(key="a", run="", candidate="", measurement="", compared_utc="",
    ...              bands_hz=(1000.0, 2000.0, 4000.0), rms_db=(0.4, 0.8, 3.0), agrees_to_hz=2e3)
    >>> round(typical_error([one]).error_db, 3)
    0.6
    """
    by_band: dict[float, list[float]] = {}
    for one in mock_ups:
        for band, rms in zip(one.bands_hz, one.rms_db, strict=True):
            by_band.setdefault(round(band, 1), []).append(rms)
    values: list[float] = []
    to_hz = 0.0
    for band in sorted(by_band):
        if median(by_band[band]) > WITHIN_DB:
            break
        values += by_band[band]
        to_hz = band * 2 ** (1 / 6)
    error = median(values) if values else float("nan")
    return TypicalError(n_mock_ups=len(mock_ups), error_db=error, to_hz=to_hz)


def mock_ups_line(mock_ups: Sequence[MockUp]) -> str:
    """Return the line that every report carries; empty if nothing was compared yet."""
    if not mock_ups:
        return ""
    found = typical_error(mock_ups)
    count = _count_text(mock_ups)
    if not found.to_hz:
        return (
            f"So far {count}, typical error above {WITHIN_DB:g} dB in every band: differences "
            "between candidates say nothing about clay yet."
        )
    return (
        f"So far {count}, typical error {found.error_db:.1f} dB up to "
        f"{found.to_hz / 1e3:.1f} kHz: a level that differs by less between candidates says "
        "nothing about clay."
    )


def _count_text(mock_ups: Sequence[MockUp]) -> str:
    """Count those with a name; without one, nobody knows whether two candidates share one."""
    unnamed = sum(one.key == mock_up_key("", one.run, one.candidate) for one in mock_ups)
    named = len(mock_ups) - unnamed
    texts = [_counted(named, "mock-up")] if named else []
    if unnamed:
        texts.append(f"{_counted(unnamed, 'candidate')} compared with a mock-up without a name")
    return " and ".join(texts)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" + ("s" if count > 1 else "")
