# SPDX-License-Identifier: GPL-3.0-or-later
"""Analytic reference functions for acoustic radiation (numpy and scipy only).

Outside authorities for the tests; README.md beside this file gives the source of each
section. `test_analytic.py` checks the functions against each other and against tables.

Time convention everywhere: exp(-i*omega*t); outgoing wave exp(+i*k*r)/r,
spherical Hankel function of the first kind.  For codes that use
exp(+j*omega*t) compare with the complex conjugate (moduli are the same).
Angles in radians unless a name ends in _deg.  Levels: 20*log10|p|.
"""

from __future__ import annotations

import numpy as np
from scipy import integrate, optimize, special

RHO_20C = 1.2041  # kg/m^3, dry air, 20 C, 101.325 kPa (ideal gas, see air_density)
C_20C = 343.2  # m/s, ISO 9613-1 reference value at 20 C


# ----------------------------------------------------------------- basics
def sph_h(n, x):
    """Spherical Hankel function h_n^(1)(x)."""
    return special.spherical_jn(n, x) + 1j * special.spherical_yn(n, x)


def sph_hp(n, x):
    """Derivative h_n^(1)'(x)."""
    return special.spherical_jn(n, x, True) + 1j * special.spherical_yn(n, x, True)


def legendre_table(nmax, x):
    """P_n(x) for n=0..nmax, shape (nmax+1, len(x)) (three-term recurrence)."""
    x = np.atleast_1d(np.asarray(x, float))
    p = np.ones((nmax + 1, x.size))
    if nmax:
        p[1] = x
    for n in range(1, nmax):
        p[n + 1] = ((2 * n + 1) * x * p[n] - n * p[n - 1]) / (n + 1)
    return p


def n_terms(ka):
    """Number of partial waves that makes far-field sphere series exact to ~1e-12."""
    return int(np.ceil(ka + 9.0 * ka ** (1 / 3) + 14))


def db(x):
    return 20 * np.log10(np.maximum(np.abs(x), 1e-300))


# --------------------------------------------------------- 1. the sphere
def sphere_modal_impedance(n, ka):
    """Specific modal radiation impedance z_n/(rho c) = p/v_r on the surface."""
    return 1j * sph_h(n, ka) / sph_hp(n, ka)


def pulsating_sphere(k, a, r, v=1.0, rho_c=1.0):
    """Pressure of a sphere with uniform radial velocity v (closed form)."""
    return rho_c * v * (a / r) * (-1j * k * a) / (1 - 1j * k * a) * np.exp(1j * k * (r - a))


def oscillating_sphere(k, a, r, theta, v=1.0, rho_c=1.0):
    """Rigid sphere oscillating along the axis, radial velocity v*cos(theta)."""
    return 1j * rho_c * v * sph_h(1, k * r) / sph_hp(1, k * a) * np.cos(theta)


def cap_coefficients(nmax, alpha, kind="radial"):
    """Legendre coefficients u_n of the velocity of a spherical cap theta<alpha.

    kind='radial': v_r = 1 on the cap;  kind='axial': v_r = cos(theta) on the cap
    (a rigid cap vibrating along the axis).  v_r = 0 elsewhere.
    """
    c = np.cos(alpha)
    p = legendre_table(nmax + 2, [c])[:, 0]
    integral = np.empty(nmax + 2)  # int_c^1 P_m dx
    integral[0] = 1 - c
    m = np.arange(1, nmax + 2)
    integral[1:] = (p[m - 1] - p[m + 1]) / (2 * m + 1)
    n = np.arange(nmax + 1)
    if kind == "radial":
        return (2 * n + 1) / 2 * integral[: nmax + 1]
    if kind == "axial":
        lower = np.concatenate([[0.0], integral[:nmax]])
        return 0.5 * ((n + 1) * integral[1 : nmax + 2] + n * lower)
    raise ValueError(kind)


def point_coefficients(nmax):
    """Point source on the sphere: v_r = delta(cos(theta) - 1), u_n = (2n+1)/2."""
    return (2 * np.arange(nmax + 1) + 1) / 2


def sphere_farfield(ka, theta, u_n):
    """f(theta) with p -> rho c v exp(ikr)/(kr) f(theta), axisymmetric velocity u_n."""
    n = np.arange(len(u_n))
    w = u_n * (-1j) ** n / sph_hp(n, ka)
    return w @ legendre_table(len(u_n) - 1, np.cos(np.atleast_1d(theta)))


def sphere_directivity_factor(ka, u_n, theta=0.0):
    """Q(theta) = |f(theta)|^2 / mean over the sphere of |f|^2 (exact series)."""
    n = np.arange(len(u_n))
    mean = np.sum(np.abs(u_n / sph_hp(n, ka)) ** 2 / (2 * n + 1))
    return np.abs(sphere_farfield(ka, theta, u_n)) ** 2 / mean


def cap_on_sphere(ka, alpha, theta, kind="radial"):
    """Far-field f(theta) of a cap piston of half angle alpha on a rigid sphere."""
    return sphere_farfield(ka, theta, cap_coefficients(n_terms(ka), alpha, kind))


def cap_on_sphere_di(ka, alpha, kind="radial"):
    return float(
        10 * np.log10(sphere_directivity_factor(ka, cap_coefficients(n_terms(ka), alpha, kind))[0])
    )


def point_on_sphere_gain(ka, theta):
    """p / p_free(same volume velocity) in the far field, source on a rigid sphere.

    Equal, by reciprocity, to the surface pressure for plane-wave incidence.
    """
    nmax = n_terms(ka)
    n = np.arange(nmax + 1)
    w = (2 * n + 1) * (-1j) ** n / (sph_hp(n, ka) * (-1j) * ka**2)
    return w @ legendre_table(nmax, np.cos(np.atleast_1d(theta)))


def point_source_rigid_sphere(k, a, r_src, r_rec, gamma, nmax=None):
    """Total field / free field of a monopole at radius r_src>a outside a rigid sphere.

    G = ik/(4 pi) sum (2n+1) P_n(cos gamma) h_n(k r>) [j_n(k r<) - j_n'(ka)/h_n'(ka) h_n(k r<)].
    The scattered part is summed and added to the closed-form direct field.
    """
    gamma = np.atleast_1d(gamma)
    nmax = nmax or int(np.ceil(n_terms(k * a) + 8))
    n = np.arange(nmax + 1)
    jp, hp = special.spherical_jn(n, k * a, True), sph_hp(n, k * a)
    t = -(2 * n + 1) * jp / hp * sph_h(n, k * r_src) * sph_h(n, k * r_rec)
    t = np.where(np.isfinite(t), t, 0)
    scat = 1j * k / (4 * np.pi) * (t @ legendre_table(nmax, np.cos(gamma)))
    d = np.sqrt(r_src**2 + r_rec**2 - 2 * r_src * r_rec * np.cos(gamma))
    free = np.exp(1j * k * d) / (4 * np.pi * d)
    return (free + scat) / free


def rigid_sphere_scattering(ka):
    """Plane wave on a rigid sphere: (sigma/(pi a^2), |f_back|/a, f_forward/a)."""
    n = np.arange(n_terms(ka) + 1)
    r = special.spherical_jn(n, ka, True) / sph_hp(n, ka)
    sigma = 4 / ka**2 * np.sum((2 * n + 1) * np.abs(r) ** 2)
    back = 1j / ka * np.sum((2 * n + 1) * (-1.0) ** n * r)
    fwd = 1j / ka * np.sum((2 * n + 1) * r)
    return float(sigma), complex(back), complex(fwd)


def hemisphere_in_baffle(ka, theta, kind="radial"):
    """Hemispherical dome (height = radius a) in an infinite rigid baffle, exact.

    radial: v_r=1  -> image makes a pulsating sphere (omnidirectional);
    axial:  v_r=cos(theta) -> image velocity |cos(theta)|, even-n Legendre series.
    Returns f(theta) with p -> rho c v exp(ikr)/(kr) f.
    """
    nmax = n_terms(ka) + 4
    u = np.zeros(nmax + 1)
    if kind == "radial":
        u[0] = 1.0
    else:
        full = cap_coefficients(nmax, np.pi / 2, "axial")
        u[::2] = 2 * full[::2]
    return sphere_farfield(ka, theta, u)


def irregular_frequencies_sphere(n, count):
    """First `count` zeros of j_n(x) (interior Dirichlet eigenvalues ka)."""
    x = np.linspace(1e-3, 60, 60001)
    y = special.spherical_jn(n, x)
    i = np.nonzero(np.sign(y[1:]) * np.sign(y[:-1]) < 0)[0]
    return np.array(
        [optimize.brentq(lambda t: special.spherical_jn(n, t), x[j], x[j + 1]) for j in i[:count]]
    )


def interior_neumann_frequencies_sphere(n, count):
    """First `count` positive zeros of j_n'(x) (interior Neumann eigenvalues ka)."""
    x = np.linspace(1e-2, 60, 60001)
    y = special.spherical_jn(n, x, True)
    i = np.nonzero(np.sign(y[1:]) * np.sign(y[:-1]) < 0)[0]
    return np.array(
        [
            optimize.brentq(lambda t: special.spherical_jn(n, t, True), x[j], x[j + 1])
            for j in i[:count]
        ]
    )


# ------------------------------------------------- 2. pistons and arrays
def piston_directivity(x):
    """2 J1(x)/x, x = ka sin(theta)."""
    x = np.asarray(x, float)
    xs = np.where(np.abs(x) < 1e-8, 1.0, x)
    return np.where(np.abs(x) < 1e-8, 1.0, 2 * special.j1(xs) / xs)


def piston_impedance(ka):
    """(R1, X1): R1 = 1 - J1(2ka)/ka, X1 = H1(2ka)/ka, in units of rho c S."""
    ka = np.asarray(ka, float)
    return 1 - special.j1(2 * ka) / ka, special.struve(1, 2 * ka) / ka


def piston_di(ka):
    """DI (dB) re a 4*pi point source of equal power: 10 lg[(ka)^2/R1]. -> 3.01 at low ka."""
    return 10 * np.log10(np.asarray(ka, float) ** 2 / piston_impedance(ka)[0])


def piston_axis_pressure(k, a, z):
    """|p|/(rho c v) on the axis of a piston in an infinite baffle (exact, all z>=0)."""
    return 2 * np.abs(np.sin(0.5 * k * (np.sqrt(z**2 + a**2) - z)))


def piston_minus_db_angle(ka, level_db=-6.0):
    """Half angle (rad) where the piston is `level_db` down; nan if never."""
    target = 10 ** (level_db / 20)
    x = optimize.brentq(lambda t: piston_directivity(t) - target, 1e-6, 3.8317)
    return float(np.arcsin(x / ka)) if x <= ka else float("nan")


def rect_piston_directivity(k, lx, ly, theta, phi):
    """sinc*sinc; lx, ly are FULL side lengths; sinc(u)=sin(u)/u."""
    sx = k * lx / 2 * np.sin(theta) * np.cos(phi)
    sy = k * ly / 2 * np.sin(theta) * np.sin(phi)
    return np.sinc(sx / np.pi) * np.sinc(sy / np.pi)


def ring_directivity(x):
    """Thin ring source in an infinite baffle: J0(ka sin theta)."""
    return special.j0(x)


def two_source_directivity(k, d, theta):
    """|cos(kd/2 sin theta)|: two equal in-phase monopoles spaced d."""
    return np.abs(np.cos(0.5 * k * d * np.sin(theta)))


def two_source_power_gain(kd):
    """W / (2 W_single) for two equal in-phase monopoles: 1 + sin(kd)/kd."""
    return 1 + np.sinc(np.asarray(kd, float) / np.pi)


def dipole_power_gain(kd):
    return 1 - np.sinc(np.asarray(kd, float) / np.pi)


# -------------------------------------------------- 3. pipe end, free disk
def levine_schwinger(ka):
    """(|R|, l/a) for the unflanged thin-walled circular pipe, 0<ka<3.83."""

    def f_r(phi):
        x = ka * np.sin(phi)
        if x < 1e-10:
            return 0.0
        ang = np.arctan2(special.j1(x), -special.y1(x))  # continuous on 0<x<3.83
        return ang / x

    def f_l1(phi):
        x = ka * np.sin(phi)
        if x < 1e-3:  # small-argument series
            if x == 0:
                return 0.0
            return x * (-0.125 - 0.5 * np.log(x / 2) + 0.25 * (1 - 2 * np.euler_gamma))
        return np.log(np.pi * special.j1(x) * np.hypot(special.j1(x), special.y1(x))) / x

    i_r = integrate.quad(f_r, 0, np.pi / 2, epsabs=1e-12, limit=200)[0]
    i_1 = integrate.quad(f_l1, 0, np.pi / 2, epsabs=1e-12, limit=200)[0] if ka > 0 else 0.0

    def f_l2(x):
        return -np.log(2 * special.ive(1, x) * special.kve(1, x)) / (x * np.hypot(x, ka))

    i_2 = (
        integrate.quad(f_l2, 0, 1, epsabs=1e-12, limit=400)[0]
        + integrate.quad(f_l2, 1, np.inf, epsabs=1e-12, limit=400)[0]
    )
    return float(np.exp(-2 * ka / np.pi * i_r)), float((i_1 + i_2) / np.pi)


def flanged_pipe_end_correction(n_modes=40, kmax=4000.0):
    """Static end correction l/a of a circular pipe with an infinite flange (mode matching).

    n_modes=1 is the rigid-piston value 8/(3 pi)=0.8488; converges ~N^(-4/3) to 0.8217.
    """
    lam = np.concatenate([[0.0], special.jn_zeros(1, n_modes - 1)]) if n_modes > 1 else np.zeros(1)
    j0l = special.j0(lam)
    x, w = np.polynomial.legendre.leggauss(12)
    edges = np.linspace(0, kmax, int(kmax / 3) + 1)
    half = np.diff(edges) / 2
    kap = ((edges[:-1] + half)[:, None] + half[:, None] * x).ravel()
    wgt = (half[:, None] * w).ravel()
    g = kap * special.j1(kap) * j0l[:, None] / (kap**2 - lam[:, None] ** 2)
    mat = (g * wgt) @ g.T + np.outer(j0l, j0l) / (2 * np.pi * kmax**2)
    norm = j0l**2 / 2
    if n_modes == 1:
        return float(mat[0, 0] / norm[0])
    i = np.arange(1, n_modes)
    mat[i, i] += norm[1:] / lam[1:]
    return float((mat[0, 0] + mat[0, 1:] @ np.linalg.solve(mat[1:, 1:], -mat[1:, 0])) / norm[0])


class DiskInFreeSpace:
    """Thin rigid disk of radius b=1 in free space; exact spectral (Galerkin) solution.

    Antisymmetric problem: v_z = 1 for s<a_ratio and 0 for a_ratio<s<1 on BOTH faces.
    Pressure jump = sum a_m psi_m(s), psi_m = (-1)^m P_{2m+1}(sqrt(1-s^2))/((2m+1)P_{2m}(0)),
    whose Hankel transform is j_{2m+1}(kappa)/kappa.  Units: rho c = 1, v = 1.
    """

    def __init__(self, kb, a_ratio=1.0, n_basis=None, kappa_max=None):
        self.k, self.a = float(kb), float(a_ratio)
        n_b = n_basis or int(np.ceil(kb / 2 + 14 + (0 if a_ratio == 1 else 10)))
        self.order = 2 * np.arange(n_b) + 1
        k = self.k
        kmax = kappa_max or (k + 6 * n_b + 400.0)
        # kappa<k: kappa = k sin u ; kappa>k: kappa = sqrt(k^2+g^2), g=gamma
        nu = int(200 + 12 * k)
        xu, wu = np.polynomial.legendre.leggauss(nu)
        u = (xu + 1) * np.pi / 4
        s_mat = np.diag(np.pi / (2 * (2 * self.order + 1.0))).astype(complex)
        kap = k * np.sin(u)
        g = -1j * k * np.cos(u)
        w = wu * np.pi / 4 * k * np.cos(u)
        j = special.spherical_jn(self.order[:, None], kap[None, :])
        s_mat += (j * (w * (g - kap) / kap)) @ j.T
        gmax = np.sqrt(kmax**2 - k**2)
        panels = int(np.ceil(gmax / 6))
        edges = np.linspace(0, gmax, panels + 1)
        xg, wg = np.polynomial.legendre.leggauss(16)
        half = np.diff(edges) / 2
        gam = (edges[:-1] + half)[:, None] + half[:, None] * xg
        wgt = (half[:, None] * wg).ravel()
        gam = gam.ravel()
        kap = np.hypot(k, gam)
        wgt = wgt * gam / kap  # d kappa = gamma/kappa d gamma
        j = special.spherical_jn(self.order[:, None], kap[None, :])
        s_mat += (j * (wgt * (gam - kap) / kap)) @ j.T
        p0 = legendre_table(self.order[-1] + 3, [0.0])[:, 0]
        m = np.arange(n_b)
        self.norm = (-1.0) ** m / (p0[2 * m] * (2 * m + 1))
        ta = np.sqrt(1 - self.a**2)
        pt = legendre_table(self.order[-1] + 3, [ta])[:, 0]
        q = np.empty(self.order[-1] + 2)
        q[0] = 1 - ta
        mm = np.arange(1, len(q))
        q[1:] = (pt[mm - 1] - pt[mm + 1]) / (2 * mm + 1)  # int_ta^1 P_m dt
        n = self.order
        int_tp = ((n + 1) * q[n + 1] + n * q[n - 1]) / (2 * n + 1)
        self.vm = self.norm * int_tp
        a_mat = s_mat * (-1 / (2j * k))
        self.coef = np.linalg.solve(a_mat, self.vm.astype(complex))

    def jump_transform(self, kappa):
        kappa = np.maximum(np.atleast_1d(np.asarray(kappa, float)), 1e-9)
        return self.coef @ (special.spherical_jn(self.order[:, None], kappa[None, :]) / kappa)

    def farfield_anti(self, theta):
        """p*r*exp(-ikr)/b (rho c v = 1), antisymmetric problem."""
        theta = np.atleast_1d(theta)
        return -0.5j * self.k * np.cos(theta) * self.jump_transform(self.k * np.sin(theta))

    def farfield_sym(self, theta):
        """Both faces moving outward = piston in an infinite baffle (exact)."""
        x = self.k * self.a * np.sin(np.atleast_1d(theta))
        return -0.5j * self.k * self.a**2 * piston_directivity(x) + 0 * x

    def farfield_front_only(self, theta):
        """Piston radius a in the front face of a thin rigid disk of radius b (back face rigid)."""
        return 0.5 * (self.farfield_sym(theta) + self.farfield_anti(theta))

    def force_on_piston(self):
        """Total (both faces) force / (rho c pi a^2) for a_ratio=1: radiation impedance R - iX."""
        return 2 * np.sum(self.coef * self.vm) / self.a**2


def mean_square(func, n=400):
    """Mean over the full sphere of |func(theta)|^2 for axisymmetric func."""
    x, w = np.polynomial.legendre.leggauss(n)
    return float(np.sum(w * np.abs(func(np.arccos(x))) ** 2) / 2)


def free_disk_di(ka):
    d = DiskInFreeSpace(ka)
    return float(
        10 * np.log10(np.abs(d.farfield_anti(0.0)[0]) ** 2 / mean_square(d.farfield_anti))
    )


# -------------------------------------------------- 4. edges
def edge_source_gain(open_angle):
    """Source ON the edge of an infinite rigid wedge: p/p_free, exact at every k."""
    return 2 * np.pi / open_angle


# -------------------------------------------------- 5. CTA-2034-A averages
def cta2034_weight(angle_deg):
    """Area weight of one of the 70 measurement angles (closed form of the Appendix-C numbers)."""
    t = abs(((angle_deg + 180) % 360) - 180)
    t = min(t, 180 - t)

    def f(degrees):
        return np.arcsin(np.sin(np.radians(degrees)) ** 2)

    if t == 0:
        return float(f(5) / (4 * np.pi))
    if t == 90:
        return float(2 * (np.pi / 2 - f(85)) / (4 * np.pi))
    return float((f(t + 5) - f(t - 5)) / (4 * np.pi))


CTA2034_ANGLES = {
    "listening_window": {"H": [0, 10, -10, 20, -20, 30, -30], "V": [10, -10]},
    "floor": {"H": [], "V": [-20, -30, -40]},
    "ceiling": {"H": [], "V": [40, 50, 60]},
    "front_wall": {"H": [0, 10, -10, 20, -20, 30, -30], "V": []},
    "side_wall": {"H": [s * a for a in (40, 50, 60, 70, 80) for s in (1, -1)], "V": []},
    "rear_wall": {"H": [s * a for a in range(90, 180, 10) for s in (1, -1)] + [180], "V": []},
}


def cta2034_curves(p2_h, p2_v):
    """Curves (dB) from callables giving |p|^2 at angle_deg in horizontal / vertical plane."""

    def avg(key):
        s = CTA2034_ANGLES[key]
        return np.mean([p2_h(a) for a in s["H"]] + [p2_v(a) for a in s["V"]])

    out = {key: avg(key) for key in CTA2034_ANGLES}
    out["early_reflections"] = np.mean(
        [out[x] for x in ("floor", "ceiling", "front_wall", "side_wall", "rear_wall")]
    )
    angles = list(range(-170, 181, 10))
    num = den = 0.0
    for a in angles:
        w = cta2034_weight(a)
        num += w * p2_h(a)
        den += w
        if a not in (0, 180):
            num += w * p2_v(a)
            den += w
    out["sound_power"] = num / den
    out = {k: float(10 * np.log10(v)) for k, v in out.items()}
    out["sound_power_di"] = out["listening_window"] - out["sound_power"]
    out["early_reflections_di"] = out["listening_window"] - out["early_reflections"]
    out["predicted_in_room"] = float(
        10
        * np.log10(
            0.12 * 10 ** (out["listening_window"] / 10)
            + 0.44 * 10 ** (out["early_reflections"] / 10)
            + 0.44 * 10 ** (out["sound_power"] / 10)
        )
    )
    return out


# -------------------------------------------------- 6. air
def iso9613_1_absorption(f, temp_c=20.0, rh=50.0, p_kpa=101.325):
    """Pure-tone atmospheric absorption, dB/m (ISO 9613-1:1993 eqs 3-5, annex B)."""
    f = np.asarray(f, float)
    t, t0, t01, pr = temp_c + 273.15, 293.15, 273.16, 101.325
    psat = pr * 10 ** (-6.8346 * (t01 / t) ** 1.261 + 4.6151)
    h = rh * (psat / pr) / (p_kpa / pr)
    pa = p_kpa / pr
    oxygen = pa * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = pa * (t / t0) ** -0.5 * (9 + 280 * h * np.exp(-4.170 * ((t / t0) ** (-1 / 3) - 1)))
    return (
        8.686
        * f**2
        * (
            1.84e-11 / pa * np.sqrt(t / t0)
            + (t / t0) ** -2.5
            * (
                0.01275 * np.exp(-2239.1 / t) / (oxygen + f**2 / oxygen)
                + 0.1068 * np.exp(-3352.0 / t) / (nitrogen + f**2 / nitrogen)
            )
        )
    )


def speed_of_sound_iso9613(temp_c):
    """343.2*sqrt(T/293.15) m/s (ISO 9613-1)."""
    return 343.2 * np.sqrt((np.asarray(temp_c, float) + 273.15) / 293.15)


def speed_of_sound_dry_ideal(temp_c, gamma=1.4, r_air=287.05):
    """sqrt(gamma R T), dry ideal air."""
    return np.sqrt(gamma * r_air * (np.asarray(temp_c, float) + 273.15))


def air_density(temp_c, p_pa=101325.0, rh=0.0):
    """Ideal-gas moist air density, kg/m^3 (vapour pressure from the ISO 9613-1 formula)."""
    t = temp_c + 273.15
    pv = rh / 100 * 101325.0 * 10 ** (-6.8346 * (273.16 / t) ** 1.261 + 4.6151)
    return (p_pa - pv) / (287.05 * t) + pv / (461.5 * t)


# -------------------------------------------------- 7. room images
def floor_ceiling_reflections(dist, h_src, h_ear, h_room, c=343.2):
    """Direct, floor and ceiling first-order images: delay (ms), level re direct (dB, 1/r only),
    departure elevation angle from the source (deg, + up), path (m)."""
    direct = np.hypot(dist, h_ear - h_src)
    out = {"direct": (0.0, 0.0, float(np.degrees(np.arctan2(h_ear - h_src, dist))), float(direct))}
    for name, dz in (("floor", -(h_src + h_ear)), ("ceiling", 2 * h_room - h_src - h_ear)):
        r = np.hypot(dist, dz)
        out[name] = (
            float((r - direct) / c * 1e3),
            float(20 * np.log10(direct / r)),
            float(np.degrees(np.arctan2(dz, dist))),
            float(r),
        )
    return out
