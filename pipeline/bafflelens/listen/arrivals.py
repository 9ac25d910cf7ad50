# SPDX-License-Identifier: GPL-3.0-or-later
"""The arrivals that tell shapes apart: when, from where, and how loud in each third-octave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.listen.room import SURFACES
from bafflelens.listen.seat import Seat
from bafflelens.listen.shape_response import ShapeResponse
from bafflelens.listen.spectra import bins_hz
from bafflelens.report.words import kilohertz

DIRECT: Final = "direct"
UNHEARD_DB: Final = ((3.0, -21.0), (15.0, -30.0))
"""Delays in ms, and the level re the direct sound below which a single early reflection should not
be heard: D. R. Begault, B. U. McClain and M. R. Anderson, Early Reflection Thresholds for Virtual
Sound Sources, Proc. 2001 Int. Workshop on Spatial Media, Aizu-Wakamatsu, abstract (speech and tone
bursts; 21 dB at 3 ms, 30 dB from 15 to 30 ms). Straight lines between and level ends are ours."""
NOTICED_DB: Final = 0.4
"""Change of the level of broadband noise that is just noticed, above 30 dB of sensation: G. A.
Miller, J. Acoust. Soc. Am. 19 (1947) 609-619 (value as handbooks report it). Of one reflection
among other sound it takes more, the closer it is to its threshold (T. Okano and T. Hidaka, 124th
Meeting of the Acoustical Society of America, 1992, 4aAA7): so what may be heard
is never called inaudible."""


def unheard_db(delay_ms: float) -> float:
    """Return the level re the direct sound below which a reflection should not be heard."""
    delays, levels = zip(*UNHEARD_DB, strict=True)
    return float(np.interp(delay_ms, delays, levels))


@dataclass(frozen=True, kw_only=True, eq=False)
class ArrivalLevels:
    """One arrival of the left loudspeaker, for all shapes.

    Attributes
    ----------
    name : str
        ``direct`` or one of `bafflelens.listen.room.SURFACES`.
    delay_ms : float
        After the direct sound.
    leaving_azimuth_deg, leaving_elevation_deg : float
        Where it leaves the loudspeaker.
    head_azimuth_deg, head_elevation_deg : float
        Where it comes from.
    bands_hz : (n_bands,) array
        Centres of third-octaves.
    level_db : (n_shapes, n_bands) array
        At the place of the head, re the same shape's direct sound in the same band.
    """

    name: str
    delay_ms: float
    leaving_azimuth_deg: float
    leaving_elevation_deg: float
    head_azimuth_deg: float
    head_elevation_deg: float
    bands_hz: FloatArray
    level_db: FloatArray

    @property
    def difference_db(self) -> float:
        """Largest difference between shapes in a third-octave in which one is to be heard."""
        heard = self.level_db.max(axis=0) > unheard_db(self.delay_ms)
        apart = np.ptp(self.level_db, axis=0)
        return float(apart[heard].max()) if heard.any() else 0.0

    @property
    def is_audible(self) -> bool:
        """Whether shapes may sound different by it."""
        return self.difference_db >= NOTICED_DB


def arrival_levels(shapes: Sequence[ShapeResponse], seat: Seat) -> tuple[ArrivalLevels, ...]:
    """Return direct sound and single reflections of the left loudspeaker, in time order."""
    images = seat.images
    chosen = np.flatnonzero(images.order <= 1)
    low = max(shape.band_hz[0] for shape in shapes)
    high = min(shape.band_hz[1] for shape in shapes)
    bands = _bands(low, high)
    azimuth, elevation = images.leaving_azimuth_deg[chosen], images.leaving_elevation_deg[chosen]
    levels = []
    for shape in shapes:
        sent = shape.leaving(azimuth, elevation) * seat.air_path[chosen]
        power = np.stack([_mean_power(row, bands) for row in np.abs(sent) ** 2])
        levels.append(10 * np.log10(power / power[0]))
    found = []
    direct_m = images.length_m[0]
    for row, number in enumerate(chosen):
        order = images.hits[number]
        found.append(
            ArrivalLevels(
                name=SURFACES[int(np.argmax(order))] if order.any() else DIRECT,
                delay_ms=float(1e3 * (images.length_m[number] - direct_m) / seat.sound_speed),
                leaving_azimuth_deg=float(azimuth[row]),
                leaving_elevation_deg=float(elevation[row]),
                head_azimuth_deg=float(images.head_azimuth_deg[number]),
                head_elevation_deg=float(images.head_elevation_deg[number]),
                bands_hz=bands,
                level_db=np.stack([level[row] for level in levels]),
            )
        )
    return tuple(found)


def late_levels(shapes: Sequence[ShapeResponse]) -> tuple[FloatArray, FloatArray]:
    """Return third-octaves, and the sound power re the direct sound's there (n_shapes, n_bands).

    In dB: 0 for a loudspeaker that sends the same everywhere. Late sound differs by this.
    """
    low = max(shape.band_hz[0] for shape in shapes)
    high = min(shape.band_hz[1] for shape in shapes)
    bands = _bands(low, high)
    zero = np.zeros(1)
    rows = []
    for shape in shapes:
        axis = np.abs(shape.leaving(zero, zero)[0]) ** 2
        rows.append(10 * np.log10(_mean_power(shape.power, bands) / _mean_power(axis, bands)))
    return bands, np.stack(rows)


def in_words(arrivals: Sequence[ArrivalLevels], names: Sequence[str]) -> tuple[str, ...]:
    """Return a sentence an arrival: what it may do, or that it lies below what is heard."""
    lines = []
    for arrival in arrivals:
        if arrival.name == DIRECT or len(names) < 2:
            continue
        threshold = unheard_db(arrival.delay_ms)
        if (arrival.level_db <= threshold).all():
            lines.append(
                f"The {arrival.name} reflection is more than {-threshold:.0f} dB below the "
                "direct sound in every third-octave of all shapes: at its "
                f"{arrival.delay_ms:.1f} ms it should not be heard by itself (Begault, McClain "
                "and Anderson 2001)."
            )
        elif not arrival.is_audible:
            lines.append(
                f"The {arrival.name} reflections differ by {arrival.difference_db:.1f} dB at "
                f"most where they can be heard, less than the {NOTICED_DB:g} dB that is just "
                "noticed of noise by itself (Miller 1947)."
            )
        else:
            worst = int(np.argmax(np.ptp(arrival.level_db, axis=0)))
            louder = names[int(np.argmax(arrival.level_db[:, worst]))]
            lines.append(
                f"The {arrival.name} reflection comes {arrival.delay_ms:.1f} ms late and differs "
                f"by up to {arrival.difference_db:.1f} dB; most around "
                f"{kilohertz(arrival.bands_hz[worst])}, where {louder} is the louder."
            )
    return tuple(lines)


def _bands(low_hz: float, high_hz: float) -> FloatArray:
    """Return the centres of the third-octaves that lie in a band, base 10, in Hz."""
    first = int(np.ceil(10 * np.log10(low_hz / 1000 * 0.99) + 0.5))
    last = int(np.floor(10 * np.log10(high_hz / 1000 * 1.01) - 0.5))
    return np.asarray(1000 * 10 ** (np.arange(first, last + 1) / 10))


def _mean_power(power: FloatArray, bands_hz: FloatArray) -> FloatArray:
    frequency = bins_hz()
    edge = 10**0.05
    inside = (frequency >= bands_hz[:, np.newaxis] / edge) & (
        frequency < bands_hz[:, np.newaxis] * edge
    )
    return np.asarray((inside @ power) / inside.sum(axis=1))
