# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate's directivity for other programs: AES69 (SOFA), and plain text an angle.

Both are for exp(+j omega t), as measurements are. The level is that at 1 m from the reference
point, brought there from far away, with the phase of that metre taken out: at a distance r far
away the pressure is the value times exp(-jkr)/r. Values of the AES69 file are in Pa; levels of the
text files are re 20 micropascal, as those of `curves` and of a driver's file are.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, ComplexArray, from_electrical
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.directivity import far_field_data, polars
from bafflelens.directivity.responses import Response, response_text
from bafflelens.mockup.measurement.measured import ORBITS, nominal_directions
from bafflelens.mockup.measurement.sofa import transfer_file
from bafflelens.store import RunFolder, write_folder
from bafflelens.store.system_response import played

ALL: Final = "all"
_TEXT_DIGITS: Final = 12
_LEVEL_UNIT: Final = "dB_re_20uPa"


def export_candidates(
    folder: RunFolder,
    candidates: Sequence[str],
    out: Path,
    progress: Progress | None = None,
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
        ``c001/horizontal_{angle}.txt``, ``c001/vertical_{angle}.txt`` are written.
    progress : Progress, optional
        Who is told.

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
            dataset = played(folder, loaded, folder.load_directivity(name))
            title = f"{loaded.job.title}: {name}"
            written.append((out / name, _gap_text(dataset)))
            write_folder(out / name, exported_files(dataset, title))
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
    comment = _comment(dataset)
    version = str(dataset.attrs.get("version_bafflelens", ""))
    azimuth, elevation = dataset["azimuth_deg"].values, dataset["elevation_deg"].values
    sofa = transfer_file(
        azimuth,
        elevation,
        frequency,
        transfer,
        radius_m=1.0,
        title=title,
        comment=comment,
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
            remark += " Levels in dB re 20 uPa."
            text = response_text(response, remark, digits=_TEXT_DIGITS, level_unit=_LEVEL_UNIT)
            files[f"{plane}_{angle:g}.txt"] = text.encode()
    return files


def exported_values(dataset: xr.Dataset) -> tuple[np.ndarray, ComplexArray]:
    """Return frequencies (n,) and values (n_directions, n) for exp(+j omega t), as exported.

    Frequencies that are not solved, or whose driver's strength is not known, are left out.
    """
    field = np.asarray(far_field_data.source_sum(dataset).transpose("direction", "frequency"))
    good = far_field_data.is_solved(dataset) & np.isfinite(field).all(axis=0)
    if "strength_db" in dataset:
        strength = dataset["strength_db"].values
        good &= np.isfinite(strength)
        field = field * 10 ** (np.where(good, strength, 0.0) / 20)
    values = from_electrical(field[:, good].astype(complex))  # the way back is the same
    return np.asarray(dataset["frequency"].values[good], dtype=float), values


def _comment(dataset: xr.Dataset) -> str:
    drive = "for 1 m/s^2 acceleration of the source"
    if "rated_voltage_v" in dataset.attrs:
        drive = f"at {float(dataset.attrs['rated_voltage_v']):g} V"
    air = dataset.attrs
    return (
        f"Simulated far field {drive}, in Pa at 1 m from the reference point (tweeter's axis at "
        "the front plane), without the phase of that metre. Time factor exp(+j omega t). "
        f"Air {float(air['air_temperature_c']):g} degrees C, "
        f"{float(air['air_sound_speed_m_s']):.2f} m/s, without losses."
    )


def _gap_text(dataset: xr.Dataset) -> str:
    kept, _ = exported_values(dataset)
    lost = len(dataset["frequency"]) - len(kept)
    return f"{lost} frequencies that are not solved were left out" if lost else ""
