# SPDX-License-Identifier: GPL-3.0-or-later
"""The pieces of work of a carving: fields and slopes of one band on a mesh that was moved.

On a graphics card a slope is two pieces: the card solves the plane waves, and any worker makes
the slope of them meanwhile. Where processors solve, one worker does both, the one that solved the
fields before: the matrices are still there.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.medium import Air
from bafflelens.bem.card_mesh import send_where_wanted
from bafflelens.bem.earlier_answers import EarlierAnswers
from bafflelens.bem.kept_systems import KeptSystems
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_slope import prepare_slopes, slope_of_fields, weighted_fields
from bafflelens.bem.sweep import BandResult
from bafflelens.bem.system_matrix import Workspace
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.workers.work_units import Methods, SolveSettings, Timed, solve_candidate_band

Fields = tuple[ComplexArray, ...]
"""What the weighted plane waves leave on a mesh, (n_sources, n_triangles), for each frequency of
a band at which something is weighted."""

_left: dict[tuple[float, Air, tuple[str, ...]], KeptSystems] = {}
"""What `moved_band` left in this process for the slope on the same mesh: one mesh a band."""


def moved_band(
    methods: Methods,
    mesh: Mesh,
    band: Band,
    settings: SolveSettings,
    earlier: EarlierAnswers | None,
) -> Timed[BandResult]:
    """Solve one band on a mesh that is at hand, with what is left on its surface."""
    settings = replace(settings, keep_surface=True, keep_profiles=True)
    kept = None
    if settings.engine == "direct":
        kept = KeptSystems.none_yet(mesh, settings.symmetry)
        _left[_band_key(band, settings)] = kept
    meshes: Timed[tuple[Mesh, ...]] = Timed(value=(mesh,), seconds=0.0)
    return solve_candidate_band(methods, meshes, 0, band, settings, earlier, kept)


def plane_waves_of_band(
    mesh: Mesh, band: Band, settings: SolveSettings, weights: ComplexArray
) -> Timed[Fields]:
    """Return the fields of the plane waves that slopes of a band need, weighted.

    Parameters
    ----------
    mesh : Mesh
        The mesh.
    band : Band
        Its frequencies.
    settings : SolveSettings
        How they are solved.
    weights : (n_sources, n_frequencies, n_directions) complex array
        Slope of what is followed with respect to the far field.
    """
    start = time.perf_counter()
    on_card = send_where_wanted(mesh, settings.symmetry, is_wanted=settings.on_card)
    kept = None if on_card else _taken(mesh, band, settings)
    systems = {} if kept is None else kept.by_frequency
    body, workspace = _body(settings), Workspace()
    heard = np.flatnonzero(np.any(weights != 0, axis=(0, 1)))
    towards = directions().vectors[heard]
    found = tuple(
        weighted_fields(
            body.problem(mesh, band.frequencies_hz[number]),
            towards,
            weights[np.newaxis, :, number][..., heard],
            discretisation=None if kept is None else kept.discretisation,
            workspace=workspace,
            on_card=on_card,
            system=systems.get(band.frequencies_hz[number]),
        )[0]
        for number in _weighted(weights)
    )
    return Timed(value=found, seconds=time.perf_counter() - start)


def slope_from_fields(
    mesh: Mesh,
    band: Band,
    settings: SolveSettings,
    surface: SurfacePressure,
    weights: ComplexArray,
    wanted: IntArray,
    fields: Timed[Fields],
) -> Timed[FloatArray]:
    """Return the slope over a mesh, (n_triangles,), summed over the frequencies of its band.

    Parameters
    ----------
    mesh, band, settings, weights
        As in `plane_waves_of_band`.
    surface : SurfacePressure
        What the sources left on the mesh.
    wanted : (n,) integer array
        Numbers of the triangles at which it is wanted, rising; elsewhere it is 0.
    fields : Timed
        What `plane_waves_of_band` returned.
    """
    start = time.perf_counter()
    body, prepared = _body(settings), prepare_slopes(mesh, settings.symmetry, wanted=wanted)
    total = np.zeros(mesh.n_triangles)
    for number, field in zip(_weighted(weights), fields.value, strict=True):
        frequency = band.frequencies_hz[number]
        at = surface.at_frequency(frequency)
        if at is None:
            continue
        pressure = at.pressure[:, 0].astype(complex)
        by_source = slope_of_fields(body.problem(mesh, frequency), pressure, field, prepared)
        total[wanted] += np.real(by_source[:, wanted]).sum(axis=0)
    return Timed(value=total, seconds=time.perf_counter() - start)


def slope_of_band(
    mesh: Mesh,
    band: Band,
    settings: SolveSettings,
    surface: SurfacePressure,
    weights: ComplexArray,
    wanted: IntArray,
) -> Timed[FloatArray]:
    """Return the slope over a mesh as `slope_from_fields`, solved at the same place."""
    fields = plane_waves_of_band(mesh, band, settings, weights)
    found = slope_from_fields(mesh, band, settings, surface, weights, wanted, fields)
    return replace(found, seconds=fields.seconds + found.seconds)


def _band_key(band: Band, settings: SolveSettings) -> tuple[float, Air, tuple[str, ...]]:
    return band.mesh_frequency_hz, settings.air, settings.symmetry


def _taken(mesh: Mesh, band: Band, settings: SolveSettings) -> KeptSystems:
    """Return what was left of a band on this very mesh, and leave it no longer; else nothing."""
    found = _left.pop(_band_key(band, settings), None)
    if found is not None:
        left = found.discretisation.mesh
        is_same = np.array_equal(left.triangles, mesh.triangles)
        if is_same and np.array_equal(left.vertices, mesh.vertices):
            return found
    return KeptSystems.none_yet(mesh, settings.symmetry)


def _body(settings: SolveSettings) -> MovingBody:
    return MovingBody(
        air=settings.air,
        symmetry=settings.symmetry,
        motions=settings.motions,
        absorbers=settings.absorbers,
    )


def _weighted(weights: ComplexArray) -> IntArray:
    """Return the numbers of the frequencies at which something is weighted."""
    return np.flatnonzero(np.any(weights != 0, axis=(0, 2)))
