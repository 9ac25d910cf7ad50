# SPDX-License-Identifier: GPL-3.0-or-later
"""Measurements that nobody made: folders of files as a chamber would give them, with known faults.

Invented, and every folder says so. `write_measurement` asks a callable for the pressure at points
(for exp(-i omega t), in an air without losses) and writes the files and the description of an
orbit or two. Faults are planted in what is written, never in what the description declares: the
program has to find them.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import analytic
import numpy as np
from scipy.io import wavfile
from turntable import microphone_places

from bafflelens.mockup.measurement.measured import Setup

Pressure = Callable[[np.ndarray, np.ndarray, float], np.ndarray]
"""pressure(points (n, 3) in m, frequencies (f,) in Hz, sound speed) -> (n, f) complex."""


@dataclass(frozen=True, kw_only=True)
class Planted:
    """What is true but not declared.

    Attributes
    ----------
    rotation_offset_m : tuple of 3 floats
        True minus declared rotation point; 12 mm is a usual one.
    angle_offset_deg, tilt_deg : float
        True minus nominal.
    mirrored : bool
        The turntable counts the other way.
    bounce : (delay in s, gain) or None
        A copy of everything, as from a floor.
    noise_re_peak : float
        Rms of white noise in impulse responses, re the largest sample of the loudest.
    level_steps : tuple of (from angle in degrees, dB)
        From that nominal angle on everything is louder.
    missing_deg : tuple of float
        Angles without a file.
    repeat_level_db, repeat_angle_deg : float
        Standard deviation from sweep to sweep.
    temperature_c : float or None
        Of the air, where the declaration tells another; None if it tells the truth.
    seed : int
        Of all that is drawn.
    """

    rotation_offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    angle_offset_deg: float = 0.0
    tilt_deg: float = 0.0
    mirrored: bool = False
    bounce: tuple[float, float] | None = None
    noise_re_peak: float = 0.0
    level_steps: tuple[tuple[float, float], ...] = ()
    missing_deg: tuple[float, ...] = ()
    repeat_level_db: float = 0.0
    repeat_angle_deg: float = 0.0
    temperature_c: float | None = None
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class Session:
    """What is written: orbits, angles and kind of the files."""

    setup: Setup
    orbits: tuple[str, ...] = ("horizontal",)
    angles_deg: tuple[float, ...] = tuple(np.arange(-180.0, 180.0, 5.0))
    kind: str = "text"  # text, impulse, multichannel, sofa, sofa impulse
    frequencies_hz: tuple[float, ...] = tuple(1000 * 2 ** (np.arange(-24, 104) / 24))
    repeats: int = 1
    rate_hz: int = 48000
    n_samples: int = 4096
    has_phase: bool = True
    further: str = ""  # lines for the description, before its first table


def write_measurement(
    folder: Path, pressure: Pressure, session: Session, planted: Planted | None = None
) -> Path:
    """Write all files of a session and return the path of its description."""
    planted = planted or Planted()
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(planted.seed)
    tables = []
    for orbit in session.orbits:
        angles = np.array([a for a in session.angles_deg if a not in planted.missing_deg])
        files = _write_orbit(folder, orbit, angles, pressure, session, planted, rng)
        tables.append(f'[[orbits]]\norbit = "{orbit}"\n{files}')
    setup = session.setup
    lines = [
        'title = "Synthetic measurement: invented, not measured"',
        f'date = "{setup.date or "2026-01-31"}"',
        f"distance_mm = {1e3 * setup.distance_m!r}",
        f"microphone_height_mm = {1e3 * setup.microphone_height_m!r}",
        f"rotation_point_mm = {[1e3 * value for value in setup.rotation_point_m]}",
        f"angle_sign = {setup.angle_sign}",
        session.further,
        "[air]",
        f"temperature_c = {setup.temperature_c!r}",
        f"relative_humidity_pct = {setup.relative_humidity_pct!r}",
        f"pressure_kpa = {setup.pressure_kpa!r}",
        *tables,
    ]
    path = folder / "measurement.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def _write_orbit(folder, orbit, angles, pressure, session, planted, rng):
    """Write the files of an orbit and return its lines of the description."""
    short = orbit[0]
    readings = session.setup.angle_sign * angles
    phase = "" if session.has_phase else "has_phase = false\n"
    if session.kind in ("text", "sofa"):
        frequencies = np.array(session.frequencies_hz)
        values = [
            _spectra(orbit, angles, frequencies, pressure, session, planted, rng)
            for _ in range(session.repeats)
        ]
        if session.kind == "sofa":
            return _write_sofa(folder, orbit, angles, frequencies, values[0], session)
        for repeat, spectrum in enumerate(values, start=1):
            for reading, row in zip(readings, spectrum, strict=True):
                _write_text(
                    folder / f"{short}_{reading:g}_{repeat}.txt", frequencies, row, session
                )
        return f'kind = "text"\nfiles = "{short}_{{angle}}_{{repeat}}.txt"\n{phase}'
    responses = [
        _responses(orbit, angles, pressure, session, planted, rng) for _ in range(session.repeats)
    ]
    scale = 0.5 / np.abs(responses[0]).max()
    if session.kind == "sofa impulse":
        return _write_sofa_impulses(folder, orbit, angles, responses[0] * scale, session)
    if session.kind == "multichannel":
        for repeat, response in enumerate(responses, start=1):
            data = (scale * response.T).astype(np.float32)
            wavfile.write(folder / f"{short}_all_{repeat}.wav", session.rate_hz, data)
        listed = json.dumps(list(readings))
        return f'kind = "impulse"\nfiles = "{short}_all_{{repeat}}.wav"\nangles_deg = {listed}\n'
    for repeat, response in enumerate(responses, start=1):
        for reading, row in zip(readings, response, strict=True):
            data = (scale * row).astype(np.float32)
            wavfile.write(folder / f"{short}_{reading:g}_{repeat}.wav", session.rate_hz, data)
    return f'kind = "impulse"\nfiles = "{short}_{{angle}}_{{repeat}}.wav"\n'


def _spectra(orbit, angles, frequencies, pressure, session, planted, rng):
    """Return what arrives, (n_angles, n_frequencies) for exp(+j omega t), faults included."""
    setup = session.setup
    true = setup.temperature_c if planted.temperature_c is None else planted.temperature_c
    sound_speed = analytic.speed_of_sound_iso9613(true)
    absorption = analytic.iso9613_1_absorption(
        frequencies, true, setup.relative_humidity_pct, setup.pressure_kpa
    )
    points = microphone_places(
        setup,
        orbit,
        angles + rng.normal(0, planted.repeat_angle_deg, len(angles)),
        angle_offset_deg=planted.angle_offset_deg,
        rotation_offset_m=planted.rotation_offset_m,
        tilt_deg=planted.tilt_deg,
        mirrored=planted.mirrored,
    )
    way = np.linalg.norm(points, axis=1)
    loss_db = np.outer(way, absorption)
    values = np.conj(pressure(points, frequencies, sound_speed)) * 10 ** (-loss_db / 20)
    if planted.bounce:
        delay, gain = planted.bounce
        values = values * (1 + gain * np.exp(-2j * np.pi * frequencies * delay))
    level = rng.normal(0, planted.repeat_level_db, len(angles))
    for first, step_db in planted.level_steps:
        level = level + np.where(angles >= first, step_db, 0.0)
    return values * 10 ** (level[:, np.newaxis] / 20)


def _responses(orbit, angles, pressure, session, planted, rng):
    """Return impulse responses, (n_angles, n_samples): a band-limited loudspeaker with noise.

    High and low pass fall smoothly to nothing at both ends of the band, as a tweeter's and an
    anti-aliasing filter's would, so that the response is over long before the record is.
    """
    n, rate = session.n_samples, session.rate_hz
    frequencies = np.fft.rfftfreq(n, 1 / rate)
    used = (frequencies > 100) & (frequencies < 0.49 * rate)
    spectrum = np.zeros((len(angles), len(frequencies)), dtype=complex)
    spectrum[:, used] = _spectra(
        orbit, angles, frequencies[used], pressure, session, planted, rng
    ) * loudspeaker(frequencies[used], rate)
    responses = np.fft.irfft(spectrum, n, axis=1)
    noise = planted.noise_re_peak * np.abs(responses).max()
    return responses + rng.normal(0, 1, responses.shape) * noise


def loudspeaker(frequencies, rate_hz):
    """Return the transfer function of the invented loudspeaker and recorder, exp(+j omega t)."""
    s = 1j * frequencies / 400.0
    high_pass = (s**2 / (1 + 1.414 * s + s**2)) ** 2
    edge = np.clip((frequencies / rate_hz - 0.42) / 0.07, 0, 1)
    return high_pass * np.cos(np.pi / 2 * edge) ** 2


def _write_text(path, frequencies, row, session):
    level = 20 * np.log10(np.abs(row))
    phase = np.degrees(np.angle(row))
    lines = ["# synthetic: invented, not measured", "# Hz dB degrees"]
    for f, x, p in zip(frequencies, level, phase, strict=True):
        lines.append(f"{f:.6f} {x:.6f} {p:.6f}" if session.has_phase else f"{f:.6f} {x:.6f}")
    path.write_text("\n".join(lines) + "\n")


def _directions(orbit, angles):
    if orbit == "horizontal":
        return angles, np.zeros(len(angles))
    x, z = np.cos(np.radians(angles)), np.sin(np.radians(angles))
    return np.where(x < -1e-12, 180.0, 0.0), np.degrees(np.arctan2(z, np.abs(x)))


def sofa_library():
    """Return the other library; its import warns of the sizes of arrays, which is harmless."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import sofar
    return sofar


def _write_sofa(folder, orbit, angles, frequencies, values, session):
    """Write with another library than the program uses."""
    sofar = sofa_library()
    azimuth, elevation = _directions(orbit, angles)
    file = sofar.Sofa("FreeFieldDirectivityTF")
    file.GLOBAL_Title = "Synthetic measurement: invented, not measured"
    file.ReceiverPosition = np.stack(
        (azimuth, elevation, np.full(len(angles), session.setup.distance_m)), axis=1
    )
    file.N = frequencies
    file.Data_Real, file.Data_Imag = values.real[np.newaxis], values.imag[np.newaxis]
    sofar.write_sofa(str(folder / f"{orbit[0]}.sofa"), file)
    return f'kind = "sofa"\nfiles = "{orbit[0]}.sofa"\n'


def _write_sofa_impulses(folder, orbit, angles, responses, session):
    """Write GeneralFIR: the listener goes around, the source stays at the origin."""
    sofar = sofa_library()
    azimuth, elevation = (np.radians(a) for a in _directions(orbit, angles))
    away = np.stack(
        (
            np.cos(elevation) * np.cos(azimuth),
            np.cos(elevation) * np.sin(azimuth),
            np.sin(elevation),
        ),
        axis=1,
    )
    file = sofar.Sofa("GeneralFIR")
    file.GLOBAL_Title = "Synthetic measurement: invented, not measured"
    file.SourcePosition = np.zeros((1, 3))
    file.SourcePosition_Type, file.SourcePosition_Units = "cartesian", "metre"
    file.ListenerPosition = session.setup.distance_m * away
    file.ListenerView = -away
    file.Data_IR = responses[:, np.newaxis]
    file.Data_SamplingRate = session.rate_hz
    sofar.write_sofa(str(folder / f"{orbit[0]}.sofa"), file)
    return f'kind = "sofa"\nfiles = "{orbit[0]}.sofa"\n'


# -------------------------------------------------------------------------------- sources


def cap_on_sphere(radius_m: float, half_angle_deg: float) -> Pressure:
    """Return the exact pressure of a cap that moves on a rigid sphere, at any distance.

    The cap's middle is the origin and it faces x; the sphere lies behind. Cap acceleration
    1 m/s^2, radial. Source: analytic.py section 1 (Morse & Ingard 1968, ch. 7).
    """

    def pressure(points, frequencies, sound_speed):
        away = np.asarray(points) - np.array([-radius_m, 0.0, 0.0])
        r = np.linalg.norm(away, axis=1)
        legendre_at = np.clip(away[:, 0] / r, -1, 1)
        values = np.empty((len(r), len(frequencies)), dtype=complex)
        density = 1.2
        for i, frequency in enumerate(frequencies):
            k = 2 * np.pi * frequency / sound_speed
            count = analytic.n_terms(k * radius_m)
            u = analytic.cap_coefficients(count, np.radians(half_angle_deg))
            n = np.arange(len(u))[:, np.newaxis]
            # Far orders overflow both Hankel functions; their quotient is smaller than rounding.
            with np.errstate(all="ignore"):
                quotient = analytic.sph_h(n, k * r[np.newaxis]) / analytic.sph_hp(n, k * radius_m)
            quotient = np.where(np.isfinite(quotient), quotient, 0.0)
            table = analytic.legendre_table(len(u) - 1, legendre_at)
            velocity = 1 / (-2j * np.pi * frequency)
            impedance = 1j * density * sound_speed * velocity
            values[:, i] = impedance * np.sum(u[:, np.newaxis] * quotient * table, axis=0)
        return values

    return pressure


def point_sources(positions_m, strengths) -> Pressure:
    """Return the pressure of point sources in the free field: quick, and never symmetric."""
    positions = np.atleast_2d(np.asarray(positions_m, dtype=float))

    def pressure(points, frequencies, sound_speed):
        r = np.linalg.norm(np.asarray(points)[:, np.newaxis] - positions, axis=2)
        k = 2 * np.pi * np.asarray(frequencies) / sound_speed
        waves = np.exp(1j * r[:, :, np.newaxis] * k) / r[:, :, np.newaxis]
        return np.einsum("psf,s->pf", waves, np.asarray(strengths))

    return pressure
