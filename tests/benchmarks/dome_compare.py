# SPDX-License-Identifier: GPL-3.0-or-later
"""A dome that does not stay rigid, found again in a measurement of a solved shape.

    python tests/benchmarks/dome_compare.py RUN CANDIDATE [FOLDER]

RUN is of a job with a section ``[domes.tweeter]``, such as ``jobs/plausible_domes.toml``. The
candidate is meshed and solved once more, finer, with a dome whose apex lags at 700 m/s and fades
above 18 kHz, given as a velocity table of its rings: no profile has a part in it. From that, two
orbits at 2 m are written as text files with sweeps that scatter by 0.1 dB and a turntable that is
1.5 degrees off, and the command ``compare`` is run on them. A second measurement holds the rigid
dome. Everything is synthetic. Printed is what the command says, and its time.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

from compare import pressure_of
from synthetic_measurement import Planted, Session, write_measurement

from bafflelens.bem.sweep import solve_band
from bafflelens.mesh.dome_motions import DomeMember, dome_ratio
from bafflelens.mesh.quality import bands, mesh_size
from bafflelens.mesh.source_motion import VelocityTable
from bafflelens.mockup.comparison.radiator import surface_radiator
from bafflelens.mockup.measurement.measured import Setup
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.store import open_run

FINER = 1.15
MEMBERS = {
    "apex lags at 700 m/s, fades above 18 kHz": DomeMember(lag_speed_m_s=700.0, fade_hz=18e3),
    "rigid": DomeMember(),
}
SETUP = Setup(distance_m=2.0, rotation_point_m=(-0.1, 0.0, 0.0), remarks="synthetic")
PLANTED = Planted(angle_offset_deg=1.5, repeat_level_db=0.1)


def natures(folder, candidate_id):
    """Solve a candidate on finer meshes with every motion; return a radiator for each."""
    loaded, dataset = folder.load_job(), folder.load_directivity(candidate_id)
    candidate = next(one for one in folder.candidates() if one.id == candidate_id)
    shape = loaded.shape_of(candidate_id)
    (rigid,), absorbers = loaded.boundaries.both_of(shape, candidate.values)
    job, hz = loaded.job, dataset["frequency"].values
    radii = np.linspace(0, 1, 25)
    motions = []
    for member in MEMBERS.values():
        ratio = dome_ratio(member, radii, rigid.inner_radius_m, hz)
        table = VelocityTable(frequencies_hz=hz, radii_m=radii * rigid.inner_radius_m, ratio=ratio)
        motions.append(replace(rigid, table=table))
    parts = [[] for _ in motions]
    for band in bands([float(one) for one in hz], job.solve.quality):
        size = mesh_size(job.solve.quality, FINER * band.mesh_frequency_hz, job.air.medium)
        (mesh,) = mesh_shape(shape, candidate.values, [size], 120.0)
        found = solve_band(
            mesh,
            motions,
            band,
            air=job.air.medium,
            directions=np.eye(3),
            absorbers=absorbers,
            symmetry=shape.symmetry,
            quality=job.solve.quality,
            keep_surface=True,
        ).surface
        for number, kept in enumerate(parts):
            one = slice(number, number + 1)
            kept.append(replace(found, pressure=found.pressure[one], gradient=found.gradient[one]))
        print(
            f"  {band.frequencies_hz[0]:.0f} Hz and up: {mesh.n_triangles} triangles", flush=True
        )
    strengths = np.ones((1, len(hz)), dtype=complex)
    speed = job.air.medium.sound_speed
    return hz, [surface_radiator(kept, strengths, speed) for kept in parts]


def main(run, candidate, scratch):
    """Print what the command finds in both measurements."""
    started = time.process_time()
    hz, found = natures(open_run(run), candidate)
    print(f"solved with both motions in {time.process_time() - started:.0f} s of processor time")
    steps = np.floor(24 * np.log2(hz[-1] / hz[0]) + 1e-6)
    session = Session(
        setup=SETUP,
        orbits=("horizontal", "vertical"),
        frequencies_hz=tuple(hz[0] * 2 ** (np.arange(steps + 1) / 24)),
        repeats=2,
    )
    for (text, _), radiator in zip(MEMBERS.items(), found, strict=True):
        where = scratch / text.split()[0]
        path = write_measurement(where, pressure_of(radiator), session, PLANTED)
        words = ["compare", str(run), candidate, str(path), "--out", str(where / "compared")]
        command = [sys.executable, "-m", "bafflelens", *words]
        started = time.perf_counter()
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        print(f"\nplanted: {text}; compared in {time.perf_counter() - started:.0f} s")
        print(done.stdout + done.stderr)


if __name__ == "__main__":
    if len(sys.argv) > 3:
        main(Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3]))
    else:
        with tempfile.TemporaryDirectory() as name:
            main(Path(sys.argv[1]), sys.argv[2], Path(name))
