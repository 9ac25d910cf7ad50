# SPDX-License-Identifier: GPL-3.0-or-later
"""What to measure, from where and how loud, so that a candidate's mock-up can be compared.

Formulas that have no source beside them are derived where they stand; rules of thumb say so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.surface_names import FINE_KINDS, surface_kind
from bafflelens.mockup.measurement.measuring_room import (
    Chamber,
    MicrophonePlace,
    place_at,
    room_text,
)
from bafflelens.mockup.measurement.nearness import Field, Nearness, far_distance, nearness

TIMES_THE_BODY: Final = 3.0  # distance re the largest dimension; common practice, no source
ANGLE_STEPS_DEG: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
WIDEST_STEP_DEG: Final = 5.0  # the step that two 10 degree sets of angles share
DEEPEST_DB: Final = 30.0  # how far below the axis a polar is still looked at
MARGIN_DB: Final = 20.0  # over the noise there; 0.8 dB at worst (1 + 10^-1)
LONGEST_SWEEP_S: Final = 20.0
_SHORTEST_SWEEP_S: Final = 1.0
_BETWEEN_SWEEPS_S: Final = 3.0
_DISTANCES_M: Final = (0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)


@dataclass(frozen=True, kw_only=True)
class Body:
    """Size of what is measured, in m.

    Attributes
    ----------
    width_m, height_m, depth_m : float
        Of the whole body.
    bottom_m : float
        z of its lowest point; the tweeter is at 0.
    front_m : float
        Diagonal of the front.
    mouth_m : float
        Largest extent of what guides the sound of the tweeter: dome, lens, waveguide.
    axis_m : tuple of 3 floats
        Where a turntable would best have its axis: on the tweeter's axis, half as deep as the
        body, so that neither orbit swings the tweeter aside.
    reach_m : float
        From the turntable's axis there to the farthest point of the body.
    """

    width_m: float
    height_m: float
    depth_m: float
    bottom_m: float
    front_m: float
    mouth_m: float
    axis_m: tuple[float, float, float]
    reach_m: float


@dataclass(frozen=True, kw_only=True)
class MeasurementPlan:
    """All that the page of a plan says.

    Attributes
    ----------
    body : Body
        Size of what is measured.
    chamber : Chamber
        The room.
    band_hz : tuple of 2 floats
        Band that is wanted.
    places : tuple of Place
        Distances that the room has space for.
    chosen : Place
        The one that is proposed.
    reasons : tuple of str
        Why, and what it does not reach.
    far_m : tuple of (what, size in m, distance in m, distance in m)
        Distances at which the far edge of that size lags by a sixteenth, and by a quarter of a
        wavelength at the upper end of the band.
    nearness : tuple of Nearness
        Of each of `places`; empty if the candidate's field is not known.
    nearness_about_tweeter : tuple of Nearness
        The same if the turntable's axis passed through the tweeter itself.
    step_deg : float
        Angles between microphone positions.
    repeats : int
        Sweeps an angle.
    level_db : float
        At the microphone on the axis, dB re 20 uPa.
    noise_db : float
        Of the room in the octave that is worst, dB re 20 uPa.
    sweep_s : float
        Length of a sweep.
    snr_db : float
        Signal to noise on the axis after gating.
    minutes : float
        For both orbits.
    """

    body: Body
    chamber: Chamber
    band_hz: tuple[float, float]
    places: tuple[MicrophonePlace, ...]
    chosen: MicrophonePlace
    reasons: tuple[str, ...]
    far_m: tuple[tuple[str, float, float, float], ...]
    nearness: tuple[Nearness, ...]
    nearness_about_tweeter: tuple[Nearness, ...]
    step_deg: float
    repeats: int
    level_db: float
    noise_db: float
    sweep_s: float
    snr_db: float
    minutes: float

    @property
    def angles_deg(self) -> tuple[float, float, float]:
        """First and last angle, and step; the turn is not closed."""
        return -180.0, 180.0 - self.step_deg, self.step_deg

    @property
    def n_angles(self) -> int:
        """Angles of one orbit."""
        return round(360 / self.step_deg)


def plan_measurement(
    mesh: Mesh,
    chamber: Chamber,
    band_hz: tuple[float, float],
    *,
    air: Air,
    level_db: float = 80.0,
    noise_db: float = 30.0,
    repeats: int = 2,
    field: Field | None = None,
    advance: Callable[[float], object] = lambda amount: None,
) -> MeasurementPlan:
    """Return the plan for a mesh of the candidate, whole or a half.

    With its field it says, too, how far a polar at each distance is from that of the far field;
    `advance` is told 1.0 after each of the two evaluations that this takes.

    Raises
    ------
    InputError
        If the room has no space for it, or the band, level or noise cannot be.
    """
    _require(band_hz, level_db, noise_db, repeats)
    body = body_of(mesh)
    places = tuple(place_at(d, chamber, air) for d in _DISTANCES_M if _has_space(d, chamber, body))
    if not places:
        size = max(body.width_m, body.height_m, body.depth_m)
        rule = f"longer, for a body of {size:.2f} m: the microphone has no place in it"
        raise InputError(invalid("measuring room", room_text(chamber), rule))
    chosen, reasons = choose(places, body, band_hz)
    wavelength = air.sound_speed / band_hz[1]
    far = tuple(
        (what, size, far_distance(size, wavelength, 16), far_distance(size, wavelength, 4))
        for what, size in (("lens and dome", body.mouth_m), ("the whole front", body.front_m))
        if size > 0
    )
    near = []
    for axis_m in (body.axis_m, (0.0, 0.0, 0.0)):
        near.append(nearness(field, places, axis_m, band_hz) if field else ())
        advance(1.0)
    wanted = DEEPEST_DB + MARGIN_DB
    sweep = sweep_seconds(level_db, noise_db, chosen.gate_s, band_hz, wanted)
    step = angle_step_deg(body, wavelength)
    count = 2 * round(360 / step) * repeats
    return MeasurementPlan(
        body=body,
        chamber=chamber,
        band_hz=band_hz,
        places=places,
        chosen=chosen,
        reasons=reasons,
        far_m=far,
        nearness=near[0],
        nearness_about_tweeter=near[1],
        step_deg=step,
        repeats=repeats,
        level_db=level_db,
        noise_db=noise_db,
        sweep_s=sweep,
        snr_db=signal_to_noise_db(level_db, noise_db, chosen.gate_s, band_hz, sweep),
        minutes=count * (sweep + _BETWEEN_SWEEPS_S) / 60,
    )


def body_of(mesh: Mesh) -> Body:
    """Return the size of a mesh; one that ends at y = 0 is half of a mirrored body."""
    points = mesh.vertices[np.unique(mesh.triangles)]
    low, high = points.min(axis=0), points.max(axis=0)
    if low[1] > -1e-6:
        low = np.array([low[0], -high[1], low[2]])
    size, axis = high - low, np.array([(high[0] + low[0]) / 2, 0.0, 0.0])
    guiding = np.isin(mesh.surface, [n for n in np.unique(mesh.surface) if _guides(str(n))])
    mouth = (
        mesh.vertices[np.unique(mesh.triangles[guiding])] if guiding.any() else np.empty((0, 3))
    )
    extent = 0.0
    if len(mouth):
        across = np.abs(mouth[:, 1]).max() * 2 if low[1] < 0 else float(np.ptp(mouth[:, 1]))
        extent = max(float(across), float(np.ptp(mouth[:, 2])))
    away = points - axis
    reach = max(np.hypot(away[:, 0], away[:, 1]).max(), np.hypot(away[:, 0], away[:, 2]).max())
    return Body(
        width_m=float(size[1]),
        height_m=float(size[2]),
        depth_m=float(size[0]),
        bottom_m=float(low[2]),
        front_m=float(np.hypot(size[1], size[2])),
        mouth_m=extent,
        axis_m=(float(axis[0]), 0.0, 0.0),
        reach_m=float(reach),
    )


def choose(
    places: tuple[MicrophonePlace, ...], body: Body, band_hz: tuple[float, float]
) -> tuple[MicrophonePlace, tuple[str, ...]]:
    """Return the distance to take and why.

    The nearest one that is three times as far as the body is large: nearer the loudspeaker the
    gate is longer and the noise matters less, and the comparison takes the distance into account.
    """
    size = max(body.width_m, body.height_m, body.depth_m)
    wanted = TIMES_THE_BODY * size
    far = [place for place in places if place.distance_m >= wanted]
    chosen = far[0] if far else places[-1]
    reasons = []
    if far:
        reasons.append(
            f"{chosen.distance_m:g} m is at least {TIMES_THE_BODY:g} times the largest dimension, "
            f"{size:.2f} m (common practice, no source)."
        )
    else:
        reasons.append(
            f"The room has no space for {TIMES_THE_BODY:g} times the largest dimension, "
            f"{wanted:.2f} m; {chosen.distance_m:g} m is the most it has."
        )
    if chosen.lowest_hz > band_hz[0]:
        reasons.append(
            f"The gate says nothing below {chosen.lowest_hz:.0f} Hz, where the band begins at "
            f"{band_hz[0]:g} Hz: a larger room, or absorbers where the first bounce comes from."
        )
    return chosen, tuple(reasons)


def angle_step_deg(body: Body, wavelength_m: float) -> float:
    """Return a step of angles: 180/(kr) degrees with the radius r of what guides the sound.

    What lies within the radius r radiates angular orders up to about kr, and 2 kr samples a turn
    tell them apart. Never wider than 5 degrees (common practice, no source).
    """
    radius = max(body.mouth_m / 2, 1e-3)
    step = 180 / (2 * np.pi / wavelength_m * radius)
    fitting = [s for s in ANGLE_STEPS_DEG if s <= min(step, WIDEST_STEP_DEG)]
    return max(fitting, default=ANGLE_STEPS_DEG[0])


def signal_to_noise_db(
    level_db: float, noise_db: float, gate_s: float, band_hz: tuple[float, float], sweep_s: float
) -> float:
    """Return the signal to noise ratio of a gated exponential sweep, in dB.

    The energy density of a sweep of the mean square p^2 and the length T is
    p^2 T/(f ln(f2/f1)) at f. Deconvolved noise of the density N lasts as long as the recording;
    of it N times the gate's length comes in. An octave at f has the noise N f/sqrt(2), so that
    the ratio is p^2/p_octave^2 times T/(sqrt(2) gate ln(f2/f1)), whatever the frequency.
    """
    gain = sweep_s / (np.sqrt(2) * gate_s * np.log(band_hz[1] / band_hz[0]))
    return float(level_db - noise_db + 10 * np.log10(gain))


def sweep_seconds(
    level_db: float, noise_db: float, gate_s: float, band_hz: tuple[float, float], wanted_db: float
) -> float:
    """Return how long a sweep must be for a signal to noise ratio, in s, at least 1 and 20 s."""
    at_one = signal_to_noise_db(level_db, noise_db, gate_s, band_hz, 1.0)
    needed = 10 ** ((wanted_db - at_one) / 10)
    return float(np.clip(np.ceil(needed), _SHORTEST_SWEEP_S, LONGEST_SWEEP_S))


def _has_space(distance_m: float, chamber: Chamber, body: Body) -> bool:
    """Tell whether a microphone fits at a distance, clear of the body and of the end walls."""
    if distance_m < 1.5 * body.reach_m:
        return False
    return chamber.length_m is None or distance_m + 2 * body.reach_m + 0.2 <= chamber.length_m


def _guides(name: str) -> bool:
    return surface_kind(name) in FINE_KINDS


def _require(band_hz: tuple[float, float], level_db: float, noise_db: float, repeats: int) -> None:
    faults = []
    if not 20 <= band_hz[0] < band_hz[1] <= 100_000:
        value = f"{band_hz[0]:g} to {band_hz[1]:g} Hz"
        faults.append(invalid("band", value, "rising, from 20 Hz to 100000 Hz"))
    if not 40 <= level_db <= 110:
        faults.append(invalid("level of the sweep", f"{level_db:g} dB", "from 40 to 110 dB"))
    if not 0 <= noise_db <= 80:
        faults.append(invalid("noise of the room", f"{noise_db:g} dB", "from 0 to 80 dB"))
    if not 1 <= repeats <= 20:
        faults.append(invalid("number of repeats", repeats, "from 1 to 20"))
    if faults:
        raise InputError(faults)
