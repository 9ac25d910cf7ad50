# SPDX-License-Identifier: GPL-3.0-or-later
"""From a measurement's description and its files to orbits that can be compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final, NoReturn

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, from_electrical
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.responses import Response
from bafflelens.mockup.measurement.description import Description, read_description
from bafflelens.mockup.measurement.gate import (
    LONGEST_GATE_S,
    Arrival,
    Gate,
    gate_of,
    later_arrival,
    noise_floor,
    onsets_s,
    spectra,
)
from bafflelens.mockup.measurement.measured import Measured, Orbit
from bafflelens.mockup.measurement.microphones import microphone_positions
from bafflelens.mockup.measurement.rows import Rows, rows_of

_FRONT_DEG: Final = 60.0
_HIGHEST_RE_RATE: Final = 0.45
_RADIANS_RE_DEGREES: Final = 180 / np.pi
_SAME_DELAY: Final = 0.03
_SAME_DISTANCE: Final = 0.01
_CLEARLY_BETTER: Final = 1.1
_CLOCK_JITTER_S: Final = 0.1e-3
_TINY: Final = 1e-300


def read_measurement(path: Path) -> Measured:
    """Read and prepare a measurement.

    Parameters
    ----------
    path : Path
        Its description in TOML; the data lie beside it or below.

    Raises
    ------
    InputError
        One line for each fault, with the file, and the row where there are rows.
    """
    description = read_description(path)
    sign = description.angle_sign
    rows = [rows_of(path.parent, files, sign) for files in description.orbits]
    rows = [_with_distance_told(row, description) for row in rows]
    kinds = {row.rate_hz is None for row in rows}
    if len(kinds) > 1:
        rule = "of one kind: impulse responses, or spectra"
        _refuse(path, "orbits", "of both kinds", rule)
    if kinds == {True}:
        return _from_spectra(path, description, rows)
    return _from_responses(path, description, rows)


def _with_distance_told(row: Rows, description: Description) -> Rows:
    """Add a remark where a file tells another distance than the description, which counts."""
    declared = description.distance_mm * 1e-3
    if row.radius_m is None or abs(row.radius_m / declared - 1) <= _SAME_DISTANCE:
        return row
    remark = (
        f"{row.declared.orbit}: {row.name} has its microphones at {row.radius_m:.3f} m; the "
        f"{declared:.3f} m of the description are used"
    )
    return replace(row, remarks=(*row.remarks, remark))


# ------------------------------------------------------------------------------- preparation


def _from_spectra(path: Path, description: Description, rows: Sequence[Rows]) -> Measured:
    """Prepare data that are spectra already."""
    frequencies = rows[0].frequencies_hz
    assert frequencies is not None
    for row in rows[1:]:
        other = row.frequencies_hz
        assert other is not None
        if len(other) != len(frequencies) or np.abs(other / frequencies - 1).max() > 1e-6:
            rule = f"the same frequencies in both; {rows[0].name} has others than {row.name}"
            _refuse(path, "orbits", "with two sets of rows", rule)
    has_phase = description.orbits[0].has_phase and any(np.ptp(np.angle(r.values)) for r in rows)
    remarks = [remark for row in rows for remark in row.remarks]
    delay = 0.0
    if has_phase:
        delay = _delay_s(path, description, rows[0], frequencies)
        remarks.append(f"{delay * 1e3:.3f} ms of delay taken out of all phases alike")
    else:
        remarks.append("magnitudes only: there is no phase")
    orbits = []
    for row in rows:
        values = row.values * np.exp(2j * np.pi * frequencies * delay)
        noise = None if row.noise is None else np.tile(row.noise, (values.shape[1], 1))
        if noise is None:
            remarks.append(f"{row.declared.orbit}: no noise file, so that nothing is masked by it")
        orbits.append(
            _prepared(
                description, row, frequencies, values if has_phase else np.abs(values), noise
            )
        )
    return _measured(description, frequencies, orbits, has_phase, 0.0, delay, remarks)


def _delay_s(path: Path, description: Description, row: Rows, frequencies: FloatArray) -> float:
    """Return the delay at the angle nearest the axis; refuse phases that no delay explains."""
    nearest = int(np.argmin(np.abs(row.readings_deg)))
    setup = description.setup(row.declared)
    place = microphone_positions(setup, row.declared.orbit, row.readings_deg[[nearest]])
    flight = float(np.linalg.norm(place)) / setup.air.sound_speed
    value = row.values[0, nearest]
    response = Response(
        name=row.name,
        frequency_hz=frequencies,
        level_db=20 * np.log10(np.maximum(np.abs(value), _TINY)),
        phase_deg=np.degrees(np.angle(value)),
    )
    delay = _found_delay_s(response, flight)
    where = f"{path}: {row.name} at {row.readings_deg[nearest]:g} degrees"
    if abs(delay * _RADIANS_RE_DEGREES / flight - 1) < _SAME_DELAY:
        rule = f"in degrees: read as radians it is the {flight * 1e3:.2f} ms of the sound's way"
        _refuse(where, "phase", f"{delay * 1e3:.3f} ms", rule)
    if abs(delay / flight + 1) < 10 * _SAME_DELAY:
        rule = "falling with frequency, a delay, as for exp(+j omega t): change its sign"
        _refuse(where, "phase", f"{delay * 1e3:.3f} ms", rule)
    return delay


def _found_delay_s(response: Response, flight_s: float) -> float:
    """Return the delay that lines up the phases best.

    The sound's way, unless none, or its reverse, is clearly better: a few frequencies with a
    common divisor know a delay only up to the period of that.
    """
    used = response.frequency_hz >= response.frequency_hz[-1] / 4
    frequency, phase = response.frequency_hz[used], np.radians(response.phase_deg[used])
    best, most = 0.0, 0.0
    for start in (flight_s, 0.0, -flight_s):
        delay = start + response.excess_delay_s(start)
        aligned = abs(np.exp(1j * (phase + 2 * np.pi * frequency * delay)).sum())
        if aligned > _CLEARLY_BETTER * most:
            best, most = delay, aligned
        if most > len(frequency) / _CLEARLY_BETTER:
            break  # nothing can be clearly better
    return best


def _from_responses(path: Path, description: Description, rows: Sequence[Rows]) -> Measured:
    """Prepare impulse responses: onset, gate, spectra, noise."""
    rate = rows[0].rate_hz
    assert rate is not None
    if any(row.rate_hz != rate for row in rows):
        value = " and ".join(f"{row.rate_hz:g} Hz" for row in rows)
        rule = f"one for both orbits; {rows[0].name} and {rows[1].name} differ"
        _refuse(path, "sampling rates", value, rule)
    onsets = [onsets_s(row.values.real, rate) for row in rows]
    remarks = [remark for row in rows for remark in row.remarks]
    arrival = _arrival(rows, onsets, rate)
    settings = description.gate
    given = settings.length_ms / 1e3 if settings.length_ms else None
    gate = gate_of(
        given,
        settings.before_ms / 1e3,
        None if settings.fade_ms is None else settings.fade_ms / 1e3,
        arrival,
    )
    gate = _within_records(path, gate, rows, onsets, rate, is_given=given is not None)
    remarks += _gate_remarks(gate, arrival, is_given=given is not None)
    frequencies = _frequencies(path, description, gate, rate)
    is_common = settings.align == "common"
    zero = float(onsets[0].mean(axis=0)[np.argmin(np.abs(rows[0].readings_deg))])
    if is_common:
        remarks += _clock_remarks(rows, onsets)
        remarks.append(f"{zero * 1e3:.3f} ms of delay taken out of all phases alike")
    else:
        remarks.append("every response moved to its own onset: the phase between angles is lost")
    orbits = []
    for row, onset in zip(rows, onsets, strict=True):
        flat = row.values.real.reshape(-1, row.values.shape[-1])
        start = onset.ravel()
        values = spectra(flat, rate, start, gate, frequencies, zero if is_common else start)
        noise = _noise(row, flat, start, gate, frequencies)
        if noise is None:
            remarks.append(
                f"{row.declared.orbit}: the responses have no tail as long as the gate, and there "
                "is no noise file: noise is not masked"
            )
        values = values.reshape(*row.values.shape[:2], -1)
        orbits.append(_prepared(description, row, frequencies, values, noise))
    lowest = gate.lowest_valid_hz
    delay = zero if is_common else 0.0
    return _measured(description, frequencies, orbits, is_common, lowest, delay, remarks)


def _arrival(rows: Sequence[Rows], onsets: Sequence[FloatArray], rate: float) -> Arrival | None:
    """Return the earliest later arrival that one of the orbits shows in front."""
    found = []
    for row, onset in zip(rows, onsets, strict=True):
        front = np.abs(row.readings_deg) <= _FRONT_DEG
        if front.any():
            arrival = later_arrival(row.values[0, front].real, rate, onset[0, front])
            found += [arrival] if arrival else []
    return min(found, key=lambda arrival: arrival.delay_s, default=None)


def _within_records(
    path: Path,
    gate: Gate,
    rows: Sequence[Rows],
    onsets: Sequence[FloatArray],
    rate: float,
    *,
    is_given: bool,
) -> Gate:
    """Return a gate that ends within all responses; refuse a given one that does not."""
    room = min(
        row.values.shape[-1] / rate - float(onset.max())
        for row, onset in zip(rows, onsets, strict=True)
    )
    if gate.length_s <= room:
        return gate
    if is_given or room < gate.before_s:
        value = f"{gate.length_s * 1e3:g} ms"
        rule = f"at most {room * 1e3:.2f} ms: the responses end there"
        _refuse(path, "gate", value, rule)
    return replace(gate, length_s=room, fade_s=min(gate.fade_s, room))


def _gate_remarks(gate: Gate, arrival: Arrival | None, *, is_given: bool) -> list[str]:
    remark = (
        f"gate: {gate.length_s * 1e3:.2f} ms from the onset, the last {gate.fade_s * 1e3:.2f} ms "
        f"fading; nothing is said below {gate.lowest_valid_hz:.0f} Hz"
    )
    if arrival is None:
        return [remark]
    seen = f"a later arrival {arrival.delay_s * 1e3:.2f} ms after the direct sound, "
    seen += f"{arrival.level_db:.0f} dB"
    if not is_given:
        return [f"{remark} (it ends before {seen})"]
    if arrival.delay_s < gate.length_s:
        ripple = 1 / arrival.delay_s
        longest = (arrival.delay_s - 0.35e-3) * 1e3
        seen += f": inside the gate, it ripples the level every {ripple:.0f} Hz"
        return [remark, f"{seen}; a gate of at most {longest:.2f} ms leaves it out"]
    return [remark, f"{seen}: outside the gate"]


def _clock_remarks(rows: Sequence[Rows], onsets: Sequence[FloatArray]) -> list[str]:
    """Say whether onsets of repeats differ, as they do without a common clock."""
    remarks = []
    for row, onset in zip(rows, onsets, strict=True):
        front = np.abs(row.readings_deg) <= _FRONT_DEG
        if len(onset) > 1 and front.any():
            spread = float(np.ptp(onset[:, front], axis=0).max())
            if spread > _CLOCK_JITTER_S:
                remarks.append(
                    f"{row.declared.orbit}: onsets of repeats differ by {spread * 1e3:.2f} ms: "
                    "without a common clock set gate.align = 'each'"
                )
    return remarks


def _frequencies(path: Path, description: Description, gate: Gate, rate: float) -> FloatArray:
    """Return frequencies in equal steps of an octave, 1 kHz among them, above the gate's limit."""
    wanted = description.frequencies
    low = max(wanted.from_hz, gate.lowest_valid_hz)
    high = min(wanted.to_hz, _HIGHEST_RE_RATE * rate)
    if high < 2 * low:
        value = f"{low:.0f} to {high:.0f} Hz"
        rule = "an octave or more: a longer gate reaches lower"
        _refuse(path, "usable band", value, rule)
    steps = wanted.per_octave
    first = int(np.ceil(np.log2(low / 1000) * steps - 1e-9))
    last = int(np.floor(np.log2(high / 1000) * steps + 1e-9))
    return np.asarray(1000 * 2 ** (np.arange(first, last + 1) / steps))


def _noise(
    row: Rows, flat: FloatArray, start: FloatArray, gate: Gate, frequencies: FloatArray
) -> FloatArray | None:
    """Return the noise floor (n_angles, n_frequencies): of its own recording, or of the tails."""
    assert row.rate_hz is not None
    n_repeats, n_angles = row.values.shape[:2]
    if row.noise is not None:
        floor = noise_floor(row.noise, row.rate_hz, 0.0, gate, frequencies)
        if floor is None:
            return None
        return np.tile(np.sqrt(np.mean(floor**2, axis=0)), (n_angles, 1))
    floor = noise_floor(flat, row.rate_hz, start + LONGEST_GATE_S, gate, frequencies)
    if floor is None:
        return None
    return np.asarray(np.sqrt(np.mean(floor.reshape(n_repeats, n_angles, -1) ** 2, axis=0)))


def _prepared(
    description: Description,
    row: Rows,
    frequencies: FloatArray,
    values: ComplexArray | FloatArray,
    noise: FloatArray | None,
) -> Orbit:
    """Return an orbit in the project's convention, the air's absorption taken out, masked."""
    setup = description.setup(row.declared)
    name = row.declared.orbit
    place = microphone_positions(setup, name, row.readings_deg)
    way = np.linalg.norm(place, axis=1)
    gain = 10 ** (np.outer(way, setup.air.absorption(frequencies)) / 20)
    pressure = from_electrical(np.asarray(values, dtype=complex)) * gain
    level = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0))
    valid = level > _TINY
    if noise is not None:
        noise = noise * gain
        valid &= level > noise * 10 ** (description.noise_margin_db / 20)
    return Orbit(
        name=name,
        angles_deg=row.readings_deg,
        pressure=pressure,
        valid=valid,
        noise=noise,
        setup=setup,
    )


def _measured(
    description: Description,
    frequencies: FloatArray,
    orbits: Sequence[Orbit],
    has_phase: bool,
    lowest_hz: float,
    delay_s: float,
    remarks: Sequence[str],
) -> Measured:
    setup = description.setup()
    air = setup.air
    highest = float(air.absorption(frequencies[-1:])[0]) * setup.distance_m
    said = [
        *remarks,
        f"absorption of the air taken out (ISO 9613-1): {highest:.2f} dB at "
        f"{frequencies[-1]:.0f} Hz and {setup.distance_m:g} m; sound speed "
        f"{air.sound_speed:.1f} m/s at {air.temperature_c:g} degrees C",
    ]
    for orbit in orbits:
        masked = float(np.mean(~orbit.valid))
        if masked:
            said.append(
                f"{orbit.name}: {100 * masked:.2g} % of the values lie less than "
                f"{description.noise_margin_db:g} dB over the noise and are masked"
            )
        if len(orbit.pressure) > 1:
            said.append(f"{orbit.name}: {len(orbit.pressure)} sweeps an angle")
    return Measured(
        title=description.title,
        frequencies_hz=frequencies,
        orbits=tuple(orbits),
        setup=setup,
        has_phase=has_phase,
        lowest_valid_hz=lowest_hz,
        delay_s=delay_s,
        remarks=tuple(said),
        mock_up=description.mock_up,
    )


def _refuse(where: object, what: str, value: object, rule: str) -> NoReturn:
    msg = f"{where}: {invalid(what, value, rule)}"
    raise InputError(msg)
