# SPDX-License-Identifier: GPL-3.0-or-later
"""How near the estimate of a shape that was never solved comes, and how honest its band is.

Three shipped families, four dimensions each, solved as drafts at a few frequencies; the answers
are kept in a folder, so that the second time takes seconds::

    python tests/benchmarks/estimate.py FOLDER [FAMILY ...]

For each family: 30 solved shapes, the others are estimated from these. Printed are, for each
frequency, the r.m.s. error and the share of levels inside the 95 % band within 60 degrees on both
orbits, beside what the nearest solved shape gives, and what one estimate takes beside one solve.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.polars import LISTENING_WINDOW
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw, settings_of
from bafflelens.job.shape_sections import Span
from bafflelens.live.estimate import estimator_of, levels_db
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
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for family in sys.argv[2:] or FAMILIES:
        loaded = job_of(family)
        shapes = answers_of(family, loaded, folder)
        print_worth(family, loaded, *shapes)


def answers_of(family, loaded, folder):
    """Return values (n, 4), far fields, powers and seconds of a family's shapes."""
    searched = searched_keys(loaded)
    found = []
    for candidate in draw(loaded).candidates:
        path = folder / f"{family}_{candidate.id}.npz"
        if not path.exists():
            field, power, seconds = solved(loaded, candidate.values)
            np.savez(path, field=field.astype(np.complex64), power=power, seconds=seconds)
            print(f"{family} {candidate.id}: {seconds:.1f} s", file=sys.stderr, flush=True)
        with np.load(path) as kept:
            row = [candidate.values[key] for key in searched]
            found.append((row, kept["field"], kept["power"], float(kept["seconds"])))
    return tuple(np.array(column) for column in zip(*found, strict=True))


def print_worth(family, loaded, values, fields, powers, seconds):
    """Print how far off estimates are, and how often their band holds."""
    searched = searched_keys(loaded)
    limits = np.array([limits_of(settings_of(loaded)[key]) for key in searched])
    where = directions()
    azimuth, elevation = where.azimuth_deg, where.elevation_deg
    chosen = np.flatnonzero((elevation == 0) | (azimuth == 0))
    azimuth, elevation = azimuth[chosen], elevation[chosen]
    fields = fields[:, :, chosen]
    window = np.array(
        [int(np.argmin(np.hypot(azimuth - a, elevation - e))) for a, e in LISTENING_WINDOW]
    )
    judged = np.flatnonzero((np.abs(azimuth) <= 60) & (np.abs(elevation) <= 60))
    begun = time.process_time()
    known = estimator_of(
        values[:KNOWN],
        fields[:KNOWN],
        powers[:KNOWN],
        frequency_hz=np.array(FREQUENCIES_HZ),
        low=limits[:, 0],
        high=limits[:, 1],
        window=window,
        judged=judged,
    )
    learning_s = time.process_time() - begun
    begun = time.process_time()
    estimates = [known.estimate(row) for row in values[KNOWN:]]
    each_s = (time.process_time() - begun) / len(estimates)
    true = levels_db(fields[KNOWN:], window)[..., judged]
    off = levels_db(np.array([e.field for e in estimates]), window)[..., judged] - true
    band = np.array([e.band_db for e in estimates])[..., judged]
    distance = np.linalg.norm(
        ((values[KNOWN:, np.newaxis] - values[:KNOWN]) / (limits[:, 1] - limits[:, 0])), axis=-1
    )
    nearest = levels_db(fields[:KNOWN], window)[distance.argmin(axis=1)][..., judged]
    print(
        f"{family}: {KNOWN} shapes known, {len(off)} estimated; a solve of {len(FREQUENCIES_HZ)} "
        f"frequencies takes {np.median(seconds):.1f} s, learning {learning_s:.1f} s, an estimate "
        f"{1e3 * each_s:.1f} ms, {np.median(seconds) / each_s:.0f} times less"
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
            f"{np.median(band[:, number]):14.2f} {worst.max():14.2f}"
        )


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
