# SPDX-License-Identifier: GPL-3.0-or-later
"""What pages want to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What a page wants to know.

    Attributes
    ----------
    page : str
        Which page.
    number : int
        Of the wish on that page.
    values : mapping of str to float
        All parameters.
    at : float
        When it came, in s of the monotonic clock.
    """

    page: str
    number: int
    values: Mapping[str, float]
    at: float
