# SPDX-License-Identifier: GPL-3.0-or-later
r"""The crossover: what each source of a loudspeaker is given, so that their fields can be summed.

A *way* is one path of the crossover: filters, gain, delay, polarity, a network measured or
simulated elsewhere. It drives one source, or several drivers of one kind in parallel: the way
``tweeter`` drives the source ``tweeter``, or ``tweeter_upper`` and ``tweeter_lower`` together,
unless one of those has a way of its own (`owner_of`). Sources of different ways never get equal
accelerations. With :math:`G_w` the transfer function of a way there are two modes:

electrical
    Electrical transfer times measured driver: the acceleration of source s of way w is
    :math:`a_s = A_s G_w`, with the strength :math:`A_s` that a measurement of the real driver
    gives for the rated voltage (`bafflelens.directivity.driver`).
acoustic-target
    :math:`G_w` is what is wanted of the way in front, with whatever filter that takes. The far
    field of the way's own sources, at 1 m/s^2 together, is normalised out:

    .. math:: a_s = R \, \frac{G_w}{N_w}, \qquad
              N_w = |N_w| \, e^{i \arg F_w(\mathrm{axis})}, \qquad F_w = \sum_{s \in w} F_s

    :math:`|N_w|` is the way's level in front: its listening-window average (r.m.s. over the
    nine positions), or its level on the axis. The phase is that on the axis, since an average
    has none. So on the reference axis all ways have exactly the phases of their :math:`G_w`,
    wherever their sources sit: what a driver's place and own phase add is taken up by its
    filter. With the axis as reference the sum on the axis is :math:`R \sum_w G_w`; with the
    window, level follows :math:`G_w` on average in front and a dip that only the axis has
    remains. A level on the axis more than 20 dB below the window counts as 20 dB below it: no
    filter fills an exact null. The real constant R, one number a candidate, is the mean level
    of :math:`N` in dB over the pass band of the way that carries the highest frequencies; so
    the sum is as loud as that way is with 1 m/s^2, and a shape that gains level shows it.

`G_w` comes from the electrical world, exp(+j omega t), and is conjugated here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, from_electrical
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.status import Status
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.polars import LISTENING_WINDOW, positions
from bafflelens.directivity.responses import Response
from bafflelens.directivity.source_sums import source_values, summed

if TYPE_CHECKING:
    import xarray as xr

MODES: Final = ("acoustic-target", "electrical")
REFERENCES: Final = ("listening-window", "on-axis")
DEEPEST_DIP_DB: Final = -20.0
PASS_BAND_DB: Final = -3.0
UNHEARD_DB: Final = -40.0


@dataclass(frozen=True, kw_only=True)
class Way:
    """One path of a crossover.

    Attributes
    ----------
    name : str
        The source that it drives, or the first part of the names of several that are alike.
    filters : tuple of Filter
        In a row.
    gain_db : float
        In dB.
    delay_s : float
        In s; positive is later.
    is_inverted : bool
        Whether the polarity is turned round.
    network : Response or None
        A transfer function measured or simulated elsewhere, in dB re 1. Outside its band the
        ends are held.
    """

    name: str
    filters: tuple[Filter, ...] = ()
    gain_db: float = 0.0
    delay_s: float = 0.0
    is_inverted: bool = False
    network: Response | None = None

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the transfer function at frequencies in Hz, for exp(+j omega t)."""
        frequency = np.asarray(frequency_hz, dtype=float)
        sign = -1 if self.is_inverted else 1
        value: ComplexArray = np.exp(-2j * np.pi * frequency * self.delay_s)
        value = sign * 10 ** (self.gain_db / 20) * value
        for part in self.filters:
            value = value * part.at(frequency)
        if self.network is not None:
            value = value * self.network.at(frequency)
        return np.asarray(value)

    @property
    def text(self) -> str:
        """The way in words."""
        parts = [part.text for part in self.filters]
        if self.network is not None:
            parts.append(f"network {self.network.name}")
        if self.gain_db:
            parts.append(f"{self.gain_db:+g} dB")
        if self.delay_s:
            parts.append(f"delay {1e3 * self.delay_s:.3g} ms")
        if self.is_inverted:
            parts.append("inverted")
        return f"{self.name}: {', '.join(parts) or 'as it is'}"


@dataclass(frozen=True, kw_only=True)
class Crossover:
    """All ways of a loudspeaker, and how their transfer functions are meant.

    Attributes
    ----------
    ways : tuple of Way
        No name twice.
    mode : {"acoustic-target", "electrical"}
        See the module's docstring.
    reference : {"listening-window", "on-axis"}
        What an acoustic target is the level of.
    """

    ways: tuple[Way, ...]
    mode: str = "acoustic-target"
    reference: str = "listening-window"

    def __post_init__(self) -> None:
        faults = []
        if self.mode not in MODES:
            faults.append(invalid("crossover mode", self.mode, "one of " + ", ".join(MODES)))
        if self.reference not in REFERENCES:
            rule = "one of " + ", ".join(REFERENCES)
            faults.append(invalid("crossover reference", self.reference, rule))
        names = [way.name for way in self.ways]
        doubled = sorted({name for name in names if names.count(name) > 1})
        if doubled or not names:
            rule = "at least one, no name twice"
            faults.append(invalid("ways of a crossover", ", ".join(doubled), rule))
        if faults:
            raise InputError(faults)

    @property
    def text(self) -> str:
        """The crossover in words."""
        how = f"{self.mode}, re {self.reference}" if self.mode == MODES[0] else self.mode
        return f"{how}; " + "; ".join(way.text for way in self.ways)


def owner_of(source: str, names: Iterable[str]) -> str | None:
    """Return which of the names stands for a source: its own, or the longest that begins it.

    Examples
    --------
    >>> owner_of("tweeter_upper", ["tweeter", "midrange"])
    'tweeter'
    >>> owner_of("tweeter_upper", ["tweeter", "tweeter_upper"])
    'tweeter_upper'
    >>> owner_of("woofer", ["tweeter", "midrange"]) is None
    True
    """
    fitting = [name for name in names if source == name or source.startswith(f"{name}_")]
    return max(fitting, key=len, default=None)


def ways_of(dataset: xr.Dataset, crossover: Crossover) -> tuple[Way, ...]:
    """Return the way that drives each source of a dataset, in the order of the sources.

    Raises
    ------
    InputError
        If a source has no way.
    """
    by_name = {way.name: way for way in crossover.ways}
    sources = [str(name) for name in dataset["source"].values]
    owners = [owner_of(source, by_name) for source in sources]
    faults = [
        invalid("source", source, "driven by a way; those given are " + ", ".join(by_name))
        for source, owner in zip(sources, owners, strict=True)
        if owner is None
    ]
    if faults:
        raise InputError(faults)
    return tuple(by_name[owner] for owner in owners if owner is not None)


def electrical_transfers(dataset: xr.Dataset, crossover: Crossover) -> ComplexArray:
    """Return what each source's way does, (n_sources, n_frequencies), for exp(-i omega t)."""
    frequency = dataset["frequency"].values
    return from_electrical(np.stack([way.at(frequency) for way in ways_of(dataset, crossover)]))


def accelerations(
    dataset: xr.Dataset, crossover: Crossover, strengths: ComplexArray | None = None
) -> ComplexArray:
    """Return the acceleration of each source.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one or more sources, at 1 m/s^2 each.
    crossover : Crossover
        What each is given.
    strengths : (n_sources, n_frequencies) complex array, optional
        Acceleration of each driver for the rated voltage, in m/s^2, for exp(-i omega t);
        needed in the electrical mode and not looked at in the other.

    Returns
    -------
    (n_sources, n_frequencies) complex array
        In m/s^2, for exp(-i omega t); NaN at frequencies that failed.

    Raises
    ------
    InputError
        If a source has no way, or its strength is missing.
    """
    given = electrical_transfers(dataset, crossover)
    if crossover.mode == "electrical":
        if strengths is None:
            rule = "given with the strength of every driver in electrical mode"
            raise InputError(invalid("crossover", "electrical", rule))
        return np.asarray(given * strengths)
    fronts = _fronts(dataset, ways_of(dataset, crossover), crossover.reference)
    wanted = _common_level(dataset, given, fronts) * given
    found = np.full(given.shape, np.nan, dtype=complex)
    np.divide(wanted, fronts, out=found, where=np.isfinite(fronts) & (fronts != 0))
    return found


def as_driven(
    dataset: xr.Dataset, crossover: Crossover, strengths: ComplexArray | None = None
) -> ComplexArray:
    """Return what `accelerations` does, 0 for what is neither known nor heard.

    (n_sources, n_frequencies); see `sum_of_ways`.
    """
    if strengths is not None:
        given = np.abs(electrical_transfers(dataset, crossover))
        unheard = given < 10 ** (UNHEARD_DB / 20) * given.max(axis=0)
        strengths = np.where(unheard & np.isnan(strengths), 0.0, strengths)
    return accelerations(dataset, crossover, strengths)


def sum_of_ways(
    dataset: xr.Dataset, crossover: Crossover, strengths: ComplexArray | None = None
) -> xr.Dataset:
    """Return the directivity dataset of the whole loudspeaker, with one source.

    Parameters
    ----------
    dataset, crossover, strengths
        As in `accelerations`. A strength that is NaN is not known there: where the source is
        heard, the frequency fails; where its way is 40 dB below the strongest, it is left out.
    """
    transfer = as_driven(dataset, crossover, strengths)
    total = summed(dataset, transfer)
    lost = is_solved(dataset) & np.isnan(transfer).any(axis=0)
    if not lost.any():
        return total
    status, reason = total["status"].values.astype(object), total["reason"].values.astype(object)
    names = np.array([str(name) for name in dataset["source"].values])
    for number in np.flatnonzero(lost):
        unknown = ", ".join(names[np.isnan(transfer[:, number])])
        status[number] = Status.FAILED
        reason[number] = f"the strength of {unknown} is not known here"
    return total.assign(
        status=("frequency", status.astype(str), total["status"].attrs),
        reason=("frequency", reason.astype(str), total["reason"].attrs),
    )


def _fronts(dataset: xr.Dataset, ways: Sequence[Way], reference: str) -> ComplexArray:
    """Return N of each source's way, (n_sources, n_frequencies): see the module's docstring."""
    found: dict[str, ComplexArray] = {}
    window_at = positions(dataset, LISTENING_WINDOW)  # the axis comes first
    for name in dict.fromkeys(way.name for way in ways):
        members = np.array([[way.name == name] for way in ways], dtype=complex)
        field = source_values(dataset, np.tile(members, dataset.sizes["frequency"]), window_at)
        axis, window = field[:, 0], np.sqrt(np.mean(np.abs(field) ** 2, axis=1))
        level = window
        if reference == "on-axis":
            level = np.maximum(np.abs(axis), 10 ** (DEEPEST_DIP_DB / 20) * window)
        found[name] = level * np.exp(1j * np.angle(axis))
    return np.stack([found[way.name] for way in ways])


def _common_level(dataset: xr.Dataset, given: ComplexArray, fronts: ComplexArray) -> float:
    """Return R: the mean level of N over the pass band of the way that reaches highest."""
    highest, share = common_level_shares(dataset, given)
    passes = share > 0
    return float(np.exp(share[passes] @ np.log(np.abs(fronts[highest, passes]))))


def common_level_shares(dataset: xr.Dataset, given: ComplexArray) -> tuple[int, FloatArray]:
    """Return which source's way sets the common level R, and each frequency's share in it.

    Parameters
    ----------
    dataset : xarray.Dataset
        Says which frequencies were solved.
    given : (n_sources, n_frequencies) complex array
        What each source's way does.

    Returns
    -------
    number : int
        Of a source of the way that reaches highest.
    share : (n_frequencies,) array
        ln R is the sum of share times ln|N|; all 0 where nothing was solved.
    """
    solved, share = is_solved(dataset), np.zeros(given.shape[1])
    if not solved.any():
        return 0, share
    highest = int(np.argmax(np.abs(given[:, np.flatnonzero(solved)[-1]])))
    gain = np.abs(given[highest])
    passes = solved & (gain >= 10 ** (PASS_BAND_DB / 20) * gain[solved].max())
    position = np.log(dataset["frequency"].values[passes])
    if position.size == 1:
        share[passes] = 1.0
        return highest, share
    step = np.diff(position)  # the trapezoidal rule
    share[passes] = (np.append(step, 0.0) + np.insert(step, 0, 0.0)) / (2 * np.ptp(position))
    return highest, share
