# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate's mesh for a general 3-D viewer, with pressure and velocity on it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.errors import InputError, invalid
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.mesh.files import FORMATS, WITH_FIELDS, level_and_phase, require_format, write_mesh
from bafflelens.store import RunFolder


def export_mesh(
    folder: RunFolder, candidate_id: str, out: Path, frequencies_hz: Sequence[float] = ()
) -> tuple[Path, ...]:
    """Write the mesh of a candidate, whole, with what is on its surface at some frequencies.

    Each band has a mesh of its own. Where the frequencies lie on several, there is one file for
    each of these, with the band's highest frequency in its name; without frequencies it is the
    finest mesh, alone.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate_id : str
        A candidate of it that is solved.
    out : Path
        File to write; its ending says which kind.
    frequencies_hz : sequence of float
        The nearest solved ones are taken, each once. For each source at 1 m/s^2: pressure and
        velocity along the outward normal, as real and imaginary part for exp(-i omega t), level
        and phase.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    InputError
        If there is no such candidate, the kind of file cannot hold what is asked, or the
        pressure on the surface was not kept.
    StoreError
        If a file exists or cannot be written.
    """
    require_format(out, WITH_FIELDS if frequencies_hz else FORMATS)
    solved = [found.id for found in folder.candidates() if folder.has_directivity(found.id)]
    if candidate_id not in solved:
        rule = "one that the run has solved: " + (", ".join(solved) or "there is none yet")
        raise InputError(invalid("candidate", candidate_id, rule))
    loaded = folder.load_job()
    symmetry = loaded.shape_of(candidate_id).symmetry
    if not frequencies_hz:
        write_mesh(out, folder.load_mesh(candidate_id).whole(symmetry))
        return (out,)
    bands = folder.load_surface(candidate_id)
    if not bands:
        rule = "one whose surface pressure was kept (solve.keep_surface in the job)"
        raise InputError(invalid("candidate", candidate_id, rule))
    sources = [str(name) for name in folder.load_directivity(candidate_id)["source"].values]
    density = loaded.job.air.medium.density
    chosen = _chosen(bands, frequencies_hz)
    written = []
    for number, at in sorted(chosen.items()):
        band = bands[number]
        top = f"_{band.frequencies_hz[-1]:.0f}hz" if len(chosen) > 1 else ""
        path = out.with_name(f"{out.stem}{top}{out.suffix}")
        fields = _fields(band, sorted(at), sources, density)
        copies = 2 ** len(band.symmetry)
        write_mesh(
            path,
            band.mesh.whole(band.symmetry),
            {name: np.tile(values, copies) for name, values in fields.items()},
        )
        written.append(path)
    return tuple(written)


def _chosen(
    bands: Sequence[SurfacePressure], frequencies_hz: Sequence[float]
) -> dict[int, set[int]]:
    """Return which frequencies of which bands are nearest to those asked for."""
    solved = [
        (float(frequency), number, at)
        for number, band in enumerate(bands)
        for at, frequency in enumerate(band.frequencies_hz)
    ]
    chosen: dict[int, set[int]] = {}
    for wanted in frequencies_hz:
        if not wanted > 0:
            raise InputError(invalid("frequency", f"{wanted:g} Hz", "over 0 Hz"))
        _, number, at = min(solved, key=lambda one: abs(np.log(one[0] / wanted)))
        chosen.setdefault(number, set()).add(at)
    return chosen


def _fields(
    band: SurfacePressure, at: Sequence[int], sources: Sequence[str], density: float
) -> dict[str, NDArray[np.float64]]:
    """Return pressure and normal velocity of each source at some frequencies of a band."""
    fields: dict[str, NDArray[np.float64]] = {}
    for number in at:
        frequency = float(band.frequencies_hz[number])
        for source, pressure, gradient in zip(
            sources, band.pressure[:, number], band.gradient[:, number], strict=True
        ):
            where = f"{source} {frequency:.0f} Hz"
            fields |= level_and_phase(f"{where} pressure", pressure.astype(complex))
            # dp/dn = i omega rho v, for exp(-i omega t)
            velocity = gradient.astype(complex) / (2j * np.pi * frequency * density)
            fields[f"{where} velocity real m/s"] = velocity.real
            fields[f"{where} velocity imaginary m/s"] = velocity.imag
    return fields
