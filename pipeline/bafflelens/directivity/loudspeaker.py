# SPDX-License-Identifier: GPL-3.0-or-later
"""The loudspeaker as it plays: its sources, each with its driver and its way, as one.

Without a crossover a shape with one source is heard as it was solved, at 1 m/s^2; what is known
of the driver then only sets the height of the shown response (`strength_db`), never the score.
With one, every polar and every criterion is that of the sum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.crossover import Crossover, owner_of, sum_of_ways
from bafflelens.directivity.driver import Driver, delay_remark, plate_source, strength

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True, kw_only=True)
class MeasuredDriver:
    """A driver, and the shape that stands for the plate it was measured in.

    Attributes
    ----------
    driver : Driver
        The driver.
    plate : str
        Id of that shape among what a run solves; empty where no plate is needed.
    source : str
        Name of the driver's source in the plate; empty for its own, or the only one.
    """

    driver: Driver
    plate: str = ""
    source: str = ""


@dataclass(frozen=True, kw_only=True)
class DrivenLoudspeaker:
    """How the sources of a shape are driven.

    Attributes
    ----------
    crossover : Crossover or None
        What each source is given; None where shapes have one source.
    drivers : tuple of MeasuredDriver
        What is known of real drivers; may be empty.
    rated_voltage_v : float
        Voltage, r.m.s., that absolute levels are for.
    outside_band : {"mask", "hold"}
        What is done outside a driver's measured band: nothing is shown or judged there, or the
        value of the band's end is taken.
    """

    crossover: Crossover | None = None
    drivers: tuple[MeasuredDriver, ...] = field(default=())
    rated_voltage_v: float = 2.83
    outside_band: str = "mask"

    @property
    def plates(self) -> frozenset[str]:
        """Ids of the shapes that must be solved before anything can be summed."""
        return frozenset(known.plate for known in self.drivers if known.plate)

    def microphones_m(self, plate: str) -> tuple[float, ...]:
        """Return how far away drivers were measured in a plate, each distance once, in m."""
        used = (known.driver.distance_m for known in self.drivers if known.plate == plate)
        return tuple(sorted(set(used)))

    @property
    def is_absolute(self) -> bool:
        """Whether levels can be predicted in dB at 1 m for the rated voltage."""
        wanted = self.crossover is None or self.crossover.mode == "electrical"
        return bool(self.drivers) and wanted


def play(
    dataset: xr.Dataset, loudspeaker: DrivenLoudspeaker, plates: Mapping[str, xr.Dataset]
) -> xr.Dataset:
    """Return the directivity dataset of a shape as it plays, with one source.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset, at 1 m/s^2 for each of its sources.
    loudspeaker : Loudspeaker
        How they are driven.
    plates : mapping of str to xarray.Dataset
        By id, the solved plates that drivers were measured in.

    Returns
    -------
    xarray.Dataset
        If its level is absolute: with the attribute ``rated_voltage_v``, and the variable
        ``strength_db`` to be added to responses, NaN where it is not known.

    Raises
    ------
    InputError
        If there are several sources and no crossover, a source has no way, or an electrical
        sum lacks a driver.
    """
    crossover = loudspeaker.crossover
    frequency = dataset["frequency"].values
    if crossover is None:
        sources = [str(name) for name in dataset["source"].values]
        if len(sources) == 1 and owner_of(sources[0], _names(loudspeaker)):
            known = strengths_of(dataset, loudspeaker, plates)[0]
            return _absolute(dataset, loudspeaker, 20 * np.log10(np.abs(known)))
        return dataset
    if crossover.mode != "electrical":
        return sum_of_ways(dataset, crossover)
    strengths = strengths_of(dataset, loudspeaker, plates)
    total = sum_of_ways(dataset, crossover, strengths)
    return _absolute(total, loudspeaker, np.zeros(frequency.size))


def remarks_of(loudspeaker: DrivenLoudspeaker, sound_speed: float) -> tuple[str, ...]:
    """Return what a reader should know of how levels came about, one line each."""
    lines = []
    if loudspeaker.crossover is not None:
        lines.append(f"Sum of sources: {loudspeaker.crossover.text}.")
    if loudspeaker.drivers and not loudspeaker.is_absolute:
        lines.append("Measured drivers do not enter: the mode is acoustic-target.")
    if not loudspeaker.is_absolute:
        return tuple(lines)
    lines.append(
        f"Responses are predicted: dB re 20 µPa at 1 m for {loudspeaker.rated_voltage_v:g} V, "
        "the far field scaled to 1 m."
    )
    for known in loudspeaker.drivers:
        response = known.driver.response
        low, high = response.band_hz
        outside = (
            "nothing is shown or judged"
            if loudspeaker.outside_band == "mask"
            else "the ends are held"
        )
        lines.append(
            f"Driver {known.driver.name}: {response.name}, {low:.0f} to {high:.0f} Hz; "
            f"outside, {outside}."
        )
        warning = delay_remark(known.driver, sound_speed)
        if warning:
            lines.append(f"{warning}.")
    return tuple(lines)


def _names(loudspeaker: DrivenLoudspeaker) -> dict[str, MeasuredDriver]:
    return {known.driver.name: known for known in loudspeaker.drivers}


def strengths_of(
    dataset: xr.Dataset, loudspeaker: DrivenLoudspeaker, plates: Mapping[str, xr.Dataset]
) -> ComplexArray:
    """Return the acceleration of each source at the rated voltage.

    Parameters
    ----------
    dataset, loudspeaker, plates
        As in `play`.

    Returns
    -------
    (n_sources, n_frequencies) complex array
        In m/s^2, r.m.s., for exp(-i omega t); NaN where it is not known.

    Raises
    ------
    InputError
        If a source has no driver, or a driver's plate is missing.
    """
    by_name = _names(loudspeaker)
    sources = [str(name) for name in dataset["source"].values]
    frequency = dataset["frequency"].values
    found: dict[str, ComplexArray] = {}
    for source in sources:
        owner = owner_of(source, by_name)
        if owner is None:
            rule = "given with a driver in electrical mode"
            raise InputError(invalid("source", source, rule))
        if owner in found:
            continue
        known = by_name[owner]
        plate = None
        if known.plate:
            if known.plate not in plates:
                rule = "solved before sources can be summed"
                raise InputError(invalid(f"plate of driver '{owner}'", known.plate, rule))
            plate = plate_source(plates[known.plate], known.driver, known.source)
        values = strength(
            known.driver, plate, frequency, rated_voltage_v=loudspeaker.rated_voltage_v
        )
        if loudspeaker.outside_band == "mask":
            values = np.where(known.driver.response.covers(frequency), values, np.nan)
        found[owner] = values
    return np.stack([found[owner_of(source, by_name) or ""] for source in sources])


def _absolute(
    dataset: xr.Dataset, loudspeaker: DrivenLoudspeaker, strength_db: FloatArray
) -> xr.Dataset:
    attributes = {"units": "dB", "long_name": "Strength of the source re 1 m/s^2"}
    return dataset.assign(strength_db=("frequency", strength_db, attributes)).assign_attrs(
        rated_voltage_v=loudspeaker.rated_voltage_v
    )
