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

The loops hold no call into a scalar mathematical library, so that the compiler can vectorise them:
see `bafflelens.bem.phases`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.threads import on_threads
from bafflelens.bem.phases import cos_sin_turns

# Rows that share one pair of buffers: memory is asked for once, not once a row.
CHUNK = 16
# Shares of the rows of a transposed product, always as many: sums are added in one order.
RUNS = 8
NO_SIGN = np.int32(0x7FFFFFFF)


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


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def fill_coupled_double_layer(
    thread, threads, points, normals, signs, couplings, sources, source_normals, weights, moments,
    scalars, out,
):  # fmt: skip
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
    for chunk in range(thread, (rows + CHUNK - 1) // CHUNK, threads):
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


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def fill_packed(
    thread,
    threads,
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
    for chunk in range(thread, (rows + CHUNK - 1) // CHUNK, threads):
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


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def apply_packed(thread, threads, packed, steps, vectors, out):
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
    for i in range(thread, packed.shape[0], threads):
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


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def add_packed_transposed(thread, threads, packed, steps, vectors, sums):
    """Add the transpose of the packed matrix times ``vectors`` to ``sums``, by share of the rows.

    Parameters are those of `apply_packed`, with ``sums`` (RUNS, n_vectors, 2, m) real.
    """
    rows = packed.shape[0]
    share = (rows + RUNS - 1) // RUNS
    for run in range(thread, RUNS, threads):
        for i in range(run * share, min(rows, (run + 1) * share)):
            for v in range(vectors.shape[0]):
                x, y = steps[i] * vectors[v, 0, i], steps[i] * vectors[v, 1, i]
                for j in range(packed.shape[2]):
                    a = np.float32(packed[i, 0, j])
                    b = np.float32(packed[i, 1, j])
                    sums[run, v, 0, j] += a * x - b * y
                    sums[run, v, 1, j] += a * y + b * x


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def apply_coupled_double_layer(
    thread,
    threads,
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
    for chunk in range(thread, (rows + CHUNK - 1) // CHUNK, threads):
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


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def add_coupled_single_layer(
    thread,
    threads,
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
    for chunk in range(thread, (rows + CHUNK - 1) // CHUNK, threads):
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
