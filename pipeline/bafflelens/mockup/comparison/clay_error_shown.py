# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the clay seems wrong: in words, as a picture and as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from bafflelens.base.conventions import FloatArray
from bafflelens.base.place_words import NEAR_M, where
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.mockup.clay_map.pictures import draw_triangles
from bafflelens.mockup.comparison.clay_error import TOLD, ClayError
from bafflelens.report.style import drawn

MOST_PLACES: Final = 4
PICTURE: Final = "clay_error.png"
TABLE: Final = "clay_error.csv"

_COLOURS: Final = "RdBu_r"
_BODY: Final = (0.945, 0.949, 0.933)
_CERTAIN: Final = 2.0  # standard deviations: 95 %
_LEAST_M: Final = 0.2e-3  # what no shop would mind


@dataclass(frozen=True, kw_only=True)
class ShownClayError:
    """Where the clay seems wrong, as a page and its folder show it.

    Attributes
    ----------
    lines : tuple of str
        In words; why it was not looked for, where it was not.
    files : mapping of str to bytes
        Picture and table by name; empty where it was not looked for.
    """

    lines: tuple[str, ...] = ()
    files: Mapping[str, bytes] = field(default_factory=dict)


NOT_LOOKED_FOR: Final = ShownClayError()


def shown_clay_error(found: ClayError, title: str) -> ShownClayError:
    """Return words, picture and table."""
    return ShownClayError(
        lines=clay_error_lines(found),
        files={
            PICTURE: drawn(lambda: clay_error_picture(found, title), "png"),
            TABLE: clay_error_csv(found),
        },
    )


def clay_error_lines(found: ClayError) -> tuple[str, ...]:
    """Return what is said of it: what to do, how sure that is, and what cannot be told."""
    band = f"{found.from_hz:.0f} to {found.to_hz:.0f} Hz"
    if not found.is_told:
        return (
            f"The clay is not to blame as far as {band} can tell: moving it explains the "
            f"difference of {found.before_db:.2f} dB no better than other causes do.",
            *_limits(found),
        )
    places = _places(found)
    lines = [
        f"From {band}, clay that is not where it should be explains part of the difference: it "
        f"falls from {found.before_db:.2f} to {found.after_db:.2f} dB r.m.s. within 90°."
    ]
    for place in places:
        height_mm = 1e3 * found.height_m[place]
        range_mm = 1e3 * _CERTAIN * found.deviation_m[place]
        much, verb = ("too much", "take") if height_mm > 0 else ("too little", "add")
        lines.append(
            f"{abs(height_mm):.1f} mm {much} clay {_where(found, place)} "
            f"(±{range_mm:.1f} mm, 95 %): {verb} it there and measure again."
        )
    if not places:
        lines.append("No single place stands out; the map shows where it may lie.")
    highest = float(np.abs(found.height_m).max())
    if highest > found.straight_m:
        lines.append(
            f"The estimate holds up to about {1e3 * found.straight_m:.1f} mm here; a larger "
            "figure says which way to go, not how far."
        )
    return (*lines, *_limits(found))


def _limits(found: ClayError) -> list[str]:
    """Return what the data cannot tell."""
    areas = found.mesh.areas[found.numbers]
    share = float(areas[found.told >= TOLD].sum() / areas.sum())
    lines = [
        f"Only faults about {1e3 * found.resolution_m:.0f} mm wide or more can be seen; two that "
        "are closer together look like one.",
        f"The data say something about {100 * share:.0f} % of the clay within 250 mm of the dome; "
        "the rest is grey on the map.",
    ]
    if found.symmetry:
        text = "Shape and simulation are the same left and right, so a place stands for both"
        if found.lopsided_db >= 0.1:
            text += (
                f". The two sides differ by {found.lopsided_db:.2f} dB r.m.s., which no fault "
                "that is the same on both can explain: scan the clay, or measure it turned over"
            )
        lines.append(f"{text}.")
    lines.append(
        "A dome that does not move as one piece, or a cabinet of other size, may look like clay: "
        "a scan decides."
    )
    return lines


def _places(found: ClayError) -> list[int]:
    """Return the places that are off for certain, the surest first, none near another."""
    points = found.mesh.centroids[found.numbers]
    surety = np.abs(found.height_m) / np.maximum(found.deviation_m, 1e-9)
    open_ = (surety > _CERTAIN) & (np.abs(found.height_m) > _LEAST_M) & (found.told >= TOLD)
    places: list[int] = []
    while open_.any() and len(places) < MOST_PLACES:
        place = int(np.where(open_, np.abs(found.height_m), 0.0).argmax())
        places.append(place)
        for sign in mirror_signs(found.symmetry):
            away = np.linalg.norm(points * sign - points[place], axis=1)
            open_ &= away > 2 * max(found.resolution_m, found.length_m)
    return places


def _where(found: ClayError, place: int) -> str:
    triangle = found.numbers[place]
    centre = found.mesh.centroids[triangle]
    both = "y" in found.symmetry and abs(centre[1]) >= NEAR_M
    spot = where(centre, is_mirrored=both)
    return f"{'on the axis' if spot == 'the axis' else spot} ({found.mesh.surface[triangle]})"


def clay_error_picture(found: ClayError, title: str) -> Figure:
    """Return the map of the clay from the front, and of how sure it is."""
    figure = Figure(figsize=(10.5, 6.4), layout="constrained")
    figure.suptitle(title)
    views = list(figure.subplots(1, 2, subplot_kw={"aspect": "equal"}))
    height_mm, range_mm = 1e3 * found.height_m, 1e3 * _CERTAIN * found.deviation_m
    limit = max(0.5, float(np.ceil(2 * np.abs(height_mm).max()) / 2))
    is_told = found.told >= TOLD
    left = colormaps[_COLOURS]((height_mm / limit + 1) / 2)
    left[~is_told] = colormaps["Greys"](0.2)
    top = max(0.5, float(np.ceil(2 * range_mm.max()) / 2))
    right = colormaps["cividis"](range_mm / top)
    for axes, colours, name, scale, label in (
        (views[0], left, "Too much (red), too little (blue)", (_COLOURS, -limit, limit),
         "mm farther out than it should be; grey: not told"),
        (views[1], right, "How sure", ("cividis", 0.0, top), "± mm (95 %)"),
    ):  # fmt: skip
        _draw_front(axes, found, np.asarray(colours)[:, :3])
        axes.set(title=name, xlabel="y, to its own left (mm)", ylabel="z, up (mm)")
        colour_map, low, high = scale
        mappable = ScalarMappable(Normalize(low, high), colour_map)
        figure.colorbar(mappable, ax=axes, location="bottom", shrink=0.8).set_label(label)
    for number, place in enumerate(_places(found) if found.is_told else [], start=1):
        for sign in mirror_signs(found.symmetry):
            _, y, z = 1e3 * found.mesh.centroids[found.numbers[place]] * sign
            views[0].plot(y, z, "o", markersize=4, markerfacecolor="white", color="black")
            views[0].annotate(str(number), (y, z), (5, 5), textcoords="offset points")
    return figure


def _draw_front(axes: Axes, found: ClayError, colours: FloatArray) -> None:
    """Draw the surface from the front with its clay in colours (n_clay, 3)."""
    painted = np.tile(_BODY, (found.mesh.n_triangles, 1))
    painted[found.numbers] = colours
    copies = 2 ** len(found.symmetry)
    draw_triangles(axes, found.mesh.whole(found.symmetry), np.tile(painted, (copies, 1)))
    reach = 1.1e3 * np.abs(found.mesh.centroids[found.numbers, 1:]).max(axis=0)
    axes.set_xlim(-reach[0], reach[0])
    axes.set_ylim(-reach[1], reach[1])


def clay_error_csv(found: ClayError) -> bytes:
    """Return the map as a table: place, how much too far out, how sure, and how much is told."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        ["x_mm", "y_mm", "z_mm", "surface", "too_far_out_mm", "range_95_mm", "share_told"]
    )
    points = 1e3 * found.mesh.centroids[found.numbers]
    for row, place in enumerate(points):
        writer.writerow(
            [
                *(f"{value:.1f}" for value in place),
                found.mesh.surface[found.numbers[row]],
                f"{1e3 * found.height_m[row]:.3f}",
                f"{1e3 * _CERTAIN * found.deviation_m[row]:.3f}",
                f"{found.told[row]:.2f}",
            ]
        )
    return stream.getvalue().encode()
