# SPDX-License-Identifier: GPL-3.0-or-later
"""``[handoff]``: the shop's figures, how the part is made, and how its driver is held."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Final, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from bafflelens.job.section_base import JobSection, Numbers, is_number, refuse

ANALYSED: Final = "analysed"
PANEL: Final = "front panel"
INSERT: Final = "insert"
SHELL: Final = "shell"
ROUNDED: Final = "rounded"
AS_CUT: Final = "as cut"

Thread = Literal[
    "M2.5", "M3", "M4", "M5", "M6", "M8", "wood 3", "wood 3.5", "wood 4", "wood 4.5", "wood 5"
]
_PITCH_MM: Final = {"M2.5": 0.45, "M3": 0.5, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M8": 1.25}
"""Coarse pitches, ISO 261 and ISO 262 (from memory)."""
_WOOD_SHARE: Final = 0.7  # of a wood screw's diameter: common practice, no source
_RUN_OUT_PITCHES: Final = 3.0  # of a tapped blind hole: common practice, no source

_SHEETS_RULE: Final = "a list of one to six numbers from 1 to 100 mm, the front sheet first"
_PLACES_RULE: Final = (
    "a list of places [left, up] in mm from the driver's axis, at most 8, from -2000 to 2000"
)
_MOST_SHEETS: Final = 6
_THICKEST_MM: Final = 100.0
_MOST_PLACES: Final = 8
_FARTHEST_MM: Final = 2000.0


def _sheets(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) > _MOST_SHEETS:
        refuse(_SHEETS_RULE)
    if not all(is_number(v) and 1 <= v <= _THICKEST_MM for v in value):
        refuse(_SHEETS_RULE)
    return tuple(float(v) for v in value)


def _places(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) > _MOST_PLACES:
        refuse(_PLACES_RULE)
    for row in value:
        if not isinstance(row, list | tuple) or len(row) != 2:
            refuse(_PLACES_RULE)
        if not all(is_number(v) and abs(v) <= _FARTHEST_MM for v in row):
            refuse(_PLACES_RULE)
    return tuple((float(across), float(up)) for across, up in value)


class HandoffSection(JobSection):
    """``[handoff]``: what the prototype shop works with, and how the part is made."""

    station_spacing_mm: float = Field(default=30.0, ge=2, le=500)
    fan_step_deg: float = Field(default=45.0, ge=5, le=90)
    chord_mm: float = Field(default=0.1, ge=0.01, le=1)
    page: Literal["A4", "A3", "roll"] = "A4"
    cutter_mm: float = Field(default=6.0, ge=0.1, le=100)
    inner_corners: Literal["rounded", "rounded or as cut", "as cut"] = ROUNDED
    least_wall_mm: float = Field(default=3.0, ge=0.1, le=100)
    least_draft_deg: float = Field(default=0.0, ge=0, le=45)
    overhang_deg: float = Field(default=45.0, ge=1, le=90)
    dome_travel_mm: float = Field(default=1.0, ge=0, le=20)
    made: Literal["analysed", "front panel", "insert", "shell"] = ANALYSED
    panel_mm: Annotated[Numbers, BeforeValidator(_sheets)] = Field(
        default=(), json_schema_extra={"rule": _SHEETS_RULE}
    )
    backing_mm: float | None = Field(default=None, ge=0, le=200)
    backing_margin_mm: float = Field(default=15.0, ge=0, le=200)
    wall_mm: float = Field(default=18.0, ge=0.5, le=100)
    insert_mm: float | None = Field(default=None, ge=10, le=1000)
    insert_flange_mm: float | None = Field(default=None, ge=10, le=1000)
    insert_flange_depth_mm: float = Field(default=6.0, ge=0.5, le=100)
    insert_gap_mm: float = Field(default=0.2, ge=0, le=5)
    driver_from: Literal["behind", "front"] = "behind"
    hole_mm: float | None = Field(default=None, ge=5, le=1000)
    flange_mm: float | None = Field(default=None, ge=10, le=1000)
    flange_depth_mm: float = Field(default=4.0, ge=0.2, le=50)
    rim_ahead_mm: float = Field(default=0.0, ge=0, le=50)
    gasket_mm: float = Field(default=0.0, ge=0, le=10)
    magnet_mm: float | None = Field(default=None, ge=5, le=500)
    driver_depth_mm: float | None = Field(default=None, ge=1, le=500)
    clearance_mm: float = Field(default=0.5, ge=0, le=10)
    screws: int = Field(default=0, ge=0, le=24)
    screw_circle_mm: float | None = Field(default=None, ge=10, le=1000)
    screw_angle_deg: float = Field(default=0.0, ge=0, le=360)
    screw_head_mm: float = Field(default=8.0, ge=1, le=50)
    screw_thread: Thread | None = None
    screw_depth_mm: float = Field(default=10.0, ge=1, le=100)
    pilot_mm: float | None = Field(default=None, ge=0.5, le=20)
    locating_mm: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_places)] = Field(
        default=(), json_schema_extra={"rule": _PLACES_RULE}
    )
    locating_hole_mm: float = Field(default=6.0, ge=1, le=30)
    locating_depth_mm: float = Field(default=8.0, ge=1, le=100)
    material: str = "as the shop proposes"
    finish: str = "smooth, no steps at joints"

    @property
    def sheets_mm(self) -> tuple[float, ...]:
        """Thicknesses of the front, sheet by sheet; that of the walls where none is given."""
        return self.panel_mm or ((self.wall_mm,) if self.made == SHELL else ())

    @property
    def pilot_hole_mm(self) -> float:
        """Diameter of a pilot hole: thread less pitch, the tap drill of ISO 2306 (from memory)."""
        if self.pilot_mm is not None or self.screw_thread is None:
            return self.pilot_mm or 0.0
        kind, _, size = self.screw_thread.rpartition(" ")
        if kind == "wood":
            return round(_WOOD_SHARE * float(size), 1)
        return round(float(size.removeprefix("M")) - _PITCH_MM[size], 2)

    @property
    def pilot_depth_mm(self) -> float:
        """How deep a pilot hole is: the thread, and what a tap runs out in."""
        run_out = _RUN_OUT_PITCHES * _PITCH_MM.get(self.screw_thread or "", 0.0)
        return round(self.screw_depth_mm + run_out, 2)

    @property
    def pocket_mm(self) -> float:
        """Diameter of what is open around the flange."""
        return (self.flange_mm or 0.0) + 2 * self.clearance_mm

    @model_validator(mode="after")
    def _makeable(self) -> Self:
        if self.made != ANALYSED:
            rules = [*self._rules_of_panel(), *self._rules_of_seat(), *self._rules_of_insert()]
            if rules:
                refuse("; ".join(rules))
        return self

    def _rules_of_panel(self) -> Iterator[str]:
        if self.made in (PANEL, INSERT) and not self.panel_mm:
            yield f"one with panel_mm where made is '{self.made}'"
        if self.made == SHELL and self.locating_mm:
            yield "one without locating_mm where made is 'shell': it has no back to drill from"
        if self.locating_mm and self.locating_depth_mm + self.least_wall_mm > sum(self.panel_mm):
            yield (
                f"one whose locating_depth_mm ({self.locating_depth_mm:g}) leaves least_wall_mm "
                f"({self.least_wall_mm:g}) of the panel of {sum(self.panel_mm):g} mm"
            )

    def _rules_of_seat(self) -> Iterator[str]:
        hole, flange, circle = self.hole_mm, self.flange_mm, self.screw_circle_mm
        if hole is not None and hole < self.cutter_mm:
            yield f"one whose hole_mm ({hole:g}) is at least cutter_mm ({self.cutter_mm:g})"
        if flange is None:
            if self.screws:
                yield "one with flange_mm where there are screws: they go into the flange's seat"
            return
        if hole is not None and hole + 2 * self.least_wall_mm > flange:
            yield f"one whose hole_mm ({hole:g}) leaves the flange of {flange:g} mm a seat"
        wall = self.rim_ahead_mm - self.gasket_mm
        if self.driver_from == "behind" and wall < self.least_wall_mm:
            yield (
                f"one whose rim_ahead_mm ({self.rim_ahead_mm:g}) less gasket_mm "
                f"({self.gasket_mm:g}) is at least least_wall_mm ({self.least_wall_mm:g}) where "
                "the driver comes from behind: that is the wall before its flange"
            )
        if self.driver_from == "front":
            if hole is None:
                yield "one with hole_mm where the driver comes from the front"
            elif self.magnet_mm is not None and self.magnet_mm + 2 * self.clearance_mm > hole:
                yield (
                    f"one whose hole_mm ({hole:g}) lets magnet_mm ({self.magnet_mm:g}) through "
                    f"with clearance_mm ({self.clearance_mm:g}) on both sides"
                )
        if not self.screws:
            return
        if circle is None or self.screw_thread is None:
            yield "one with screw_circle_mm and screw_thread where there are screws"
            return
        if circle + self.screw_head_mm > flange:
            yield (
                f"one whose screws on {circle:g} mm with heads of {self.screw_head_mm:g} mm lie "
                f"on the flange of {flange:g} mm"
            )
        if hole is not None and circle - self.pilot_hole_mm < hole + 2 * self.least_wall_mm:
            yield (
                f"one whose screws on {circle:g} mm are least_wall_mm ({self.least_wall_mm:g}) "
                f"off the hole of {hole:g} mm"
            )

    def _rules_of_insert(self) -> Iterator[str]:
        if self.made != INSERT:
            return
        body, flange = self.insert_mm, self.insert_flange_mm
        if body is None or flange is None:
            yield "one with insert_mm and insert_flange_mm where made is 'insert'"
            return
        if flange < body + 2 * self.least_wall_mm:
            yield f"one whose insert_flange_mm ({flange:g}) is wider than insert_mm ({body:g})"
        if self.insert_flange_depth_mm + self.least_wall_mm > sum(self.panel_mm):
            yield (
                f"one whose insert_flange_depth_mm ({self.insert_flange_depth_mm:g}) leaves "
                f"least_wall_mm ({self.least_wall_mm:g}) of the panel of {sum(self.panel_mm):g} mm"
            )
        room = max(self.pocket_mm if self.flange_mm else 0.0, self.hole_mm or 0.0)
        if self.magnet_mm is not None and self.driver_from == "behind":
            room = max(room, self.magnet_mm + 2 * self.clearance_mm)
        if room + 2 * self.least_wall_mm > body:
            yield (
                f"one whose insert_mm ({body:g}) leaves least_wall_mm ({self.least_wall_mm:g}) "
                f"around the driver's room of {room:g} mm"
            )
