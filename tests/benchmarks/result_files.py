# SPDX-License-Identifier: GPL-3.0-or-later
"""Size and time of result files, as they are written here and by xarray, and of compression.

    .venv/bin/python tests/benchmarks/result_files.py RUN_FOLDER

The datasets are those of a run that was really solved: what stand-ins make shrinks to nothing.
"""

import sys
import tempfile
import time
from pathlib import Path

import h5py
import numpy as np

from bafflelens.base.netcdf import write_dataset
from bafflelens.store import open_run

REPEATS = 5
LARGE = ("far_field_real", "far_field_imag")


def far_field_alone(data, path, **options):
    """Write the two large variables, without all that says what they are."""
    with h5py.File(path, "w") as file:
        for name in LARGE:
            file.create_dataset(name, data=data[name].values, **options)


def main() -> None:
    """Print a line for each way to write."""
    folder = open_run(Path(sys.argv[1]))
    names = [c.id for c in folder.candidates() if folder.has_directivity(c.id)]
    datasets = [folder.load_directivity(name) for name in names]
    frequencies = sorted({dataset.sizes["frequency"] for dataset in datasets})
    print(f"{len(datasets)} result files of {frequencies} frequencies, means of each way")
    ways = {
        "here": write_dataset,
        "xarray": lambda data, path: data.to_netcdf(path, engine="h5netcdf"),
        "far field alone": far_field_alone,
        "the same, compressed": lambda data, path: far_field_alone(
            data, path, compression=4, shuffle=True
        ),
    }
    with tempfile.TemporaryDirectory() as scratch:
        path, first_ms = Path(scratch) / "a.nc", 0.0
        for name, write in ways.items():
            sizes, began = [], time.perf_counter()
            for dataset in datasets * REPEATS:
                write(dataset, path)
                sizes.append(path.stat().st_size)
            mean_ms = 1e3 * (time.perf_counter() - began) / len(sizes)
            first_ms = first_ms or mean_ms
            print(
                f"{name:<21} {np.mean(sizes) / 1e3:6.0f} kB {mean_ms:6.1f} ms, "
                f"{mean_ms / first_ms:.1f} times as long as here"
            )


if __name__ == "__main__":
    main()
