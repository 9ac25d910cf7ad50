# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a measurement of two orbits with 72 angles each, against a general reader of tables.

Text of 1,980 rows an angle, and impulse responses of 16,384 samples: checked, gated, with noise
floor. The alternative is `numpy.loadtxt`, which checks nothing, on the same text files.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

from synthetic_measurement import Planted, Session, point_sources, write_measurement

from bafflelens.mockup.measurement.measured import Setup
from bafflelens.mockup.measurement.reading import read_measurement


def main() -> None:
    """Print times and their ratio."""
    source = point_sources([(0, 0.03, 0.02), (0, -0.02, -0.03)], [1, 0.6])
    setup = Setup(distance_m=2.0, rotation_point_m=(-0.12, 0, 0))
    session = Session(setup=setup, orbits=("horizontal", "vertical"), n_samples=16384)
    text = Session(
        setup=setup,
        orbits=("horizontal", "vertical"),
        frequencies_hz=tuple(np.arange(200.0, 20000.0, 10.0)),
    )
    with tempfile.TemporaryDirectory() as folder:
        for name, what in (("text", text), ("impulse", session)):
            path = Path(folder) / name
            kind = Session(**{**what.__dict__, "kind": name})
            write_measurement(path, source, kind, Planted(noise_re_peak=1e-4))
        own = _seconds(lambda: read_measurement(Path(folder) / "text" / "measurement.toml"))
        files = sorted((Path(folder) / "text").glob("*.txt"))
        general = _seconds(lambda: [np.loadtxt(file) for file in files])
        sweeps = _seconds(lambda: read_measurement(Path(folder) / "impulse" / "measurement.toml"))
    print(f"text, {len(files)} files of 1,980 rows: {own:.2f} s, numpy.loadtxt {general:.2f} s")
    print(f"ratio {own / general:.2f} (below 1: faster)")
    print(f"impulse responses, 144 files of 16,384 samples: {sweeps:.2f} s")


def _seconds(work: object) -> float:
    """Return the shorter of two times."""
    times = []
    for _ in range(2):
        begin = time.perf_counter()
        work()  # type: ignore[operator]
        times.append(time.perf_counter() - begin)
    return min(times)


if __name__ == "__main__":
    main()
