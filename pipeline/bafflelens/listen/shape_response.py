# SPDX-License-Identifier: GPL-3.0-or-later
"""What a shape sends in any direction, on the bins of a block, causal and over the whole band.

Within the solved band the far field is interpolated over frequency as a sum of responses that
begin with the sound from the source (`bafflelens.directivity.frequency_interpolation`). Outside
it is a stated continuation, the same for every shape: below, each direction keeps the level it
has at the lowest solved frequency; above, that of the highest; the phase goes on as a delay. What
the rest of a loudspeaker does there, a high-pass below and a low-pass above, is one filter for
all shapes (`common_filter`). So nothing that is heard below the band tells shapes apart but
their level at its lower end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt
from scipy.sparse import csr_array

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray, direction_vectors
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.direction_set import SPHERE_STEP_DEG
from bafflelens.directivity.frequency_interpolation import LEAST_FREQUENCIES, interpolate
from bafflelens.directivity.source_sums import power_values, source_values
from bafflelens.listen.spectra import BLOCK, RATE_HZ, bins_hz, minimum_phase

HIGHEST_START_HZ: Final = 2000.0
"""A run that begins above it covers too little to be heard."""
LOWEST_END_HZ: Final = 8000.0
"""A run that ends below it covers too little to be heard."""
BASS_HZ: Final = 50.0
"""High-pass of the second order that stands for the rest of every loudspeaker."""
MOST_EQUALISED_DB: Final = 12.0

_TOP_HZ: Final = 20_000.0
_LEAD: Final = 24  # samples before the sound from a source's middle that a response may begin
_FADE: Final = 18  # of these it is let in over
_SLOPE_OCTAVES: Final = 0.5  # of the band's end, from which its delay is told


@dataclass(frozen=True, kw_only=True, eq=False)
class ShapeResponse:
    """Far fields on the bins, for exp(+j omega t), and the sound power.

    Attributes
    ----------
    name : str
        Id of the candidate.
    directions : (n_directions, n_bins) complex array
        Pressure times distance on the sphere grid, relative; time 0 is the way from the
        reference point.
    grid : SphereGrid
        Where these are.
    power : (n_bins,) array
        Mean square of the far field over the sphere.
    band_hz : (from, to)
        Where it was solved.
    error_db : float
        Largest estimated error of the interpolation over frequency, in front.
    moved_db : float
        Largest change on the axis, within the band, by cutting what came too early.
    """

    name: str
    directions: ComplexArray
    grid: SphereGrid
    power: FloatArray
    band_hz: tuple[float, float]
    error_db: float
    moved_db: float

    def leaving(self, azimuth_deg: FloatArray, elevation_deg: FloatArray) -> ComplexArray:
        """Return the far field in any directions, (n, n_bins)."""
        weights = self.grid.weights(azimuth_deg, elevation_deg)
        return np.asarray(weights @ self.directions)

    def equalised(self) -> ShapeResponse:
        """Return the response with its axis made even, by a filter of least delay.

        Within the band, by no more than `MOST_EQUALISED_DB`; power and all directions are
        filtered alike, so what the room gets re the axis stays as it is.
        """
        frequency = bins_hz()
        axis = np.abs(self.leaving(np.zeros(1), np.zeros(1))[0])
        held = np.clip(frequency, *self.band_hz)
        level = np.interp(held, frequency, 20 * np.log10(np.maximum(axis, 1e-12)))
        inside = (frequency >= self.band_hz[0]) & (frequency <= self.band_hz[1])
        change = np.clip(np.median(level[inside]) - level, -MOST_EQUALISED_DB, MOST_EQUALISED_DB)
        filtered = minimum_phase(10 ** (change / 20))
        return replace(
            self,
            directions=self.directions * filtered,
            power=self.power * np.abs(filtered) ** 2,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class SphereGrid:
    """The sphere grid of a directivity dataset, in rings of equal elevation.

    Attributes
    ----------
    number : (n_rings, n_azimuths) int array
        Which of the kept directions is where; a pole fills its ring.
    step_deg : float
        Step both ways.
    """

    number: IntArray
    step_deg: float = SPHERE_STEP_DEG

    def weights(self, azimuth_deg: FloatArray, elevation_deg: FloatArray) -> csr_array:
        """Return the weights (n, n_directions) of cubic interpolation, four by four points.

        They are real and do not depend on frequency, so what is causal stays causal. Past a
        pole the rings go on at the opposite azimuth.
        """
        n_rings, n_azimuths = self.number.shape
        across = (np.asarray(azimuth_deg, dtype=float) + 180) / self.step_deg
        upward = (np.asarray(elevation_deg, dtype=float) + 90) / self.step_deg
        left, low = np.floor(across), np.floor(upward)
        by_azimuth, by_ring = _cubic(across - left), _cubic(upward - low)
        rows, columns, values = [], [], []
        for i in range(4):
            ring = (low + i - 1).astype(int)
            over = (ring < 0) | (ring >= n_rings)
            ring = np.where(ring < 0, -ring, ring)
            ring = np.where(ring >= n_rings, 2 * (n_rings - 1) - ring, ring)
            for j in range(4):
                column = (left + j - 1).astype(int) + np.where(over, n_azimuths // 2, 0)
                rows.append(np.arange(len(across)))
                columns.append(self.number[ring, column % n_azimuths])
                values.append(by_ring[i] * by_azimuth[j])
        place = (np.concatenate(rows), np.concatenate(columns))
        size = (len(across), int(self.number.max()) + 1)
        return csr_array((np.concatenate(values), place), shape=size)


def _cubic(share: FloatArray) -> FloatArray:
    """Return Lagrange's weights of the points -1, 0, 1, 2 at a share of a step, (4, n)."""
    t = share
    return np.stack(
        [
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        ]
    )


def shape_response(
    name: str,
    dataset: xr.Dataset,
    transfer: ComplexArray | None = None,
    centres_m: FloatArray | None = None,
) -> ShapeResponse:
    """Return what a shape sends in every direction.

    Parameters
    ----------
    name : str
        Id of the candidate.
    dataset : xarray.Dataset
        A directivity dataset where it is shown, with one source or with `transfer`.
    transfer : (n_sources, n_frequencies) complex array, optional
        Acceleration of each source; NaN where it is not known.
    centres_m : (n_sources, 3) array, optional
        Middles of the sources; all at the origin if left out.

    Raises
    ------
    InputError
        If too little of the band is known.
    """
    frequency = dataset["frequency"].values
    field, power = source_values(dataset, transfer), power_values(dataset, transfer)
    known = np.isfinite(field).all(axis=1) & np.isfinite(power)
    low, high = frequency[known][[0, -1]] if known.any() else (np.nan, np.nan)
    enough = known.sum() >= LEAST_FREQUENCIES and low <= HIGHEST_START_HZ * 1.01
    if not (enough and high >= LOWEST_END_HZ * 0.99):
        rule = f"solved from at most {HIGHEST_START_HZ:g} to at least {LOWEST_END_HZ:g} Hz"
        what = f"{low:.0f} to {high:.0f} Hz" if known.any() else "none"
        msg = f"{name}: {invalid('band', what, rule + ' to be heard')}"
        raise InputError(msg)
    grid, chosen = sphere_grid(dataset)
    wanted = bins_hz()
    inside = (wanted >= low) & (wanted <= min(high, _TOP_HZ * 1.05))
    towards = direction_vectors(
        dataset["azimuth_deg"].values[chosen], dataset["elevation_deg"].values[chosen]
    )
    centres = np.zeros((1, 3)) if centres_m is None else centres_m
    delay = (-centres @ towards.T).min(axis=0) / float(dataset.attrs["air_sound_speed_m_s"])
    found = interpolate(
        frequency[known],
        field[known][:, chosen][np.newaxis],
        wanted[inside],
        delays_s=delay[np.newaxis],
        is_front=towards[:, 0] > -1e-9,
    )
    whole = _continued(found.far_field[0].conj().T, wanted, inside)
    causal = _cut(whole, delay)
    axis = grid.weights(np.zeros(1), np.zeros(1))
    before, after = (np.abs(axis @ part)[0][inside] for part in (whole, causal))
    density = (
        power[known]
        * 2
        * float(dataset.attrs["air_density_kg_m3"] * dataset.attrs["air_sound_speed_m_s"])
        / (4 * np.pi)
    )
    curve = np.interp(
        np.log(np.clip(wanted, low, high)), np.log(frequency[known]), 10 * np.log10(density)
    )
    return ShapeResponse(
        name=name,
        directions=causal,
        grid=grid,
        power=10 ** (curve / 10),
        band_hz=(float(low), float(high)),
        error_db=float(np.max(found.error_db)),
        moved_db=float(np.max(np.abs(20 * np.log10(after / before)))),
    )


def sphere_grid(
    dataset: xr.Dataset,
) -> tuple[SphereGrid, IntArray]:
    """Return the sphere grid of a dataset, and which of its directions that keeps."""
    chosen = np.flatnonzero(dataset["weight_sr"].values > 0)
    azimuth = dataset["azimuth_deg"].values[chosen]
    elevation = dataset["elevation_deg"].values[chosen]
    n_azimuths, n_rings = round(360 / SPHERE_STEP_DEG), round(180 / SPHERE_STEP_DEG) + 1
    number = np.full((n_rings, n_azimuths), -1)
    ring = np.round((elevation + 90) / SPHERE_STEP_DEG).astype(int)
    column = np.round((azimuth + 180) / SPHERE_STEP_DEG).astype(int) % n_azimuths
    number[ring, column] = np.arange(len(chosen))
    for pole in (0, n_rings - 1):
        number[pole] = number[pole].max()
    return SphereGrid(number=number.astype(np.int64)), chosen


def _continued(
    inside_values: ComplexArray, frequency: FloatArray, inside: NDArray[np.bool_]
) -> ComplexArray:
    """Return spectra (n, n_bins) over the whole band from those inside the solved one.

    The level is held outside. The phase is that of least delay, which follows from the level,
    and an excess: within the band what is left, above it the same delay on, and below led to
    the multiple of pi at 0 Hz, where a response is real, that its delay points to.
    """
    n_bins = len(frequency)
    first, last = np.flatnonzero(inside)[[0, -1]]
    numbers = np.clip(np.arange(n_bins), first, last) - first
    size = np.abs(inside_values)[:, numbers]
    least = minimum_phase(size)
    excess = np.unwrap(np.angle(inside_values / least[:, inside]), axis=1)
    back = max(1, int((last - first) * (1 - 2**-_SLOPE_OCTAVES)))
    slope = (excess[:, -1] - excess[:, -1 - back]) / back
    above = np.arange(last + 1, n_bins) - last
    upper = excess[:, [-1]] + slope[:, np.newaxis] * above
    reach = max(1, int(first * (2**_SLOPE_OCTAVES - 1)))
    slope = (excess[:, reach] - excess[:, 0]) / reach
    at_zero = np.pi * np.round((excess[:, 0] - slope * first) / np.pi)
    share = np.arange(first) / first
    lower = at_zero[:, np.newaxis] * (1 - share) + excess[:, [0]] * share
    # Towards half the sampling rate all fade out, or a delay of half a sample would ring.
    fade = np.cos(np.pi / 2 * np.clip((frequency - _TOP_HZ) / (RATE_HZ / 2 - _TOP_HZ), 0, 1)) ** 2
    return np.asarray(fade * least * np.exp(1j * np.concatenate((lower, excess, upper), axis=1)))


def _cut(spectrum: ComplexArray, onset_s: FloatArray) -> ComplexArray:
    """Take out what would come before any sound can; it is all that is not causal."""
    response = np.fft.irfft(spectrum, n=BLOCK, axis=-1)
    time = (np.arange(BLOCK) + BLOCK // 2) % BLOCK - BLOCK // 2
    after = time - (onset_s[:, np.newaxis] * RATE_HZ - _LEAD)
    window = np.sin(np.pi / 2 * np.clip(after / _FADE, 0, 1)) ** 2
    window[:, (time > BLOCK // 2 - 2 * _FADE)] = 0
    return np.asarray(np.fft.rfft(response * window, axis=-1))


def common_filter(signal: FloatArray, bands_hz: Sequence[tuple[float, float]]) -> FloatArray:
    """Filter signals (..., n_samples) as the rest of every loudspeaker does.

    A high-pass of the second order at `BASS_HZ`, and a low-pass of the sixth order at the
    lowest of the shapes' upper ends, 20 kHz at most; both Butterworth, of least delay.
    """
    top = min(_TOP_HZ, *(band[1] for band in bands_hz))
    high = butter(2, BASS_HZ, "highpass", fs=RATE_HZ, output="sos")
    low = butter(6, top, "lowpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(np.concatenate((high, low)), signal, axis=-1))
