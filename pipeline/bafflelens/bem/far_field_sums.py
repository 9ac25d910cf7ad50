# SPDX-License-Identifier: GPL-3.0-or-later
"""Far field of all elements, one point an element, compiled with numba.

Symbols as in `bafflelens.bem.kernels`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.threads import on_threads
from bafflelens.bem.phases import cos_sin_turns


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def add_far_field(
    thread, threads, directions, signs, sources, source_normals, weights, moments, scalars,
    pressure, gradient, out,
):  # fmt: skip
    """Add the far-field coefficient of pressure and gradient to ``out``.

    Parameters
    ----------
    directions : (3, n) real array
        Unit vectors.
    signs : (n_images, 3) real array
        Mirror images: the sign of each coordinate.
    sources, source_normals : (3, m) real array
        Element centroids in m and unit normals.
    weights, moments : (m,) real array
        Area / (4 pi) in m^2, and k^2 times half the second moment.
    scalars : (4,) real array
        k, 1 / k, k / (2 pi) and 1.
    pressure, gradient : (n_vectors, 2, m) real array
        Real and imaginary parts: k times the pressure, and dp/dn, both in Pa/m.
    out : (n_vectors, n) complex array
        Added to in place, in Pa.m.
    """
    turns, one = scalars[2], scalars[3]
    zero = one - one
    for d in range(thread, directions.shape[1], threads):
        for image in range(signs.shape[0]):
            sx = directions[0, d] * signs[image, 0]
            sy = directions[1, d] * signs[image, 1]
            sz = directions[2, d] * signs[image, 2]
            for v in range(pressure.shape[0]):
                re = zero
                im = zero
                for j in range(weights.size):
                    path = sx * sources[0, j] + sy * sources[1, j] + sz * sources[2, j]
                    s_n = (
                        sx * source_normals[0, j]
                        + sy * source_normals[1, j]
                        + sz * source_normals[2, j]
                    )
                    weight = weights[j] * (one - moments[j] * (one - s_n * s_n))
                    cosine, sine = cos_sin_turns(path * turns, one)
                    v_re = weight * (s_n * pressure[v, 1, j] - gradient[v, 0, j])
                    v_im = weight * (-s_n * pressure[v, 0, j] - gradient[v, 1, j])
                    re += v_re * cosine + v_im * sine
                    im += v_im * cosine - v_re * sine
                out[v, d] += complex(re, im)


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def add_far_field_together(
    thread, threads, directions, signs, sources, source_normals, weights, moments, scalars,
    pressure, gradient, out,
):  # fmt: skip
    """Do what `add_far_field` does for several vectors, with each phase computed only once."""
    turns, one = scalars[2], scalars[3]
    zero = one - one
    for d in range(thread, directions.shape[1], threads):
        cosines = np.empty_like(weights)
        sines = np.empty_like(weights)
        slopes = np.empty_like(weights)
        for image in range(signs.shape[0]):
            sx = directions[0, d] * signs[image, 0]
            sy = directions[1, d] * signs[image, 1]
            sz = directions[2, d] * signs[image, 2]
            for j in range(weights.size):
                path = sx * sources[0, j] + sy * sources[1, j] + sz * sources[2, j]
                s_n = (
                    sx * source_normals[0, j]
                    + sy * source_normals[1, j]
                    + sz * source_normals[2, j]
                )
                weight = weights[j] * (one - moments[j] * (one - s_n * s_n))
                cosine, sine = cos_sin_turns(path * turns, one)
                cosines[j] = weight * cosine
                sines[j] = weight * sine
                slopes[j] = s_n
            for v in range(pressure.shape[0]):
                re = zero
                im = zero
                for j in range(weights.size):
                    v_re = slopes[j] * pressure[v, 1, j] - gradient[v, 0, j]
                    v_im = -slopes[j] * pressure[v, 0, j] - gradient[v, 1, j]
                    re += v_re * cosines[j] + v_im * sines[j]
                    im += v_im * cosines[j] - v_re * sines[j]
                out[v, d] += complex(re, im)
