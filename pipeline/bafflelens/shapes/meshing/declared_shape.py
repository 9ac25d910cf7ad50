# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes by declaration: a STEP file, a triangle mesh or a clay model in place of a script."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bafflelens.base.errors import GeometryError, invalid
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.cad.declaration import (
    ImportedSolid,
    MeshedBody,
    ScannedSolid,
    companions,
)
from bafflelens.shapes.cad.step_solid import build_imported, sources_of
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation, laid_on
from bafflelens.shapes.meshing.parameters import (
    broken_rules,
    fill_parameters,
    shape_of,
    value_faults,
)
from bafflelens.shapes.meshing.shape_script import (
    ShapeScript,
    absorbers_of,
    built_symmetry,
    companions_of,
    finished,
)


@dataclass(frozen=True)
class NoParameters:
    """A solid that was made elsewhere has none."""


class DeclaredShape(ABC):
    """What a declaration says, as a script with its content would.

    Parameters
    ----------
    title : str
        What the shape is.
    needed : tuple of Path
        Files beside the declaration that it cannot do without.
    """

    Parameters: Callable[[], Any] = NoParameters

    def __init__(self, title: str, needed: tuple[Path, ...]) -> None:
        self.__doc__ = title
        self.COMPANIONS = needed
        self.SYMMETRY: tuple[str, ...] = ()

    def check(self, parameters: object) -> Sequence[str]:
        """Return no rules: there are no parameters."""
        return ()

    @abstractmethod
    def build(self, model: Any, parameters: object) -> None:
        """Add the surface to a gmsh model and name its parts."""

    @abstractmethod
    def sources(self, parameters: object) -> list[dict[str, Any]]:
        """Return what moves."""


class DeclaredSolid(DeclaredShape):
    """A STEP file."""

    def __init__(self, path: Path, declaration: ImportedSolid) -> None:
        super().__init__(declaration.title, companions(path, declaration))
        self._path, self._declaration = path, declaration

    def build(self, model: Any, parameters: object) -> None:
        """Import the solid, lay it into the reference frame and name its faces."""
        build_imported(model, self._path, self._declaration)

    def sources(self, parameters: object) -> list[dict[str, Any]]:
        """Return what moves."""
        return sources_of(self._declaration)


class DeclaredBody(DeclaredShape):
    """A closed triangle mesh: it is divided, never built."""

    def __init__(self, path: Path, declaration: MeshedBody) -> None:
        super().__init__(declaration.title, companions(path, declaration))
        self._path, self._declaration = path, declaration

    def build(self, model: Any, parameters: object) -> None:
        """Refuse: triangles are no solid."""
        rule = "a script or a STEP file where a solid is built: a triangle mesh is none"
        raise GeometryError(invalid("shape", self._path, rule))

    def sources(self, parameters: object) -> list[dict[str, Any]]:
        """Return what moves."""
        return sources_of(self._declaration)

    def body_at(self, sizes: Sequence[MeshSize]) -> Iterator[Mesh]:
        """Return the mesh at each size."""
        from bafflelens.shapes.cad.mesh_body import body_at, read_body  # loads the compiler

        body, motions = read_body(self._path, self._declaration), sources_of(self._declaration)
        return (body_at(body, motions, size) for size in sizes)


class DeclaredScan(DeclaredShape):
    """A clay model: the nominal shape, laid onto the clay.

    Parameters
    ----------
    path : Path
        The declaration.
    declaration : ScannedSolid
        What it says.
    nominal : ShapeScript
        The nominal shape, loaded.
    """

    def __init__(self, path: Path, declaration: ScannedSolid, nominal: ShapeScript) -> None:
        shape = shape_of(nominal, path.parent / declaration.nominal)
        values = declaration.values
        faults = value_faults(shape, values) or broken_rules(nominal, shape, values)
        if faults:
            raise GeometryError([f"{path}: {fault}" for fault in faults])
        lost = set(declaration.symmetry) - set(nominal.SYMMETRY)
        if lost:
            rule = "planes in which the nominal shape is mirrored"
            msg = f"{path}: " + invalid("key 'symmetry'", ", ".join(sorted(lost)), rule)
            raise GeometryError(msg)
        needed = (*companions(path, declaration), *companions_of(nominal))
        super().__init__(declaration.title, needed)
        self._nominal = nominal
        self._filled = fill_parameters(nominal, values)
        self._deviation = path.parent / declaration.deviation
        self.SYMMETRY = declaration.symmetry
        # What a scanned nominal shape keeps, it was built with; the rest it has mirrored itself.
        self.BUILT_SYMMETRY = built_symmetry(nominal)

    def build(self, model: Any, parameters: object) -> None:
        """Build the nominal shape."""
        self._nominal.build(model, self._filled)

    def sources(self, parameters: object) -> list[dict[str, Any]]:
        """Return what moves: the nominal shape's."""
        return self._nominal.sources(self._filled)

    def absorbers(self, parameters: object) -> Mapping[str, Mapping[str, Any]]:
        """Return what covers surfaces: the nominal shape's."""
        return absorbers_of(self._nominal, self._filled)

    def carved(self) -> SurfaceDeviation | None:
        """Return what was carved; None of a clay model that was scanned."""
        deviation = SurfaceDeviation.load(self._deviation)
        return deviation if deviation.field is not None else None

    def finish(self, mesh: Mesh) -> Mesh:
        """Return the clay's mesh from one of the nominal shape."""
        lost = [plane for plane in self._nominal.SYMMETRY if plane not in self.SYMMETRY]
        mesh = finished(self._nominal, mesh).whole(lost)
        return laid_on(mesh, SurfaceDeviation.load(self._deviation))
