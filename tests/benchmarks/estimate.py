# SPDX-License-Identifier: GPL-3.0-or-later
"""How near the estimate of a shape that was never solved comes, and how honest its band is.

Three shipped families, four dimensions each, solved as drafts at a few frequencies; the answers
are kept in a folder, so that the second time takes seconds::

    python tests/benchmarks/estimate.py FOLDER [FAMILY ...] [--processes N] [--known N]

For each family: 30 solved shapes, the others are estimated from these. Printed are, for each
frequency, the r.m.s. error and the share of levels inside the 95 % band within 60 degrees on both
orbits, beside what the nearest solved shape gives, and what one estimate takes beside one solve.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

import numpy as np

from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.polars import LISTENING_WINDOW
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw, settings_of
from bafflelens.job.shape_sections import Span
from bafflelens.live.field_levels import about_source, levels_db
from bafflelens.live.learning import estimator_of
from bafflelens.live.solved import limits_of
from bafflelens.mesh.quality import Band, mesh_size
from bafflelens.shapes.meshing.geometry import mesh_shape

JOBS = Path(__file__).parents[2] / "jobs"
GEOMETRIES = Path(__file__).parents[2] / "geometries"
FREQUENCIES_HZ = (2000.0, 3150.0, 5000.0, 8000.0)
KNOWN = 30
UNKNOWN = 15
FAMILIES = {
    "vertical_lens": """
opening_height_mm = { from = 90, to = 160 }
wall_half_angle_deg = { from = 35, to = 65 }
lip_radius_mm = { from = 5, to = 40 }
side_angle_deg = { from = 70, to = 90 }
rim_gap_mm = 1
""",
    "conic_lens": """
depth_mm = { from = 15, to = 28 }
passage_width_mm = 130
passage_blend_mm = 10
[geometry.upper]
mouth_height_mm = { from = 45, to = 60 }
opening_angle_deg = { from = 20, to = 45 }
mouth_angle_deg = 78
sharpness_pct = { from = 30, to = 65 }
blend_mm = 4
""",
    "waveguide": """
depth_mm = { from = 10, to = 25 }
mouth_width_mm = { from = 100, to = 140 }
mouth_height_mm = { from = 100, to = 140 }
opening_angle_deg = { from = 25, to = 50 }
""",
}
SECTIONS = {"vertical_lens": "lens", "conic_lens": "lens", "waveguide": "waveguide"}


def main() -> None:
    """Solve what is missing, then print what estimates are worth."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("families", nargs="*", metavar="FAMILY")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--known", type=int, default=KNOWN)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    number = asked.known + max(2, asked.known * UNKNOWN // KNOWN)
    for family in asked.families or FAMILIES:
        solve_missing(family, asked.folder, number, asked.processes)
        loaded = job_of(family)
        print_worth(family, loaded, *answers_of(family, loaded, asked.folder, number), asked.known)


def solve_missing(family, folder, number, processes):
    """Solve those shapes of a family that the folder does not hold, several at once."""
    candidates = draw(job_of(family)).candidates[:number]
    missing = [one for one in candidates if not answer_file(family, one, folder).exists()]
    os.environ.update(dict.fromkeys(("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"), "1"))
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    begun = time.perf_counter()
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as pool:
        found = pool.map(solve_one, [family] * len(missing), missing, [folder] * len(missing))
        for candidate, seconds in zip(missing, found, strict=True):
            print(f"{family} {candidate.id}: {seconds:.1f} s", file=sys.stderr, flush=True)
    if missing:
        took = time.perf_counter() - begun
        print(f"{family}: {len(missing)} shapes solved in {took:.0f} s, {processes} at once")


def solve_one(family, candidate, folder):
    """Solve a shape and keep its answer; return the processor time that it took."""
    field, power, seconds = solved(cached_job(family), candidate.values)
    path = answer_file(family, candidate, folder)
    unfinished = path.with_suffix(".part.npz")
    np.savez(unfinished, field=field.astype(np.complex64), power=power, seconds=seconds)
    unfinished.replace(path)
    return seconds


def answer_file(family, candidate, folder):
    """Return where an answer is kept."""
    return folder / f"{family}_{candidate.id}.npz"


def answers_of(family, loaded, folder, number):
    """Return values (n, 4), far fields, powers, seconds and source places of a family's shapes."""
    searched = searched_keys(loaded)
    found = []
    for candidate in draw(loaded).candidates[:number]:
        with np.load(answer_file(family, candidate, folder)) as kept:
            row = [candidate.values[key] for key in searched]
            motions, _ = loaded.boundaries.both_of(loaded.shape, candidate.values)
            found.append(
                (row, kept["field"], kept["power"], float(kept["seconds"]), motions[0].centre)
            )
    return tuple(np.array(column) for column in zip(*found, strict=True))


def print_worth(family, loaded, values, fields, powers, seconds, centres, n_known):
    """Print how far off estimates are, and how often their band holds."""
    searched = searched_keys(loaded)
    limits = np.array([limits_of(settings_of(loaded)[key]) for key in searched])
    where = directions()
    azimuth, elevation = where.azimuth_deg, where.elevation_deg
    chosen = np.flatnonzero((elevation == 0) | (azimuth == 0))
    azimuth, elevation = azimuth[chosen], elevation[chosen]
    wavenumber = 2 * np.pi * np.array(FREQUENCIES_HZ) / loaded.job.air.medium.sound_speed
    fields = np.array(
        [
            about_source(field[:, chosen], wavenumber, where.vectors[chosen], centre)
            for field, centre in zip(fields, centres, strict=True)
        ]
    )
    window = np.array(
        [int(np.argmin(np.hypot(azimuth - a, elevation - e))) for a, e in LISTENING_WINDOW]
    )
    judged = np.flatnonzero((np.abs(azimuth) <= 60) & (np.abs(elevation) <= 60))
    begun = time.process_time()
    known = estimator_of(
        values[:n_known],
        fields[:n_known],
        powers[:n_known],
        frequency_hz=np.array(FREQUENCIES_HZ),
        low=limits[:, 0],
        high=limits[:, 1],
        window=window,
        judged=judged,
    )
    learning_s = time.process_time() - begun
    estimates, taken = [], []
    for row in values[n_known:]:
        begun = time.process_time()
        estimates.append(known.estimate(row))
        taken.append(time.process_time() - begun)
    each_s = float(np.median(taken))
    true = levels_db(fields[n_known:], window)[..., judged]
    off = levels_db(np.array([e.field for e in estimates]), window)[..., judged] - true
    band = np.array([e.band_db for e in estimates])[..., judged]
    distance = np.linalg.norm(
        ((values[n_known:, np.newaxis] - values[:n_known]) / (limits[:, 1] - limits[:, 0])),
        axis=-1,
    )
    nearest = levels_db(fields[:n_known], window)[distance.argmin(axis=1)][..., judged]
    print(
        f"{family}: {n_known} shapes known, {len(off)} estimated; a solve of "
        f"{len(FREQUENCIES_HZ)} frequencies takes {np.median(seconds):.1f} s, "
        f"learning {learning_s:.1f} s, an estimate "
        f"{1e3 * each_s:.1f} ms ({1e3 * max(taken):.1f} at most), "
        f"{np.median(seconds) / each_s:.0f} times less"
    )
    print("  Hz     r.m.s. dB  nearest dB  ratio  inside the band  half width dB  worst shape dB")
    rows = [*enumerate(FREQUENCIES_HZ), (slice(None), 0.0)]
    for number, frequency in rows:
        rms = np.sqrt(np.mean(off[:, number] ** 2))
        near = np.sqrt(np.mean((nearest - true)[:, number] ** 2))
        inside = np.mean(np.abs(off[:, number]) <= band[:, number])
        worst = np.sqrt(np.mean(off[:, number] ** 2, axis=tuple(range(1, off[:, number].ndim))))
        print(
            f"  {frequency or 'all':>5} {rms:9.3f} {near:11.3f} {near / rms:6.1f} {inside:14.1%} "
            f"{np.median(band[:, number]):14.2f} {worst.max():14.2f}",
            flush=True,
        )


@cache
def cached_job(family):
    """Return the job of a family, read once a process."""
    return job_of(family)


def job_of(family):
    """Return a job that searches four dimensions of a family."""
    with TemporaryDirectory() as name:
        path = Path(name) / "job.toml"
        path.write_text(
            f'title = "{family}"\n[geometry]\nscript = "{GEOMETRIES / family}.py"\n'
            f"[geometry.{SECTIONS[family]}]{FAMILIES[family]}\n"
            f'[baseline]\nscript = "{GEOMETRIES}/plain_baffle.py"\n'
            f"[search]\ncandidates = {KNOWN + UNKNOWN}\n"
        )
        return load_job(path)


def searched_keys(loaded):
    """Return the keys that a job searches."""
    return [key for key, setting in settings_of(loaded).items() if isinstance(setting, Span)]


def solved(loaded, values):
    """Return the far field of a shape as a draft, and the processor time that it took."""
    begun = time.process_time()
    air = loaded.job.air.medium
    size = mesh_size("draft", max(FREQUENCIES_HZ), air)
    (mesh,) = mesh_shape(loaded.shape, values, [size], 300.0)
    motions, absorbers = loaded.boundaries.both_of(loaded.shape, values)
    result = solve_band(
        mesh,
        motions,
        Band(frequencies_hz=FREQUENCIES_HZ, mesh_frequency_hz=max(FREQUENCIES_HZ)),
        air=air,
        directions=directions().vectors,
        absorbers=absorbers,
        symmetry=loaded.shape.symmetry,
        engine="direct",
        quality="draft",
    )
    power = result.cross_power[:, 0, 0].real
    return result.far_field[0], power, time.process_time() - begun


if __name__ == "__main__":
    main()
