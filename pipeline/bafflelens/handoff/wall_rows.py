# SPDX-License-Identifier: GPL-3.0-or-later
"""What A-A tells of a lens: its depth, throat and mouth, and its walls.

A wall that is curved is given by its heights at depths below the front plane, one after the
other, as ISO 129-1 does with curves (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final, Literal

from bafflelens.handoff.dimension import OnSheet, SheetDimension, general
from bafflelens.handoff.lens_wall import LensWall

_MOST_STATIONS: Final = 8
_STEPS_MM: Final = (1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 20.0)
RADIUS_GAUGE: Final = "radius gauge, or the template of the section"


def depth_row(wall: LensWall, front: float, z: float) -> SheetDimension:
    """Return the depth of a lens."""
    foot = (front - wall.depth, z + wall.foot)
    return general(
        "D",
        "depth of the lens, from the front plane to the driver's seat",
        "straight edge over the front plane, depth rod to the floor beside the driver",
        wall.depth,
        view="A-A",
        shown=OnSheet(how="across", at_mm=(foot, (front, z + wall.mouth)), side="above"),
    )


def wall_rows(
    number: str,
    wall: LensWall,
    z: float,
    front: float,
    *,
    which: str = "",
    way: int = 0,
    around: bool = False,
) -> Iterator[SheetDimension]:
    """Yield throat, mouth, and walls: of both if they are alike, else of one from the axis."""
    both = way == 0
    factor, sign = (2, 1) if both else (1, way)
    low = -1 if both else 0
    inside = "inside calipers" + (", two ways" if around else ", at mid width")
    how = inside if both else "height gauge on the driver's axis"
    across = "diameter" if around else "height"
    mark: Literal["", "diameter"] = "diameter" if around else ""

    def upright(
        symbol: str, name: str, how: str, height: float, depth: float, auxiliary: bool = False
    ) -> SheetDimension:
        ends = tuple((front - depth, z + s * height) for s in sorted((sign, low * sign)))
        return general(
            symbol + number, name, how, factor * height, view="A-A", sign=mark,
            is_auxiliary=auxiliary, shown=OnSheet(how="upright", at_mm=ends, side="right"),
        )  # fmt: skip

    name = f"throat {across}" if both else f"axis to the foot of the {which}wall"
    yield upright("V", f"{name}, on the floor", how, wall.foot, wall.depth)
    if wall.lip is not None:
        lip_at = (front + wall.lip.middle[0], z + sign * wall.lip.middle[1])
        yield general(
            f"Y{number}", f"radius of the {which}lip{'s' if both else ''}, wall into front plane",
            RADIUS_GAUGE, wall.lip.radius, view="A-A", sign="radius", is_edge=True,
            shown=OnSheet(how="leader", at_mm=(lip_at,), side="left"),
        )  # fmt: skip
    if wall.straight is not None:
        foot, end = ((front + x, z + sign * h) for x, h in wall.straight.points[[0, -1]].tolist())
        yield general(
            f"Q{number}", f"{which}wall from the driver's axis",
            "bevel protractor on the straight wall, stock on the floor; 90\u00b0 less its reading",
            wall.straight.angle_deg, unit="deg", leg_mm=wall.straight.length, view="A-A",
            shown=OnSheet(how="angle", at_mm=(foot, (front, foot[1]), end), side="left"),
        )  # fmt: skip
    else:
        yield from _ordinates(wall, number, factor, sign, which, how, (z, front), around)
    text = f"mouth {across}" if both else f"axis to the {which}mouth"
    if wall.lip is None:
        yield upright("M", f"{text}, between the edges in the front plane", how, wall.mouth, 0.0)
    else:
        way_out = "between the ends of the lips" if both else "end of the lip"
        touch = "straight edge on the front plane with marking blue: where its contact ends"
        yield upright("M", f"{text} over the lips, {way_out}", touch, wall.mouth, 0.0, True)


def _ordinates(
    wall: LensWall,
    number: str,
    factor: int,
    sign: int,
    which: str,
    how: str,
    place: tuple[float, float],
    around: bool,
) -> Iterator[SheetDimension]:
    """Yield heights of a curved wall at depths: from near the floor to where the lip begins."""
    z, front = place
    for n, depth in enumerate(_stations(wall), start=1):
        height = wall.height(depth)
        what = "diameter" if around else "height between the walls"
        name = what if factor == 2 else f"axis to the {which}wall"
        yield general(
            f"X{number}{'.' if number else ''}{n}",
            f"{name}, {depth:.1f} mm below the front plane",
            f"{how}, its jaws {depth:.1f} mm deep; or the template of the section",
            factor * height, view="A-A", sign="diameter" if around else "",
            shown=OnSheet(
                how="leader", at_mm=((front - depth, z + sign * height),), side="left"
            ),
        )  # fmt: skip


def _stations(wall: LensWall) -> list[float]:
    """Return the depths at which a curved wall is measured, deepest first, in whole tenths."""
    end = 0.0 if wall.lip is None else round(-float(wall.lip.points[0, 0]), 1)
    step = next((s for s in _STEPS_MM if (wall.depth - end) / s <= _MOST_STATIONS), _STEPS_MM[-1])
    first, last = (
        math.floor((wall.depth - 0.3 * step) / step),
        math.ceil((end + 0.3 * step) / step),
    )
    depths = [step * n for n in range(first, last - 1, -1) if step * n > 0]
    return depths if wall.lip is None else [*depths, end]
