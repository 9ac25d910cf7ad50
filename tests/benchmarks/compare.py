# SPDX-License-Identifier: GPL-3.0-or-later
"""A clay mock-up compared, from files to page: how long it takes, and what it finds of a lens.

    python tests/benchmarks/compare.py [TOP_HZ] [QUALITY] [ENGINE] [FOLDER]

A lens is solved as it was meant, and with its walls 3 degrees off and its lip rounder, which
stands for the clay and for its scan. The clay is solved once more on a finer mesh, by ENGINE, and
from that a measurement of two orbits of 72 angles is written as text files, three sweeps each.
Planted are a rotation point 12 mm further forward, 1.5 degrees, and sweeps that scatter by 0.1 dB.
Everything is synthetic. Printed are the set-up found, how the difference splits, the time of the
comparison, and its ratio to what solving the candidate takes: what is kept is used again.

ENGINE is `direct`, or `bempp`, the independent one, which needs minutes of processor time a
frequency: with it the cabinet is a small one, the frequencies are seven from 2 to 4 kHz, and what
it solved stays in FOLDER for the next call.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

from synthetic_measurement import Planted, Session, write_measurement

from bafflelens.base.medium import Air
from bafflelens.base.progress import Silent
from bafflelens.bem.surface_pressure import SurfacePressure, joined_surfaces
from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.frequency_interpolation import interpolate
from bafflelens.mesh.quality import Band, mesh_size
from bafflelens.mockup.comparison.compare import ComparisonRequest, compare
from bafflelens.mockup.comparison.radiator import surface_radiator
from bafflelens.mockup.comparison.simulation import radiator_of
from bafflelens.mockup.measurement.measured import Setup
from bafflelens.mockup.measurement.reading import read_measurement
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

ROOT = Path(__file__).parents[2]
MEANT, CLAY = {"wall": 50, "lip": 12}, {"wall": 53, "lip": 16}
PLANTED = Planted(rotation_offset_m=(0.012, 0.0, 0.0), angle_offset_deg=1.5, repeat_level_db=0.1)
SETUP = Setup(distance_m=2.0, rotation_point_m=(-0.1, 0.0, 0.0), remarks="synthetic")
JOB = """
title = "Benchmark of comparisons"
[geometry]
script = "{root}/geometries/vertical_lens.py"
[geometry.lens]
opening_height_mm = 110
wall_half_angle_deg = {{ from = {wall}, to = {wall}.01 }}
lip_radius_mm = {lip}
{cabinet}
[baseline]
script = "{root}/geometries/plain_baffle.py"
[search]
candidates = 1
[frequencies]
{frequencies}
to_hz = {top}
[score]
from_hz = 2000
to_hz = {top}
[solve]
quality = "{quality}"
second_opinion = false
remeshes = 0
"""


USUAL = {"cabinet": "", "frequencies": 'from_hz = 800\nper_octave = "as needed"'}
SMALL = {
    "cabinet": "[geometry.cabinet]\nwidth_mm = 150\nheight_mm = 240\ndepth_mm = 120",
    "frequencies": "from_hz = 1950\nper_octave = 6",
}
FINER = 1.2


def run(folder, name, shape, top, quality, size):
    """Solve one lens and the baseline; return the run's folder and the time for both, in s."""
    job = folder / f"{name}.toml"
    job.write_text(JOB.format(root=ROOT, top=top, quality=quality, **shape, **size))
    started = time.perf_counter()
    result = run_job(job, RunOptions(results=folder / "results"))
    return result.folder, time.perf_counter() - started


def by_the_second_engine(clay, path):
    """Return the clay of a run solved by bempp-cl on a finer mesh; what lies at `path` is read."""
    if not path.exists():
        frequencies = radiator_of(clay, "c001", progress=Silent()).solved_hz
        shape = load_shape(ROOT / "geometries/vertical_lens.py")
        values = next(one.values for one in clay.candidates() if one.id == "c001")
        size = mesh_size("standard", FINER * frequencies[-1], Air())
        (mesh,) = mesh_shape(shape, values, [size], 60.0)
        print(
            f"bempp-cl: {2 * mesh.n_triangles} triangles, {len(frequencies)} frequencies",
            flush=True,
        )
        parts = []
        for frequency in frequencies:
            started = time.perf_counter(), time.process_time()
            band = Band(frequencies_hz=(frequency,), mesh_frequency_hz=frequency)
            found = solve_band(
                mesh, source_motions(shape, values), band, air=Air(), symmetry=shape.symmetry,
                directions=np.eye(3), engine="bempp", keep_surface=True,
            )  # fmt: skip
            parts.append(found.surface)
            (outcome,) = found.outcomes
            print(
                f"  {frequency:.0f} Hz: {time.perf_counter() - started[0]:.0f} s, "
                f"{time.process_time() - started[1]:.0f} s of processor time, "
                f"{outcome.iterations} steps, power balance {outcome.power_balance:.4f}",
                flush=True,
            )
        with path.open("wb") as stream:
            joined_surfaces(parts).write(stream)
    with path.open("rb") as stream:
        surface = SurfacePressure.read(stream, path)
    strengths = np.ones((1, surface.frequencies_hz.size), dtype=complex)
    return surface_radiator([surface], strengths, surface.sound_speed)


def pressure_of(radiator):
    """The pressure of a radiator at any points and frequencies, as a measurement is written."""

    def pressure(points, frequencies, sound_speed):
        assert abs(sound_speed - radiator.sound_speed) < 1e-6
        solved = radiator.frequencies_hz
        found, _ = radiator.at(points, np.arange(solved.size))
        return (
            interpolate(
                solved,
                found[np.newaxis],
                frequencies,
                delays_s=radiator.shortest_way_m(points)[np.newaxis] / sound_speed,
                is_front=points[:, 0] > 0,
            )
            .far_field[0]
            .T
        )

    return pressure


def main(folder, top, quality, engine):
    size = SMALL if engine == "bempp" else USUAL
    nominal, solve_s = run(folder, "meant", MEANT, top, quality, size)
    clay, _ = run(folder, "clay", CLAY, top, quality, size)
    if engine == "bempp":
        nature = by_the_second_engine(clay, folder / "second_engine.npz")
    else:
        finer, _ = run(folder, "nature", CLAY, top, "fine", size)
        nature = radiator_of(finer, "c001", progress=Silent())
    measured_hz = 1000 * 2 ** (np.arange(-7, np.floor(24 * np.log2(top / 1000))) / 24)
    if engine == "bempp":
        measured_hz = nature.frequencies_hz
    session = Session(
        setup=SETUP,
        orbits=("horizontal", "vertical"),
        frequencies_hz=tuple(measured_hz),
        repeats=3,
    )
    path = write_measurement(
        folder / "measurement",
        pressure_of(nature),
        session,
        PLANTED,
    )
    request = ComparisonRequest(
        run=nominal.path, candidate="c001", measurement=path, out=folder / "compared",
        scan=(clay.path, "c001"),
    )  # fmt: skip
    compare_s = []
    for name in ("first", "again"):  # the first compiles
        request = ComparisonRequest(**{**vars(request), "out": folder / f"compared_{name}"})
        started = time.process_time()
        found = compare(request, read_measurement, Silent())
        compare_s.append(found.seconds)
    processor_s = time.process_time() - started
    for plane, fit in found.comparison.fits.items():
        values = ", ".join(
            f"{value:.4f} +- {error:.4f}{'' if told else ' (not told)'}"
            for value, error, told in zip(
                fit.deviation.values, fit.uncertainty, fit.is_told, strict=True
            )
        )
        print(f"{plane}: angle, forward, sideways, tilt: {values}; planted 1.5, 0.012, 0, 0")
    for sentence in found.comparison.verdict.sentences:
        print(" ", sentence)
    three = found.comparison.three_way
    for one, shape, other in zip(
        found.comparison.differences, three.shape_db, three.scanned, strict=True
    ):
        whole, part, rest = (
            np.sqrt(np.nanmean(v**2)) for v in (one.difference_db, shape, other.difference_db)
        )
        print(f"{one.plane}: whole {whole:.2f}, shape {part:.2f}, rest {rest:.2f} dB r.m.s.")
    sizes = [f.stat().st_size for f in (nominal.path / "candidates/c001/surface").glob("*.npz")]
    print(f"surface pressure kept: {sum(sizes) / 1e6:.1f} MB a candidate")
    print(
        f"from files to page {compare_s[1]:.1f} s ({compare_s[0]:.1f} s with compiling), three "
        f"ways; solving the candidate and its baseline {solve_s:.0f} s: "
        f"{solve_s / compare_s[1]:.1f} times as long"
    )
    steps = ", ".join(f"{name} {value:.1f} s" for name, value in found.seconds_by_step.items())
    print(f"  by step: {steps}; {processor_s:.1f} s of processor time")
    print(f"page: {found.page}")


if __name__ == "__main__":
    top_hz = float(sys.argv[1]) if len(sys.argv) > 1 else 6000.0
    level = sys.argv[2] if len(sys.argv) > 2 else "standard"
    solver = sys.argv[3] if len(sys.argv) > 3 else "direct"
    if len(sys.argv) > 4:
        place = Path(sys.argv[4])
        place.mkdir(parents=True, exist_ok=True)
        main(place, top_hz, level, solver)
    else:
        with tempfile.TemporaryDirectory() as scratch:
            main(Path(scratch), top_hz, level, solver)
