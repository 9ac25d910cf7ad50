# SPDX-License-Identifier: GPL-3.0-or-later
"""A clay map in plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from bafflelens.base.place_words import where
from bafflelens.mockup.clay_map.kept_slope import LEAST_DB_PER_MM
from bafflelens.mockup.clay_map.places import ClayMap, ClayPlace
from bafflelens.mockup.clay_map.second_step import SecondStep

CAUTION: Final = (
    "Caution: clay and fillers that are sanded or cut give dust, and some fillers give vapours. "
    "Disconnect and cover the driver, work with extraction or wet, with mask and eye protection, "
    "by the maker's data sheet, local codes and the shop's own rules. Leave what holds, seals or "
    "clears the driver as it is."
)


def list_text(
    name: str, found: ClayMap, places: Sequence[ClayPlace], step: SecondStep | None
) -> str:
    """Return the list of places, and how far to believe it.

    Parameters
    ----------
    name : str
        What was mapped.
    found : ClayMap
        The map.
    places : sequence of Place
        The best places; empty if none is worth it.
    step : SecondStep or None
        What the clay does once it is on; None where that was not solved.
    """
    slopes, across_mm = found.slopes, 1e3 * found.across_m
    values = slopes.values_db
    lines = [
        f"Clay map of {name}",
        f"score {values['score']:.2f} dB: vertical control {values['vertical_control']:.2f}, "
        f"horizontal width {values['horizontal_width']:.2f}, "
        f"side effects {values['side_effects']:.2f}",
        f"slopes at {len(slopes.frequencies_hz)} frequencies, "
        f"{slopes.frequencies_hz[0]:.0f} to {slopes.frequencies_hz[-1]:.0f} Hz; bumps with round "
        f"shoulders, {across_mm:.0f} mm across at their foot",
        "",
    ]
    if places:
        lines += [f"{n}. {place_text(place, across_mm)}" for n, place in enumerate(places, 1)]
        lines += ["", *trust_lines(places, step)]
    else:
        lines.append(no_place_text(across_mm))
    return "\n".join([*lines, "", CAUTION]) + "\n"


def no_place_text(across_mm: float) -> str:
    """Return that nothing is to be done."""
    return (
        f"no place where a bump of {across_mm:.0f} mm does more than {LEAST_DB_PER_MM:g} dB "
        "per mm: the shape is as good as such bumps can make it"
    )


def place_text(place: ClayPlace, across_mm: float) -> str:
    """Return what to do at a place, and what it does.

    Examples
    --------
    add 3 mm at 45 mm above the axis (lens), over 30 mm: about -0.50 dB; most of it at 8 to 12 kHz
    """
    verb = "add" if place.amount_mm > 0 else "take"
    change = place.change_db
    parts = ", ".join(
        f"{label} {change[key]:+.2f}"
        for key, label in (
            ("vertical_control", "vertical"),
            ("horizontal_width", "horizontal"),
            ("side_effects", "side effects"),
        )
    )
    spot = where(place.centre, is_mirrored=place.is_mirrored)
    return (
        f"{verb} {abs(place.amount_mm):g} mm at {spot} ({place.surface}), "
        f"over {across_mm:.0f} mm: about {change['score']:+.2f} dB; "
        f"most of it at {_range_text(place)} ({parts})"
    )


def _range_text(place: ClayPlace) -> str:
    low, high = _khz(place.from_hz), _khz(place.to_hz)
    return f"{high} kHz" if low == high else f"{low} to {high} kHz"


def _khz(frequency_hz: float) -> str:
    return f"{frequency_hz / 1e3:.2g}"


def trust_lines(places: Sequence[ClayPlace], step: SecondStep | None) -> list[str]:
    """Return how far the straight line can be believed."""
    together = f"all {len(places)} together" if len(places) > 1 else "this alone"
    if step is None:
        return [
            "How far to believe it: not known, as the second step was not solved. These are "
            "slopes; a change does less, or something else, the larger it is."
        ]
    predicted = (
        f"{together} were expected to change the score by {step.predicted_db['score']:+.2f} dB"
    )
    if step.reason:
        return [f"How far to believe it: not known. {predicted}, but {step.reason}."]
    verdict = _verdict(step.predicted_db, step.found_db)
    lines = [
        f"How far to believe it: {predicted}; solved with the clay on it is "
        f"{step.found_db['score']:+.2f} dB ({verdict}).",
        "by parts, expected and found: "
        + "; ".join(
            f"{label} {step.predicted_db[key]:+.2f}, {step.found_db[key]:+.2f}"
            for key, label in (
                ("vertical_control", "vertical control"),
                ("horizontal_width", "horizontal width"),
                ("side_effects", "side effects"),
            )
        ),
    ]
    if math.isfinite(step.believed_mm):
        lines.append(
            "if what is missed grows with the square of the height, the slopes are right to a "
            f"quarter up to about {_rounded_mm(step.believed_mm, places)}; beyond that, map again"
        )
    return lines


def _rounded_mm(believed_mm: float, places: Sequence[ClayPlace]) -> str:
    """Return a height; not far beyond what was tried."""
    tried_mm = max(abs(place.amount_mm) for place in places)
    if believed_mm > 2 * tried_mm:
        return f"{2 * tried_mm:.2g} mm, twice what was tried, or more"
    return f"{believed_mm:.2g} mm"


def _verdict(predicted: Mapping[str, float], found: Mapping[str, float]) -> str:
    expected, got = predicted["score"], found["score"]
    if got >= 0:
        return "it got no better: such a step is too large"
    share = got / expected
    if 0.75 <= share <= 1.25:
        return f"{share:.0%} of it: the slopes hold"
    return f"{share:.0%} of it: {'less' if share < 1 else 'more'} than the slopes say"
