# SPDX-License-Identifier: GPL-3.0-or-later
"""One band of frequencies on one mesh: the unit of work that a worker process does."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import SolveError
from bafflelens.base.medium import Air
from bafflelens.base.status import Status
from bafflelens.bem.band_solvers import (
    Solver,
    card_solver,
    direct_solver,
    or_else,
    without_guesses,
)
from bafflelens.bem.earlier_answers import (
    EarlierAnswers,
    Envelopes,
    envelope,
    guesses,
    ways_from_sources,
)
from bafflelens.bem.kept_systems import KeptSystems
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.problem import HelmholtzSolution
from bafflelens.bem.radiation import without_mirrored
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.mesh.absorbers import Absorber
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion

# A result whose power balance is worse than this is a failed frequency.
LARGEST_IMBALANCE = 0.05
# How fine the directions are that the power is summed over, against what resolves the body.
_BALANCE_SHARE = 0.5
# Solutions of this many frequencies before make the first guess.
GUESSES = 6
# Beside answers of earlier shapes at the frequency itself, so many are worth their product.
GUESSES_BESIDES = 2


@dataclass(frozen=True, kw_only=True)
class FrequencyOutcome:
    """What became of one frequency.

    Attributes
    ----------
    frequency_hz : float
        Frequency in Hz.
    status : str
        ``solved`` or ``failed``.
    reason : str
        Why it failed, or a remark (for instance that the direct solve had to step in).
    iterations : int
        Iterations of the linear solver, 0 for a direct solve.
    residual : float
        Relative residual of the linear system.
    seconds : float
        Wall time in s.
    unknowns : int
        Size of the linear system.
    power_balance : float
        Power through the surface over power in the far field; 1 is perfect.
    is_fallback : bool
        Whether another engine than the one that was asked for had to solve it.
    earlier_shapes : int
        How many shapes before had answers on the same mesh for the first guess.
    start_residual : float
        Relative residual of the first guess, before any iteration; 1 where there was none.
    """

    frequency_hz: float
    status: str
    reason: str
    iterations: int
    residual: float
    seconds: float
    unknowns: int
    power_balance: float
    is_fallback: bool = False
    earlier_shapes: int = 0
    start_residual: float = 1.0


@dataclass(frozen=True, kw_only=True)
class BandResult:
    """Far field and power over one band, for 1 m/s^2 acceleration of each source.

    Attributes
    ----------
    frequencies_hz : (n_frequencies,) array
        Frequencies in Hz.
    far_field : (n_sources, n_frequencies, n_directions) complex array
        Pa.m for 1 m/s^2: p = value exp(ikr)/r. NaN where the frequency failed.
    cross_power : (n_frequencies, n_sources, n_sources) complex array
        Hermitian power matrix in W per (m/s^2)^2; its diagonal is the radiated power.
    outcomes : tuple of FrequencyOutcome
        One a frequency.
    microphone_pressure : (n_sources, n_frequencies, n_microphones) complex array
        Pressure at microphones on the reference axis, in Pa for 1 m/s^2; often there are none.
    load : (n_frequencies, n_sources, n_sources) complex array
        Radiation impedance of the sources in N s/m, own and mutual (`force_matrix` for 1 m/s);
        empty where nobody computed it.
    surface : SurfacePressure or None
        What is on the surface at those frequencies that were solved, if it is to be kept.
    answers : EarlierAnswers or None
        The same as a first guess for shapes to come, if these were asked for.
    """

    frequencies_hz: FloatArray
    far_field: ComplexArray
    cross_power: ComplexArray
    outcomes: tuple[FrequencyOutcome, ...]
    microphone_pressure: ComplexArray = field(
        default_factory=lambda: np.zeros((0, 0, 0), dtype=complex)
    )
    load: ComplexArray = field(default_factory=lambda: np.zeros((0, 0, 0), dtype=complex))
    surface: SurfacePressure | None = None
    answers: EarlierAnswers | None = None


def solve_band(
    mesh: Mesh,
    motions: Sequence[SourceMotion],
    band: Band,
    *,
    air: Air,
    directions: FloatArray,
    absorbers: Mapping[str, Absorber] | None = None,
    symmetry: tuple[str, ...] = (),
    engine: str = "direct",
    quality: str = "standard",
    without_card: str = "stop",
    microphones_m: Sequence[float] = (),
    keep_surface: bool = False,
    keep_profiles: bool = False,
    earlier: EarlierAnswers | None = None,
    is_look: bool = False,
    kept: KeptSystems | None = None,
) -> BandResult:
    """Solve every frequency of a band; a frequency that fails is a record, not an exception.

    Parameters
    ----------
    mesh : Mesh
        Made for the band's mesh frequency.
    motions : sequence of SourceMotion
        The sources of the shape, then profiles of theirs: these follow, and the sources' results
        are what they are without them.
    band : Band
        The frequencies.
    air : Air
        The medium.
    directions : (n_directions, 3) array
        Unit vectors at which the far field is wanted.
    absorbers : mapping of str to Absorber, optional
        What covers surfaces, by name; the others are rigid.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes of mesh and sources.
    engine : str
        ``direct``, ``gpu`` or ``bempp``.
    quality : str
        Quality level, which sets the tolerance of the linear solver.
    without_card : {"stop", "direct"}
        What engine ``gpu`` does where the card cannot be used: fail, or go on with ``direct``.
    microphones_m : sequence of float
        Distances of microphones on the reference axis from the reference point, in m.
    keep_surface : bool
        Whether the pressure on the surface is returned, too.
    keep_profiles : bool
        Whether that of the profiles is, besides that of the sources.
    earlier : EarlierAnswers, optional
        What shapes before left on this mesh, perhaps nothing yet: with it this shape's own
        answers are returned, too, but where it holds nothing new: a combination of the others.
        How exact a result is does not depend on it.
    is_look : bool
        Whether it is a quick look, as `band_solvers.direct_solver` takes it.
    kept : KeptSystems, optional
        Where engine ``direct`` keeps the systems of this mesh for other right-hand sides.

    Returns
    -------
    BandResult
        Far field and power of every source at every frequency, and what became of each.

    Raises
    ------
    InputError
        If the earlier answers are of another mesh, source, air, or the like.
    """
    leading = sum(motion.profile is None for motion in motions)
    profiles = motions[leading:]
    body = MovingBody(
        air=air, symmetry=symmetry, motions=tuple(motions), absorbers=absorbers or {}
    )
    leaders = replace(body, motions=tuple(motions[:leading]))
    if earlier is not None:
        earlier.require_fit(mesh, leaders)
    direct = partial(
        direct_solver, mesh, symmetry, quality, profiles, earlier, kept, is_look=is_look
    )
    solve_next: Solver
    if engine == "direct":
        solve_next = direct()
    elif engine == "gpu":
        solve_next = card_solver(mesh, symmetry, quality, profiles)
        if without_card == "direct":
            solve_next = or_else(solve_next, direct)
    else:
        solve_next = without_guesses(engine)
    neighbours: deque[ComplexArray] = deque(maxlen=GUESSES)
    way = ways_from_sources(mesh, leaders.motions)
    answers: dict[float, Envelopes] = {}
    apart, which = without_mirrored(directions, symmetry)
    radius_m = radius_of(mesh, symmetry)
    shape = (len(motions), len(band.frequencies_hz))
    far_field = np.full((*shape, len(directions)), np.nan, dtype=complex)
    cross_power = np.full((shape[1], shape[0], shape[0]), np.nan, dtype=complex)
    load = np.full_like(cross_power, np.nan)
    points = np.array([[distance, 0.0, 0.0] for distance in microphones_m]).reshape(-1, 3)
    microphone_pressure = np.full((*shape, len(points)), np.nan, dtype=complex)
    outcomes = []
    on_surface: dict[float, tuple[ComplexArray, ComplexArray]] = {}
    # From the top down: the mesh is finest there in wavelengths, and each solution is a guess
    # for the next.
    for n in reversed(range(shape[1])):
        frequency = band.frequencies_hz[n]
        started = time.perf_counter()
        problem = body.problem(mesh, frequency)
        status, reason, iterations, residual, balance = Status.SOLVED, "", 0, np.nan, np.nan
        is_fallback, start_residual = False, 1.0
        known = _at(earlier, frequency, way.shape)
        besides = list(neighbours)[-GUESSES_BESIDES:] if len(known) else neighbours
        try:
            spanned = guesses([*known, *besides], problem.wavenumber, way)
            solution = solve_next(problem, spanned)
            by_themselves = _first_sources(solution, leading)
            own = envelope(by_themselves.guess, problem.wavenumber, way)
            neighbours.append(own)
            start_residual = solution.start_residual
            iterations, residual = solution.iterations, solution.residual
            reason, is_fallback = "; ".join(solution.remarks), solution.is_fallback
            balance = power_balance(by_themselves, radius_m)
            require_plausible(by_themselves, balance)
            far_field[:, n] = solution.far_field(apart)[:, which]
            if len(points):
                microphone_pressure[:, n] = solution.pressure_at(points)
            cross_power[n] = solution.cross_power()
            if earlier is not None and not (solution.is_fallback or solution.is_combined):
                answers[frequency] = own.astype(np.complex64)[np.newaxis]
            load[n] = solution.force_matrix() * (2 * np.pi * frequency) ** 2
            if keep_surface:
                whole = solution if keep_profiles else by_themselves
                pressure = whole.surface_pressure
                on_surface[frequency] = pressure, whole.problem.total_gradient(pressure)
        except (SolveError, MemoryError) as error:
            status, reason = Status.FAILED, str(error) or type(error).__name__
        outcomes.append(
            FrequencyOutcome(
                frequency_hz=frequency,
                status=status,
                reason=reason,
                iterations=iterations,
                residual=residual,
                seconds=time.perf_counter() - started,
                unknowns=mesh.n_triangles,
                power_balance=balance,
                is_fallback=is_fallback,
                earlier_shapes=len(known),
                start_residual=start_residual,
            )
        )
    return BandResult(
        frequencies_hz=np.asarray(band.frequencies_hz),
        far_field=far_field,
        cross_power=cross_power,
        outcomes=tuple(reversed(outcomes)),
        microphone_pressure=microphone_pressure,
        load=load,
        surface=_surface(mesh, symmetry, air, on_surface),
        answers=replace(earlier, envelopes=answers) if earlier is not None else None,
    )


def _at(earlier: EarlierAnswers | None, frequency_hz: float, shape: tuple[int, ...]) -> Envelopes:
    """Return what earlier shapes left at a frequency, (n_shapes, n_sources, n_triangles)."""
    return (earlier or EarlierAnswers(made_for="")).of(frequency_hz, shape[0], shape[1])


def _first_sources(solution: HelmholtzSolution, number: int) -> HelmholtzSolution:
    """Return what a solution holds of its first sources; profiles by themselves come after."""
    problem = solution.problem
    if number == len(solution.surface_pressure):
        return solution
    return replace(
        solution,
        problem=replace(problem, normal_velocity=problem.normal_velocity[:number]),
        surface_pressure=solution.surface_pressure[:number],
        system_pressure=solution.guess[:number],
    )


def _surface(
    mesh: Mesh,
    symmetry: tuple[str, ...],
    air: Air,
    found: Mapping[float, tuple[ComplexArray, ComplexArray]],
) -> SurfacePressure | None:
    """Return what is to be kept of the surface, rising in frequency; None if nothing is."""
    if not found:
        return None
    rising = sorted(found)
    return SurfacePressure(
        mesh=mesh,
        symmetry=symmetry,
        sound_speed=air.sound_speed,
        frequencies_hz=np.array(rising),
        pressure=np.stack([found[f][0] for f in rising], axis=1).astype(np.complex64),
        gradient=np.stack([found[f][1] for f in rising], axis=1).astype(np.complex64),
    )


def power_balance(solution: HelmholtzSolution, radius_m: float | None = None) -> float:
    """Return the power through the surface over that in the far field, worst source; 1 is perfect.

    The radius is that of its body, from `radius_of`, where somebody knows it.

    The far field is integrated with a product rule (Gauss-Legendre in the height, equal steps in
    the azimuth) half as fine as what resolves the size of the body: the finest detail, of sound
    from its far ends, is weak. That is off by 0.0005 at most (tests/benchmarks/RESULTS.md).
    """
    problem = solution.problem
    if radius_m is None:
        radius_m = radius_of(problem.mesh, problem.symmetry)
    extent = problem.wavenumber * radius_m
    n_heights = int(_BALANCE_SHARE * extent) + 8
    height, weight = _gauss_legendre(n_heights)
    azimuth = (np.arange(2 * n_heights) + 0.5) * np.pi / n_heights
    if "y" in problem.symmetry:
        azimuth = azimuth[:n_heights]
    z, phi = (a.ravel() for a in np.meshgrid(height, azimuth, indexing="ij"))
    ring = np.sqrt(1 - z**2)
    directions = np.stack((ring * np.cos(phi), ring * np.sin(phi), z), axis=1)
    solid_angle = np.repeat(weight, len(azimuth)) * 2 * np.pi / len(azimuth)
    far = solution.far_field(directions)
    far_power = (np.abs(far) ** 2 @ solid_angle) / (2 * problem.air.impedance)
    surface_power = np.real(np.diagonal(solution.cross_power()))
    ratio = surface_power / np.maximum(far_power, np.finfo(float).tiny)
    return float(ratio[np.argmax(np.abs(ratio - 1))])


@cache
def _gauss_legendre(number: int) -> tuple[FloatArray, FloatArray]:
    """Return places and weights of Gauss's rule; to find them takes longer than to use them."""
    places, weights = np.polynomial.legendre.leggauss(number)
    return places, weights


def radius_of(mesh: Mesh, symmetry: tuple[str, ...]) -> float:
    """Return the radius in m of the smallest box-centred sphere around the whole body.

    Only the magnitude of the far field is integrated, and that does not depend on where the
    origin lies: its finest detail is set by the size of the body about its own middle.
    """
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    middle = (low + high) / 2
    middle[["xyz".index(axis) for axis in symmetry]] = 0
    return float(np.linalg.norm(mesh.vertices - middle, axis=1).max())


def require_plausible(solution: HelmholtzSolution, balance: float) -> None:
    """Raise unless the result is finite, radiates power outwards and balances it.

    Raises
    ------
    SolveError
        With the rule that is broken.
    """
    power = np.real(np.diagonal(solution.cross_power()))
    if not (np.all(np.isfinite(solution.surface_pressure)) and np.isfinite(balance)):
        msg = "the surface pressure is not finite"
        raise SolveError(msg)
    if np.any(power <= 0):
        msg = f"the radiated power is {power.min():.3g} W per (m/s^2)^2, not above 0"
        raise SolveError(msg)
    if abs(balance - 1) > LARGEST_IMBALANCE:
        msg = (
            f"the power through the surface is {balance:.3f} times that in the far field; "
            f"within {LARGEST_IMBALANCE:.0%} is required"
        )
        raise SolveError(msg)
