# SPDX-License-Identifier: GPL-3.0-or-later
"""What calipers reach on a made part: a symbol, a name, a nominal, a limit and the way to measure.

All are distances between places that can be touched. Parameters of a script may be distances to
lines that no finished part has, such as where two walls would meet without their rounding.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.limits import general_limit, limit_of
from bafflelens.handoff.manifest import nominal_dimensions
from bafflelens.handoff.paper import heading, pages_pdf, paragraph, table
from bafflelens.mesh.source_motion import SourceMotion

FORM_COLUMNS: Final = ("parameter", "reading", "unit", "nominal", "limit", "name", "how")
_ROUNDED_SHARE: Final = 0.25  # of a tolerance, at most, is lost by rounding the nominal


@dataclass(frozen=True, kw_only=True)
class Caliper:
    """One dimension that calipers reach.

    Attributes
    ----------
    symbol : str
        As on the drawing.
    name, how : str
        What it is and how it is measured.
    nominal_mm : float
        What it should be.
    """

    symbol: str
    name: str
    how: str
    nominal_mm: float

    @property
    def limit_mm(self) -> float:
        """What it may be off by general tolerances, in mm."""
        return general_limit(self.nominal_mm, "mm")

    @property
    def nominal_text(self) -> str:
        """The nominal with decimals that suit the tolerance."""
        return f"{self.nominal_mm:.{decimals(self.limit_mm)}f}"


def decimals(limit: float) -> int:
    """Return the fewest decimals with which rounding takes at most a quarter of a tolerance.

    Examples
    --------
    >>> decimals(0.1), decimals(0.3), decimals(2.0)
    (2, 1, 0)
    """
    return max(0, math.ceil(-math.log10(2 * _ROUNDED_SHARE * limit) - 1e-9))


def calipers_of(box_mm: FloatArray, motion: SourceMotion) -> tuple[Caliper, ...]:
    """Return what calipers reach.

    Parameters
    ----------
    box_mm : (2, 3) array
        Lowest and highest corner of the part.
    motion : SourceMotion
        Its first driver.
    """
    x, y, z = (1e3 * value for value in motion.centre)
    depth, width, height = (box_mm[1] - box_mm[0]).tolist()
    high = box_mm[1].tolist()
    radius = 1e3 * motion.outer_radius_m
    across = "calipers over both sides, at mid height"
    edge = "from the edge to the nearer side of the cut-out, plus half of its diameter"
    found = (
        ("B", "overall width", across, width),
        ("H", "overall height", "calipers over top and bottom, at mid width", height),
        ("T", "overall depth", "calipers from the back to the foremost place", depth),
        ("D", "depth over the lips to the driver's rim",
         "straight edge over the foremost places, depth rod to the rim", high[0] - x),
        ("E", "left side to the driver's axis", edge, high[1] - y),
        ("F", "top to the driver's axis", edge, high[2] - z),
        ("G", "diameter of the driver's cut-out", "inside jaws, two ways", 2 * radius),
    )  # fmt: skip
    return tuple(
        Caliper(symbol=symbol, name=name, how=how, nominal_mm=nominal)
        for symbol, name, how, nominal in found
        if nominal > 0
    )


def symbols_of(calipers: Sequence[Caliper]) -> dict[str, dict[str, Any]]:
    """Return them by symbol, as the manifest holds them."""
    return {
        c.symbol: {"name": c.name, "how": c.how, "nominal_mm": round(c.nominal_mm, 6)}
        for c in calipers
    }


def form_csv(
    calipers: Sequence[Caliper], manifest: Mapping[str, Any], keys: Sequence[str]
) -> bytes:
    """Return a table to fill in, which ``bafflelens inspect`` reads.

    Parameters
    ----------
    calipers : sequence of Caliper
        What calipers reach.
    manifest : mapping
        Values, units and tolerances of the parameters.
    keys : sequence of str
        Parameters of what the shop forms, of parts that are there.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(FORM_COLUMNS)
    writer.writerows(_rows(calipers, manifest, keys))
    return stream.getvalue().encode()


def form_pdf(
    calipers: Sequence[Caliper], manifest: Mapping[str, Any], keys: Sequence[str], title: str
) -> bytes:
    """Return the same on paper."""

    def story() -> list[Any]:
        rows = list(_rows(calipers, manifest, keys))
        heads = ("Symbol", "Reading", "Unit", "Nominal", "May be off", "What it is and how")
        lines = [(*row[:5], f"{row[5]}: {row[6]}") for row in rows]
        reached, others = lines[: len(calipers)], lines[len(calipers) :]
        widths = (32, 26, 12, 20, 24, 66)
        return [
            heading(f"Readings of {title}", size=14),
            paragraph("Part no. ____________   Measured by ____________   Date ____________"),
            heading("What calipers reach; symbols as on the drawing"),
            table([heads, *reached], widths, size=8),
            heading("Parameters of the shape, where a gauge reaches them"),
            table([heads, *others], widths, size=7),
            paragraph(
                "Type the readings into the CSV file of the same name; lines without a reading "
                "are left out. `bafflelens inspect HAND-OFF READINGS.csv` judges them; HAND-OFF "
                "is this zip file or the folder that it was unpacked in.",
                size=7.5,
            ),
        ]

    return pages_pdf(story, title, "in mm and degrees where nothing else is said; by bafflelens")


def _rows(
    calipers: Sequence[Caliper], manifest: Mapping[str, Any], keys: Sequence[str]
) -> Iterator[tuple[str, ...]]:
    for one in calipers:
        limit = f"{one.limit_mm:g}"
        yield one.symbol, "", "mm", one.nominal_text, limit, one.name, one.how
    nominal = nominal_dimensions(manifest)
    for key in keys:
        allowed, is_acoustic = limit_of(manifest, key)
        limit = f"{allowed:.2g}" if math.isfinite(allowed) else "any"
        whose = "beyond that it costs 0.5 dB" if is_acoustic else "ISO 2768-m"
        value, unit = f"{nominal[key]:g}", str(manifest["units"].get(key, ""))
        yield key, "", unit, value, limit, "parameter", whose
