# SPDX-License-Identifier: GPL-3.0-or-later
"""How often the stated range of a fitted set-up covers what was planted.

    python tests/benchmarks/set_up_ranges.py [ORBITS]

ORBITS synthetic orbits a case (references/mock_up.py: the exact field of a cap on a sphere), each
with a cap that faces another way, a set-up that is off by other amounts, and other noise. Printed
for each of what is fitted: in how many per cent the truth lies within the stated range of 95 %,
the root mean square of error over range (0.51 for a Gaussian error and an honest range), the
median range and the largest error over range. A parameter that the data are said not to tell is
left out and counted.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import mock_up

from bafflelens.mockup.comparison.from_measurement import observed_of
from bafflelens.mockup.comparison.result import find_set_up
from bafflelens.mockup.measurement.microphones import PARAMETERS, SetUpDeviation

SPREAD = {"angle_deg": 1.5, "forward_m": 0.008, "sideways_m": 0.004, "tilt_deg": 1.0}
CASES = {
    "levels": {},
    "levels, 10 x the noise": {"noise": 0.03},
    "with phase": {"has_phase": True},
    "with phase, 10 x the noise": {"has_phase": True, "noise": 0.03},
    "every 5 degrees": {"angles": np.arange(-180.0, 180.0, 5.0)},
    "front half only": {"angles": np.arange(-90.0, 91.0, 10.0)},
    "cap 13 for 12 degrees": {"half_angle_deg": 13.0},
    "cap 15 for 12 degrees": {"half_angle_deg": 15.0},
    "sphere of 103 for 100 mm": {"radius_m": 0.103, "centre_m": (-0.103, 0.0, -0.02)},
    "dome breaks up at 6 kHz": {"break_up_hz": 6000.0},
    "floor 1.3 m below": {"floor_m": 1.3, "noise": 0.001},
}
UNITS = ("deg", "mm", "mm", "deg")
FACTORS = np.array([1.0, 1e3, 1e3, 1.0])


def orbit(seed: int, changes: dict) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return error, range and whether it is told, (4,) each, of one orbit."""
    rng = np.random.default_rng(seed)
    plane = ("horizontal", "vertical")[seed % 2]
    true = SetUpDeviation(**{name: rng.normal(0, SPREAD[name]) for name in PARAMETERS})
    axis = (rng.uniform(-12, 12), rng.uniform(-15, 15))
    side = true.sideways_m
    really = {
        "angle_offset_deg": true.angle_deg,
        "rotation_offset_m": (true.forward_m, *((side, 0.0) if seed % 2 == 0 else (0.0, side))),
        "tilt_deg": true.tilt_deg,
    }
    measured = mock_up.measured(
        orbits=(plane,), placed=really, seed=seed, axis_deg=axis, **changes
    )
    (observed,) = observed_of(measured)
    fit, _ = find_set_up(observed.without_noise(), mock_up.simulated(axis_deg=axis))
    return fit.deviation.values - true.values, fit.uncertainty, fit.is_told


def main(count: int, wanted: str) -> None:
    """Print a line a case and parameter."""
    total = []
    for name, changes in CASES.items():
        if wanted not in name:
            continue
        started = time.process_time()
        errors, ranges, told = (
            np.array(part)
            for part in zip(*(orbit(seed, changes) for seed in range(count)), strict=True)
        )
        print(f"{name} ({(time.process_time() - started) / count:.1f} s an orbit)")
        share = np.abs(errors) / ranges
        total.append(np.where(told, share, np.nan).ravel())
        for n, parameter in enumerate(PARAMETERS):
            here = share[told[:, n], n]
            if not here.size:
                print(f"  {parameter:10s} never told")
                continue
            median = FACTORS[n] * np.median(ranges[:, n])
            print(
                f"  {parameter:10s} covered {100 * np.mean(here <= 1):5.1f} %  r.m.s. "
                f"{np.sqrt(np.mean(here**2)):.2f}  range {median:.2f} {UNITS[n]}  "
                f"largest {here.max():.2f}  untold {np.sum(~told[:, n])} of {count}",
                flush=True,
            )
    every = np.concatenate(total)
    every = every[np.isfinite(every)]
    print(f"all {every.size}: covered {100 * np.mean(every <= 1):.1f} %, r.m.s. "
          f"{np.sqrt(np.mean(every**2)):.2f}, largest {every.max():.2f}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, sys.argv[2] if len(sys.argv) > 2 else "")
