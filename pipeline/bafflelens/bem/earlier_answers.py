# SPDX-License-Identifier: GPL-3.0-or-later
"""Answers of earlier shapes: surface pressures on one mesh, its vertices elsewhere.

A few of them hold most of the pressure on the next shape. Which combination is found by least
squares on the new shape's own equation, and what that leaves is iterated away, so that a result
is as exact as without them. They are kept without the phase of the way from the source, which
is that of the new shape.

What solves the linear system is kept, not what `burton_miller.plain_pressure` makes of it on the
sources: that part is no solution of any system, and left 3e-3 of the right-hand side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.digests import digest_of
from bafflelens.base.errors import InputError, invalid
from bafflelens.bem.moving_body import MovingBody
from bafflelens.mesh import topology
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion

Envelopes = NDArray[np.complex64]
"""(n_shapes, n_sources, n_triangles): pressures without the phase of the way from the source."""


@dataclass(frozen=True, kw_only=True, eq=False)
class EarlierAnswers:
    """What earlier shapes left on one mesh.

    Attributes
    ----------
    made_for : str
        From `made_for`: mesh topology, sources, wherever they are, air, mirror planes and
        absorbers.
    envelopes : mapping of float to Envelopes
        By frequency in Hz.
    """

    made_for: str
    envelopes: Mapping[float, Envelopes] = field(default_factory=dict)

    def of(self, frequency_hz: float, n_sources: int, n_triangles: int) -> Envelopes:
        """Return those at a frequency; of no shape where nothing is known.

        Raises
        ------
        InputError
            If they are of other sources or elements.
        """
        none = np.zeros((0, n_sources, n_triangles), dtype=np.complex64)
        found = self.envelopes.get(frequency_hz, none)
        if found.ndim != 3 or found.shape[1:] != none.shape[1:]:
            rule = f"(n_shapes, {n_sources}, {n_triangles}): one value a source and triangle"
            raise InputError(invalid("shape of earlier answers", found.shape, rule))
        if not np.isfinite(found).all():
            raise InputError(invalid("earlier answers", "not finite", "finite everywhere"))
        return found

    def require_fit(self, mesh: Mesh, body: MovingBody) -> None:
        """Raise unless they are of a mesh and a body like these.

        Raises
        ------
        InputError
            If anything but the places of the vertices differs.
        """
        if self.made_for != made_for(mesh, body):
            rule = "of the same mesh topology, sources, air, mirror planes and absorbers"
            raise InputError(invalid("earlier answers", self.made_for, rule))


def made_for(mesh: Mesh, body: MovingBody) -> str:
    """Return the digest of all that earlier answers must have in common with a shape.

    Where the sources are is left out: they move with the vertices, as a dome does that a deeper
    lens sets back, and the way from them is taken from each shape's own.
    """
    return digest_of(
        "earlier answers",
        topology.digest(mesh),
        [replace(motion, centre=(0.0, 0.0, 0.0)) for motion in body.motions],
        body.air,
        list(body.symmetry),
        dict(body.absorbers),
    ).hex()


def ways_from_sources(mesh: Mesh, motions: Sequence[SourceMotion]) -> FloatArray:
    """Return how far each element is from each source, (n_sources, n_triangles), in m."""
    centres = np.array([motion.centre for motion in motions]).reshape(-1, 3)
    return np.asarray(np.linalg.norm(mesh.centroids - centres[:, np.newaxis], axis=2))


def envelope(pressure: ComplexArray, wavenumber: float, way: FloatArray) -> ComplexArray:
    """Return pressures without the phase of their way from the source, of their shape.

    Parameters
    ----------
    pressure : (..., n_sources, n_triangles) complex array
        In Pa.
    wavenumber : float
        k in 1/m.
    way : (n_sources, n_triangles) array
        From `ways_from_sources`, in m.
    """
    return np.asarray(pressure * np.exp(-1j * wavenumber * way))


def guesses(
    envelopes: Sequence[ComplexArray], wavenumber: float, way: FloatArray
) -> ComplexArray | None:
    """Return envelopes with the phase of a frequency and shape, (n, n_triangles); None of none.

    Without it, a step of 500 Hz turns the phase at the end of a cabinet by half a cycle.
    """
    if not len(envelopes):
        return None
    phase = np.exp(1j * wavenumber * way)
    return np.concatenate([each * phase for each in envelopes])
