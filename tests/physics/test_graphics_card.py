# SPDX-License-Identifier: GPL-3.0-or-later
"""The engine on a graphics card against the one on the processor, and against closed forms.

Both transcribe the same formulas, so they must agree to rounding: 1e-4 a pair of points, 0.01 dB
a whole problem. Skipped, with the reason, where there is no card.
"""

from dataclasses import replace

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import SolveError
from bafflelens.bem import card, kernels, phases
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.card_mesh import CardFrequency, send
from bafflelens.bem.card_plane_waves import plane_wave_fields_on_card
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.gpu_engine import CardSettings, solve_on_card
from bafflelens.bem.plane_waves import plane_wave_fields
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.surface_slope import surface_slope
from bafflelens.bem.sweep import solve_band
from bafflelens.mesh.dome_profiles import profiles_of
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion

NO_CARD = card.missing_card()
needs_card = pytest.mark.skipif(bool(NO_CARD), reason=NO_CARD or "there is a card")

MIRRORS = ("y",)
AROUND = radiating.around(np.radians(np.arange(0, 181, 10)))
WAYS = {
    "stored": CardSettings(tolerance=1e-5, direct=False, stored=True),
    "on the fly": CardSettings(tolerance=1e-5, direct=False, stored=False),
    "direct": CardSettings(tolerance=1e-5, direct=True),
}


def box_problem(absorbing=False):
    """Half a box with two pistons in its front, 15 per metre; perhaps with a lined side."""
    mesh = bodies.box((0.3, 0.4, 0.4), (6, 8, 8), MIRRORS)
    x, y, z = mesh.centroids.T
    front = x > 0.1499
    velocity = np.stack([front & (np.abs(z) < 0.1) & (y < 0.1), front & (z > 0.1)]).astype(complex)
    admittance = np.where(y > 0.1999, 0.4 - 0.2j, 0) if absorbing else None
    plain = radiating.problem(mesh, velocity, 15.0, MIRRORS)
    return HelmholtzProblem(
        mesh=mesh,
        frequency_hz=plain.frequency_hz,
        air=plain.air,
        normal_velocity=velocity,
        symmetry=MIRRORS,
        admittance=admittance,
    )


@needs_card
def test_pairs():
    """Random triangles in a cube: the double-layer matrix of both, near pairs left out."""
    random = np.random.default_rng(5)
    middle = random.uniform(0.1, 1, size=(200, 1, 3))
    corners = middle + 0.01 * random.normal(size=(200, 3, 3))
    mesh = Mesh(corners.reshape(-1, 3), np.arange(600).reshape(-1, 3), np.full(200, "a"))
    problem = radiating.problem(mesh, np.ones(200), 40.0, MIRRORS)
    on_card = send(mesh, MIRRORS)
    frequency = CardFrequency.of(on_card, problem)
    identity = card.cupy.eye(200, dtype=np.complex64)
    found = frequency.layers(identity, single=False).get().T
    single = frequency.layers(identity, single=True).get().T
    arguments = (
        mesh.centroids.T.copy(), mesh.normals.T.copy(), on_card.signs.get(),
        frequency.coupling.get(), mesh.centroids.T.copy(), mesh.normals.T.copy(),
        mesh.areas / (4 * np.pi), frequency.source_normals[:, 3].get().astype(float),
        phases.scalars(40.0, np.float64), phases.parts(np.eye(200) + 0j, np.float64),
    )  # fmt: skip
    for given, apply in (
        (found, kernels.apply_coupled_double_layer),
        (single, kernels.add_coupled_single_layer),
    ):
        expected = np.zeros((200, 200), dtype=complex)
        apply(*arguments, expected)
        assert np.abs(given - expected.T).max() < 1e-4 * np.abs(expected).max()


@needs_card
@pytest.mark.parametrize("absorbing", [False, True])
@pytest.mark.parametrize("way", WAYS)
def test_whole_problem(way, absorbing):
    problem = box_problem(absorbing)
    expected = solve_burton_miller(problem, settings=EngineSettings(tolerance=1e-5))
    found = solve_on_card(problem, settings=WAYS[way])
    level = radiating.level(expected.far_field(AROUND))
    heard = level > level.max(axis=1, keepdims=True) - 20
    assert np.abs(radiating.level(found.far_field(AROUND)) - level)[heard].max() < 0.01
    error = found.surface_pressure - expected.surface_pressure
    assert np.linalg.norm(error) < 1e-3 * np.linalg.norm(expected.surface_pressure)
    np.testing.assert_allclose(found.cross_power(), expected.cross_power(), rtol=2e-3)
    assert (found.iterations == 0) == (way == "direct")


@needs_card
def test_closed_form():
    """Cap of 30 degrees on a sphere (Morse and Ingard), ka = 3: as the processor's engine."""
    mesh = bodies.capped_sphere(0.07, np.radians(30), ("y", "z"))
    problem = radiating.problem(mesh, mesh.surface == "cap", 3.0, ("y", "z"))
    angles = np.radians(np.arange(0, 181, 10))
    exact = analytic.cap_on_sphere(3.0, np.radians(30), angles) * radiating.RHO_C / 3.0
    found = solve_on_card(problem).far_field(radiating.around(angles))[0]
    assert radiating.relative_error(found, exact) < 0.006


@needs_card
def test_a_guess_shortens_the_iteration():
    problem = box_problem()
    iterative = CardSettings(direct=False)
    first = solve_on_card(problem, settings=iterative)
    again = solve_on_card(problem, settings=iterative, guesses=first.surface_pressure)
    assert again.iterations < first.iterations
    assert radiating.relative_error(again.surface_pressure, first.surface_pressure) < 1e-3


def with_profiles(problem):
    """The same with three smooth patterns more on what moves."""
    _, y, z = problem.mesh.centroids.T
    moves = np.any(problem.normal_velocity != 0, axis=0)
    patterns = [moves * y / 0.1, moves * (z / 0.1) ** 2, moves * np.exp(10j * z)]
    velocity = np.concatenate([problem.normal_velocity, patterns])
    return replace(problem, normal_velocity=velocity)


@needs_card
@pytest.mark.parametrize("way", WAYS)
def test_profiles_follow_and_leave_the_sources_as_they_are(way):
    rigid = box_problem()
    problem = with_profiles(rigid)
    expected = solve_burton_miller(problem, settings=EngineSettings(tolerance=1e-5))
    found = solve_on_card(problem, settings=WAYS[way], followers=3)
    alone = solve_on_card(rigid, settings=WAYS[way])
    assert radiating.relative_error(found.surface_pressure[:2], alone.surface_pressure) < 1e-5
    for pressure, wanted in zip(found.surface_pressure, expected.surface_pressure, strict=True):
        assert radiating.relative_error(pressure, wanted) < 1e-3
    assert found.iterations == alone.iterations


@needs_card
def test_a_band_with_profiles_is_that_of_the_processor():
    """A dome on a sphere with all its profiles at two frequencies, the first a guess."""
    mesh = bodies.capped_sphere(0.1, np.radians(40), ("y", "z"))
    radius = float(np.sin(np.radians(40)))
    dome = SourceMotion(
        name="tweeter",
        axis=(1.0, 0.0, 0.0),
        centre=(float(np.cos(np.radians(40))), 0.0, 0.0),
        piston_surfaces=("cap",),
        taper_surfaces=(),
        inner_radius_m=radius,
        outer_radius_m=1.2 * radius,
    )
    motions = (dome, *(replace(dome, name=str(kind), profile=kind) for kind in profiles_of()))
    band = Band(frequencies_hz=(110.0, 160.0), mesh_frequency_hz=160.0)
    both = {
        engine: solve_band(
            mesh,
            motions,
            band,
            air=radiating.AIR,
            directions=AROUND,
            symmetry=("y", "z"),
            engine=engine,
        ).far_field
        for engine in ("direct", "gpu")
    }
    for wanted, found in zip(both["direct"], both["gpu"], strict=True):
        if np.any(wanted):  # the sphere has no surround
            assert radiating.relative_error(found, wanted) < 3e-3


@pytest.mark.skipif(not NO_CARD, reason="there is a card")
def test_without_a_card_there_is_one_clear_line():
    with pytest.raises(SolveError, match=r"^engine 'gpu': .*(CuPy|card).*$"):
        solve_on_card(box_problem())


@needs_card
@pytest.mark.parametrize("absorbing", [False, True])
def test_plane_waves(absorbing):
    """Their fields, and the slopes of two sums of far fields, as on the processor."""
    problem = box_problem(absorbing)
    random = np.random.default_rng(3)
    amplitudes = random.normal(size=(2, len(AROUND), 2)) @ (1, 1j)
    on_card = send(problem.mesh, MIRRORS)
    expected = plane_wave_fields(problem, AROUND, amplitudes, tolerance=1e-5)
    found = plane_wave_fields_on_card(problem, AROUND, amplitudes, on_card=on_card, tolerance=1e-5)
    assert np.linalg.norm(found - expected) < 1e-3 * np.linalg.norm(expected)
    pressure = solve_burton_miller(problem).surface_pressure
    weights = random.normal(size=(1, 2, len(AROUND), 2)) @ (1, 1j)
    slope = surface_slope(problem, pressure, AROUND, weights, tolerance=1e-5)
    of_card = surface_slope(problem, pressure, AROUND, weights, tolerance=1e-5, on_card=on_card)
    assert np.abs(of_card - slope).max() < 3e-3 * np.abs(slope).max()


@needs_card
def test_plane_waves_that_do_not_converge(monkeypatch):
    monkeypatch.setattr("bafflelens.bem.card_plane_waves.MOST_ITERATIONS", 2)
    problem = box_problem()
    with pytest.raises(SolveError, match="did not converge in 2 steps on the card"):
        plane_wave_fields_on_card(
            problem, AROUND, np.ones((1, len(AROUND))), on_card=send(problem.mesh, MIRRORS)
        )
