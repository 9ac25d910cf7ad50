# SPDX-License-Identifier: GPL-3.0-or-later
"""The names under which results are kept: digests of all that they follow from.

A frequency follows from the triangles, how they move, what covers them, the air, the mirror
planes, where the far field and the microphones are, and the engine with its settings. A mesh
follows from the text of the script and its companions, the values, the mesh rules and gmsh. Both
follow from this program: all of its source goes in but what only shows results.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np

from bafflelens.base import provenance
from bafflelens.base.digests import digest_of
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.scripts import PackedScript
from bafflelens.workers.work_units import Methods, SolveSettings


@cache
def program() -> bytes:
    """Return the digest of this program's source and of the libraries that shape a result."""
    return digest_of(provenance.program_digest(), provenance.versions())


def mesh_key(
    methods: Methods,
    script: PackedScript,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    moved_from: Mapping[str, float] | None = None,
) -> bytes:
    """Return the name of the meshes of one shape at several sizes.

    Those that are moved from the meshes of a shape with other values have a name of their own.
    """
    return digest_of(
        "mesh",
        program(),
        _named(methods.mesh_shape),
        script,
        {key: float(value) for key, value in values.items()},
        list(sizes),
        moved_from and {key: float(value) for key, value in moved_from.items()},
    )


def mesh_digest(mesh: Mesh) -> bytes:
    """Return the digest of a mesh: of its points, triangles and surface names."""
    names, numbers = np.unique(mesh.surface, return_inverse=True)
    return digest_of(
        np.asarray(mesh.vertices, dtype="<f8"),
        np.asarray(mesh.triangles, dtype="<i8"),
        [str(name) for name in names],
        np.asarray(numbers, dtype="<i8"),
    )


def settings_digest(methods: Methods, mesh: bytes, settings: SolveSettings) -> bytes:
    """Return the digest of all that a frequency follows from, but for the frequency.

    Parameters
    ----------
    methods : Methods
        What solves it.
    mesh : bytes
        Digest of the mesh.
    settings : SolveSettings
        What it is solved with.
    """
    given = {field.name: getattr(settings, field.name) for field in dataclasses.fields(settings)}
    return digest_of(
        "frequency",
        program(),
        _named(methods.solve_band),
        mesh,
        given,
        _directions(),
    )


@cache
def _directions() -> bytes:
    """Return the digest of where the far field is evaluated."""
    return digest_of(directions().vectors)


def frequency_key(settings: bytes, frequency_hz: float) -> bytes:
    """Return the name of one solved frequency."""
    return digest_of(settings, float(frequency_hz))


def _named(function: Callable[..., Any]) -> str:
    """Return which function it is; what a bound method belongs to is not looked at."""
    return f"{function.__module__}.{function.__qualname__}"
