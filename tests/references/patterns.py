# SPDX-License-Identifier: GPL-3.0-or-later
"""Directivity datasets of known patterns, as the solver would hand them over."""

from __future__ import annotations

import analytic
import numpy as np

from bafflelens.base.medium import Air
from bafflelens.bem.sweep import BandResult, FrequencyOutcome
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset

AIR = Air()


def sixth_octaves(low_hz=1000.0, high_hz=16000.0, per_octave=6):
    """Frequencies in equal steps of 1/6 octave from low_hz."""
    steps = int(np.floor(np.log2(high_hz / low_hz) * per_octave + 1e-9))
    return low_hz * 2.0 ** (np.arange(steps + 1) / per_octave)


def outcome(frequency_hz, status="solved", reason=""):
    return FrequencyOutcome(
        frequency_hz=float(frequency_hz),
        status=status,
        reason=reason,
        iterations=12,
        residual=1e-5,
        seconds=0.25,
        unknowns=1234,
        power_balance=1.001,
    )


def band(fields, frequencies_hz, failed=()):
    """Return a BandResult of fields (n_sources, n_frequencies, n_directions)."""
    fields = np.array(fields, dtype=complex)
    frequencies_hz = np.asarray(frequencies_hz, dtype=float)
    weight = directions().weight
    power = np.einsum("sfd,tfd,d->fst", fields.conj(), fields, weight) / (2 * AIR.impedance)
    outcomes = []
    for number, frequency in enumerate(frequencies_hz):
        if frequency in failed:
            fields[:, number] = np.nan
            power[number] = np.nan
            outcomes.append(outcome(frequency, "failed", "the solver diverged"))
        else:
            outcomes.append(outcome(frequency))
    return BandResult(
        frequencies_hz=frequencies_hz,
        far_field=fields,
        cross_power=power,
        outcomes=tuple(outcomes),
    )


def dataset(pattern, frequencies_hz=None, failed=()):
    """Return the dataset of one source.

    pattern(frequency_hz, azimuth_deg, elevation_deg) gives the field in every direction.
    """
    frequencies_hz = sixth_octaves() if frequencies_hz is None else np.asarray(frequencies_hz)
    where = directions()
    fields = [
        pattern(frequency, where.azimuth_deg, where.elevation_deg) + 0j * where.azimuth_deg
        for frequency in frequencies_hz
    ]
    return assembled([band([fields], frequencies_hz, failed)], ["tweeter"])


def assembled(bands, names, **further):
    return assemble_dataset(
        directions(),
        bands,
        names,
        air=AIR,
        mesh_info={"quality": "draft", "triangles": 1234, "source_size_m": 0.004},
        engine="direct",
        versions={"bafflelens": "0.1.0", "numpy": "2.4"},
        **further,
    )


def off_axis(azimuth_deg, elevation_deg):
    """Return the angle from the reference axis in radians."""
    cosine = np.cos(np.radians(azimuth_deg)) * np.cos(np.radians(elevation_deg))
    return np.arccos(np.clip(cosine, -1, 1))


def axisymmetric(function):
    """Return a pattern from function(frequency_hz, angle from the axis in rad)."""
    return lambda frequency, azimuth, elevation: function(frequency, off_axis(azimuth, elevation))


omni = axisymmetric(lambda _, theta: np.ones_like(theta))
dipole = axisymmetric(lambda _, theta: np.cos(theta))
cardioid = axisymmetric(lambda _, theta: (1 + np.cos(theta)) / 2)


def cap(ka, half_angle_deg):
    """Return the pattern of a radial cap on a rigid sphere, the same at every frequency."""
    return axisymmetric(
        lambda _, theta: analytic.cap_on_sphere(ka, np.radians(half_angle_deg), theta)
    )


def shaped(level_db):
    """Return a pattern from level_db(frequency, azimuth, elevation), any part constant."""

    def pattern(frequency, azimuth, elevation):
        level = np.broadcast_to(level_db(frequency, azimuth, elevation), azimuth.shape)
        return 10 ** (np.asarray(level, dtype=float) / 20)

    return pattern


def point_sources(positions_m, names, frequencies_hz=None, amplitudes=None, failed=()):
    """Return the dataset of point sources in free air, each of its amplitude in Pa.m.

    positions_m is (n_sources, 3): x forward, y left, z up, from the reference point. With
    exp(-i omega t) the far field of a source at r0 is exp(-ik n.r0).
    """
    frequencies_hz = sixth_octaves() if frequencies_hz is None else np.asarray(frequencies_hz)
    along = directions().vectors @ np.asarray(positions_m, dtype=float).T
    k = 2 * np.pi * np.asarray(frequencies_hz) / AIR.sound_speed
    fields = np.exp(-1j * k[np.newaxis, :, np.newaxis] * along.T[:, np.newaxis, :])
    if amplitudes is not None:
        fields = fields * np.asarray(amplitudes)[:, np.newaxis, np.newaxis]
    return assembled([band(fields, frequencies_hz, failed)], names)
