# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate's directivity for other programs: AES69 (SOFA), and plain text an angle.

Both are for exp(+j omega t), as measurements are, and for 1 m from the reference point, brought
there from far away: at a distance r far away the pressure is the far field times exp(-jkr)/r.

In the AES69 file values are in Pa, with the way of that metre in their phase: its receivers are
at 1 m, and data of the kind TF have no field for a delay (`Data.Delay` belongs to the kind FIR),
so whoever reads the file takes the sound to arrive when the phase says. Text files have no place
of the microphone; theirs are levels re 20 micropascal, as those of `curves` and of a driver's file
are, and phases without that metre. Between frequencies so far apart a phase that turns by
360 degrees every 343 Hz could not be followed; the delay taken out stands in each head.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, ComplexArray, from_electrical
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.directivity import far_field_data, polars, source_sums
from bafflelens.directivity.responses import Response, response_text
from bafflelens.mockup.measurement.measured import ORBITS, nominal_directions
from bafflelens.mockup.measurement.sofa import transfer_file
from bafflelens.store import RunFolder, write_folder
from bafflelens.store.system_response import played

ALL: Final = "all"
RADIUS_M: Final = 1.0
"""How far from the reference point the pressure is exported for."""

_TEXT_DIGITS: Final = 12
_LEVEL_UNIT: Final = "dB_re_20uPa"


Further = Callable[[xr.Dataset, xr.Dataset, str], Mapping[str, bytes]]
"""Names and contents of further files, from a directivity as it plays, as solved, and a title."""


def export_candidates(
    folder: RunFolder,
    candidates: Sequence[str],
    out: Path,
    progress: Progress | None = None,
    further: Further | None = None,
) -> tuple[tuple[Path, str], ...]:
    """Write the directivities of candidates into a folder, one folder a candidate.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidates : sequence of str
        Ids, or ``all``.
    out : Path
        Folder to write into; made if it is not there. ``c001/directivity.sofa`` and
        ``c001/horizontal_{angle}_dB_re_20uPa.txt``, ``c001/vertical_{angle}_dB_re_20uPa.txt``
        are written.
    progress : Progress, optional
        Who is told.
    further : callable, optional
        Makes further files of each folder.

    Returns
    -------
    tuple of (Path, str)
        Each folder written, and what there is to say of it; empty if nothing.

    Raises
    ------
    InputError
        If a candidate is not among those that are solved.
    StoreError
        If a folder is there already.
    """
    solved = [c.id for c in folder.candidates() if folder.has_directivity(c.id)]
    wanted = solved if list(candidates) == [ALL] else list(candidates)
    faults = [
        invalid("candidate", name, f"{ALL}, or one that the run has solved: {', '.join(solved)}")
        for name in wanted
        if name not in solved
    ]
    if faults or not wanted:
        none = invalid("run", folder.name, "one with a candidate that is solved")
        raise InputError(faults or none)
    loaded = folder.load_job()
    written = []
    with (progress or Silent()).bar(float(len(wanted)), "exporting") as advance:
        for name in wanted:
            solved_as = folder.load_directivity(name)
            dataset = played(folder, loaded, solved_as)
            title = f"{loaded.job.title}: {name}"
            written.append((out / name, _gap_text(dataset)))
            files = exported_files(dataset, title)
            if further is not None:
                files |= further(dataset, solved_as, title)
            write_folder(out / name, files)
            advance(1.0, name)
    return tuple(written)


def exported_files(dataset: xr.Dataset, title: str) -> dict[str, bytes]:
    """Return names and contents of the files of one directivity.

    Parameters
    ----------
    dataset : xarray.Dataset
        With one source.
    title : str
        What it is, for the files.

    Raises
    ------
    InputError
        If no frequency is solved, or there are several sources.
    """
    frequency, transfer = exported_values(dataset)
    if not len(frequency):
        raise InputError(invalid("directivity", title, "one with a solved frequency"))
    comment = about(dataset)
    flight_s = flight_time_s(dataset)
    version = str(dataset.attrs.get("version_bafflelens", ""))
    azimuth, elevation = dataset["azimuth_deg"].values, dataset["elevation_deg"].values
    sofa = transfer_file(
        azimuth,
        elevation,
        frequency,
        transfer * np.exp(-2j * np.pi * frequency * flight_s),
        radius_m=RADIUS_M,
        title=title,
        comment=f"{comment} The phase has the {1e3 * flight_s:.3f} ms of that metre in it.",
        application="bafflelens",
        version=version,
    )
    files = {"directivity.sofa": sofa}
    for plane in ORBITS:
        around = polars.orbit(dataset, plane)["angle"].values
        around = around[around > -180]  # straight behind once
        rows = polars.positions(
            dataset, list(zip(*nominal_directions(plane, around), strict=True))
        )
        for angle, row in zip(around, rows, strict=True):
            response = Response(
                name=title,
                frequency_hz=frequency,
                level_db=20
                * np.log10(np.maximum(np.abs(transfer[row]), 1e-15) / REFERENCE_PRESSURE_PA),
                phase_deg=np.degrees(np.angle(transfer[row])),
            )
            remark = f"{title}, {plane} orbit, {angle:g} degrees\n{comment}"
            remark += (
                f" Levels in dB re 20 uPa. Delay taken out of the phase: {1e3 * flight_s:.3f} ms"
            )
            remark += ", the way of that metre."
            text = response_text(response, remark, digits=_TEXT_DIGITS, level_unit=_LEVEL_UNIT)
            files[f"{plane}_{angle:g}_{_LEVEL_UNIT}.txt"] = text.encode()
    return files


def exported_values(dataset: xr.Dataset) -> tuple[np.ndarray, ComplexArray]:
    """Return frequencies (n,) and far field (n_directions, n) for exp(+j omega t), in Pa.m.

    The way to a microphone is not in its phase.
    Frequencies that are not solved, or whose driver's strength is not known, are left out.
    """
    field = np.asarray(source_sums.source_sum(dataset).transpose("direction", "frequency"))
    good = far_field_data.is_solved(dataset) & np.isfinite(field).all(axis=0)
    if "strength_db" in dataset:
        strength = dataset["strength_db"].values
        good &= np.isfinite(strength)
        field = field * 10 ** (np.where(good, strength, 0.0) / 20)
    values = from_electrical(field[:, good].astype(complex))  # the way back is the same
    return np.asarray(dataset["frequency"].values[good], dtype=float), values


def flight_time_s(dataset: xr.Dataset) -> float:
    """Return how long sound takes from the reference point to where it is exported for, in s."""
    return RADIUS_M / float(dataset.attrs["air_sound_speed_m_s"])


def about(dataset: xr.Dataset) -> str:
    """Return what a file says of a directivity: drive, place, sign of the time and air."""
    drive = "for 1 m/s^2 acceleration of the source"
    if "rated_voltage_v" in dataset.attrs:
        drive = f"at {float(dataset.attrs['rated_voltage_v']):g} V"
    air = dataset.attrs
    return (
        f"Simulated far field {drive}, in Pa at 1 m from the reference point (tweeter's axis at "
        "the front plane). Time factor exp(+j omega t). "
        f"Air {float(air['air_temperature_c']):g} degrees C, "
        f"{float(air['air_sound_speed_m_s']):.2f} m/s, without losses."
    )


def _gap_text(dataset: xr.Dataset) -> str:
    kept, _ = exported_values(dataset)
    lost = len(dataset["frequency"]) - len(kept)
    return f"{lost} frequencies that are not solved were left out" if lost else ""
