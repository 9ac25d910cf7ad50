# SPDX-License-Identifier: GPL-3.0-or-later
"""The records of a STEP file as text: what a face or an edge refers to, and more of them.

Curves and surfaces are added as ISO 10303-42 has them (``b_spline_curve_with_knots``,
``b_spline_surface_with_knots``).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.shapes.cad.step_solid import MM

DEGREE: Final = 3
"""Of all splines."""
_STATEMENT: Final = re.compile(r"#(\d+)\s*=\s*(.*?);", re.DOTALL)
_REFERENCE: Final = re.compile(r"#(\d+)")
_ON_CURVE: Final = ("SURFACE_CURVE", "SEAM_CURVE", "INTERSECTION_CURVE")


class StepRecords:
    """The records of a STEP file, by number, to which more are added.

    Attributes
    ----------
    content : dict of int to str
        What is written of each, from its kind to its last bracket.
    """

    def __init__(self, text: str) -> None:
        self.content = {int(number): body.strip() for number, body in _STATEMENT.findall(text)}
        self._text = text
        self._next = max(self.content, default=0) + 1

    def references(self, number: int) -> list[int]:
        """Return the numbers of the records that one refers to, in their order."""
        return [int(other) for other in _REFERENCE.findall(self.content[number])]

    def faces(self) -> list[int]:
        """Return the faces of all closed shells."""
        shells = [n for n, body in self.content.items() if body.startswith("CLOSED_SHELL")]
        return [face for shell in shells for face in self.references(shell)]

    def edges_of(self, face: int) -> Iterator[int]:
        """Yield the edges of a face."""
        for bound in self.references(face)[:-1]:
            for loop in self.references(bound):
                for oriented in self.references(loop):
                    yield self.references(oriented)[-1]

    def corner(self, number: int) -> FloatArray:
        """Return where a corner is, in m."""
        body = self.content[self.references(number)[0]]
        values = body[body.rindex("(") + 1 :].split(")")[0].split(",")
        return MM * np.array([float(value) for value in values])

    def put_edges_in_space(self) -> None:
        """Have each edge lie on its curve in space; readers compute curves on surfaces."""
        for edge, body in self.content.items():
            if body.startswith("EDGE_CURVE"):
                number = self.references(edge)[-1]
                while self.content[number].startswith(_ON_CURVE):
                    number = self.references(number)[0]
                plain = re.sub(r"#\d+(\s*,\s*\.[TF]\.\s*\)\s*)$", rf"#{number}\1", body)
                self.content[edge] = plain

    def add(self, body: str) -> int:
        """Add a record and return its number."""
        number, self._next = self._next, self._next + 1
        self.content[number] = body
        return number

    def point(self, place_m: FloatArray) -> int:
        """Add a point."""
        x, y, z = (f"{value / MM:.9E}" for value in place_m)
        return self.add(f"CARTESIAN_POINT('',({x},{y},{z}))")

    def curve(self, knots: FloatArray, control: FloatArray) -> int:
        """Add a B-spline curve of control points (n, 3)."""
        points = ",".join(f"#{self.point(place)}" for place in control)
        times, values = _written(knots)
        return self.add(
            f"B_SPLINE_CURVE_WITH_KNOTS('',{DEGREE},({points}),.UNSPECIFIED.,.F.,.F.,"
            f"{times},{values},.UNSPECIFIED.)"
        )

    def surface(self, knots: tuple[FloatArray, FloatArray], control: FloatArray) -> int:
        """Add a B-spline surface of control points (n, m, 3)."""
        rows = ",".join(
            "(" + ",".join(f"#{self.point(place)}" for place in row) + ")" for row in control
        )
        (times_u, values_u), (times_v, values_v) = (_written(one) for one in knots)
        return self.add(
            f"B_SPLINE_SURFACE_WITH_KNOTS('',{DEGREE},{DEGREE},({rows}),.UNSPECIFIED.,.F.,.F.,"
            f".F.,{times_u},{times_v},{values_u},{values_v},.UNSPECIFIED.)"
        )

    def file(self) -> str:
        """Return the whole file: its header and end, the records as they are now."""
        text = self._text
        start = text.index("DATA;") + len("DATA;")
        end = text.index("ENDSEC;", start)
        lines = (f"#{number} = {body};" for number, body in self.content.items())
        return text[:start] + "\n" + "\n".join(lines) + "\n" + text[end:]


def _written(knots: FloatArray) -> tuple[str, str]:
    values, times = np.unique(knots, return_counts=True)
    listed = ",".join(f"{value:.12E}" for value in values)
    return "(" + ",".join(map(str, times)) + ")", f"({listed})"
