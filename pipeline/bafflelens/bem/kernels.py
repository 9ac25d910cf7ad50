# SPDX-License-Identifier: GPL-3.0-or-later
"""Point-to-point kernels of the Burton-Miller equation, compiled with numba.

Notes
-----
Symbols, for a field point x with normal n_x and a source point y with normal n_y:

======  ==========================================================
r       distance |x - y|
G       exp(ikr) / (4 pi r)
r_y     derivative of r along n_y: (y - x) . n_y / r
r_x     derivative of r along n_x: (x - y) . n_x / r
a, b    r_x r_y and n_x . n_y
K       dG/dn_y                = (ik - 1/r) r_y G
K'      dG/dn_x                = (ik - 1/r) r_x G
H       d2G/(dn_x dn_y)        = [a (3/r^2 - 3ik/r - k^2) + b (1/r^2 - ik/r)] G
======  ==========================================================

With the coupling ie/k (e = 1 in the classical choice) and u = 3a + b, the two combinations that
the equation needs are

    K + (ie/k) H  = G { (e u - r_y)/r + i [k (r_y - e a) + e u/(k r^2)] }
    G + (ie/k) K' = G { 1 - e r_x - i e r_x/(k r) }

(W. L. Meyer, W. A. Bell, B. T. Zinn, M. P. Stallybrass, "Boundary integral solutions of three
dimensional acoustic radiation problems", J. Sound Vib. 59 (1978) 245, gives the same operators;
citation from memory.)

One point stands for a whole element. The phase of the kernel across a flat element of second
moment m (mean square distance from the centroid along one in-plane axis) lowers its mean by
1 - k^2 m (1 - r_y^2)/2; this factor is applied, since r_y is at hand. The static parts are curved
over the element even where kr is small. They are harmonic, so their in-plane Laplacian is minus
the second normal derivative; times m/2 it adds, with s = m / (2 r^2),

    to r_y in K     s r_y (9 - 15 r_y^2)
    to u in H       s [9 b + 45 a - r_y^2 (105 a + 45 b)]
    to 1 in G       s (1 - 3 r_y^2)
    to r_x in K'    s [3 r_x - 6 b r_y - 15 r_x r_y^2]

Without the terms of K and H the error at an irregular frequency does not fall with the mesh, nor
does that at a low frequency.

The loops hold no call into a scalar mathematical library: phases are reduced to a fraction of a
turn, and sine and cosine come from polynomials, so that the compiler can vectorise them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit, prange, types
from numba.extending import overload
from numpy.typing import NDArray

# Rows that share one pair of buffers: memory is asked for once, not once a row.
CHUNK = 16
NO_SIGN = np.int32(0x7FFFFFFF)


def scalars(wavenumber: float, real: type[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """Return k, 1/k, k/(2 pi) and 1 in a precision: numba would widen plain numbers."""
    return np.array([wavenumber, 1 / wavenumber, wavenumber / (2 * np.pi), 1.0], dtype=real)


def parts(
    vectors: NDArray[np.complexfloating[Any, Any]], real: type[np.floating[Any]]
) -> NDArray[np.floating[Any]]:
    """Return complex (n_vectors, m) as (n_vectors, 2, m): real and imaginary parts."""
    return np.ascontiguousarray(np.stack((vectors.real, vectors.imag), axis=1), dtype=real)


def _half_turn(fraction: Any) -> Any:
    """Return (cos, sin) of pi times ``fraction``, for |fraction| <= 1/2."""
    return np.cos(np.pi * fraction), np.sin(np.pi * fraction)


@overload(_half_turn, inline="always")
def _half_turn_compiled(fraction: Any) -> Any:
    """Polynomials fitted at Chebyshev nodes over a quarter turn either side of zero.

    Largest error 7e-9 in the single-precision form (below its rounding), 5e-16 in the double.
    """
    if fraction == types.float32:

        def single(fraction: Any) -> Any:
            u = fraction * np.float32(np.pi)
            t = u * u
            sine = np.float32(2.60516628e-06)
            sine = sine * t + np.float32(-1.98090464e-04)
            sine = sine * t + np.float32(8.33305062e-03)
            sine = sine * t + np.float32(-1.66666580e-01)
            sine = sine * t + np.float32(9.99999996e-01)
            cosine = np.float32(-2.60510764e-07)
            cosine = cosine * t + np.float32(2.47601355e-05)
            cosine = cosine * t + np.float32(-1.38883608e-03)
            cosine = cosine * t + np.float32(4.16666362e-02)
            cosine = cosine * t + np.float32(-4.99999994e-01)
            cosine = cosine * t + np.float32(1.0)
            return cosine, sine * u

        return single

    def double(fraction: Any) -> Any:
        u = fraction * np.pi
        t = u * u
        sine = -7.374167478696858e-13
        sine = sine * t + 1.6048178542735192e-10
        sine = sine * t - 2.5051883438068087e-08
        sine = sine * t + 2.7557316656576e-06
        sine = sine * t - 0.00019841269825498692
        sine = sine * t + 0.008333333333286473
        sine = sine * t - 0.16666666666666152
        sine = sine * t + 1.0
        cosine = 4.479686100009038e-14
        cosine = cosine * t - 1.14496046090789e-11
        cosine = cosine * t + 2.087601015527563e-09
        cosine = cosine * t - 2.7557304630073747e-07
        cosine = cosine * t + 2.4801587142011746e-05
        cosine = cosine * t - 0.0013888888887970815
        cosine = cosine * t + 0.041666666666643565
        cosine = cosine * t - 0.49999999999999856
        cosine = cosine * t + 0.9999999999999999
        return cosine, sine * u

    return double


@njit(inline="always")
def cos_sin_turns(turns, one):
    """Return (cos, sin) of 2 pi times ``turns``, through the double angle."""
    fraction = turns - np.floor(turns + (one / (one + one)))
    cosine, sine = _half_turn(fraction)
    twice = sine + sine
    return one - twice * sine, twice * cosine


@njit(inline="always")
def coupled_double_layer(
    dx, dy, dz, nx, ny, nz, mx, my, mz, weight, moment, coupling, k, inv_k, turns, one
):
    """Return real and imaginary part of K + (ie/k) H for one pair.

    ``d`` is y - x, ``n`` the field normal, ``m`` the source normal; ``weight`` is the area over
    4 pi, ``moment`` is k^2 m / 2 of the source element, ``inv_k`` is 1/k and ``turns`` is
    k / (2 pi). A coincident pair gives zero.
    """
    zero = one - one
    r2 = dx * dx + dy * dy + dz * dz
    apart = r2 > zero
    inv_r = one / np.sqrt(r2 if apart else one)
    r = r2 * inv_r
    r_y = (dx * mx + dy * my + dz * mz) * inv_r
    r_x = -(dx * nx + dy * ny + dz * nz) * inv_r
    a = r_x * r_y
    b = nx * mx + ny * my + nz * mz
    # the static parts of K and H with their in-plane curvature over the element
    three = np.float32(3.0)
    r_y2 = np.float32(15.0) * r_y * r_y
    inv_kr = inv_k * inv_r
    spread = moment * inv_kr * inv_kr
    u = (
        three * a
        + b
        + spread
        * (np.float32(9.0) * (b + np.float32(5.0) * a) - r_y2 * (np.float32(7.0) * a + three * b))
    )
    static_r_y = r_y + spread * r_y * (np.float32(9.0) - r_y2)
    real = (coupling * u - static_r_y) * inv_r
    imaginary = k * (static_r_y - coupling * a) + coupling * u * (inv_r * inv_kr)
    cosine, sine = cos_sin_turns(r * turns, one)
    amplitude = weight * inv_r * (one - moment * (one - r_y * r_y))
    amplitude = amplitude if apart else zero
    return (
        amplitude * (real * cosine - imaginary * sine),
        amplitude * (real * sine + imaginary * cosine),
    )


@njit(inline="always")
def _add_row(
    i,
    points,
    normals,
    signs,
    couplings,
    sources,
    source_normals,
    weights,
    moments,
    scalars,
    re,
    im,
):
    """Add K + (ie/k) H of field point ``i`` against all sources to the row buffers.

    Every mirror image of the sources is taken by mirroring the field point instead: distances
    and derivatives are the same, and the sources stay where they are.
    """
    k, inv_k, turns, one = scalars[0], scalars[1], scalars[2], scalars[3]
    for image in range(signs.shape[0]):
        x = points[0, i] * signs[image, 0]
        y = points[1, i] * signs[image, 1]
        z = points[2, i] * signs[image, 2]
        nx = normals[0, i] * signs[image, 0]
        ny = normals[1, i] * signs[image, 1]
        nz = normals[2, i] * signs[image, 2]
        for j in range(sources.shape[1]):
            real, imaginary = coupled_double_layer(
                sources[0, j] - x,
                sources[1, j] - y,
                sources[2, j] - z,
                nx,
                ny,
                nz,
                source_normals[0, j],
                source_normals[1, j],
                source_normals[2, j],
                weights[j],
                moments[j],
                couplings[i],
                k,
                inv_k,
                turns,
                one,
            )
            re[j] += real
            im[j] += imaginary


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def fill_coupled_double_layer(
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars, out
):
    """Fill ``out`` with K + (ie/k) H, one point an element.

    Parameters
    ----------
    points, normals : (3, n) real array
        Field points in m and their unit normals.
    signs : (n_images, 3) real array
        Mirror images: the sign of each coordinate.
    couplings : (n,) real array
        k times the coupling of each field point, e in the notes above.
    sources, source_normals : (3, m) real array
        Source points in m and their unit normals.
    weights, moments : (m,) real array
        Area / (4 pi) in m^2, and k^2 times half the second moment (no unit).
    scalars : (4,) real array
        k, 1 / k, k / (2 pi) and 1.
    out : (n, 2 m) real array
        Filled in place; the real view of an (n, m) complex matrix.
    """
    rows = points.shape[1]
    for chunk in prange((rows + CHUNK - 1) // CHUNK):
        re = np.zeros_like(weights)
        im = np.zeros_like(weights)
        for i in range(chunk * CHUNK, min(rows, chunk * CHUNK + CHUNK)):
            re[:] = 0
            im[:] = 0
            _add_row(
                i,
                points,
                normals,
                signs,
                couplings,
                sources,
                source_normals,
                weights,
                moments,
                scalars,
                re,
                im,
            )
            for j in range(re.size):
                out[i, 2 * j] = re[j]
                out[i, 2 * j + 1] = im[j]


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def fill_packed(
    points,
    normals,
    signs,
    couplings,
    sources,
    source_normals,
    weights,
    moments,
    scalars,
    start,
    element,
    near,
    packed,
    steps,
):
    """Fill a matrix of 16-bit integers with K + (ie/k) H, one point an element.

    Each row has a step of its own, its largest entry over 32767. The entries of near elements,
    which are much larger than the rest, are moved to ``near``, where they stay exact; what is
    left falls off so slowly that rounding to a step changes the product by some 1e-5.

    Parameters are those of `fill_coupled_double_layer`, and:

    start, element : integer arrays
        Near elements of each field point, as in `near_field.NearPairs`.
    near : (n_pairs,) complex array
        Near corrections; the far value of each near element is added in place.
    packed : (n, 2, m) int16 array
        Filled in place: real and imaginary parts in steps.
    steps : (n,) real array
        Filled in place.
    """
    rows = points.shape[1]
    for chunk in prange((rows + CHUNK - 1) // CHUNK):
        re = np.zeros_like(weights)
        im = np.zeros_like(weights)
        re_bits, im_bits = re.view(np.int32), im.view(np.int32)
        found = np.empty(1, dtype=np.int32)
        for i in range(chunk * CHUNK, min(rows, chunk * CHUNK + CHUNK)):
            re[:] = 0
            im[:] = 0
            _add_row(
                i,
                points,
                normals,
                signs,
                couplings,
                sources,
                source_normals,
                weights,
                moments,
                scalars,
                re,
                im,
            )
            for p in range(start[i], start[i + 1]):
                j = element[p]
                near[p] += complex(re[j], im[j])
                re[j] = scalars[3] - scalars[3]
                im[j] = scalars[3] - scalars[3]
            # The bits of positive numbers, read as integers, are in the order of the numbers; a
            # largest integer is found in vectors, a largest number is not.
            highest = np.int32(0)
            for j in range(re.size):
                highest = max(highest, max(re_bits[j] & NO_SIGN, im_bits[j] & NO_SIGN))
            found[0] = highest
            largest = max(found.view(np.float32)[0], np.float32(1e-30))
            steps[i] = largest / np.float32(32767.0)
            in_steps = np.float32(32767.0) / largest
            for j in range(re.size):
                packed[i, 0, j] = np.int16(np.rint(re[j] * in_steps))
                packed[i, 1, j] = np.int16(np.rint(im[j] * in_steps))


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def apply_packed(packed, steps, vectors, out):
    """Set ``out`` to the packed matrix times ``vectors``.

    Parameters
    ----------
    packed, steps : arrays
        From `fill_packed`.
    vectors : (n_vectors, 2, m) real array
        Real and imaginary parts.
    out : (n_vectors, n) complex array
        Filled in place.
    """
    for i in prange(packed.shape[0]):
        for v in range(vectors.shape[0]):
            re_re = steps[i] * 0
            re_im = steps[i] * 0
            im_re = steps[i] * 0
            im_im = steps[i] * 0
            for j in range(packed.shape[2]):
                a = np.float32(packed[i, 0, j])
                b = np.float32(packed[i, 1, j])
                re_re += a * vectors[v, 0, j]
                re_im += a * vectors[v, 1, j]
                im_re += b * vectors[v, 0, j]
                im_im += b * vectors[v, 1, j]
            out[v, i] = complex(steps[i] * (re_re - im_im), steps[i] * (re_im + im_re))


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def apply_coupled_double_layer(
    points,
    normals,
    signs,
    couplings,
    sources,
    source_normals,
    weights,
    moments,
    scalars,
    vectors,
    out,
):
    """Set ``out`` to (K + (ie/k) H) times ``vectors`` without storing the matrix.

    Parameters are those of `fill_coupled_double_layer`, with ``vectors`` (n_vectors, 2, m) real
    (real and imaginary part) and ``out`` (n_vectors, n) complex.
    """
    rows = points.shape[1]
    for chunk in prange((rows + CHUNK - 1) // CHUNK):
        re = np.zeros_like(weights)
        im = np.zeros_like(weights)
        for i in range(chunk * CHUNK, min(rows, chunk * CHUNK + CHUNK)):
            re[:] = 0
            im[:] = 0
            _add_row(
                i,
                points,
                normals,
                signs,
                couplings,
                sources,
                source_normals,
                weights,
                moments,
                scalars,
                re,
                im,
            )
            for v in range(vectors.shape[0]):
                real = scalars[3] - scalars[3]
                imaginary = scalars[3] - scalars[3]
                for j in range(re.size):
                    real += re[j] * vectors[v, 0, j] - im[j] * vectors[v, 1, j]
                    imaginary += re[j] * vectors[v, 1, j] + im[j] * vectors[v, 0, j]
                out[v, i] = complex(real, imaginary)


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def add_coupled_single_layer(
    points,
    normals,
    signs,
    couplings,
    sources,
    source_normals,
    weights,
    moments,
    scalars,
    vectors,
    out,
):
    """Add (G + (ie/k) K') times ``vectors`` to ``out``, one point an element.

    Parameters are those of `apply_coupled_double_layer`; a coincident pair gives zero.
    """
    inv_k, turns, one = scalars[1], scalars[2], scalars[3]
    zero = one - one
    rows = points.shape[1]
    for chunk in prange((rows + CHUNK - 1) // CHUNK):
        re = np.zeros_like(weights)
        im = np.zeros_like(weights)
        for i in range(chunk * CHUNK, min(rows, chunk * CHUNK + CHUNK)):
            re[:] = 0
            im[:] = 0
            e = couplings[i]
            for image in range(signs.shape[0]):
                x = points[0, i] * signs[image, 0]
                y = points[1, i] * signs[image, 1]
                z = points[2, i] * signs[image, 2]
                nx = normals[0, i] * signs[image, 0]
                ny = normals[1, i] * signs[image, 1]
                nz = normals[2, i] * signs[image, 2]
                for j in range(weights.size):
                    dx, dy, dz = sources[0, j] - x, sources[1, j] - y, sources[2, j] - z
                    r2 = dx * dx + dy * dy + dz * dz
                    apart = r2 > zero
                    inv_r = one / np.sqrt(r2 if apart else one)
                    r_x = -(dx * nx + dy * ny + dz * nz) * inv_r
                    r_y = (
                        dx * source_normals[0, j]
                        + dy * source_normals[1, j]
                        + dz * source_normals[2, j]
                    ) * inv_r
                    b = (
                        nx * source_normals[0, j]
                        + ny * source_normals[1, j]
                        + nz * source_normals[2, j]
                    )
                    spread = moments[j] * (inv_r * inv_k) * (inv_r * inv_k)
                    r_y2 = np.float32(3.0) * r_y * r_y
                    static_r_x = r_x + spread * (
                        r_x * (np.float32(3.0) - np.float32(5.0) * r_y2)
                        - np.float32(6.0) * b * r_y
                    )
                    cosine, sine = cos_sin_turns(r2 * inv_r * turns, one)
                    amplitude = weights[j] * inv_r * (one - moments[j] * (one - r_y * r_y))
                    amplitude = amplitude if apart else zero
                    real = one + spread * (one - r_y2) - e * static_r_x
                    imaginary = -e * static_r_x * inv_r * inv_k
                    re[j] += amplitude * (real * cosine - imaginary * sine)
                    im[j] += amplitude * (real * sine + imaginary * cosine)
            for v in range(vectors.shape[0]):
                real = zero
                imaginary = zero
                for j in range(re.size):
                    real += re[j] * vectors[v, 0, j] - im[j] * vectors[v, 1, j]
                    imaginary += re[j] * vectors[v, 1, j] + im[j] * vectors[v, 0, j]
                out[v, i] += complex(real, imaginary)


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def add_far_field(
    directions, signs, sources, source_normals, weights, moments, scalars, pressure, gradient, out
):
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
    for d in prange(directions.shape[1]):
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


@njit(parallel=True, fastmath=True, cache=True, error_model="numpy")
def add_far_field_together(
    directions, signs, sources, source_normals, weights, moments, scalars, pressure, gradient, out
):
    """Do what `add_far_field` does for several vectors, with each phase computed only once."""
    turns, one = scalars[2], scalars[3]
    zero = one - one
    for d in prange(directions.shape[1]):
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
