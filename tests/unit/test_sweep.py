# SPDX-License-Identifier: GPL-3.0-or-later
"""A band of frequencies: arrays, records of failure, power balance, plausibility."""

import pickle
from dataclasses import replace
from types import SimpleNamespace

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import InputError, SolveError
from bafflelens.bem import band_solvers, card, gpu_engine
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzSolution
from bafflelens.bem.sweep import power_balance, require_plausible, solve_band
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion, normal_velocity

AIR = radiating.AIR
DIRECTIONS = radiating.around(np.linspace(0, np.pi, 7))
BAND = Band(frequencies_hz=(300.0, 420.0, 600.0), mesh_frequency_hz=600.0)


def cabinet(symmetry=("y",)):
    """Small box with two square pistons, ``dome`` in front and ``woofer`` below it."""
    mesh = bodies.box((0.2, 0.2, 0.3), (8, 8, 12), symmetry)
    x, y, z = mesh.centroids.T
    front = (x > 0.0999) & (np.abs(y) < 0.05)
    mesh = bodies.renamed(mesh, "dome", front & (z > 0.05) & (z < 0.1))
    return bodies.renamed(mesh, "woofer", front & (z < 0.0) & (z > -0.1))


def motion(surface):
    return SourceMotion(
        name=surface,
        axis=(1.0, 0.0, 0.0),
        centre=(0.1, 0.0, 0.0),
        piston_surfaces=(surface,),
        taper_surfaces=(),
        inner_radius_m=0.05,
        outer_radius_m=0.05,
    )


MOTIONS = (motion("dome"), motion("woofer"))


def run(motions=MOTIONS, band=BAND, **settings):
    return solve_band(
        cabinet(), motions, band, air=AIR, directions=DIRECTIONS, symmetry=("y",), **settings
    )


def test_arrays_and_records():
    result = run()
    assert result.far_field.shape == (2, 3, 7)
    assert result.cross_power.shape == (3, 2, 2)
    assert result.frequencies_hz == pytest.approx(BAND.frequencies_hz)
    assert [o.frequency_hz for o in result.outcomes] == list(BAND.frequencies_hz)
    for outcome in result.outcomes:
        assert outcome.status == "solved"
        assert outcome.reason == ""
        assert outcome.unknowns == cabinet().n_triangles
        assert outcome.residual < 2e-3
        assert outcome.seconds > 0
        assert outcome.power_balance == pytest.approx(1, abs=0.05)
    assert np.isfinite(result.far_field).all()
    np.testing.assert_allclose(result.cross_power, result.cross_power.conj().swapaxes(1, 2))
    assert (np.diagonal(result.cross_power, axis1=1, axis2=2).real > 0).all()


def test_each_frequency_is_what_a_single_solve_gives():
    """Guesses from the frequencies above must not show in the result."""
    result = run(quality="fine")
    for n, frequency in enumerate(BAND.frequencies_hz):
        velocity = normal_velocity(cabinet(), MOTIONS, frequency)
        k = AIR.wavenumber(frequency)
        single = radiating.solved(cabinet(), velocity, k, ("y",), tolerance=1e-6)
        error = radiating.relative_error(result.far_field[:, n], single.far_field(DIRECTIONS))
        assert error < 1e-3
        power = single.cross_power()
        assert np.abs(result.cross_power[n] - power).max() < 2e-3 * np.abs(power).max()


def test_low_frequency_level_is_that_of_a_free_monopole():
    """Far below ka = 1 a box does not matter: |f| = rho Q' / (4 pi), Q' = area times 1 m/s^2."""
    band = Band(frequencies_hz=(80.0,), mesh_frequency_hz=80.0)
    result = run(motions=MOTIONS[:1], band=band, quality="fine")
    area = 2 * cabinet().areas[cabinet().surface == "dome"].sum()
    monopole = AIR.density * area / (4 * np.pi)
    assert np.abs(result.far_field[0, 0]) == pytest.approx(monopole, rel=0.02)
    power = 4 * np.pi * monopole**2 / (2 * AIR.impedance)
    assert result.cross_power[0, 0, 0].real == pytest.approx(power, rel=0.05)


def test_a_worker_can_send_it():
    result = run()
    again = pickle.loads(pickle.dumps(result))
    np.testing.assert_array_equal(again.far_field, result.far_field)
    assert again.outcomes == result.outcomes


@pytest.mark.parametrize("error", [SolveError("the iteration went astray"), MemoryError()])
def test_a_failed_frequency_is_a_record(monkeypatch, error):
    honest = band_solvers.solve_burton_miller

    def fails_at_420(problem, **settings):
        if problem.frequency_hz == 420.0:
            raise error
        return honest(problem, **settings)

    monkeypatch.setattr(band_solvers, "solve_burton_miller", fails_at_420)
    result = run()
    assert [o.status for o in result.outcomes] == ["solved", "failed", "solved"]
    assert result.outcomes[1].reason == (str(error) or "MemoryError")
    assert np.isnan(result.far_field[:, 1]).all()
    assert np.isnan(result.cross_power[1]).all()
    assert np.isfinite(result.far_field[:, [0, 2]]).all()


def test_a_result_that_is_implausible_fails_with_its_reason(monkeypatch):
    honest = band_solvers.solve_burton_miller

    def loses_pressure(problem, **settings):
        solution = honest(problem, **settings)
        return replace(solution, surface_pressure=-solution.surface_pressure)

    monkeypatch.setattr(band_solvers, "solve_burton_miller", loses_pressure)
    result = run()
    assert {o.status for o in result.outcomes} == {"failed"}
    assert all("not above 0" in o.reason for o in result.outcomes)
    assert np.isnan(result.far_field).all()


def test_a_remark_of_the_solver_is_kept(monkeypatch):
    monkeypatch.setattr("bafflelens.bem.linear_solver.MOST_ITERATIONS", 1)
    result = run(quality="fine")
    assert all(o.status == "solved" for o in result.outcomes)
    assert "solved directly" in result.outcomes[-1].reason
    assert result.outcomes[-1].iterations == 0


@pytest.mark.parametrize("without_card", ["stop", "direct"])
def test_without_a_card(monkeypatch, without_card):
    monkeypatch.setattr(gpu_engine, "missing_card", lambda: "no graphics card was found")
    found = run(engine="gpu", without_card=without_card)
    reasons = {outcome.reason for outcome in found.outcomes}
    if without_card == "stop":
        assert {outcome.status for outcome in found.outcomes} == {"failed"}
        assert reasons == {"engine 'gpu': no graphics card was found"}
    else:
        np.testing.assert_allclose(found.far_field, run().far_field)
        assert reasons == {"solved on the processor (engine 'gpu': no graphics card was found)"}
        assert {outcome.is_fallback for outcome in found.outcomes} == {True}
        assert {outcome.is_fallback for outcome in run().outcomes} == {False}


class OutOfMemoryError(MemoryError):
    """Stands in for the error of that kind of CuPy."""


# Stands in for CuPy on a card whose memory others have taken.
FULL_CARD = SimpleNamespace(
    cuda=SimpleNamespace(
        memory=SimpleNamespace(OutOfMemoryError=OutOfMemoryError),
        runtime=SimpleNamespace(memGetInfo=lambda: (2**30, 80 * 2**30)),
    )
)


def test_a_card_that_others_have_filled(monkeypatch):
    def send(*_):
        msg = "out of memory allocating 5 bytes"
        raise OutOfMemoryError(msg)

    monkeypatch.setattr(card, "cupy", FULL_CARD)
    monkeypatch.setattr(gpu_engine, "missing_card", lambda: "")
    monkeypatch.setattr(gpu_engine, "send", card.memory_faults()(send))
    message = (
        "engine 'gpu': the card's memory is short (out of memory allocating 5 bytes; 1.0 of "
        "80.0 GiB free, the rest in use)"
    )
    failed = run(engine="gpu")
    assert {outcome.reason for outcome in failed.outcomes} == {message}
    found = run(engine="gpu", without_card="direct")
    assert {outcome.status for outcome in found.outcomes} == {"solved"}
    assert {outcome.reason for outcome in found.outcomes} == {
        f"solved on the processor ({message})"
    }


def test_wrong_input_is_not_a_failed_frequency():
    with pytest.raises(InputError, match="Invalid engine 'fast'"):
        run(engine="fast")
    with pytest.raises(InputError, match="Invalid quality 'best'"):
        run(quality="best")


# ------------------------------------------------------------------ power balance
@pytest.mark.parametrize("symmetry", [(), ("y",)])
def test_power_balance_of_an_exact_solution(symmetry):
    """A breathing sphere, its exact pressure put in: nothing but the integration is tested."""
    mesh = bodies.octasphere(12, symmetry)
    k = 2.0
    problem = radiating.problem(mesh, np.ones(mesh.n_triangles), k, symmetry)
    pressure = np.full((1, mesh.n_triangles), radiating.RHO_C * -1j * k / (1 - 1j * k))
    solution = HelmholtzSolution(problem=problem, surface_pressure=pressure, engine="exact")
    assert power_balance(solution) == pytest.approx(1, abs=0.01)
    louder = replace(solution, surface_pressure=3 * pressure)
    assert abs(power_balance(louder) - 1) > 0.05


def test_power_balance_takes_the_worst_source():
    mesh = bodies.octasphere(8)
    velocity = np.ones((2, mesh.n_triangles))
    problem = radiating.problem(mesh, velocity, 2.0)
    pressure = np.full((2, mesh.n_triangles), radiating.RHO_C * -2j / (1 - 2j))
    pressure[1] *= 0.5
    solution = HelmholtzSolution(problem=problem, surface_pressure=pressure, engine="exact")
    alone = replace(
        solution,
        problem=radiating.problem(mesh, velocity[1], 2.0),
        surface_pressure=pressure[1:],
    )
    assert power_balance(solution) == pytest.approx(power_balance(alone))


def test_power_balance_does_not_depend_on_the_origin():
    velocity = np.zeros(bodies.box((0.2, 0.3, 0.4), (2, 3, 4)).n_triangles)
    velocity[:8] = 1
    here = bodies.box((0.2, 0.3, 0.4), (2, 3, 4))
    there = bodies.moved(here, shift=(0.0, 0.0, 3.0))
    balances = [power_balance(radiating.solved(m, velocity, 8.0)) for m in (here, there)]
    assert balances[0] == pytest.approx(balances[1], abs=1e-3)


# ------------------------------------------------------------------- plausibility
def breathing(factor=1.0):
    mesh = bodies.octasphere(4)
    problem = radiating.problem(mesh, np.ones(mesh.n_triangles), 2.0)
    solution = solve(problem)
    return replace(solution, surface_pressure=factor * solution.surface_pressure)


@pytest.mark.parametrize(
    ("factor", "balance", "message"),
    [
        (np.nan, 1.0, "the surface pressure is not finite"),
        (1.0, np.nan, "the surface pressure is not finite"),
        (-1.0, 1.0, "W per .* not above 0"),
        (
            1.0,
            1.08,
            "the power through the surface is 1.080 times that in the far field; within 5%",
        ),
        (1.0, 0.9, "the power through the surface is 0.900 times"),
    ],
)
def test_implausible(factor, balance, message):
    with pytest.raises(SolveError, match=message):
        require_plausible(breathing(factor), balance)


def test_plausible():
    require_plausible(breathing(), 1.04)


def test_what_is_on_the_surface_can_be_kept():
    """From it follows the pressure at any microphone, by the same strengths as the far field."""
    result = run(keep_surface=True)
    surface = result.surface
    assert run().surface is None
    assert surface.symmetry == ("y",)
    np.testing.assert_array_equal(surface.frequencies_hz, BAND.frequencies_hz)
    distance = 400.0
    strengths = np.array([1.0, 0.5j])
    pressure, _ = surface.at_microphones(2, distance * DIRECTIONS, strengths)
    k = 2 * np.pi * 600 / AIR.sound_speed
    far = np.einsum("s,sd->d", strengths, result.far_field[:, 2])
    assert radiating.relative_error(pressure * distance * np.exp(-1j * k * distance), far) < 2e-3
