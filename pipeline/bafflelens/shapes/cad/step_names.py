# SPDX-License-Identifier: GPL-3.0-or-later
"""Names in the text of a STEP file, which gmsh leaves empty: of its faces, its body, its product.

ISO 10303-42 gives every representation item a name as its first value, ISO 10303-41 a product
an id and its version an id (both clauses from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from bafflelens.base.errors import MeshingError, invalid

_SHELL: Final = re.compile(r"=\s*CLOSED_SHELL\s*\(\s*'[^']*'\s*,\s*\(([^)]*)\)")
_REFERENCE: Final = re.compile(r"#(\d+)")
_FACE: Final = re.compile(r"(#(\d+)\s*=\s*ADVANCED_FACE\s*\(\s*)'[^']*'")
_BODY: Final = re.compile(r"(=\s*MANIFOLD_SOLID_BREP\s*\(\s*)'[^']*'")
_PRODUCT: Final = re.compile(r"(=\s*PRODUCT\s*\(\s*)'[^']*'\s*,\s*'[^']*'")
_VERSION: Final = re.compile(r"(=\s*PRODUCT_DEFINITION_FORMATION\s*\(\s*)'[^']*'")


def step_string(text: str) -> str:
    """Return a text as a string of a STEP file may hold it: printable ASCII, no quotes."""
    return re.sub(r"[^ -~]|['\\]", "_", text)


def with_face_names(text: str, names: Sequence[str]) -> str:
    """Return the text of a STEP file with the name of each face.

    Parameters
    ----------
    text : str
        The file, of one body.
    names : sequence of str
        A name for each face, in the order in which the shell lists them.

    Raises
    ------
    MeshingError
        If the file has not one closed shell of so many faces.
    """
    shells = _SHELL.findall(text)
    numbers = [number for shell in shells for number in _REFERENCE.findall(shell)]
    if len(shells) != 1 or len(numbers) != len(names):
        value = f"{len(shells)} shells of {len(numbers)} faces"
        raise MeshingError(invalid("STEP file", value, f"one shell of {len(names)} faces"))
    by_number = dict(zip(numbers, map(step_string, names), strict=True))
    return _FACE.sub(lambda face: f"{face[1]}'{by_number.get(face[2], '')}'", text)


def with_product(text: str, product: str, revision: str, body: str) -> str:
    """Return the text of a STEP file with the names of its product and its body.

    Parameters
    ----------
    text : str
        The file.
    product, revision : str
        What it is, and the id of this version of it.
    body : str
        What the solid is called.
    """
    product, revision, body = map(step_string, (product, revision, body))
    text = _PRODUCT.sub(lambda found: f"{found[1]}'{product}','{product}'", text)
    text = _VERSION.sub(lambda found: f"{found[1]}'{revision}'", text)
    return _BODY.sub(lambda found: f"{found[1]}'{body}'", text)
