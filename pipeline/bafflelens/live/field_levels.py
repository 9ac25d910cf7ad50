# SPDX-License-Identifier: GPL-3.0-or-later
"""Far fields about their source, and their levels re the listening window."""

from __future__ import annotations

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray


def over_window(amplitude: FloatArray, window: IntArray) -> FloatArray:
    """Return the root mean square over the listening window, (..., 1), of amplitudes (..., n)."""
    return np.asarray(np.sqrt(np.mean(amplitude[..., window] ** 2, axis=-1, keepdims=True)))


def levels_db(field: ComplexArray, window: IntArray) -> FloatArray:
    """Return levels re the listening window, (..., n_directions), in dB."""
    amplitude = np.abs(field)
    reference = over_window(amplitude, window)
    return np.asarray(20 * np.log10(np.maximum(amplitude, 1e-9 * reference) / reference))


def told_db(error: FloatArray, amplitude: FloatArray, window: IntArray) -> FloatArray:
    """Return by how many dB levels re the window may be off where fields may be by so much."""
    reference = over_window(amplitude, window)
    of_reference = over_window(error, window)
    own_db = 20 * np.log10(1 + error / np.maximum(amplitude, 1e-9 * reference))
    return np.asarray(np.hypot(own_db, 20 * np.log10(1 + of_reference / reference)))


def about_source(
    fields: ComplexArray, wavenumber: FloatArray, directions: FloatArray, centre: FloatArray
) -> ComplexArray:
    """Return far fields about the source instead of the origin.

    A lens that is deeper sets the dome back, which turns the phase by the same way in front of it.

    Parameters
    ----------
    fields : (n_frequencies, n_directions) complex array
        Far fields about the origin, in Pa.m.
    wavenumber : (n_frequencies,) array
        In 1/m.
    directions : (n_directions, 3) array
        Unit vectors.
    centre : (3,) array
        Where the source is, in m.
    """
    way = directions @ centre
    return np.asarray(fields * np.exp(1j * np.multiply.outer(wavenumber, way)))
