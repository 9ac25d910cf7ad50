# SPDX-License-Identifier: GPL-3.0-or-later
"""A small job with a small geometry script, and stubs in place of mesher, solver and workers.

The stubs stand for whole libraries, so that checking, storing and resuming are tested in
fractions of a second. No number that they give means anything.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import small_job

from bafflelens import report
from bafflelens.base.errors import MeshingError
from bafflelens.bem.sweep import BandResult, FrequencyOutcome
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.report import summary
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.store import RunFolder, open_run
from bafflelens.workers.batches import Late, Outcome
from bafflelens.workers.pool import never
from bafflelens.workers.work_units import Methods


@pytest.fixture
def write_job(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes a job beside its scripts, with pieces of it replaced."""
    small_job.write(tmp_path)

    def write(*replacements: tuple[str, str], text: str = small_job.JOB) -> Path:
        for old, new in replacements:
            assert old in text, f"the job has no {old!r}"
            text = text.replace(old, new)
        path = tmp_path / "small.toml"
        path.write_text(text)
        return path

    return write


@dataclass
class StubSolver:
    """Meshes a half octahedron and "solves" a smooth pattern; keeps count of what it is asked.

    Attributes
    ----------
    meshed, shapes, solved : list
        Opening heights that were meshed (None for the baseline), names of their shapes, and
        frequencies solved.
    fail_mesh : callable
        Tells from the values whether meshing fails.
    on_solve : callable
        Called with the band before it is solved; may raise.
    failing_hz : float
        A frequency near this fails.
    echo_s : float
        Delay of an echo half as strong as the direct sound; none if 0.
    remark : str
        Reason that all other frequencies come with.
    is_fallback : bool
        Whether it is said to be another engine than the one asked for.
    """

    meshed: list[float | None] = field(default_factory=list)
    shapes: list[str] = field(default_factory=list)
    solved: list[tuple[float, ...]] = field(default_factory=list)
    fail_mesh: Callable[[Mapping[str, float]], bool] = lambda values: False
    on_solve: Callable[[Any], None] = lambda band: None
    failing_hz: float = 0.0
    echo_s: float = 0.0
    remark: str = ""
    is_fallback: bool = False

    def mesh_shape(
        self,
        shape: Any,
        values: Mapping[str, float],
        sizes: Sequence[Any],
        time_limit_s: float,
    ) -> tuple[Mesh, ...]:
        if self.fail_mesh(values):
            msg = f"Invalid shape '{shape.name}'. Must be one that gmsh can mesh."
            raise MeshingError(msg)
        self.shapes.append(shape.name if shape else "")
        self.meshed.append(values.get("lens.opening_height_mm"))
        return tuple(half_octahedron(values.get("lens.opening_height_mm", 80.0)) for _ in sizes)

    def solve_band(
        self,
        mesh: Mesh,
        motions: Any,
        band: Any,
        *,
        engine: str = "direct",
        microphones_m: Sequence[float] = (),
        **given: Any,
    ) -> BandResult:
        self.on_solve(band)
        self.solved.append(band.frequencies_hz)
        pattern = directions()
        narrowness = 10 * float(mesh.vertices.max()) + (engine != "direct")
        level = np.exp(-narrowness * (1 - pattern.vectors[:, 0]))
        frequency = np.array(band.frequencies_hz)
        strength = 1.0 + np.arange(max(len(motions), 1))  # each source louder than the last
        far_field = np.tile(level, (len(strength), len(frequency), 1)).astype(complex)
        far_field *= strength[:, np.newaxis, np.newaxis]
        if self.echo_s:
            far_field *= (1 + 0.5 * np.exp(2j * np.pi * frequency * self.echo_s))[:, np.newaxis]
        power = np.einsum("sfd,tfd,d->fst", far_field.conj(), far_field, pattern.weight) / (
            2 * 413
        )
        if "directions" in given:  # it may be asked for some of them alone
            asked = {tuple(each) for each in given["directions"].tolist()}
            far_field = far_field[:, :, [tuple(v) in asked for v in pattern.vectors.tolist()]]
        failed = np.abs(frequency / (self.failing_hz or 1.0) - 1) < 0.05
        far_field[:, failed] = np.nan
        outcomes = tuple(
            FrequencyOutcome(
                frequency_hz=float(f),
                status="failed" if bad else "solved",
                reason="it did not converge" if bad else self.remark,
                iterations=5,
                residual=1e-5,
                seconds=0.1,
                unknowns=mesh.n_triangles,
                power_balance=1.0,
                is_fallback=self.is_fallback,
            )
            for f, bad in zip(frequency, failed, strict=True)
        )
        return BandResult(
            frequencies_hz=frequency,
            far_field=far_field,
            cross_power=np.where(failed[:, np.newaxis, np.newaxis], np.nan, power).astype(complex),
            outcomes=outcomes,
            microphone_pressure=np.full((len(strength), len(frequency), len(microphones_m)), 0.5j),
        )

    @property
    def methods(self) -> Methods:
        return Methods(
            mesh_shape=self.mesh_shape, solve_band=self.solve_band, warm_up=lambda report: None
        )


@pytest.fixture
def stub() -> StubSolver:
    return StubSolver()


@pytest.fixture(scope="session")
def stub_methods() -> Methods:
    """Return the methods of a stub of which nobody asks what it did."""
    return StubSolver().methods


def half_octahedron(radius_mm: float) -> Mesh:
    """Return the half y >= 0 of an octahedron."""
    corners = [[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, -1]]
    points = np.array(corners) * radius_mm * 1e-3
    triangles = np.array([[0, 2, 3], [2, 1, 3], [2, 0, 4], [1, 2, 4]])
    return Mesh(points, triangles, np.array(["dome", "cabinet", "baffle", "cabinet"]))


class InlinePool:
    """Does the work in this process, highest priority first."""

    size = 1

    def __init__(self) -> None:
        self._waiting: list[tuple[float, str, Callable[..., Any], tuple[Any, ...]]] = []
        self._memory: dict[str, Callable[[], float] | None] = {}
        self.reserved: dict[str, float] = {}
        self.for_cards: set[str] = set()
        self._results: dict[str, Outcome] = {}

    def submit(
        self,
        name: str,
        function: Callable[..., Any],
        *arguments: Any,
        priority: float = 0.0,
        memory: Callable[[], float] | None = None,
        card: bool = False,
        beside: Any = None,
    ) -> Any:
        if card:
            self.for_cards.add(name)
        self._waiting.append((priority, name, function, arguments))
        self._memory[name] = memory
        return ("value of", name)

    def outcomes(self, is_over: Callable[[], bool] = never) -> Iterator[Outcome]:
        while self._waiting:
            if is_over():
                self._waiting.clear()
                return
            self._waiting.sort(key=lambda work: -work[0])
            _, name, function, arguments = self._waiting.pop(0)
            memory = self._memory[name]
            self.reserved[name] = memory() if memory else 0.0
            outcome = self._results[name] = self._done(name, function, arguments)
            yield outcome

    def _done(
        self, name: str, function: Callable[..., Any], arguments: tuple[Any, ...]
    ) -> Outcome:
        values = []
        for given in arguments:
            argument = given.read() if isinstance(given, Late) else given
            if isinstance(argument, tuple) and argument[:1] == ("value of",):
                needed = self._results[argument[1]]
                if needed.error:
                    return Outcome(name=name, value=None, error=needed.error)
                values.append(needed.value)
            else:
                values.append(argument)
        try:
            return Outcome(name=name, value=function(*values))
        except Exception as error:
            return Outcome(name=name, value=None, error=str(error))


@contextmanager
def inline_pool(**_: Any) -> Iterator[InlinePool]:
    """Stand in for `bafflelens.workers.dask_pool.worker_pool`."""
    yield InlinePool()


@pytest.fixture(scope="session")
def open_pool() -> Any:
    return inline_pool


def _without_pages(patch: pytest.MonkeyPatch) -> None:
    """Let runs write a line instead of a report."""
    patch.setattr(
        report,
        "write_report",
        lambda view, path: path.write_text(f"{view.title}: {view.status}", encoding="utf-8"),
    )
    patch.setattr(summary, "leader_pictures", lambda *_: ())
    patch.setattr(summary, "_target_picture", lambda loaded: b"")


@pytest.fixture(scope="session")
def run_in(open_pool: Any) -> Callable[..., RunFolder]:
    """Return a function that runs the small job in a folder by stubs, for tests of a module."""

    def run(folder: Path, section: str = "", *replacements: tuple[str, str]) -> RunFolder:
        path = small_job.write(folder, *replacements)
        path.write_text(path.read_text() + section)
        options = RunOptions(
            results=folder / "results", methods=StubSolver().methods, open_pool=open_pool
        )
        with pytest.MonkeyPatch.context() as patch:
            _without_pages(patch)
            return open_run(run_job(path, options).folder.path)

    return run


@pytest.fixture(scope="module")
def six_shapes(tmp_path_factory, run_in) -> Path:
    """Return the folder of a run with enough shapes for an estimate, made once a module."""
    return run_in(tmp_path_factory.mktemp("six"), "", ("candidates = 3", "candidates = 6")).path


@pytest.fixture
def run_of_six(six_shapes: Path, tmp_path: Path) -> RunFolder:
    """Return a copy of it."""
    copied = tmp_path / "results" / six_shapes.name
    shutil.copytree(six_shapes, copied)
    return open_run(copied)


@pytest.fixture
def options(tmp_path, stub, open_pool, monkeypatch):
    """Return options of a run with stubs for all that takes time, the pictures too."""
    _without_pages(monkeypatch)
    return RunOptions(results=tmp_path / "results", methods=stub.methods, open_pool=open_pool)


@pytest.fixture
def without_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pages come without their figures, where the words are looked at: those take longest."""
    from bafflelens.report import blocks, influence

    def blank(draw: Callable[[], Any], name: str, alt: str) -> str:
        return f"<svg><title>{escape(alt)}</title></svg>"

    for module in (blocks, influence):
        monkeypatch.setattr(module, "svg_or_reason", blank)


@pytest.fixture
def finished_run(write_job: Callable[..., Path], options: RunOptions) -> Path:
    """Return the folder of a run of the small job, solved by stubs, without pages."""
    return run_job(write_job(), options).folder.path
