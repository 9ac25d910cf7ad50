# SPDX-License-Identifier: GPL-3.0-or-later
"""The form on which a shop writes what it measured: the drawing's dimensions, then parameters.

Dimensions lie between places that can be touched. Parameters of a script may be distances to
lines that no finished part has, such as where two walls would meet without their rounding.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from bafflelens.handoff.dimension import SheetDimension, decimals
from bafflelens.handoff.limits import limit_of
from bafflelens.handoff.manifest import nominal_dimensions
from bafflelens.handoff.paper import heading, pages_pdf, paragraph, table

FORM_COLUMNS: Final = ("parameter", "reading", "unit", "nominal", "limit", "name", "how")


def symbols_of(dimensions: Sequence[SheetDimension]) -> dict[str, dict[str, Any]]:
    """Return them by symbol, as the manifest holds them."""
    return {
        one.symbol: {
            "name": one.name,
            "how": one.how,
            "nominal": round(one.nominal, 6),
            "limit": round(one.limit, 6),
            "unit": one.unit,
            **({"fit": True} if one.is_fit else {}),
        }
        for one in dimensions
    }


def form_csv(
    dimensions: Sequence[SheetDimension], manifest: Mapping[str, Any], keys: Sequence[str]
) -> bytes:
    """Return a table to fill in, which ``bafflelens inspect`` reads.

    Parameters
    ----------
    dimensions : sequence of SheetDimension
        The drawing's.
    manifest : mapping
        Values, units and tolerances of the parameters.
    keys : sequence of str
        Parameters of what the shop forms, of parts that are there.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(FORM_COLUMNS)
    writer.writerows(_rows(dimensions, manifest, keys))
    return stream.getvalue().encode()


def form_pdf(
    dimensions: Sequence[SheetDimension],
    manifest: Mapping[str, Any],
    keys: Sequence[str],
    title: str,
) -> bytes:
    """Return the same on paper."""

    def story() -> list[Any]:
        rows = list(_rows(dimensions, manifest, keys))
        heads = ("Symbol", "Reading", "Unit", "Nominal", "May be off", "What it is and how")
        lines = [(*row[:5], f"{row[5]} ({row[6]})") for row in rows]
        reached, others = lines[: len(dimensions)], lines[len(dimensions) :]
        widths, keyed = (32, 26, 12, 20, 24, 66), (50, 26, 12, 20, 24, 48)
        return [
            heading(f"Readings of {title}", size=14),
            paragraph("Part no. ____________   Measured by ____________   Date ____________"),
            heading("The dimensions of the drawing, by their symbols", keeps=False),
            table([heads, *reached], widths, size=8),
            heading("Parameters of the shape, where a gauge reaches them"),
            table([heads, *others], keyed, size=7),
            paragraph(
                "Type the readings into the CSV file of the same name; lines without a reading "
                "are left out. `bafflelens inspect HAND-OFF READINGS.csv` judges them; HAND-OFF "
                "is this zip file or the folder that it was unpacked in.",
                size=7.5,
            ),
        ]

    return pages_pdf(story, title, "in mm and degrees where nothing else is said; by bafflelens")


def _rows(
    dimensions: Sequence[SheetDimension], manifest: Mapping[str, Any], keys: Sequence[str]
) -> Iterator[tuple[str, ...]]:
    for one in dimensions:
        limit = f"{one.limit:.{decimals(one.limit)}f}"
        yield one.symbol, "", one.unit, one.number_text, limit, one.name, one.how
    nominal = nominal_dimensions(manifest)
    for key in keys:
        allowed, is_acoustic = limit_of(manifest, key)
        limit = f"{allowed:.2g}" if math.isfinite(allowed) else "any"
        whose = "beyond that it costs 0.5 dB" if is_acoustic else "ISO 2768-m"
        value, unit = f"{nominal[key]:g}", str(manifest["units"].get(key, ""))
        yield key, "", unit, value, limit, "parameter", whose
