# SPDX-License-Identifier: GPL-3.0-or-later
"""A row of the drawing's table of dimensions: symbol, name, nominal, limit, how to measure, view.

Whoever knows a dimension of the part makes one; the drawing shows them all and draws those that
say where they are (`OnSheet`). The form to fill in and the inspection read the same rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from bafflelens.handoff.limits import general_limit

View = Literal["front", "side", "A-A", "B-B", "rear", "C-C", "D-D", ""]
"""Where a dimension is drawn: a view, a section (with its detail), or only in the table.

Front: y to the right, z up. Side and A-A, the vertical section through the axis: x to the right,
z up. B-B, the horizontal one seen from above: y to the right, the front (x) below. Of the part as
it is made: rear, -y to the right, z up; C-C, its vertical section through the axis, and D-D, that
of the panel that an insert sits in.
"""

_WORD: Final = {"mm": "", "deg": "\u00b0"}
_SIGN: Final = {"diameter": "\u00d8", "radius": "R"}


@dataclass(frozen=True, kw_only=True)
class OnSheet:
    """Where a dimension is drawn on its view.

    Attributes
    ----------
    how : {"across", "upright", "leader", "angle"}
        A length along the page, one up the page, a label on a leader (radii), or one on a leader
        to an arc between the legs of an angle.
    at_mm : tuple of (float, float)
        Places on the view in mm of the part: both ends of a length; of a leader the one place;
        of an angle its vertex, the end of the leg that is parallel to the axis, and of the other.
    side : {"left", "right", "above", "below"}
        Of the view, where the text stands.
    """

    how: Literal["across", "upright", "leader", "angle"]
    at_mm: tuple[tuple[float, float], ...]
    side: Literal["left", "right", "above", "below"]


@dataclass(frozen=True, kw_only=True)
class SheetDimension:
    """One dimension of a part that can be touched.

    Attributes
    ----------
    symbol : str
        As on the drawing, such as ``D`` or ``W1``; each once on a part.
    name : str
        What it is, in plain words.
    how : str
        How it is measured, and with what.
    nominal : float
        What it should be.
    limit : float
        What it may be off, either way, in its unit.
    unit : {"mm", "deg"}
        Of both.
    view : str
        The view that it is drawn on; empty if it stands in the table only.
    shown : OnSheet, optional
        Where on that view.
    sign : {"", "diameter", "radius"}
        What stands before the number.
    is_auxiliary : bool
        Whether it follows from others and is given for checking, in parentheses (ISO 129-1).
    is_fit : bool
        Whether only what is mounted depends on it, and nothing that sound meets.
    """

    symbol: str
    name: str
    how: str
    nominal: float
    limit: float
    unit: Literal["mm", "deg"] = "mm"
    view: View = ""
    shown: OnSheet | None = None
    sign: Literal["", "diameter", "radius"] = ""
    is_auxiliary: bool = False
    is_fit: bool = False

    @property
    def number_text(self) -> str:
        """The nominal with decimals that suit the limit."""
        return f"{self.nominal:.{decimals(self.limit)}f}"

    @property
    def nominal_text(self) -> str:
        """The nominal with its sign and unit, in parentheses if it is auxiliary."""
        text = f"{_SIGN.get(self.sign, '')}{self.number_text}{_WORD[self.unit]}"
        return f"({text})" if self.is_auxiliary else text

    @property
    def limit_text(self) -> str:
        """The limit with as many decimals, and its unit."""
        return f"\u00b1{self.limit:.{decimals(self.limit)}f}{_WORD[self.unit]}"


def general(
    symbol: str,
    name: str,
    how: str,
    nominal: float,
    *,
    unit: Literal["mm", "deg"] = "mm",
    view: View = "",
    shown: OnSheet | None = None,
    sign: Literal["", "diameter", "radius"] = "",
    is_edge: bool = False,
    leg_mm: float | None = None,
    is_auxiliary: bool = False,
) -> SheetDimension:
    """Return a dimension with the limit of the general tolerances (ISO 2768-m).

    Parameters
    ----------
    symbol, name, how, nominal, unit, view, shown, sign, is_auxiliary
        As `SheetDimension` has them.
    is_edge : bool
        Whether it is an external radius or the height of a chamfer.
    leg_mm : float, optional
        Shorter leg of an angle.
    """
    return SheetDimension(
        symbol=symbol,
        name=name,
        how=how,
        nominal=nominal,
        limit=general_limit(nominal, unit, is_edge=is_edge, leg_mm=leg_mm),
        unit=unit,
        view=view,
        shown=shown,
        sign=sign,
        is_auxiliary=is_auxiliary,
    )


def decimals(limit: float) -> int:
    """Return the decimals that suit a limit: one for a tenth, two for less than that.

    Examples
    --------
    >>> decimals(0.1), decimals(0.3), decimals(2.0), decimals(0.05)
    (1, 1, 1, 2)
    """
    return max(1, math.ceil(-math.log10(limit) - 1e-9))
