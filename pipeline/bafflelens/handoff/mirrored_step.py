# SPDX-License-Identifier: GPL-3.0-or-later
"""A STEP file's mirror image, surface by surface, as the file's text.

The kernel's own mirror makes a spline of every face, planes and cylinders included; a shop wants
them as what they are. ISO 10303-42 builds them on placements, which are always right-handed: a
mirrored placement (its origin and two directions) has its third direction turned round. So the
mirrored surface S' of a surface S(u, v) that goes round an axis, or of a plane, is the image of
S(-u, v), and its normal the image of the normal; a circle's image runs the other way. Of what
has no placement, splines and lines, the image is that of the same parameters, so that the normal
of a spline is turned round. Loops run round a face the other way in any case.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from bafflelens.base.errors import MeshingError, invalid

_STATEMENT: Final = re.compile(r"#(\d+)\s*=\s*(.*?);", re.DOTALL)
_TRIPLE: Final = re.compile(
    r"((?:CARTESIAN_POINT|DIRECTION)\('[^']*',\s*\()([^,()]+),([^,()]+),([^,()]+)(\)\))"
)
_FLAG: Final = re.compile(r"\.([TF])\.\s*\)\s*$")
_REFERENCE: Final = re.compile(r"#(\d+)")
_TURNING_CURVES: Final = ("CIRCLE", "ELLIPSE", "PARABOLA", "HYPERBOLA")
_PLAIN_CURVES: Final = ("LINE", "POLYLINE", "B_SPLINE", "BEZIER", "BOUNDED_CURVE", "(")
_KEPT_SURFACES: Final = (
    "PLANE",
    "CYLINDRICAL_SURFACE",
    "CONICAL_SURFACE",
    "SPHERICAL_SURFACE",
    "TOROIDAL_SURFACE",
)
_TURNED_SURFACES: Final = ("B_SPLINE", "BEZIER", "BOUNDED_SURFACE", "(")


def mirrored_step(text: str, axis: str) -> str:
    """Return the mirror image of a STEP file.

    Parameters
    ----------
    text : str
        The file. Curves on surfaces are left out of the image; readers compute them.
    axis : {"x", "y", "z"}
        The coordinate that changes its sign.

    Raises
    ------
    MeshingError
        If it holds a curve or surface of a kind that is not known here.
    """
    content = {int(number): body.strip() for number, body in _STATEMENT.findall(text)}

    def image(match: re.Match[str]) -> str:
        number, body = int(match[1]), content[int(match[1])]
        if body.startswith("EDGE_CURVE"):
            body = _edge(body, content)
        elif body.startswith("ADVANCED_FACE"):
            body = _turned(body) if _normal_turns(_last_reference(body), content) else body
        elif body.startswith(("FACE_BOUND", "FACE_OUTER_BOUND")):
            body = _turned(body)
        else:
            body = _TRIPLE.sub(lambda found: _moved(found, "xyz".index(axis)), body)
        return f"#{number} = {body};"

    return _STATEMENT.sub(image, text)


def _edge(body: str, content: Mapping[int, str]) -> str:
    """Return an edge on its curve in space, turned round if that runs the other way."""
    number = _last_reference(body)
    while content[number].startswith(("SURFACE_CURVE", "SEAM_CURVE", "INTERSECTION_CURVE")):
        number = int(_REFERENCE.findall(content[number])[0])
    body = re.sub(r"#\d+(\s*,\s*\.[TF]\.\s*\)\s*)$", rf"#{number}\1", body)
    return _turned(body) if _runs_back(number, content) else body


def _runs_back(number: int, content: Mapping[int, str]) -> bool:
    """Tell whether a curve's image runs the other way."""
    kind = content[number]
    if kind.startswith(_TURNING_CURVES):
        return True
    if kind.startswith(_PLAIN_CURVES):
        return False
    raise MeshingError(invalid("curve of a STEP file", _kind(kind), "one that can be mirrored"))


def _normal_turns(number: int, content: Mapping[int, str]) -> bool:
    """Tell whether the normal of a surface's image is not the image of the normal."""
    kind = content[number]
    if kind.startswith(_KEPT_SURFACES):
        return False
    if kind.startswith("SURFACE_OF_LINEAR_EXTRUSION"):
        return not _runs_back(int(_REFERENCE.findall(kind)[0]), content)
    if kind.startswith("SURFACE_OF_REVOLUTION"):
        return _runs_back(int(_REFERENCE.findall(kind)[0]), content)
    if kind.startswith(_TURNED_SURFACES):
        return True
    raise MeshingError(invalid("surface of a STEP file", _kind(kind), "one that can be mirrored"))


def _kind(body: str) -> str:
    return body.split("(")[0]


def _last_reference(body: str) -> int:
    return int(_REFERENCE.findall(body)[-1])


def _turned(body: str) -> str:
    """Return a statement whose last flag is turned round."""
    return _FLAG.sub(lambda found: f".{'F' if found[1] == 'T' else 'T'}.)", body)


def _moved(found: re.Match[str], column: int) -> str:
    values = [found[2].strip(), found[3].strip(), found[4].strip()]
    value = values[column]
    values[column] = value[1:] if value.startswith("-") else f"-{value}"
    return found[1] + ",".join(values) + found[5]
