# SPDX-License-Identifier: GPL-3.0-or-later
"""Geometry scripts: load one by path, check its parameters, and have it meshed.

A script (see ``geometries/README.md``) is a plain Python file, not part of any package. It is
read anew by whoever needs it, always from its path: a path and plain numbers can be sent to
another process, functions of the script cannot. gmsh keeps one global model a process and can
hang or crash on a bad shape, so meshing runs in a process of its own
(`bafflelens.shapes.meshing.mesher`).
"""

from __future__ import annotations

import dataclasses
import difflib
import importlib.machinery
import importlib.util
import json
import math
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from bafflelens.base import child_process
from bafflelens.base.errors import GeometryError, InputError, MeshingError, invalid
from bafflelens.base.reading import is_file
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.source_motion import MOTIONS, SourceMotion
from bafflelens.mesh.surface_names import SURFACE_KINDS, surface_kind
from bafflelens.shapes.cad.declaration import (
    ImportedSolid,
    MeshedBody,
    ScannedSolid,
    companions,
    is_declaration,
    read_declaration,
)
from bafflelens.shapes.cad.step_solid import build_imported, sources_of
from bafflelens.shapes.meshing.mesh_morph import Deviation, laid_on

if TYPE_CHECKING:
    from bafflelens.mesh.absorbers import Absorber

_SYSTEM_PACKAGES: Final = "libgl1 libglu1-mesa libgomp1 libxft2 libxcursor1 libxinerama1"
_PRIVATE_NAME: Final = "_bafflelens_geometry_script"
_LOADING: Final = threading.RLock()
_PIECES: Final = ("Parameters", "SYMMETRY", "check", "build", "sources")
_SMALL_ANGLE_DEG: Final = 10.0
_SMALL_ANGLE_SHARE: Final = 0.01  # more spoils the integrals; shipped shapes stay near 0.001


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One number that a shape can be given.

    Attributes
    ----------
    key : str
        Part and name, for instance ``lens.opening_height_mm``.
    unit : str
        ``mm``, ``deg`` ..., as at the end of the key.
    default, low, high : float
        Default and range, in that unit.
    help : str
        What it is, in a few words.
    """

    key: str
    unit: str
    default: float
    low: float
    high: float
    help: str


@dataclass(frozen=True, kw_only=True)
class Shape:
    """What a geometry script offers.

    Attributes
    ----------
    script : Path
        The script.
    name : str
        Its file name without ending.
    summary : str
        First line of its docstring.
    symmetry : tuple of {"x", "y", "z"}
        Planes of mirror symmetry; only the half on the positive side is meshed.
    parameters : tuple of Parameter
        All parameters, grouped by part in the script's order.
    companions : tuple of Path
        Files beside the script that it cannot do without.
    """

    script: Path
    name: str
    summary: str
    symmetry: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    companions: tuple[Path, ...] = ()

    @property
    def defaults(self) -> dict[str, float]:
        """Default value of every parameter by key."""
        return {parameter.key: parameter.default for parameter in self.parameters}


def load_shape(script: Path) -> Shape:
    """Read a geometry script and list what it offers.

    Parameters
    ----------
    script : Path
        The script, a Python file.

    Raises
    ------
    GeometryError
        If the script is missing, does not load or lacks a piece; the message names file, line
        and cause.
    """
    module = load_script(script)
    symmetry = module.SYMMETRY
    if not isinstance(symmetry, tuple) or not set(symmetry) <= {"x", "y", "z"}:
        rule = "a tuple of 'x', 'y', 'z', such as ('y',) or ()"
        raise GeometryError(f"{script}: " + invalid("SYMMETRY", symmetry, rule))
    summary = (module.__doc__ or "").strip().split("\n")[0]
    if not summary:
        rule = "a line that says what the shape is"
        raise GeometryError(f"{script}: " + invalid("docstring", "", rule))
    return Shape(
        script=script,
        name=script.stem,
        summary=summary,
        symmetry=symmetry,
        parameters=_parameters_of(module, script),
        companions=tuple(getattr(module, "COMPANIONS", ())),
    )


def check_parameters(shape: Shape, values: Mapping[str, float]) -> list[str]:
    """Return every fault of a set of parameter values, one line each; none if it can be built.

    Parameters
    ----------
    shape : Shape
        The shape that the values are for.
    values : mapping of str to float
        Values by key; a parameter that is left out has its default.

    Returns
    -------
    list of str
        Unknown keys (the nearest one suggested) and values that are no numbers or out of range;
        if there are none, the rules of the script itself that are broken.
    """
    known = {parameter.key: parameter for parameter in shape.parameters}
    faults = []
    for key, value in values.items():
        if key not in known:
            nearest = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            choice = f"perhaps '{nearest[0]}'" if nearest else "one of " + ", ".join(known)
            faults.append(invalid("parameter", key, f"a parameter of {shape.name}: {choice}"))
            continue
        parameter = known[key]
        rule = f"from {parameter.low:g} to {parameter.high:g} {parameter.unit}"
        if isinstance(value, bool) or not isinstance(value, (int, float, np.number)):
            faults.append(invalid(f"parameter '{key}'", value, f"a number {rule}"))
        elif not parameter.low <= value <= parameter.high:
            faults.append(invalid(f"parameter '{key}'", f"{value:g} {parameter.unit}", rule))
    if faults:
        return faults
    module = load_script(shape.script)
    return [
        str(fault) for fault in _call(shape.script, module.check, fill_parameters(module, values))
    ]


def source_motions(shape: Shape, values: Mapping[str, float]) -> tuple[SourceMotion, ...]:
    """Return how the moving surfaces of a shape move.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Parameter values by key; a parameter that is left out has its default.
    """
    return _motions_in(load_script(shape.script), shape, values)


def motions_and_absorbers(
    shape: Shape, values: Mapping[str, float]
) -> tuple[tuple[SourceMotion, ...], dict[str, Absorber]]:
    """Return `source_motions` and `surface_absorbers`; the script is executed once for both."""
    module = load_script(shape.script)
    return _motions_in(module, shape, values), _absorbers_in(module, shape, values)


def _motions_in(
    module: ModuleType, shape: Shape, values: Mapping[str, float]
) -> tuple[SourceMotion, ...]:
    listed = _call(shape.script, module.sources, fill_parameters(module, values))
    try:
        return tuple(_source_motion(entry, shape.script) for entry in listed)
    except (KeyError, TypeError, ValueError) as error:
        names = ", ".join(field.name for field in dataclasses.fields(SourceMotion))
        message = invalid(
            "result of sources()", f"{type(error).__name__}: {error}", f"dicts with {names}"
        )
        msg = f"{shape.script}: {message}"
        raise GeometryError(msg) from error


def surface_absorbers(shape: Shape, values: Mapping[str, float]) -> dict[str, Absorber]:
    """Return what covers the surfaces of a shape, by name; empty if its script states nothing.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Parameter values by key; a parameter that is left out has its default.

    Raises
    ------
    GeometryError
        If ``absorbers()`` returns something else than `geometries/README.md` says.
    """
    return _absorbers_in(load_script(shape.script), shape, values)


def _absorbers_in(
    module: ModuleType, shape: Shape, values: Mapping[str, float]
) -> dict[str, Absorber]:
    if not hasattr(module, "absorbers"):
        return {}
    # Not at the top: the mesher imports this module, and needs no solver.
    from bafflelens.mesh.absorbers import PorousLayer
    from bafflelens.mesh.surface_tables import ADMITTANCE_COLUMNS, admittance_table, rows_of

    where = f"{shape.script}: absorbers()"
    try:
        found: dict[str, Absorber] = {}
        for name, entry in dict(
            _call(shape.script, module.absorbers, fill_parameters(module, values))
        ).items():
            if "admittance_table" in entry:
                rows = rows_of(entry["admittance_table"], ADMITTANCE_COLUMNS, where)
                found[str(name)] = admittance_table(rows, where)
            else:
                found[str(name)] = PorousLayer(
                    thickness_m=float(entry["thickness_m"]),
                    flow_resistivity=float(entry["flow_resistivity_pa_s_m2"]),
                    incidence=entry.get("incidence", PorousLayer.incidence),
                )
        return found
    except (KeyError, TypeError, ValueError) as error:
        rule = (
            "a dict of surfaces, each a dict with thickness_m and flow_resistivity_pa_s_m2 or "
            "with admittance_table"
        )
        message = invalid("result of absorbers()", f"{type(error).__name__}: {error}", rule)
        msg = f"{shape.script}: {message}"
        raise GeometryError(msg) from error
    except InputError as error:
        raise GeometryError([f"{where}: {fault}" for fault in error.faults]) from error


def _source_motion(entry: Mapping[str, Any], script: Path) -> SourceMotion:
    """Return one source from what a script says of it."""
    from bafflelens.mesh.surface_tables import VELOCITY_COLUMNS, rows_of, velocity_table

    motion, table, where = entry.get("motion", "axial"), None, f"{script}: sources()"
    if motion not in MOTIONS:
        rule = "one of " + ", ".join(MOTIONS)
        raise GeometryError(f"{where}: " + invalid("motion", motion, rule))
    if entry.get("velocity_table") is not None:
        try:
            rows = rows_of(entry["velocity_table"], VELOCITY_COLUMNS, where)
            table = velocity_table(rows, where)
        except InputError as error:
            raise GeometryError(error.faults) from error
    return SourceMotion(
        name=str(entry["name"]),
        axis=_three(entry["axis"]),
        centre=_three(entry["centre"]),
        piston_surfaces=tuple(entry["piston_surfaces"]),
        taper_surfaces=tuple(entry["taper_surfaces"]),
        inner_radius_m=float(entry["inner_radius_m"]),
        outer_radius_m=float(entry["outer_radius_m"]),
        motion=motion,
        table=table,
    )


def mesh_shape(
    shape: Shape,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    time_limit_s: float,
) -> tuple[Mesh, ...]:
    """Mesh a shape at several sizes, in a process of its own.

    The solid is built once and meshed for each size. The process is killed when the time is up.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Parameter values by key; a parameter that is left out has its default.
    sizes : sequence of MeshSize
        One mesh is made for each.
    time_limit_s : float
        Time for all of them together, in s.

    Returns
    -------
    tuple of Mesh
        One mesh for each size, of the kept half if the shape is symmetric. Each is closed (but
        for the mirror planes), faces outwards and has known surface names.

    Raises
    ------
    GeometryError
        If the values break a rule of the shape.
    MeshingError
        If gmsh cannot mesh it, takes too long or is not installed completely.
    """
    faults = check_parameters(shape, values)
    if faults:
        raise GeometryError(faults)
    with tempfile.TemporaryDirectory(prefix="bafflelens_mesh_") as name:
        folder = Path(name)
        request = {
            "script": str(shape.script.resolve()),
            "values": {key: float(value) for key, value in values.items()},
            "sizes": [dataclasses.asdict(size) for size in sizes],
            "time_limit_s": time_limit_s,
        }
        _run_mesher(folder, shape.name, request, time_limit_s)
        meshes = tuple(Mesh.load(folder / f"mesh_{n}.npz") for n in range(len(sizes)))
    for mesh in meshes:
        _require_sound(mesh, shape)
    return meshes


def require_gmsh() -> None:
    """Raise unless gmsh can be loaded.

    Raises
    ------
    MeshingError
        With the command that installs what is missing.
    """
    with tempfile.TemporaryDirectory(prefix="bafflelens_mesh_") as name:
        _run_mesher(Path(name), "none", {}, 60.0)


def gmsh_missing(error: Exception) -> str:
    """Return one line that says how to install what ``import gmsh`` lacks.

    Parameters
    ----------
    error : Exception
        What the import raised.
    """
    rule = (
        f"complete ({error}); on Debian or Ubuntu the system libraries come with: "
        f"apt-get install --no-install-recommends {_SYSTEM_PACKAGES}"
    )
    return invalid("installation", "gmsh", rule)


def load_script(script: Path) -> ModuleType:
    """Execute a geometry script, or read a declaration, and return it as a module.

    Parameters
    ----------
    script : Path
        The script, a Python file; or a declaration, a TOML file.

    Raises
    ------
    GeometryError
        If it is missing, raises while loading, or lacks a piece.
    MeshingError
        If it imports gmsh and gmsh is not installed completely.
    """
    if is_declaration(script):
        return _declared(script)
    if not is_file(script):
        raise GeometryError(invalid("geometry script", script, "an existing Python file"))
    loader = importlib.machinery.SourceFileLoader(_PRIVATE_NAME, str(script))
    spec = importlib.util.spec_from_loader(_PRIVATE_NAME, loader)
    assert spec is not None  # it always makes one for a loader with a path
    module = importlib.util.module_from_spec(spec)
    with _LOADING:  # the name is the same for all
        # Dataclasses look their module up by name while they are made; afterwards nothing does.
        before = sys.modules.get(_PRIVATE_NAME)
        sys.modules[_PRIVATE_NAME] = module
        try:
            # Compiled from source each time: a cached file could be stale, and would litter.
            code = loader.source_to_code(loader.get_data(str(script)), str(script))
            exec(code, module.__dict__)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a script may raise anything, SystemExit too
            if isinstance(error, OSError) and _raised_in(error, "gmsh.py"):
                raise MeshingError(gmsh_missing(error)) from error
            raise GeometryError(_script_fault(script, error)) from error
        finally:
            if before is None:
                del sys.modules[_PRIVATE_NAME]
            else:
                sys.modules[_PRIVATE_NAME] = before
    missing = [piece for piece in _PIECES if not hasattr(module, piece)]
    if missing:
        rule = "a script that defines " + ", ".join(_PIECES)
        value = f"{script}' without '{', '.join(missing)}"
        raise GeometryError(invalid("geometry script", value, rule))
    return module


def _declared(path: Path) -> ModuleType:
    """Return what a declaration says as the module that a script with its content would be.

    Beside the pieces of a script it has ``COMPANIONS``, the files that it needs, and for a
    scanned model ``BUILT_SYMMETRY`` and ``finish``, which turns a mesh of the nominal shape
    into one of the clay.
    """

    @dataclass(frozen=True)
    class Parameters:
        """A solid that was made elsewhere has none."""

    declaration = read_declaration(path)
    module = ModuleType(_PRIVATE_NAME, declaration.title)
    pieces: dict[str, Any] = {
        "Parameters": Parameters,
        "SYMMETRY": (),
        "COMPANIONS": companions(path, declaration),
        "check": lambda parameters: [],
    }
    match declaration:
        case ImportedSolid():
            pieces["build"] = lambda model, parameters: build_imported(model, path, declaration)
            pieces["sources"] = lambda parameters: sources_of(declaration)
        case MeshedBody():
            pieces["sources"] = lambda parameters: sources_of(declaration)
            pieces["body_at"] = lambda sizes: _bodies(path, declaration, sizes)
        case ScannedSolid():
            pieces |= _scanned_pieces(path, declaration)
    module.__dict__.update(pieces)
    return module


def _bodies(path: Path, declaration: MeshedBody, sizes: Sequence[MeshSize]) -> Iterator[Mesh]:
    from bafflelens.shapes.cad.mesh_body import body_at, read_body  # loads the compiler

    body, motions = read_body(path, declaration), sources_of(declaration)
    return (body_at(body, motions, size) for size in sizes)


def _scanned_pieces(path: Path, declaration: ScannedSolid) -> dict[str, Any]:
    """Return the pieces of a scanned model: the nominal shape's, laid onto the clay."""
    script = path.parent / declaration.nominal
    nominal = load_script(script)
    shape = load_shape(script)
    faults = check_parameters(shape, declaration.values)
    if faults:
        raise GeometryError([f"{path}: {fault}" for fault in faults])
    filled = fill_parameters(nominal, declaration.values)

    # What a scanned nominal shape keeps, it was built with; the rest it has mirrored itself.
    built = getattr(nominal, "BUILT_SYMMETRY", nominal.SYMMETRY)
    lost = set(declaration.symmetry) - set(nominal.SYMMETRY)
    if lost:
        rule = "planes in which the nominal shape is mirrored"
        msg = f"{path}: " + invalid("key 'symmetry'", ", ".join(sorted(lost)), rule)
        raise GeometryError(msg)

    def finish(mesh: Mesh) -> Mesh:
        if hasattr(nominal, "finish"):
            mesh = nominal.finish(mesh)
        for plane in nominal.SYMMETRY:
            if plane not in declaration.symmetry:
                mesh = mesh.mirrored(plane)
        return laid_on(mesh, Deviation.load(path.parent / declaration.deviation))

    pieces: dict[str, Any] = {}
    if hasattr(nominal, "absorbers"):
        pieces["absorbers"] = lambda parameters: nominal.absorbers(filled)
    return pieces | {
        "COMPANIONS": (*companions(path, declaration), *shape.companions),
        "SYMMETRY": declaration.symmetry,
        "BUILT_SYMMETRY": built,
        "build": lambda model, parameters: nominal.build(model, filled),
        "sources": lambda parameters: nominal.sources(filled),
        "finish": finish,
    }


def script_line(script: Path, error: BaseException) -> int | None:
    """Return the line of a script in which an exception arose, if it arose there.

    Parameters
    ----------
    script : Path
        The script.
    error : BaseException
        The exception.
    """
    if isinstance(error, SyntaxError) and error.filename == str(script):
        return error.lineno
    frames = traceback.extract_tb(error.__traceback__)
    return next((f.lineno for f in reversed(frames) if f.filename == str(script)), None)


def fill_parameters(module: ModuleType, values: Mapping[str, float]) -> Any:
    """Return the script's ``Parameters`` with values filled in by key.

    Parameters
    ----------
    module : module
        A loaded script.
    values : mapping of str to float
        Values by key; a parameter that is left out has its default.
    """

    def filled(part: Any, prefix: str) -> Any:
        changes: dict[str, Any] = {}
        for field in dataclasses.fields(part):
            current = getattr(part, field.name)
            key = prefix + field.name
            if dataclasses.is_dataclass(current):
                changes[field.name] = filled(current, key + ".")
            elif key in values:
                changes[field.name] = float(values[key])
        return dataclasses.replace(part, **changes)

    return filled(module.Parameters(), "")


def _parameters_of(module: ModuleType, script: Path) -> tuple[Parameter, ...]:
    """Return all leaf fields of a script's ``Parameters``."""

    def leaves(part: Any, prefix: str) -> list[Parameter]:
        found = []
        for field in dataclasses.fields(part):
            value = getattr(part, field.name)
            key = prefix + field.name
            if dataclasses.is_dataclass(value):
                found += leaves(value, key + ".")
                continue
            try:
                low, high = (float(bound) for bound in field.metadata["range"])
                unit = str(field.metadata["unit"])
                text = str(field.metadata["help"])
                default = float(value)
            except (KeyError, TypeError, ValueError) as error:
                rule = "a number with metadata 'unit', 'range' (low, high) and 'help'"
                msg = f"{script}: {invalid('parameter', key, rule)}"
                raise GeometryError(msg) from error
            if not low <= default <= high:
                rule = f"in its own range, {low:g} to {high:g} {unit}"
                msg = f"{script}: {invalid(f'default of {key!r}', f'{default:g}', rule)}"
                raise GeometryError(msg)
            found.append(
                Parameter(key=key, unit=unit, default=default, low=low, high=high, help=text)
            )
        return found

    parameters = _call(script, module.Parameters)
    if not dataclasses.is_dataclass(parameters):
        rule = "a dataclass"
        msg = f"{script}: {invalid('piece', 'Parameters', rule)}"
        raise GeometryError(msg)
    return tuple(leaves(parameters, ""))


def _call(script: Path, function: Callable[..., Any], *arguments: Any) -> Any:
    """Call a function of a script; whatever it raises becomes one line about the script."""
    try:
        return function(*arguments)
    except Exception as error:
        raise GeometryError(_script_fault(script, error)) from error


def _script_fault(script: Path, error: BaseException) -> str:
    """Return one line with file, line and cause."""
    text = error.msg if isinstance(error, SyntaxError) else str(error)
    cause = " ".join(f"{type(error).__name__}: {text}".split())
    line = script_line(script, error)
    where = f"{script}, line {line}" if line else str(script)
    return f"{where}: {invalid('geometry script', cause, 'Python code that runs')}"


def _raised_in(error: BaseException, file_name: str) -> bool:
    """Return whether an exception passed through a file of this name."""
    frames = traceback.extract_tb(error.__traceback__)
    return any(Path(frame.filename).name == file_name for frame in frames)


def _three(values: Sequence[float]) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z


def _run_mesher(folder: Path, name: str, request: Mapping[str, Any], time_limit_s: float) -> None:
    """Run the mesher in a folder; whatever goes wrong there is one line here."""
    (folder / "request.json").write_text(json.dumps(request))
    ended = child_process.run_module("bafflelens.shapes.meshing.mesher", folder, time_limit_s)
    if not ended:
        return
    try:
        fault = str(json.loads((folder / "fault.json").read_text())["fault"])
    except (OSError, ValueError, KeyError):
        fault = invalid("shape", name, f"one that can be meshed; the mesher ended with {ended}")
    raise MeshingError(fault)


def _require_sound(mesh: Mesh, shape: Shape) -> None:
    """Raise unless a mesh is sound.

    Closed, outward, of known names, with few slivers, and nowhere crossing itself.
    """
    unknown = [name for name in np.unique(mesh.surface).tolist() if not surface_kind(name)]
    if unknown:
        rule = "one of " + ", ".join(SURFACE_KINDS)
        raise MeshingError(invalid("surface", ", ".join(unknown), rule))
    mesh.require_closed(shape.symmetry)
    share = float((mesh.smallest_angles_deg < _SMALL_ANGLE_DEG).mean())
    if not math.isfinite(share) or share > _SMALL_ANGLE_SHARE:
        value = f"{share:.1%} of {mesh.n_triangles} triangles under {_SMALL_ANGLE_DEG:g} degrees"
        raise MeshingError(invalid("mesh", value, f"at most {_SMALL_ANGLE_SHARE:.0%}"))
    crossing = crossing_triangles(mesh)
    if len(crossing):
        x, y, z = mesh.centroids[crossing[0]].mean(axis=0) * 1e3
        value = (
            f"{len(crossing)} pairs of triangles that cross, the first at "
            f"({x:.1f}, {y:.1f}, {z:.1f}) mm"
        )
        raise MeshingError(invalid("mesh", value, "a surface that does not meet itself"))
