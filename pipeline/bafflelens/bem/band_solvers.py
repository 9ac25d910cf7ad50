# SPDX-License-Identifier: GPL-3.0-or-later
"""What solves the frequencies of a band one after another, and what these share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.card import CardError
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.earlier_answers import EarlierAnswers, envelope, guesses, ways_from_sources
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.engines import solve
from bafflelens.bem.gpu_engine import sweep_on_card
from bafflelens.bem.kept_systems import KeptSystems
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.system_matrix import Workspace
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import tolerance
from bafflelens.mesh.source_motion import SourceMotion

# Of two earlier shapes, and of more, a quick look takes a combination of their answers that leaves
# so many times what an iteration may; what others are combined of is solved so much more exactly.
# Then the far field stays within a tenth of what a draft states (tests/benchmarks/looks.py).
COMBINED_TOLERANCE_OF_TWO = 2.0
COMBINED_TOLERANCE = 3.0
KNOWN_TOLERANCE = 0.5
# Of so many earlier shapes any solve takes a combination that leaves so many times what an
# iteration may: the far field is as exact (tests/benchmarks/looks.py).
MANY_KNOWN = 6
COMBINED_TOLERANCE_OF_MANY = 1.5
# With a good first guess few steps are made, and forming blocks of low rank pays later.
PACKED_UNKNOWNS = 6_000

# From a problem and first guesses to a solution.
Solver = Callable[[HelmholtzProblem, ComplexArray | None], HelmholtzSolution]


def combined_tolerance(shapes: int, quality: str, *, is_look: bool) -> float | None:
    """Return what a combination of so many shapes' answers may leave; None: as an iteration."""
    if shapes < (2 if is_look else MANY_KNOWN):
        return None
    of_look = COMBINED_TOLERANCE_OF_TWO if shapes == 2 else COMBINED_TOLERANCE
    return (of_look if is_look else COMBINED_TOLERANCE_OF_MANY) * tolerance(quality)


def without_guesses(engine: str) -> Solver:
    """Return an engine that has no use for guesses."""
    return lambda problem, _: solve(problem, engine, checked=True)


def card_solver(
    mesh: Mesh, symmetry: tuple[str, ...], quality: str, profiles: Sequence[SourceMotion]
) -> Solver:
    """Return the engine on the card; to it all guesses are alike."""
    followers, far = len(profiles), ways_from_sources(mesh, profiles)
    engine = sweep_on_card(mesh, symmetry, tolerance(quality), followers)
    last: HelmholtzSolution | None = None

    def solve_next(problem: HelmholtzProblem, spanned: ComplexArray | None) -> HelmholtzSolution:
        nonlocal last
        known = _profile_guesses(last, problem, far)
        last = engine(problem, spanned, known)
        return last

    return solve_next


def _profile_guesses(
    last: HelmholtzSolution | None, problem: HelmholtzProblem, far: FloatArray
) -> ComplexArray | None:
    """Return those of the frequency before for the profiles of domes, the last sources.

    Parameters
    ----------
    last : HelmholtzSolution or None
        Of the frequency before.
    problem : HelmholtzProblem
        What comes next.
    far : (n_profiles, n_triangles) array
        From `ways_from_sources`, in m.
    """
    if last is None or not len(far):
        return None
    profiles = envelope(last.guess[-len(far) :], last.problem.wavenumber, far)
    return guesses([profiles], problem.wavenumber, far)


def or_else(on_card: Solver, make_direct: Callable[[], Solver]) -> Solver:
    """Return an engine that leaves the card for good once that fails it, and says so."""
    direct: Solver | None = None
    reason = ""

    def solve_next(problem: HelmholtzProblem, spanned: ComplexArray | None) -> HelmholtzSolution:
        nonlocal direct, reason
        if direct is None:
            try:
                return on_card(problem, spanned)
            except CardError as error:
                reason = f"solved on the processor ({error})"
                direct = make_direct()
        solution = direct(problem, spanned)
        return replace(solution, remarks=(reason, *solution.remarks), is_fallback=True)

    return solve_next


def direct_solver(
    mesh: Mesh,
    symmetry: tuple[str, ...],
    quality: str,
    profiles: Sequence[SourceMotion] = (),
    earlier: EarlierAnswers | None = None,
    kept: KeptSystems | None = None,
    *,
    is_look: bool = False,
) -> Solver:
    """Return the own engine with what the frequencies of a band share.

    With what ``earlier`` shapes left a combination of their answers may be less exact than an
    iteration, for the same error of the far field; that of a quick look still less, and what it
    iterates is more exact, since others will be combined of it. With ``kept``, of this mesh, the
    systems are kept there.
    """
    discretisation = discretise(mesh, symmetry) if kept is None else kept.discretisation
    settings = EngineSettings(tolerance=tolerance(quality))
    if earlier is not None and is_look:
        known_to = KNOWN_TOLERANCE * settings.tolerance
        settings = replace(settings, tolerance=known_to, packed_unknowns=PACKED_UNKNOWNS)
    workspace = Workspace()
    followers, far = len(profiles), ways_from_sources(mesh, profiles)
    last: HelmholtzSolution | None = None

    def solve_next(problem: HelmholtzProblem, spanned: ComplexArray | None) -> HelmholtzSolution:
        nonlocal last
        known = _profile_guesses(last, problem, far)
        shapes = len(earlier.envelopes.get(problem.frequency_hz, ())) if earlier else 0
        enough = combined_tolerance(shapes, quality, is_look=is_look)
        last = solve_burton_miller(
            problem,
            discretisation=discretisation,
            settings=replace(settings, combined_tolerance=enough),
            guesses=spanned,
            # what is kept is not to be written over
            workspace=workspace if kept is None else Workspace(),
            followers=followers,
            follower_guesses=known,
            keep=None if kept is None else partial(kept.keep, problem.frequency_hz),
        )
        return last

    return solve_next
