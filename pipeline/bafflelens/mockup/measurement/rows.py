# SPDX-License-Identifier: GPL-3.0-or-later
"""Files of one orbit, by rising angle: what is missing, doubled, cut short, another kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, NoReturn, TypeVar

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import file_beside, shown
from bafflelens.directivity.responses import Response, read_response
from bafflelens.mockup.measurement.angles import (
    BESIDE_RULE,
    SAME_DEG,
    AngleFile,
    doubled_angles,
    files_of,
    in_one_turn,
    listed,
    missing_angles,
)
from bafflelens.mockup.measurement.description import OrbitFiles
from bafflelens.mockup.measurement.recordings import read_recording, require_alike
from bafflelens.mockup.measurement.sofa import TRANSFER, SofaDirectivity, read_sofa

_FEWEST_ANGLES: Final = 3
_ON_ORBIT_DEG: Final = 0.5
_AT_POLE: Final = 1e-4
_USUAL_REPEAT: Final = 0.9

_Content = TypeVar("_Content")


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """The data of one orbit, not yet prepared.

    Attributes
    ----------
    declared : OrbitFiles
        What the description says of the orbit.
    readings_deg : (n_angles,) array
        Angles in degrees: the turntable's readings, and from `in_order` on the project's.
    values : (n_repeats, n_angles, n) array
        Spectra for exp(+j omega t), or impulse responses where `rate_hz` is given.
    name : str
        The files, for people.
    frequencies_hz : (n,) array or None
        Of spectra.
    rate_hz : float or None
        Sampling rate of impulse responses.
    noise : array or None
        Magnitude (n,) of the noise in spectra; (n_channels, n_samples) recorded noise.
    radius_m : float or None
        Distance of the microphones that the file itself tells, in m.
    remarks : tuple of str
        What the user should know.
    """

    declared: OrbitFiles
    readings_deg: FloatArray
    values: ComplexArray | FloatArray
    name: str
    frequencies_hz: FloatArray | None = None
    rate_hz: float | None = None
    noise: FloatArray | None = None
    radius_m: float | None = None
    remarks: tuple[str, ...] = ()


def rows_of(folder: Path, files: OrbitFiles, angle_sign: int) -> Rows:
    """Read the files of one orbit.

    Parameters
    ----------
    folder : Path
        Folder of the description.
    files : OrbitFiles
        What it says of the orbit.
    angle_sign : int
        1 or -1, what readings are multiplied by.

    Raises
    ------
    InputError
        One line for each fault, with the file, and the row where there are rows.
    """
    readers = {"text": _text_rows, "impulse": _impulse_rows, "sofa": _sofa_rows}
    return _in_order(readers[files.kind](folder, files), angle_sign)


def _text_rows(folder: Path, files: OrbitFiles) -> Rows:
    found = files_of(folder, files.files)
    if np.isnan(found[0].reading_deg):
        rule = "a file name with {angle}: text files hold one angle each"
        raise InputError(invalid("key 'files'", files.files, rule))
    responses = _each(found, lambda file: _response(file.path, files))
    first = responses[0]
    _require_same_rows([file.path for file in found], responses)
    values = np.array(
        [
            10 ** (response.level_db / 20) * np.exp(1j * np.radians(response.phase_deg))
            for response in responses
        ]
    )
    noise = None
    if files.noise_file:
        floor = _response(_noise_file(folder, files.noise_file), files)
        noise = np.abs(floor.at(first.frequency_hz))
    readings, arranged, remarks = _arranged(found, values)
    return Rows(
        declared=files,
        readings_deg=readings,
        values=arranged,
        name=found[0].path.parent.name + "/" + Path(files.files).name,
        frequencies_hz=first.frequency_hz,
        noise=noise,
        remarks=remarks,
    )


def _noise_file(folder: Path, name: str) -> Path:
    """Return the path of the recording without the loudspeaker."""
    path = file_beside(folder, name, in_folders=True)
    if path is None:
        raise InputError(invalid("key 'noise_file'", shown(name), BESIDE_RULE))
    return path


def _response(path: Path, files: OrbitFiles) -> Response:
    return read_response(path, level_only=not files.has_phase)


def _require_same_rows(paths: Sequence[Path], responses: Sequence[Response]) -> None:
    """Refuse text files that have other frequencies than most."""
    lengths = [len(response.frequency_hz) for response in responses]
    kinds, counts = np.unique(lengths, return_counts=True)
    usual = int(kinds[::-1][np.argmax(counts[::-1])])
    model = lengths.index(usual)
    faults = []
    for path, response in zip(paths, responses, strict=True):
        n = len(response.frequency_hz)
        if n != usual:
            rule = f"{usual}, as in {paths[model].name}"
            rule += ": the file seems to be cut short" if n < usual else ""
            faults.append(f"{path}: {invalid('number of rows', n, rule)}")
            continue
        wrong = np.flatnonzero(
            np.abs(response.frequency_hz / responses[model].frequency_hz - 1) > 1e-6
        )
        if len(wrong):
            value = f"{response.frequency_hz[wrong[0]]:g} Hz"
            right = f"{responses[model].frequency_hz[wrong[0]]:g} Hz"
            rule = f"{right}, as in {paths[model].name}: all files have the same frequencies"
            what = f"frequency of the {wrong[0] + 1}. row of numbers"
            faults.append(f"{path}: {invalid(what, value, rule)}")
    if faults:
        raise InputError(faults)


def _impulse_rows(folder: Path, files: OrbitFiles) -> Rows:
    found = files_of(folder, files.files)
    recordings = _each(found, lambda file: read_recording(file.path))
    require_alike(recordings)
    rate = recordings[0].rate_hz
    noise = None
    if files.noise_file:
        silence = read_recording(_noise_file(folder, files.noise_file))
        if silence.rate_hz != rate:
            rule = f"{rate:g} Hz, as in the other files"
            _refuse(silence.path, "sampling rate", f"{silence.rate_hz:g} Hz", rule)
        noise = silence.samples
    if np.isnan(found[0].reading_deg):
        readings, values = _channels(files, [r.samples for r in recordings], found[0].path)
        remarks: tuple[str, ...] = ()
    else:
        if len(recordings[0].samples) != 1:
            value = len(recordings[0].samples)
            rule = "1: each file holds one angle; or name one file without {angle}"
            _refuse(found[0].path, "number of channels", value, rule)
        readings, values, remarks = _arranged(found, np.array([r.samples[0] for r in recordings]))
    return Rows(
        declared=files,
        readings_deg=readings,
        values=values,
        name=files.files,
        rate_hz=rate,
        noise=noise,
        remarks=remarks,
    )


def _channels(
    files: OrbitFiles, recordings: Sequence[FloatArray], path: Path
) -> tuple[FloatArray, FloatArray]:
    """Return angles and responses of files with a channel an angle, one file a repeat."""
    if files.angles_deg is None:
        msg = f"Missing key 'orbits.angles_deg'. Must be the angle of each channel of {path}."
        raise InputError(msg)
    angles, n_channels = files.angles_deg, len(recordings[0])
    if len(angles) != n_channels:
        rule = f"{n_channels} angles, one a channel of {path}"
        raise InputError(invalid("key 'orbits.angles_deg'", f"{len(angles)} angles", rule))
    doubled = doubled_angles(angles)
    if doubled:
        rule = "angles that come once each"
        raise InputError(invalid("key 'orbits.angles_deg'", listed(doubled), rule))
    return np.array(angles), np.array(recordings)


def _sofa_rows(folder: Path, files: OrbitFiles) -> Rows:
    found = files_of(folder, files.files)
    if not np.isnan(found[0].reading_deg):
        rule = "a file name without {angle}: a SOFA file holds all angles"
        raise InputError(invalid("key 'files'", files.files, rule))
    contents = _each(found, lambda file: read_sofa(file.path))
    first = contents[0]
    angles, repeats, remarks = _orbit_of(first, files)
    values = first.transfer if first.convention == TRANSFER else first.responses
    assert values is not None  # each convention has its own
    return Rows(
        declared=files,
        readings_deg=angles,
        values=values[repeats],
        name=first.path.name,
        frequencies_hz=first.frequencies_hz,
        rate_hz=first.rate_hz,
        radius_m=float(np.median(first.radii_m[repeats])),
        remarks=remarks,
    )


def _orbit_of(
    content: SofaDirectivity, files: OrbitFiles
) -> tuple[FloatArray, IntArray, tuple[str, ...]]:
    """Return angles of an orbit, (n_repeats, n_angles) rows of the file, and remarks."""
    azimuth, elevation = content.angles_deg
    if files.orbit == "horizontal":
        rows = np.flatnonzero(np.abs(elevation) < _ON_ORBIT_DEG)
        angle = azimuth[rows]
    else:
        unit = content.positions_m / content.radii_m[:, np.newaxis]
        # Next to the poles of a sphere many directions are near the orbit, but not on it.
        is_ahead = np.abs(np.sin(np.radians(azimuth))) < np.sin(np.radians(_ON_ORBIT_DEG))
        rows = np.flatnonzero(is_ahead | (np.abs(unit[:, 1]) < _AT_POLE))
        angle = np.degrees(np.arctan2(unit[rows, 2], unit[rows, 0]))
    # Microphones above the turned plane are on its orbit all the same: the set-up has the height.
    angle = np.round(angle, 6)
    angle = np.where(angle == -180, 180.0, angle)
    if len(np.unique(angle)) < _FEWEST_ANGLES:
        rule = f"one with at least {_FEWEST_ANGLES} directions on the {files.orbit} orbit"
        raise InputError(invalid("SOFA file", content.path, rule))
    values, counts = np.unique(angle, return_counts=True)
    n_repeats = int(counts.min())
    chosen = [rows[angle == value][:n_repeats] for value in values]
    remarks = []
    if counts.max() != n_repeats:
        more = listed(values[counts > n_repeats])
        remarks.append(f"{content.path.name}: further values at {more} degrees were not used")
    return values, np.array(chosen).T, tuple(remarks)


def _each(files: Sequence[AngleFile], read: Callable[[AngleFile], _Content]) -> list[_Content]:
    """Return what `read` makes of every file; the faults of all files are told together."""
    results: list[_Content] = []
    faults: list[str] = []
    for file in files:
        try:
            results.append(read(file))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return results


def _arranged(
    files: Sequence[AngleFile], values: np.ndarray
) -> tuple[FloatArray, np.ndarray, tuple[str, ...]]:
    """Return readings, values (n_repeats, n_angles, n) and remarks.

    A repeat of a few angles only is left out; an angle that a whole repeat lacks, too.
    """
    number = {(file.reading_deg, file.repeat): i for i, file in enumerate(files)}
    readings = sorted({file.reading_deg for file in files})
    repeats = sorted({file.repeat for file in files})
    there = {r: [a for a in readings if (a, r) in number] for r in repeats}
    most = max(len(angles) for angles in there.values())
    used = [r for r in repeats if len(there[r]) >= _USUAL_REPEAT * most]
    kept = [a for a in readings if all((a, r) in number for r in used)]
    remarks = []
    if len(used) < len(repeats):
        few = ", ".join(str(r) for r in repeats if r not in used)
        remarks.append(f"repeats of a few angles only were not used: {few}")
    if len(kept) < len(readings):
        lost = listed([a for a in readings if a not in kept])
        remarks.append(f"angles that one of the repeats lacks were not used: {lost} degrees")
    index = np.array([[number[a, r] for a in kept] for r in used])
    return np.array(kept), values[index], tuple(remarks)


def _in_order(rows: Rows, angle_sign: int) -> Rows:
    """Return the rows by rising angle of the project, each once, and what is missing."""
    where = f"{rows.declared.orbit} orbit ({rows.name})"
    remarks = [f"{rows.declared.orbit}: {remark}" for remark in rows.remarks]
    declared = rows.declared.angles_deg
    missing = missing_angles(rows.readings_deg, declared)
    if len(missing):
        if declared is not None:
            rule = "measured, as 'angles_deg' says they were"
            _refuse(where, "missing angles", listed(missing), rule)
        remarks.append(f"{rows.declared.orbit}: missing angles: {listed(missing)} degrees")
    angles = in_one_turn(rows.readings_deg, angle_sign)
    order = np.argsort(angles, kind="stable")
    angles, values = angles[order], rows.values[:, order]
    again = np.diff(angles, prepend=-np.inf) < SAME_DEG
    if again.any():
        turns = listed(rows.readings_deg[order][again])
        remarks.append(f"{rows.declared.orbit}: measured twice, a turn apart, used once: {turns}")
    if (~again).sum() < _FEWEST_ANGLES:
        msg = (
            f"{where}: {invalid('number of angles', (~again).sum(), f'{_FEWEST_ANGLES} or more')}"
        )
        raise InputError(msg)
    return replace(
        rows, readings_deg=angles[~again], values=values[:, ~again], remarks=tuple(remarks)
    )


def _refuse(where: object, what: str, value: object, rule: str) -> NoReturn:
    msg = f"{where}: {invalid(what, value, rule)}"
    raise InputError(msg)
