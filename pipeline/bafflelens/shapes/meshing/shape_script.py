# SPDX-License-Identifier: GPL-3.0-or-later
"""What a geometry script is to the program: a module read from a path, as it is there now.

A script (see ``geometries/README.md``) is a plain Python file, not part of any package. It is
read by whoever needs it, always from its path: a path and plain numbers can be sent to another
process, functions of the script cannot.
"""

from __future__ import annotations

import importlib.machinery
import importlib.util
import sys
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any, Final, Protocol, cast

from bafflelens.base.errors import GeometryError, MeshingError, invalid
from bafflelens.base.reading import is_file
from bafflelens.mesh.mesh import Mesh

_SYSTEM_PACKAGES: Final = "libgl1 libglu1-mesa libgomp1 libxft2 libxcursor1 libxinerama1"
_PRIVATE_NAME: Final = "_bafflelens_geometry_script"
_LOADING: Final = threading.RLock()
_KEPT: Final = 32  # scripts
_PIECES: Final = ("Parameters", "SYMMETRY", "check", "build", "sources")


class ShapeScript(Protocol):
    """What a geometry script defines: its module as it is, or a `DeclaredShape` in its place.

    Attributes
    ----------
    Parameters : callable
        The dataclass of all parameters, each with its default.
    SYMMETRY : tuple of {"x", "y", "z"}
        Planes of mirror symmetry.

    Notes
    -----
    ``absorbers`` and ``resolved`` may be missing, and but for declarations ``COMPANIONS``,
    ``BUILT_SYMMETRY`` and ``finish`` are: `absorbers_of` and the functions after it know what
    holds then.
    """

    Parameters: Callable[[], Any]
    SYMMETRY: tuple[str, ...]

    def check(self, parameters: Any, /) -> Sequence[str]:
        """Return the rules between parameters that are broken."""

    def build(self, model: Any, parameters: Any, /) -> None:
        """Add the surface to a gmsh model and name its parts."""

    def sources(self, parameters: Any, /) -> list[dict[str, Any]]:
        """Return what moves."""


def absorbers_of(script: ShapeScript, parameters: Any) -> Mapping[str, Mapping[str, Any]]:
    """Return what covers surfaces, as the script says it; nothing if it says nothing."""
    return script.absorbers(parameters) if hasattr(script, "absorbers") else {}


def resolved_by(script: ShapeScript, parameters: Any) -> Mapping[str, float | None]:
    """Return what is built otherwise than given, as the script says it; nothing if it does not."""
    return script.resolved(parameters) if hasattr(script, "resolved") else {}


def companions_of(script: ShapeScript) -> tuple[Path, ...]:
    """Return the files beside a script that it cannot do without."""
    return tuple(getattr(script, "COMPANIONS", ()))


def built_symmetry(script: ShapeScript) -> tuple[str, ...]:
    """Return the planes that `build` leaves out the other side of.

    A clay model is no mirror image of itself, even if its nominal shape is built by halves.
    """
    return getattr(script, "BUILT_SYMMETRY", script.SYMMETRY)


def finished(script: ShapeScript, mesh: Mesh) -> Mesh:
    """Return the mesh of the shape from one of what `build` builds."""
    return script.finish(mesh) if hasattr(script, "finish") else mesh


def execute_script(script: Path) -> ShapeScript:
    """Execute a geometry script, a Python file, and return its module.

    Raises
    ------
    GeometryError
        If it is missing, raises while loading, or lacks a piece.
    MeshingError
        If it imports gmsh and gmsh is not installed completely.
    """
    if not is_file(script):
        raise GeometryError(invalid("geometry script", script, "an existing Python file"))
    try:
        content = script.read_bytes()
    except OSError as error:
        raise GeometryError(script_fault(script, error)) from error
    module = _executed(script, content)
    missing = [piece for piece in _PIECES if not hasattr(module, piece)]
    if missing:
        rule = "a script that defines " + ", ".join(_PIECES)
        value = f"{script}' without '{', '.join(missing)}"
        raise GeometryError(invalid("geometry script", value, rule))
    return cast(ShapeScript, module)


@lru_cache(maxsize=_KEPT)
def _executed(script: Path, content: bytes) -> ModuleType:
    """Execute a script with this content; what was is not executed again.

    A hundred candidates are checked by one script, and to make its dataclasses takes as long as
    to check ten of them.
    """
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
            exec(loader.source_to_code(content, str(script)), module.__dict__)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a script may raise anything, SystemExit too
            if isinstance(error, OSError) and _raised_in(error, "gmsh.py"):
                raise MeshingError(gmsh_missing(error)) from error
            raise GeometryError(script_fault(script, error)) from error
        finally:
            if before is None:
                del sys.modules[_PRIVATE_NAME]
            else:
                sys.modules[_PRIVATE_NAME] = before
    return module


def call_script(script: Path, function: Callable[..., Any], *arguments: Any) -> Any:
    """Call a function of a script; whatever it raises becomes one line about the script."""
    try:
        return function(*arguments)
    except Exception as error:
        raise GeometryError(script_fault(script, error)) from error


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


def script_fault(script: Path, error: BaseException) -> str:
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
