# SPDX-License-Identifier: GPL-3.0-or-later
"""Clay against computer, from files to a page: read `compare`."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.job.sources import is_plate
from bafflelens.mockup.comparison.clay import clay_deviation
from bafflelens.mockup.comparison.clay_error import find_clay_error
from bafflelens.mockup.comparison.clay_error_shown import (
    NOT_LOOKED_FOR,
    ShownClayError,
    shown_clay_error,
)
from bafflelens.mockup.comparison.clay_slopes import clay_error_products
from bafflelens.mockup.comparison.data_files import CORRECTION, data_files
from bafflelens.mockup.comparison.dome_fit import fit_dome
from bafflelens.mockup.comparison.from_measurement import observed_of
from bafflelens.mockup.comparison.page import PageFacts, count_pictures, page_of, pictures_of
from bafflelens.mockup.comparison.radiator import SurfaceRadiator
from bafflelens.mockup.comparison.result import (
    SMOOTHING_OCTAVES,
    Comparison,
    ComparisonSettings,
    compare_orbits,
    errors_within_60,
)
from bafflelens.mockup.comparison.simulation import dome_motions_of, radiator_of
from bafflelens.mockup.comparison.verdict import WITHIN_DB
from bafflelens.mockup.measurement.measured import Measured
from bafflelens.mockup.solved_candidate import candidate_of, moving_body_of
from bafflelens.scoring.model_error import MockUp, mock_up_key, mock_ups_line
from bafflelens.scoring.target import bounce_angles
from bafflelens.store import (
    RunFolder,
    add_mock_up,
    load_mock_ups,
    open_run,
    require_new_folder,
    write_folder,
)

PAGE: Final = "comparison.html"
_WITHIN_RANGE_DB: Final = (0.1, 10.0)
_SMOOTHING_RANGE: Final = (1, 48)
_AN_ORBIT: Final = 3.0  # takes about as long as so many pictures
_WHOLE_BAND: Final = 2**0.25  # of the third of an octave
_PRODUCTS_A_MINUTE: Final = 1e11  # on two processors, about
_QUICK: Final = _PRODUCTS_A_MINUTE

_BY_DOME: Final = (
    "The dome's motion explains the difference at the top of the band; as its slopes hold for a "
    "rigid dome, a search for wrong clay would put that down to the clay."
)


@dataclass(frozen=True, kw_only=True)
class ComparisonRequest:
    """What is to be compared.

    Attributes
    ----------
    run : Path
        Folder of the run.
    candidate : str
        Id of the candidate, or of a plate.
    measurement : Path
        File that describes the measurement.
    out : Path
        Folder that is made.
    scan : tuple of Path and str, or None
        Folder of a run, and in it the candidate that is the scanned clay.
    source : str
        Name of the only source that played; empty for what the job says.
    solve_again : bool
        Whether a candidate of which no surface pressure was kept is solved once more.
    within_db : float
        What agreement means.
    smoothing : int
        Both sides are averaged over one octave divided by this.
    with_clay_error : bool or None
        Whether to look where the clay is wrong; None to do it where no scan tells, the difference
        is more than agreement allows and not explained by a motion of the dome, and it does not
        take long.
    """

    run: Path
    candidate: str
    measurement: Path
    out: Path
    scan: tuple[Path, str] | None = None
    source: str = ""
    solve_again: bool = False
    within_db: float = WITHIN_DB
    smoothing: int = round(1 / SMOOTHING_OCTAVES)
    with_clay_error: bool | None = None

    def __post_init__(self) -> None:
        low, high = _WITHIN_RANGE_DB
        faults = []
        if not low <= self.within_db <= high:
            rule = f"from {low:g} to {high:g} dB"
            faults.append(invalid("option '--within'", self.within_db, rule))
        least, most = _SMOOTHING_RANGE
        if not least <= self.smoothing <= most:
            rule = f"a whole number from {least} to {most}: parts of an octave"
            faults.append(invalid("option '--smoothing'", self.smoothing, rule))
        if faults:
            raise InputError(faults)


@dataclass(frozen=True, kw_only=True, eq=False)
class Compared:
    """What came of it.

    Attributes
    ----------
    comparison : Comparison
        What was found.
    clay_lines : tuple of str
        Where the clay seems wrong; empty if that was not looked for.
    page : Path
        The page.
    library_line : str
        What all mock-ups so far say.
    seconds_by_step : mapping of str to float
        Time that each step took, in s, in their order.
    """

    comparison: Comparison
    clay_lines: tuple[str, ...]
    page: Path
    library_line: str
    seconds_by_step: Mapping[str, float]

    @property
    def seconds(self) -> float:
        """Time from files to page."""
        return sum(self.seconds_by_step.values())


def compare(
    request: ComparisonRequest, read: Callable[[Path], Measured], progress: Progress
) -> Compared:
    """Compare a measurement with a candidate of a run and write the page.

    Parameters
    ----------
    request : Request
        What is to be compared.
    read : callable
        Reads and prepares the measurement.
    progress : Progress
        Who is told.

    Raises
    ------
    InputError, StoreError
        If anything given cannot be used; nothing is then left behind.
    """
    watch = _Stopwatch()
    require_new_folder(request.out)
    folder = open_run(request.run)
    others = load_mock_ups(folder.path.parent)
    measured = read(request.measurement)
    watch.lap("reading the measurement")
    nominal = _radiator(folder, request.candidate, request, measured, progress)
    scanned, clay = None, None
    if request.scan is not None:
        scan_folder = open_run(request.scan[0])
        scanned = _radiator(scan_folder, request.scan[1], request, measured, progress)
        clay = clay_deviation(folder, request.candidate, scan_folder, request.scan[1])
    watch.lap("reading what was solved")
    settings = ComparisonSettings(
        smoothing_octaves=1 / request.smoothing,
        within_db=request.within_db,
        bounce_deg=bounce_angles(folder.load_job().job.room.room),
        is_plate=is_plate(request.candidate),
        clay=clay,
    )
    n_pictures = count_pictures(is_three_way=scanned is not None)
    total = _AN_ORBIT * len(measured.orbits) + n_pictures
    with progress.bar(total, "comparing") as advance:
        comparison = compare_orbits(
            observed_of(measured), nominal, settings, scanned, lambda: advance(_AN_ORBIT)
        )
        watch.lap("set-up, difference and causes")
        motions = dome_motions_of(folder, request.candidate, request.source, nominal.sound_speed)
        if motions is not None:
            three_way = comparison.three_way
            left = comparison.differences if three_way is None else three_way.scanned
            comparison = replace(comparison, dome=fit_dome(left, motions))
            watch.lap("motion of the dome")
        pictures = pictures_of(comparison, lambda: advance(1.0))
        watch.lap("pictures")
    clay_error = _clay_error(request, folder, nominal, measured, comparison, progress)
    watch.lap("where the clay is wrong")
    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    mock_up = _mock_up(comparison, request, folder, measured, now)
    library_line = ""
    faults = set_up_faults(comparison)
    if not settings.is_plate:
        apart = [one for one in others if one.key != mock_up.key]
        counted = apart if faults else (*apart, mock_up)
        library_line = " ".join((not_counted_line(faults), mock_ups_line(counted))).strip()
    facts = _facts(request, folder, measured, comparison, library_line, now)
    files = {f"{name}.png": content for name, content in pictures.items()}
    files[PAGE] = page_of(comparison, facts, pictures, clay_error).encode()
    files |= data_files(comparison, facts)
    files |= clay_error.files
    write_folder(request.out, files)
    if not settings.is_plate and not faults:  # a plate is no mock-up of a lens
        add_mock_up(folder.path.parent, mock_up)
    watch.lap("page and files")
    return Compared(
        comparison=comparison,
        clay_lines=clay_error.lines,
        page=request.out / PAGE,
        library_line=library_line,
        seconds_by_step=watch.seconds,
    )


class _Stopwatch:
    """How long each step took, in s."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._since = time.perf_counter()

    def lap(self, step: str) -> None:
        """Note that a step has ended."""
        now = time.perf_counter()
        self.seconds[step], self._since = now - self._since, now


def _radiator(
    folder: RunFolder,
    candidate_id: str,
    request: ComparisonRequest,
    measured: Measured,
    progress: Progress,
) -> SurfaceRadiator:
    radiator = radiator_of(
        folder,
        candidate_id,
        source=request.source,
        solve_again=request.solve_again,
        progress=progress,
    )
    return radiator.in_air(measured.setup.air.sound_speed)


def _clay_error(
    request: ComparisonRequest,
    folder: RunFolder,
    nominal: SurfaceRadiator,
    measured: Measured,
    comparison: Comparison,
    progress: Progress,
) -> ShownClayError:
    """Look where the clay is wrong: if that is asked for, or asks for itself and is quick."""
    is_open = request.scan is None and comparison.rms_db > request.within_db / 2
    wanted = request.with_clay_error
    if wanted is False or comparison.settings.is_plate or (wanted is None and not is_open):
        return NOT_LOOKED_FOR
    by_dome = comparison.dome is not None and comparison.dome.verdict == "dome"
    if by_dome and wanted is None:
        return ShownClayError(lines=(f"{_BY_DOME} To look for it all the same: --clay-error.",))
    products = clay_error_products(comparison, nominal)
    if wanted is None and products > _QUICK:
        minutes = max(products / _PRODUCTS_A_MINUTE, 2.0)
        text = f"Where the clay may be wrong takes about {minutes:.0f} minutes: --clay-error."
        return ShownClayError(lines=(text,))
    body = moving_body_of(folder.load_job(), candidate_of(folder, request.candidate))
    setups = {str(orbit.name): orbit.setup for orbit in measured.orbits}
    found = find_clay_error(comparison, setups, nominal, body, progress)
    if found is None:
        text = "Too little was compared to tell where the clay is wrong."
        return ShownClayError(lines=(text,)) if wanted else NOT_LOOKED_FOR
    shown = shown_clay_error(found, f"Where the clay of {request.candidate} may be wrong")
    return replace(shown, lines=(_BY_DOME, *shown.lines)) if by_dome else shown


def _mock_up(
    comparison: Comparison,
    request: ComparisonRequest,
    folder: RunFolder,
    measured: Measured,
    now: str,
) -> MockUp:
    # A band that is cut short by the end of what was compared says nothing of the whole band.
    errors = [
        one
        for one in errors_within_60(comparison)
        if one.points and one.to_hz / one.from_hz > _WHOLE_BAND
    ]
    front = next((r for r in comparison.verdict.reaches if r.zone.startswith("front")), None)
    return MockUp(
        key=mock_up_key(measured.mock_up, folder.name, request.candidate),
        run=folder.name,
        candidate=request.candidate,
        measurement=measured.title,
        compared_utc=now,
        bands_hz=tuple(
            float(1000 * 2 ** (np.round(3 * np.log2(np.sqrt(one.from_hz * one.to_hz) / 1000)) / 3))
            for one in errors
        ),
        rms_db=tuple(one.rms_db for one in errors),
        agrees_to_hz=front.to_hz if front is not None else 0.0,
    )


def set_up_faults(comparison: Comparison) -> tuple[str, ...]:
    """Return what is wrong with a measurement's set-up, so that it says nothing of the model."""
    faults = [] if comparison.exchange is None else ["the orbits are exchanged"]
    for one in comparison.differences:
        fit = one.fit
        faults += [f"{one.plane} orbit: sign of the angles"] if fit.deviation.is_mirrored else []
        faults += [f"{one.plane} orbit: level at {odd.angle_deg:+.0f}°" for odd in one.odd_angles]
        faults += [f"{one.plane} orbit: level jumps"] if fit.angles_of_steps else []
        faults += [f"{one.plane} orbit: not where it was noted"] if fit.at_bound else []
    return tuple(faults)


def not_counted_line(faults: Sequence[str]) -> str:
    """Return the line that says why a mock-up does not count; empty if it does."""
    if not faults:
        return ""
    return (
        f"Not counted among the mock-ups, since its set-up is faulty ({'; '.join(faults)}): put "
        "that right and compare again."
    )


def _facts(
    request: ComparisonRequest,
    folder: RunFolder,
    measured: Measured,
    comparison: Comparison,
    library_line: str,
    now: str,
) -> PageFacts:
    setup = measured.setup
    x, y, z = (1e3 * value for value in setup.rotation_point_m)
    facts = [
        ("Orbits", ", ".join(
            f"{orbit.name}, {orbit.angles_deg.size} angles from {orbit.angles_deg[0]:+.0f}° to "
            f"{orbit.angles_deg[-1]:+.0f}°, {len(orbit.pressure)} sweep"
            + ("s" if len(orbit.pressure) > 1 else "") for orbit in measured.orbits)),
        ("Microphone", f"{setup.distance_m:g} m from the turntable's axis, "
         f"{1e3 * setup.microphone_height_m:+g} mm over the tweeter's axis"),
        ("Rotation point as noted", f"x {x:g}, y {y:g}, z {z:g} mm"),
        ("Air", f"{setup.temperature_c:g} °C, {setup.relative_humidity_pct:g} %, "
         f"{setup.pressure_kpa:g} kPa; sound at {comparison.sound_speed:.1f} m/s"),
        ("Phase", "from angle to angle" if measured.has_phase else "not measured, or not common"),
        ("Gate", f"passes frequencies above {measured.lowest_valid_hz:.0f} Hz"
         if measured.lowest_valid_hz else "none"),
        ("Drive", f"{setup.drive_v:g} V" if setup.drive_v is not None else "not noted"),
        ("Date", setup.date or "not noted"),
        ("Compared", f"{comparison.curves.frequency_hz[0]:.0f} to "
         f"{comparison.curves.frequency_hz[-1]:.0f} Hz, {comparison.rms_db:.2f} dB r.m.s. over all"
         ),
        ("Interpolation of the simulation", f"at most "
         f"{max(float(one.interpolation_db.max()) for one in comparison.differences):.2f} dB off "
         "(an estimate)"),
    ]  # fmt: skip
    if request.scan is not None:
        facts.append(("Scanned clay", f"{request.scan[1]} of {request.scan[0].name}"))
    if request.source:
        facts.append(("Source", f"{request.source} alone"))
    return PageFacts(
        title=measured.title,
        run=folder.name,
        candidate=request.candidate,
        measurement=request.measurement.name,
        compared_utc=now,
        remarks=setup.remarks,
        preparation=measured.remarks,
        facts=tuple(facts),
        library_line=library_line,
        correction_file=CORRECTION,
    )
