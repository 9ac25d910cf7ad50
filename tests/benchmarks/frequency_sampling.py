# SPDX-License-Identifier: GPL-3.0-or-later
"""Interpolation over frequency against a dense sweep: true error, solves, honesty.

Three tables: interpolations on equal steps, one mesh; a reduced basis of surface solutions; the
sampling in use, band meshes changing as in a run. The dense sweeps take about three minutes and
are kept in the folder named as the argument (a temporary one by default), so that a second look
takes seconds.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.linalg import svd
from shapes import meshes, shipped
from whole_sweep import solved_bands

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.system_matrix import Workspace
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.frequency_interpolation import (
    PASSES,
    first_grid,
    further_frequencies,
    interpolate,
)
from bafflelens.mesh.quality import Band, mesh_size, open_bands, stated_error_db, tolerance
from bafflelens.mesh.source_motion import normal_velocity

AIR = Air()
QUALITY = "draft"
BODIES = ("vertical_lens", "plain_baffle")
ONE_MESH_HZ = np.arange(1000.0, 6001.0, 25.0)
BAND_MESHES_HZ = np.concatenate(
    (np.arange(500.0, 6000.0, 50.0), np.arange(6000.0, 10001.0, 100.0))
)
STEPS_HZ = (250, 350, 400, 500, 600)
FRONT = directions().vectors[:, 0] > -1e-9
NO_DELAY = np.zeros((1, directions().n_directions))


def main() -> None:
    """Print the three tables."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    one_band = [Band(frequencies_hz=tuple(ONE_MESH_HZ), mesh_frequency_hz=ONE_MESH_HZ[-1])]
    print("interpolation on equal steps, one mesh, 1 to 6 kHz: error in dB, 99 % in front")
    for body in BODIES:
        _compare(body, _kept(folder / f"{body}_one.npy", lambda b=body: _swept(b, one_band)))
    _reduced_basis(BODIES[0])
    grid = open_bands(BAND_MESHES_HZ, QUALITY)
    print("sampling in use, a mesh a third of an octave, 0.5 to 10 kHz")
    print("body           quality   pass  solves  true dB 99 %  worst  estimate  behind  honest")
    for body in BODIES:
        field = _kept(folder / f"{body}_bands.npy", lambda b=body: _swept(b, grid))
        for quality in ("draft", "standard", "fine"):
            _sample(body, quality, BAND_MESHES_HZ, field)
    for body in BODIES:
        field = _kept(folder / f"{body}_one.npy", lambda: np.empty(0))
        _sample(f"{body[:9]}, one", "standard", ONE_MESH_HZ, field)
    print("a jump of 2 % in the middle of one mesh's sweep, as a share of the jump")
    _borders(_kept(folder / f"{BODIES[0]}_one.npy", lambda: np.empty(0)))


def _kept(path: Path, make: Callable[[], ComplexArray]) -> ComplexArray:
    if not path.exists():
        unfinished = path.with_stem(f"{path.stem}_unfinished")
        np.save(unfinished, make())
        unfinished.rename(path)
    return np.load(path)


def _swept(body: str, bands: Sequence[Band]) -> ComplexArray:
    """Return far fields on the meshes of bands, (n_frequencies, n_directions)."""
    shape, _ = shipped(body)
    begun = time.perf_counter()
    results = solved_bands(shape, shape.defaults, bands, QUALITY, AIR)
    field = np.concatenate([result.far_field[0] for result in results])
    print(f"  ({body}: {len(field)} solves in {time.perf_counter() - begun:.0f} s)", flush=True)
    return field


# ------------------------------------------------------------------------- interpolations


def _compare(body: str, field: ComplexArray) -> None:
    methods = {
        "cubic spline": lambda f, x, g: _spline(f, x, g, 0.0),
        "spline, 0.3 ms taken out": lambda f, x, g: _spline(f, x, g, 0.3e-3),
        "spline, a delay a direction": lambda f, x, g: _spline(f, x, g, _delays(f, x)),
        "rational (set-valued AAA)": _aaa,
        "decaying response (in use)": _in_use,
    }
    print(f"{body:30s}" + "".join(f"{step:7d} Hz" for step in STEPS_HZ))
    for name, method in methods.items():
        errors = []
        for step in STEPS_HZ:
            every = round(step / (ONE_MESH_HZ[1] - ONE_MESH_HZ[0]))
            parts = []
            for first in range(0, every, max(1, every // 3)):
                at = np.arange(first, len(ONE_MESH_HZ), every)
                inside = slice(at[0], at[-1] + 1)
                found = method(ONE_MESH_HZ[at], field[at], ONE_MESH_HZ[inside])
                parts.append(_off_db(found, field[inside]))
            errors.append(np.nanpercentile(np.concatenate(parts), 99))
        print(f"  {name:28s}" + "".join(f"{error:10.2f}" for error in errors), flush=True)


def _off_db(found: ComplexArray, true: ComplexArray) -> FloatArray:
    """Return errors in dB in front, NaN below -20 dB re maximum, (n_frequencies, n_front)."""
    size = np.abs(true)
    counts = size > 0.1 * size.max(axis=1, keepdims=True)
    off = np.abs(20 * np.log10(np.abs(found) / size))
    return np.where(counts, off, np.nan)[:, FRONT]


def _spline(f: FloatArray, x: ComplexArray, g: FloatArray, delay_s: FloatArray) -> ComplexArray:
    delay = np.broadcast_to(delay_s, x.shape[1:])
    turned = x * np.exp(-2j * np.pi * np.outer(f, delay))
    return CubicSpline(f, turned, axis=0)(g) * np.exp(2j * np.pi * np.outer(g, delay))


def _delays(f: FloatArray, x: ComplexArray) -> FloatArray:
    """Return the delay that leaves the least change from step to step, a direction."""
    tried = np.arange(-0.2e-3, 2e-3, 0.02e-3)
    turned = (x * np.exp(-2j * np.pi * f * t)[:, np.newaxis] for t in tried)
    left = [np.sum(np.abs(np.diff(values, axis=0)) ** 2, axis=0) for values in turned]
    return tried[np.argmin(left, axis=0)]


def _aaa(f: FloatArray, x: ComplexArray, g: FloatArray) -> ComplexArray:
    """Set-valued AAA (Nakatsukasa, Sete, Trefethen 2018): all directions share the poles."""
    few = x[:, :: max(1, x.shape[1] // 200)]  # what the poles are found from
    support: list[int] = []
    weight = np.empty(0)
    found = np.broadcast_to(few.mean(axis=0), few.shape)
    while len(support) < len(f) // 2:
        off = np.linalg.norm(few - found, axis=1)
        off[support] = -1
        if off.max() < 1e-3 * np.linalg.norm(few, axis=1).max():
            break
        support.append(int(np.argmax(off)))
        rest = np.setdiff1d(np.arange(len(f)), support)
        cauchy = 1 / (f[rest, np.newaxis] - f[support])
        loewner = cauchy[:, :, np.newaxis] * (few[rest][:, np.newaxis] - few[support])
        weight = svd(loewner.transpose(0, 2, 1).reshape(-1, len(support)))[2][-1].conj()
        found = few.copy()
        found[rest] = (cauchy * weight) @ few[support] / (cauchy @ weight)[:, np.newaxis]
    distance = g[:, np.newaxis] - f[support]
    exact = np.abs(distance).min(axis=1) < 1e-6
    cauchy = weight / np.where(np.abs(distance) < 1e-6, 1.0, distance)
    result = cauchy @ x[support] / cauchy.sum(axis=1)[:, np.newaxis]
    result[exact] = x[np.array(support)[np.argmin(np.abs(distance[exact]), axis=1)]]
    return result


def _in_use(f: FloatArray, x: ComplexArray, g: FloatArray) -> ComplexArray:
    return interpolate(f, x[np.newaxis], g, delays_s=NO_DELAY, is_front=FRONT).far_field[0]


# -------------------------------------------------------------------------- reduced basis


def _reduced_basis(body: str) -> None:
    """Let the span of neighbouring solutions stand for a solve, half way between them."""
    shape, motions = shipped(body)
    (mesh,) = meshes(shape, [mesh_size(QUALITY, 6000.0, AIR)], {})
    shared, workspace = discretise(mesh, shape.symmetry), Workspace()
    vectors = directions().vectors

    def solved(frequency: float, residual: float, guesses: ComplexArray | None = None):
        problem = HelmholtzProblem(
            mesh=mesh,
            frequency_hz=frequency,
            air=AIR,
            normal_velocity=normal_velocity(mesh, motions, frequency),
            symmetry=shape.symmetry,
        )
        begun = time.perf_counter()
        solution = solve_burton_miller(
            problem,
            discretisation=shared,
            settings=EngineSettings(tolerance=residual),
            guesses=guesses,
            workspace=workspace,
        )
        return solution, time.perf_counter() - begun

    nodes = np.arange(2000.0, 6001.0, 400.0)
    basis = np.concatenate([solved(f, tolerance(QUALITY))[0].surface_pressure for f in nodes])
    print(f"reduced basis of {len(nodes)} surface solutions 400 Hz apart ({body}), half way:")
    print("    Hz  projected dB 99 %  residual   s   solved s, iterations with and without it")
    for frequency in (2600.0, 3800.0, 5000.0):
        # A tolerance that is met at once leaves the projection as it is.
        projected, projected_s = solved(frequency, 0.5, basis)
        helped, _ = solved(frequency, tolerance(QUALITY), basis)
        exact, exact_s = solved(frequency, tolerance(QUALITY))
        off = _off_db(projected.far_field(vectors), exact.far_field(vectors))
        print(
            f"{frequency:6.0f} {np.nanpercentile(off, 99):14.2f} {projected.residual:12.1e}"
            f" {projected_s:6.2f} {exact_s:6.2f}, {helped.iterations:3d} {exact.iterations:3d}"
        )


# ------------------------------------------------------------------------ sampling in use


def _sample(body: str, quality: str, dense_hz: FloatArray, field: ComplexArray) -> None:
    def snapped(frequencies: FloatArray) -> list[int]:
        return [int(np.argmin(np.abs(dense_hz - f))) for f in frequencies]

    at = np.unique(snapped(first_grid(dense_hz[0], dense_hz[-1], 0.4, quality)))
    for number in range(PASSES + 1):
        found = interpolate(
            dense_hz[at], field[np.newaxis, at], dense_hz, delays_s=NO_DELAY, is_front=FRONT
        )
        off = _off_db(found.far_field[0], field)
        by_frequency = np.nanpercentile(off, 99, axis=1)
        honest = np.mean(found.error_db >= by_frequency)
        print(
            f"{body:14s} {quality:9s} {number:4d} {len(at):7d} {np.nanpercentile(off, 99):13.2f}"
            f" {by_frequency.max():6.2f} {found.error_db.max():9.2f}"
            f" {found.error_behind_db.max():7.2f} {honest:7.1%}",
            flush=True,
        )
        more = further_frequencies(dense_hz[at], dense_hz, found, stated_error_db(quality))
        if not len(more):
            return
        at = np.unique([*at, *snapped(more)])


def _borders(field: ComplexArray) -> None:
    """Print what a jump of 2 % at one frequency does to the interpolation beside it.

    Between the two neighbours of the jump anything from 0 to 2 % is right; beyond them whatever
    differs from the side's own value is ringing.
    """
    for step_hz in (125, 250, 500):
        at = np.arange(0, len(ONE_MESH_HZ), step_hz // 25)
        solved = ONE_MESH_HZ[at]
        border = len(at) // 2
        jumped = field[at] * np.where(np.arange(len(at)) < border, 1.0, 1.02)[:, np.newaxis]
        above = np.searchsorted(solved, ONE_MESH_HZ)[:, np.newaxis]
        for name, method in (
            ("spline, 0.3 ms taken out", lambda f, x, g: _spline(f, x, g, 0.3e-3)),
            ("decaying response (in use)", _in_use),
        ):
            with_jump, without = (method(solved, x, ONE_MESH_HZ) for x in (jumped, field[at]))
            counts = np.isfinite(_off_db(without, field))
            share = (np.log(np.abs(with_jump / without)) / np.log(1.02))[:, FRONT]
            beyond = np.where(above < border, share, share - 1)[counts & (above != border)]
            rings = np.percentile(np.abs(beyond), 99)
            between = np.percentile(share[counts & (above == border)], (1, 99))
            print(
                f"  {step_hz:4d} Hz {name:28s} beyond: 99 % {rings:5.2f}"
                f"; between: {between[0]:5.2f} to {between[1]:5.2f}"
            )


if __name__ == "__main__":
    main()
