# SPDX-License-Identifier: GPL-3.0-or-later
"""Blocks of low rank against the full matrix in 16-bit steps: far field, time and memory.

The far field of shapes at several frequencies, both orbits within 60 degrees and 20 dB, each
quality on its own mesh and residual, but for the way the matrix is held alike; what may differ is
a tenth of what the quality promises. Then one frequency of a cabinet in equal triangles at
growing sizes, each way in the same run; above `LARGEST_FULL` the full matrix is not formed but
extrapolated from the largest that was, with the square of the size, and marked so. Times are
processor time, all threads together, of forming and of the products of an iteration.

Between both, bands of four frequencies as a worker solves them, each frequency from those before:
there blocks follow what the guess expects. Largest difference at each, rising.

Usage: low_rank.py [far | bands | sizes] [UNKNOWNS ...]
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

import numpy as np
from shapes import front_directions, meshes, radiation, shipped

from bafflelens.base.medium import Air
from bafflelens.bem import low_rank
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.layers import AtFrequency, far_arguments, near_pair_corrections
from bafflelens.bem.sweep import solve_band
from bafflelens.bem.system_matrix import Storage, Workspace, error_of_blocks, packed_product
from bafflelens.mesh.quality import QUALITIES, Band, mesh_size, stated_error_db, tolerance

AIR = Air()
SHAPES = ("vertical_lens", "plain_baffle")
FREQUENCIES_HZ = {"draft": (4e3, 8e3, 16e3), "standard": (2e3, 5e3, 8e3, 12e3), "fine": (2e3, 4e3)}
BAND_TOPS_HZ = (
    ("draft", 12e3), ("draft", 18e3), ("standard", 7e3), ("standard", 10e3), ("fine", 3.5e3),
)  # fmt: skip
SIZES = (2_000, 4_000, 8_000, 16_000, 32_000, 60_000)
LARGEST_FULL = 20_000
PRODUCTS = 22  # steps of the cabinet at these sizes


def main(what: list[str]) -> None:
    """Print all tables, or the one asked for."""
    sizes = [int(size) for size in what[1:]] or list(SIZES)
    chosen = what[:1] or ["far", "bands", "sizes"]
    if "far" in chosen:
        far_fields()
    if "bands" in chosen:
        bands()
    if "sizes" in chosen:
        against_size(sizes)


def far_fields() -> None:
    """Print by how much the far field differs."""
    print(
        "shape           quality       Hz  unknowns  kept  steps  largest dB  rms dB  allowed dB"
    )
    for name in SHAPES:
        shape, motions = shipped(name)
        for quality in QUALITIES:
            chosen = FREQUENCIES_HZ[quality]
            rules = [mesh_size(quality, frequency, AIR) for frequency in chosen]
            for frequency, mesh in zip(chosen, meshes(shape, rules, {}), strict=True):
                shared = discretise(mesh, shape.symmetry)
                problem = radiation(shape, motions, mesh, frequency, AIR)
                found = [
                    solve_burton_miller(
                        problem,
                        discretisation=shared,
                        settings=EngineSettings(tolerance=tolerance(quality), storage=storage),
                    )
                    for storage in (Storage.PACKED, Storage.LOW_RANK)
                ]
                levels = [
                    20 * np.log10(np.abs(each.far_field(front_directions()))) for each in found
                ]
                heard = levels[0] > levels[0].max() - 20
                off = np.abs(levels[1] - levels[0])[heard]
                kept = _formed(AtFrequency(shared, problem.wavenumber), quality)[0]
                print(
                    f"{name:15s} {quality:9s} {frequency:6.0f} {mesh.n_triangles:9d} "
                    f"{kept / 4 / mesh.n_triangles**2:5.2f} {found[0].iterations:3d}/"
                    f"{found[1].iterations} {off.max():10.4f} {np.sqrt((off**2).mean()):8.4f} "
                    f"{0.1 * stated_error_db(quality):9.2f}",
                    flush=True,
                )


def bands() -> None:
    """Print by how much the far field differs where frequencies follow one another."""
    print("shape           quality       Hz  unknowns  largest dB at each         allowed dB")
    for name in (*SHAPES, "conic_lens"):
        shape, motions = shipped(name)
        for quality, top_hz in BAND_TOPS_HZ:
            (mesh,) = meshes(shape, [mesh_size(quality, top_hz, AIR)], {})
            band = Band(
                frequencies_hz=tuple(share * top_hz for share in (0.8, 0.86, 0.93, 1.0)),
                mesh_frequency_hz=top_hz,
            )
            levels = []
            for storage in (Storage.PACKED, Storage.LOW_RANK):
                with mock.patch.object(EngineSettings, "storage_for", return_value=storage):
                    found = solve_band(
                        mesh,
                        motions,
                        band,
                        air=AIR,
                        directions=front_directions(),
                        symmetry=shape.symmetry,
                        quality=quality,
                    )
                levels.append(20 * np.log10(np.abs(found.far_field[0])))
            heard = levels[0] > levels[0].max(axis=1, keepdims=True) - 20
            off = np.where(heard, np.abs(levels[1] - levels[0]), 0.0).max(axis=1)
            print(
                f"{name:15s} {quality:9s} {top_hz:6.0f} {mesh.n_triangles:9d}  "
                f"{' '.join(f'{value:.4f}' for value in off)} "
                f"{0.1 * stated_error_db(quality):9.2f}",
                flush=True,
            )


def against_size(sizes: list[int]) -> None:
    """Print time and memory of both ways at growing sizes, standard quality."""
    from card import _box
    from cost import ELEMENTS_A_WAVELENGTH

    print(
        "unknowns      Hz  full: form s  product s   GiB  low rank: form s  product s   GiB"
        f"  ratio of time with {PRODUCTS} products, of memory"
    )
    rows: list[tuple[float, float]] = []
    largest: tuple[int, float, float] | None = None
    for size in sizes:
        mesh = _box(size)
        number = mesh.n_triangles
        edge = np.sqrt(mesh.areas.mean() * 4 / np.sqrt(3))
        frequency = AIR.sound_speed / ELEMENTS_A_WAVELENGTH / edge
        at = AtFrequency(discretise(mesh, ()), 2 * np.pi * frequency / AIR.sound_speed)
        if not rows:  # compiled first
            _formed(at, "standard")
        if number <= LARGEST_FULL:
            begun = time.process_time()
            whole = _full(at)
            forming, mark = time.process_time() - begun, " "
            product = _product_time(whole, number)
            largest = number, forming, product
            del whole
        else:
            share = (number / largest[0]) ** 2 if largest else np.nan
            forming, product = (share * part for part in (largest or (0, 0, 0))[1:])
            mark = "~"
        kept, multiply, formed_s = _formed(at, "standard")
        product_s = _product_time(multiply, number)
        total, full_total = formed_s + PRODUCTS * product_s, forming + PRODUCTS * product
        rows.append((number, total))
        print(
            f"{number:8d} {frequency:7.0f} {mark}{forming:12.2f} {product:10.4f} "
            f"{4 * number**2 / 2**30:5.2f} {formed_s:17.2f} {product_s:10.4f} "
            f"{kept / 2**30:5.2f} {full_total / total:12.2f} {4 * number**2 / kept:20.2f}",
            flush=True,
        )
    large = np.array([row for row in rows if row[0] > 7_000])
    if len(large) > 1:
        power = np.polyfit(*np.log(large).T, 1)[0]
        print(f"time grows with the power {power:.2f} of the unknowns from {large[0, 0]:.0f} on")


def _full(at: AtFrequency) -> Callable[[Any], Any]:
    far = far_arguments(at, at.everywhere)
    corrections = near_pair_corrections(at, at.everywhere)
    return packed_product(far, at.discretisation, corrections, Workspace())


def _formed(at: AtFrequency, quality: str) -> tuple[int, Callable[[Any], Any], float]:
    """Return the bytes of the blocks, their product and the processor time of forming them."""
    far = far_arguments(at, at.everywhere)
    shared = at.discretisation
    begun = time.process_time()
    corrections = near_pair_corrections(at, at.everywhere)
    matrix = low_rank.form(
        far,
        shared.blocks,
        shared.near,
        corrections,
        tolerance=error_of_blocks(at.mesh.n_triangles, tolerance(quality)),
    )
    return matrix.nbytes, matrix.product, time.process_time() - begun


def _product_time(product: Callable[[Any], Any], size: int) -> float:
    """Return the least processor time of a few products."""
    vectors = np.exp(1j * np.arange(size, dtype=np.float32)).astype(np.complex64)[None]
    seconds = []
    for _ in range(4):
        begun = time.process_time()
        product(vectors)
        seconds.append(time.process_time() - begun)
    return min(seconds)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    main(sys.argv[1:])
