# SPDX-License-Identifier: GPL-3.0-or-later
"""What one solve takes: triangles of a mesh, entries of the matrix, memory and time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from bafflelens.base.conventions import FloatArray
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.system_matrix import Storage
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.surface_names import FINE_KINDS, surface_kind


@dataclass(frozen=True, kw_only=True)
class Speed:
    """How fast one worker process is. A first guess; a run's own timing table is the truth.

    Attributes
    ----------
    pairs_per_s : float
        Point pairs of the coupled kernel a second, computed and stored.
    low_rank_entries : float
        Entries that blocks of low rank and near blocks keep, for each unknown to the power 1.5.
    low_rank_entries_per_s : float
        How many of them are formed a second.
    matrix_bytes_per_s : float
        Bytes of the stored matrix that a product reads a second.
    products : float
        Matrix products until GMRES is done.
    bytes_per_entry : float
        Bytes of one entry of the stored matrix.
    bytes_per_unknown : float
        Bytes of near-field integrals, vectors of the iteration and far field, for each unknown.
    second_engine_bytes_per_entry : float
        Bytes that bempp takes for each pair of triangles of the whole body.
    near_field_s_per_unknown : float
        Singular and nearly singular integrals and the far field, s an unknown and frequency.
    overhead_s : float
        For each frequency, whatever its size.
    mesh_s_per_triangle, mesh_overhead_s : float
        For making the meshes of one candidate.
    process_bytes : float
        Memory of a worker that holds no matrix.
    report_s, report_s_per_candidate : float
        For ranking and the pages.
    """

    pairs_per_s: float = 0.45e9
    low_rank_entries: float = 27.0
    low_rank_entries_per_s: float = 30e6
    matrix_bytes_per_s: float = 8e9
    products: float = 16.0
    bytes_per_entry: float = 4.0
    bytes_per_unknown: float = 1e4
    second_engine_bytes_per_entry: float = 40.0
    near_field_s_per_unknown: float = 3e-5
    overhead_s: float = 0.02
    mesh_s_per_triangle: float = 3e-5
    mesh_overhead_s: float = 1.0
    process_bytes: float = 0.35e9
    report_s: float = 5.0
    report_s_per_candidate: float = 5.0


# Fitted to a solve of 14,000 unknowns on one processor of a common server (engine "direct", one
# mirror plane): 0.8 s to fill the matrix, 1.5 s to solve, 0.4 s for the rest.
ASSUMED_SPEED: Final = Speed()

# One H100: 350 billion pairs a second, 2 TB/s; what the host does beside it takes longer.
CARD_SPEED: Final = Speed(
    pairs_per_s=200e9,
    matrix_bytes_per_s=2e12,
    bytes_per_entry=8.0,
    near_field_s_per_unknown=1e-6,
    overhead_s=0.025,
)


def storage_of(unknowns: int, engine: str) -> Storage:
    """Return how an engine holds the matrix of so many unknowns: the card keeps every entry."""
    return Storage.PACKED if engine == "gpu" else EngineSettings().storage_for(unknowns)


def matrix_entries(unknowns: int, engine: str, speed: Speed = ASSUMED_SPEED) -> float:
    """Estimate how many entries of the matrix are kept."""
    entries = float(unknowns) ** 2
    if storage_of(unknowns, engine) is Storage.PACKED:
        return entries
    kept: float = speed.low_rank_entries * float(unknowns) ** 1.5
    return min(entries, kept)


def band_memory(
    unknowns: int,
    mirror_planes: int,
    engine: str = "direct",
    speed: Speed = ASSUMED_SPEED,
) -> float:
    """Estimate the memory of a worker that solves a band, in bytes.

    Parameters
    ----------
    unknowns : int
        Triangles of the kept part of the mesh.
    mirror_planes : int
        How many there are; the second engine solves the whole body.
    engine : {"direct", "gpu", "bempp"}
        Which one solves.
    speed : Speed
        What an entry and an unknown take.
    """
    memory = speed.process_bytes + speed.bytes_per_unknown * unknowns
    if engine == "gpu":
        return memory
    if engine == "bempp":
        whole = float(unknowns * 2**mirror_planes)
        return memory + speed.second_engine_bytes_per_entry * whole**2
    return memory + speed.bytes_per_entry * matrix_entries(unknowns, engine, speed)


def estimate_triangles(trial: Mesh, size: MeshSize) -> int:
    """Estimate how many triangles a finer mesh of the same shape has.

    Every triangle of a coarse mesh is divided into as many as its area asks for, at the element
    size that its distance from the finest surfaces gives; where the coarse mesh is fine already
    (curved edges), it stays.

    Parameters
    ----------
    trial : Mesh
        A coarse mesh of the shape.
    size : MeshSize
        The rule of the finer mesh.
    """
    edge = _edge_lengths(trial, size)
    equilateral = math.sqrt(3) / 4 * edge**2
    return int(np.maximum(trial.areas / equilateral, 1.0).sum())


def frequency_seconds(
    unknowns: int,
    mirror_planes: int,
    engine: str = "direct",
    speed: Speed = ASSUMED_SPEED,
) -> float:
    """Estimate the time to solve one frequency on one worker, in s.

    Parameters
    ----------
    unknowns : int
        Triangles of the kept part of the mesh.
    mirror_planes : int
        Each doubles the point pairs, but not the matrix.
    engine : {"direct", "gpu", "bempp"}
        Which one solves.
    speed : Speed
        How fast the worker is.
    """
    entries = matrix_entries(unknowns, engine, speed)
    if storage_of(unknowns, engine) is Storage.PACKED:
        matrix_s = entries * float(2**mirror_planes) / speed.pairs_per_s
    else:
        matrix_s = entries / speed.low_rank_entries_per_s
    matrix_s += speed.products * speed.bytes_per_entry * entries / speed.matrix_bytes_per_s
    return speed.overhead_s + matrix_s + speed.near_field_s_per_unknown * unknowns


def _edge_lengths(trial: Mesh, size: MeshSize) -> FloatArray:
    """Return the edge length that a rule asks for at each triangle, in m."""
    fine = [name for name in np.unique(trial.surface) if surface_kind(name) in FINE_KINDS]
    is_fine = np.isin(trial.surface, fine)
    if not is_fine.any():
        return np.full(trial.n_triangles, min(size.source_size_m, size.largest_m))
    distance, _ = cKDTree(trial.centroids[is_fine]).query(trial.centroids)
    share = np.minimum(distance / size.growth_distance_m, 1.0)
    edge = size.source_size_m * (1 + (size.growth - 1) * share)
    return np.asarray(np.minimum(edge, size.largest_m))
