# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job says of its sources: ``[crossover]`` and ``[driver]``, with the files they name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, InputError, invalid
from bafflelens.directivity.crossover import UNHEARD_DB, Crossover, owner_of
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker, MeasuredDriver
from bafflelens.directivity.responses import Response, read_response
from bafflelens.job.driver_sections import CrossoverSection, DriverSection
from bafflelens.job.shape_sections import Fixed, PlateSection, ShapeSection
from bafflelens.scoring.references import SECTION
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape

BASELINE: Final = "baseline"
PLATE_PREFIX: Final = "plate_"


@dataclass(frozen=True, kw_only=True)
class DriverPlate:
    """A shape that is solved because a driver was measured in it.

    Attributes
    ----------
    id : str
        Short name, also that of its folder.
    section : str
        The section of the job that describes it.
    shape : Shape
        The shape.
    values : mapping of str to float
        Its parameters by flat key.
    """

    id: str
    section: str
    shape: Shape
    values: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Sources:
    """What was read of the sources.

    Attributes
    ----------
    loudspeaker : Loudspeaker
        How they are driven.
    plates : tuple of Plate
        Shapes to be solved besides.
    files : mapping of str to Path
        Text files by key.
    faults : tuple of str
        What is wrong with them, one line each.
    """

    loudspeaker: DrivenLoudspeaker
    plates: tuple[DriverPlate, ...]
    files: Mapping[str, Path]
    faults: tuple[str, ...]


def is_plate(candidate_id: str) -> bool:
    """Tell whether what a run solves under an id is a plate, which is never ranked."""
    return candidate_id.startswith(PLATE_PREFIX)


def plate_sections(driver: DriverSection | None) -> dict[str, PlateSection]:
    """Return the plates of a job by the name of their section."""
    drivers = driver.drivers if driver is not None else {}
    return {
        f"driver.{name}.plate": section.plate
        for name, section in drivers.items()
        if section.plate is not None
    }


def read_sources(
    crossover: CrossoverSection | None,
    driver: DriverSection | None,
    shapes: Mapping[str, Shape],
    places: Mapping[str, Path],
    folder: Path,
) -> Sources:
    """Read the files that the sections name and put everything together.

    Parameters
    ----------
    crossover, driver : section or None
        None if it is not there or has faults of its own.
    shapes : mapping of str to Shape
        Those of plates, by section.
    places : mapping of str to Path
        Where a run keeps its copies of files, by key.
    folder : Path
        That of the job: other paths are relative to it.
    """
    files: dict[str, Path] = {}
    faults: list[str] = []

    def read(key: str, name: str) -> Response | None:
        files[key] = places.get(key, folder / name)
        try:
            # The copy in a run folder has the name of its key.
            return replace(read_response(files[key]), name=Path(name).name)
        except InputError as error:
            faults.extend(f"key '{key}': {fault}" for fault in error.faults)
            return None

    ways = []
    for name, way in (crossover.ways if crossover else {}).items():
        network = None
        if way.network_file is not None:
            network = read(f"crossover.{name}.network_file", way.network_file)
        ways.append(way.way(name, network))
    measured, plates = [], []
    for name, section in (driver.drivers if driver else {}).items():
        response = read(f"driver.{name}.response_file", section.response_file)
        place, source = BASELINE if section.quantity == "pressure" else "", ""
        if section.plate is not None:
            place, source = f"{PLATE_PREFIX}{name}", section.plate.source
            key = f"driver.{name}.plate"
            faults += _unfixed(key, section.plate)
            if key in shapes:
                values = _values(shapes[key], section.plate)
                plates.append(DriverPlate(id=place, section=key, shape=shapes[key], values=values))
        if response is not None:
            known = section.driver(name, response)
            measured.append(MeasuredDriver(driver=known, plate=place, source=source))
    loudspeaker = DrivenLoudspeaker(
        crossover=(
            Crossover(ways=tuple(ways), mode=crossover.mode, reference=crossover.reference)
            if crossover
            else None
        ),
        drivers=tuple(measured),
        rated_voltage_v=driver.rated_voltage_v if driver else 2.83,
        outside_band=driver.outside_band if driver else "mask",
    )
    return Sources(
        loudspeaker=loudspeaker, plates=tuple(plates), files=files, faults=tuple(faults)
    )


def source_faults(
    sources: Sources,
    crossover: CrossoverSection | None,
    driver: DriverSection | None,
    shapes: Mapping[str, Shape],
    *,
    values: Mapping[str, Mapping[str, float] | None],
    has_crossover: bool,
    scored_hz: FloatArray,
) -> Iterator[str]:
    """Yield what does not fit between the sources of the shapes and what is said of them.

    Parameters
    ----------
    sources, crossover, driver
        What was read.
    shapes : mapping of str to Shape
        Those of candidates, baseline and references, and of plates, by section.
    values : mapping of str to (mapping of str to float)
        Parameters of one shape of each section, which may decide what sources there are; None
        where none was found that can be built: drawing the candidates will say why.
    has_crossover : bool
        Whether the job has a section [crossover], faulty or not.
    scored_hz : array
        The frequencies that the score looks at, in Hz.
    """
    named: dict[str, list[str]] = {}
    is_known = True
    for section, shape in shapes.items():
        chosen = values[section]
        if chosen is None:
            is_known = False
            continue
        try:
            named[section] = [motion.name for motion in source_motions(shape, chosen)]
        except GeometryError as error:
            is_known = False
            yield from (f"[{section}] {fault}" for fault in error.faults)
    if not is_known:
        return
    played = {name: shapes[name] for name in ("geometry", BASELINE)}
    played |= {name: shape for name, shape in shapes.items() if name.startswith(f"{SECTION}.")}
    all_names = list(dict.fromkeys(name for section in played for name in named[section]))
    ways = crossover.ways if crossover else {}
    drivers = driver.drivers if driver else {}
    for section, shape in played.items():
        names = named[section]
        if not has_crossover and len(names) > 1:
            yield (
                f"Missing section [crossover]. Must be given: '{shape.name}' has the sources "
                f"{', '.join(names)}."
            )
        for name in names:
            if crossover is not None and owner_of(name, ways) is None:
                yield (
                    f"Missing section [crossover.{name}]. Must be given: it is a source of "
                    f"'{shape.name}'."
                )
            is_electrical = crossover is not None and crossover.mode == "electrical"
            if is_electrical and driver is not None and owner_of(name, drivers) is None:
                yield (
                    f"Missing section [driver.{name}]. Must be given in electrical mode: it is "
                    f"a source of '{shape.name}'."
                )
    for kind, given in (("crossover", ways), ("driver", drivers)):
        for name in given:
            if not any(owner_of(source, given) == name for source in all_names):
                rule = "the name of a source, or how the names of several begin: "
                yield f"Invalid section [{kind}.{name}]. Must be {rule}{', '.join(all_names)}."
    yield from _plate_source_faults(sources, named)
    yield from _band_faults(sources.loudspeaker, scored_hz)


def _plate_source_faults(sources: Sources, named: Mapping[str, list[str]]) -> Iterator[str]:
    """Yield drivers whose source in their plate cannot be told."""
    sections = {BASELINE: BASELINE} | {plate.id: plate.section for plate in sources.plates}
    for known in sources.loudspeaker.drivers:
        names = named.get(sections.get(known.plate, ""), [])
        name = known.driver.name
        wanted = known.source or (names[0] if len(names) == 1 else name)
        if names and wanted not in names:
            rule = "one of its plate's sources, " + ", ".join(names)
            yield invalid(f"key 'driver.{name}.plate.source'", wanted, rule)


def _band_faults(loudspeaker: DrivenLoudspeaker, scored_hz: FloatArray) -> Iterator[str]:
    """Yield drivers that were not measured where they are heard and judged."""
    crossover = loudspeaker.crossover
    if crossover is None or crossover.mode != "electrical" or loudspeaker.outside_band == "hold":
        return
    gains = {way.name: np.abs(way.at(scored_hz)) for way in crossover.ways}
    if not gains or not scored_hz.size:
        return
    loudest = np.max(list(gains.values()), axis=0)
    for known in loudspeaker.drivers:
        name, response = known.driver.name, known.driver.response
        owner = owner_of(name, gains)
        if owner is None:
            continue
        heard = gains[owner] >= 10 ** (UNHEARD_DB / 20) * loudest
        missing = scored_hz[heard & ~response.covers(scored_hz)]
        if missing.size:
            low, high = response.band_hz
            value = f"{response.name}, {low:.0f} to {high:.0f} Hz"
            rule = (
                f"measured at all that is heard of it in the score band, {missing[0]:.0f} to "
                f'{missing[-1]:.0f} Hz too, or used with driver.outside_band = "hold"'
            )
            yield invalid(f"key 'driver.{name}.response_file'", value, rule)


def _unfixed(section: str, plate: ShapeSection) -> Iterator[str]:
    for key, setting in plate.parameters.items():
        if not isinstance(setting, Fixed):
            yield invalid(f"key '{section}.{key}'", "a range or list", "one number")


def _values(shape: Shape, section: ShapeSection) -> dict[str, float]:
    """Return every parameter of a shape: those given, else the script's own defaults."""
    given = {k: s.value for k, s in section.parameters.items() if isinstance(s, Fixed)}
    return {
        parameter.key: given.get(parameter.key, parameter.default)
        for parameter in shape.parameters
    }
