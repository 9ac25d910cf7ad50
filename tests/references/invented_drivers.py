# SPDX-License-Identifier: GPL-3.0-or-later
"""The invented drivers of ``jobs/measured_drivers.toml``, and the files that "measure" them.

    python tests/references/invented_drivers.py    # writes jobs/invented_*.txt anew

Each diaphragm is a mass on a spring that a voice coil drives:

    a(f) = V Bl / (R M) * s^2 / (s^2 + s/Q + 1) / (1 + jf/f_coil),    s = jf/f_0

(text-book model, T and S parameters; values invented, with common sizes). The cone's file is that.
The dome's file is the sound pressure at 1 m before a plate of 300 x 400 mm, as the solver gives it
in standard quality, flight time included; what the job makes of it must be a(f) again.
"""

import tomllib
from pathlib import Path
from typing import Final

import numpy as np
from whole_sweep import solved_shape

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, from_electrical
from bafflelens.directivity.far_field_data import microphone_pressure
from bafflelens.directivity.responses import Response, write_response
from bafflelens.job.sections import Job
from bafflelens.shapes.meshing.loading import load_shape

JOBS: Final = Path(__file__).parents[2] / "jobs"
DOME: Final = {"strength": 4950.0, "resonance_hz": 850.0, "q": 0.9, "coil_hz": 39_000.0}
CONE: Final = {"strength": 400.0, "resonance_hz": 70.0, "q": 0.5, "coil_hz": 2_500.0}
DISTANCE_M: Final = 1.0
_INVENTED: Final = (
    "INVENTED, not a measurement of any product: tests/references/invented_drivers.py"
)


def acceleration(frequency_hz, *, strength, resonance_hz, q, coil_hz):
    """Return the acceleration for 2.83 V in m/s^2, r.m.s., for exp(+j omega t)."""
    frequency = np.asarray(frequency_hz, dtype=float)
    s = 1j * frequency / resonance_hz
    return strength * s**2 / (s**2 + s / q + 1) / (1 + 1j * frequency / coil_hz)


def response(name, frequency_hz, values, unit):
    """Return complex values as a response in dB re a unit."""
    return Response(
        name=name,
        frequency_hz=frequency_hz,
        level_db=20 * np.log10(np.abs(values) / unit),
        phase_deg=np.degrees(np.angle(values)),
    )


def plate_pressure(frequency_hz):
    """Return the pressure of the job's plate at the microphone for 1 m/s^2, exp(-i omega t)."""
    path = JOBS / "measured_drivers.toml"
    job = Job.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    plate = job.driver.drivers["tweeter"].plate
    assert plate is not None  # it is measured in one
    shape, air = load_shape(path.parent / plate.script), job.air.medium
    values = shape.defaults | {key: setting.value for key, setting in plate.parameters.items()}
    dataset = solved_shape(shape, values, frequency_hz, "standard", air, (DISTANCE_M,))
    return microphone_pressure(dataset, DISTANCE_M)


def main():
    """Write both files."""
    frequency = 1000 * 10 ** (np.arange(-12, 45) / 40)  # 500 Hz to 12.6 kHz, R40 of ISO 3
    cone = response("cone", frequency, acceleration(frequency, **CONE), 1.0)
    write_response(
        cone,
        JOBS / "invented_midrange.txt",
        f"{_INVENTED}\nAcceleration of a cone for 2.83 V, dB re 1 m/s^2 r.m.s.",
    )
    pressure = from_electrical(plate_pressure(frequency)) * acceleration(frequency, **DOME)
    dome = response("dome", frequency, pressure, REFERENCE_PRESSURE_PA)
    write_response(
        dome,
        JOBS / "invented_tweeter.txt",
        f"{_INVENTED}\nSound pressure of a dome at 1 m before a plate of 300 x 400 mm, 2.83 V,\n"
        "dB re 20 uPa r.m.s.; the flight time is in the phase.",
    )


if __name__ == "__main__":
    main()
