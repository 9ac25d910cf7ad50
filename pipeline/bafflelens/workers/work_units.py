# SPDX-License-Identifier: GPL-3.0-or-later
"""The pieces of work that worker processes do: mesh one candidate, solve one band of it.

Everything that comes in is plain data, text or an array, and so is everything that goes out: a
worker may be on a machine that sees none of the files here.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from bafflelens.base.errors import GeometryError, MeshingError
from bafflelens.base.medium import Air
from bafflelens.bem.earlier_answers import EarlierAnswers
from bafflelens.bem.kept_systems import KeptSystems
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.sweep import BandResult, solve_band
from bafflelens.bem.warm_up import warm_up
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.absorbers import Absorber
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.scripts import PackedScript, unpacked

Value = TypeVar("Value")


@dataclass(frozen=True, kw_only=True)
class Timed(Generic[Value]):
    """A result and the wall time that it took, in s."""

    value: Value
    seconds: float


@dataclass(frozen=True, kw_only=True)
class Methods:
    """How candidates are meshed and bands solved; tests put their own in place.

    Attributes
    ----------
    mesh_shape
        As `bafflelens.shapes.meshing.geometry.mesh_shape`.
    solve_band
        As `bafflelens.bem.sweep.solve_band`.
    warm_up
        Compiles the kernels if that was never done on this machine; takes a function that
        tells the user so.
    """

    mesh_shape: Callable[..., tuple[Mesh, ...]] = field(default=mesh_shape)
    solve_band: Callable[..., BandResult] = field(default=solve_band)
    warm_up: Callable[[Callable[[str], None]], object] = field(default=warm_up)


@dataclass(frozen=True, kw_only=True)
class SolveSettings:
    """What all bands of a shape are solved with.

    Attributes
    ----------
    motions : tuple of SourceMotion
        One a source.
    air : Air
        The air.
    symmetry : tuple of str
        Planes of mirror symmetry.
    engine, quality : str
        Engine and quality level.
    absorbers : mapping of str to Absorber
        What covers surfaces, by name.
    without_card : str
        What engine ``gpu`` does where the card cannot be used.
    microphones_m : tuple of float
        Distances of microphones on the axis at which the pressure is wanted, in m.
    keep_surface : bool
        Whether the pressure on the surface is kept, from which that at any microphone follows.
    keep_profiles : bool
        Whether that of profiles of a dome is kept as well.
    is_look : bool
        Whether a combination of earlier answers will do, where the equations say so.
    directions : tuple of int
        Which of the directions of `direction_set.directions` are wanted; empty for all.
    """

    motions: tuple[SourceMotion, ...]
    air: Air
    symmetry: tuple[str, ...]
    engine: str
    quality: str
    absorbers: Mapping[str, Absorber] = field(default_factory=dict)
    without_card: str = "stop"
    microphones_m: tuple[float, ...] = ()
    keep_surface: bool = False
    keep_profiles: bool = False
    is_look: bool = False
    directions: tuple[int, ...] = ()

    @property
    def on_card(self) -> bool:
        """Whether the work needs a worker with a graphics card."""
        return self.engine == "gpu"

    @property
    def body(self) -> MovingBody:
        """The sources by themselves, without profiles of theirs, and what they are in."""
        rigid = tuple(motion for motion in self.motions if motion.profile is None)
        return MovingBody(
            air=self.air, symmetry=self.symmetry, motions=rigid, absorbers=self.absorbers
        )


def mesh_candidate(
    methods: Methods,
    script: PackedScript,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    time_limit_s: float,
    anchors: Sequence[Mesh] = (),
) -> Timed[tuple[Mesh, ...]]:
    """Mesh one candidate at the size of every band, or move meshes of another one onto it."""
    start = time.perf_counter()
    meshes = _meshed(methods, script, values, sizes, time_limit_s, anchors)
    return Timed(value=meshes, seconds=time.perf_counter() - start)


def _meshed(
    methods: Methods,
    script: PackedScript,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    time_limit_s: float,
    anchors: Sequence[Mesh],
    *,
    is_again: bool = False,
) -> tuple[Mesh, ...]:
    path = unpacked(script)
    moving = {"anchors": anchors} if anchors else {}
    try:
        return methods.mesh_shape(load_shape(path), values, sizes, time_limit_s, **moving)
    except (GeometryError, MeshingError) as error:
        if not path.exists() and not is_again:  # somebody cleared up scratch files meanwhile
            return _meshed(methods, script, values, sizes, time_limit_s, anchors, is_again=True)
        # Where the script lies on this machine says nothing to the user.
        raise type(error)(str(error).replace(f"{path.parent}/", "")) from None


def solve_candidate_band(
    methods: Methods,
    meshes: Timed[tuple[Mesh, ...]],
    number: int,
    band: Band,
    settings: SolveSettings,
    earlier: EarlierAnswers | None = None,
    kept: KeptSystems | None = None,
) -> Timed[BandResult]:
    """Solve one band of one candidate on the mesh that was made for it."""
    start = time.perf_counter()
    reused: dict[str, Any] = {} if kept is None else {"kept": kept}
    if earlier is not None:
        reused |= {"earlier": earlier, "is_look": settings.is_look}
    result = methods.solve_band(
        meshes.value[number],
        settings.motions,
        band,
        air=settings.air,
        directions=directions().only(settings.directions).vectors,
        absorbers=settings.absorbers,
        symmetry=settings.symmetry,
        engine=settings.engine,
        quality=settings.quality,
        without_card=settings.without_card,
        microphones_m=settings.microphones_m,
        keep_surface=settings.keep_surface,
        keep_profiles=settings.keep_profiles,
        **reused,
    )
    return Timed(value=result, seconds=time.perf_counter() - start)
