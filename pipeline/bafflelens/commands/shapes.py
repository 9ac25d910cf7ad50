# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes to look at: a candidate, a target, a folder of shapes, the faces of a CAD file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter
from rich.text import Text

from bafflelens.base.shipped import found_or_shipped
from bafflelens.commands.console import ConsoleProgress, new_table, say, show_table
from bafflelens.commands.options import FINE, JobFile

if TYPE_CHECKING:
    from bafflelens.report.drawing import SolidFacts


JobOrRun = Annotated[
    Path,
    Parameter(
        help="Job file (TOML), or the folder of a run.",
        converter=lambda _, tokens: found_or_shipped(Path(tokens[0].value)),
    ),
]


def draw(
    job: JobOrRun,
    /,
    *,
    candidate: Annotated[
        str, Parameter(help="Id of a candidate of the job or run, or baseline.")
    ] = "c001",
    out: Annotated[Path, Parameter(help="Folder for the pictures.")] = Path(),
) -> int:
    """Draw a candidate: in space, in dimensioned sections, and its mesh at the top of the band."""
    from bafflelens.job.job_file import load_job
    from bafflelens.report.dimension_lines import by_part
    from bafflelens.report.drawing import draw_candidate, write_drawing
    from bafflelens.store import is_run, open_run

    if is_run(job):
        folder = open_run(job)
        loaded, known = folder.load_job(), folder.candidates()
    else:
        loaded, known = load_job(job), None
    drawing = draw_candidate(loaded, candidate, ConsoleProgress(), known)
    written = write_drawing(drawing, out, f"{job.resolve().stem}_{candidate}")
    for line in by_part(drawing.dimensions):
        say(line)
    _print_solid(drawing.solid)
    for path in written:
        say(f"picture: {path}")
    return FINE


def shapes(
    folder: Annotated[Path, Parameter(help="Folder of geometry scripts.")] = Path("geometries"),
    /,
    *,
    page: Annotated[Path, Parameter(help="Page with thumbnails to write.")] = Path("shapes.html"),
) -> int:
    """List all shapes of a folder and write a page with their pictures and parameters."""
    from bafflelens.report.gallery import collect_shapes, show_shapes
    from bafflelens.store import write_file

    folder = found_or_shipped(folder)
    found = collect_shapes(folder)
    for shape in found:
        say(f"{shape.name:18} {shape.summary}")
    content = show_shapes(found, ConsoleProgress())
    write_file(page, content.encode("utf-8"), replace_existing=True)
    say(f"scripts to copy: {folder}")
    say(f"page: {page}")
    return FINE


def target(
    job: JobFile,
    /,
    *,
    out: Annotated[Path, Parameter(help="Picture to write: .png, .pdf or .svg.")],
) -> int:
    """Draw on one page what a job's target asks: angles, delays and levels over frequency."""
    from bafflelens.job.job_file import load_job
    from bafflelens.report.target_file import target_file
    from bafflelens.store import write_file

    picture = target_file(load_job(job), out.suffix.removeprefix(".").lower())
    write_file(out, picture, replace_existing=True)
    say(f"target: {out}")
    return FINE


def faces(step: Annotated[Path, Parameter(help="CAD file in STEP.")], /) -> int:
    """List unit, size and faces of a CAD file, for the declaration that names them."""
    from bafflelens.shapes.cad.step_faces import faces_of_file

    size, found = faces_of_file(step)
    say(f"{step.name}: {size}")
    table = new_table("Faces", "number", "name", "kind", "area cm^2", "a point on it, mm")
    for number, face in enumerate(found, start=1):
        point = ", ".join(f"{round(value, 3) + 0.0:.7g}" for value in face.point_mm)
        area = f"{face.area_m2 * 1e4:.2f}"
        table.add_row(str(number), face.name or "-", face.kind, area, Text(f"[{point}]"))
    show_table(table)
    return FINE


def _print_solid(solid: SolidFacts) -> None:
    """Print volume, areas and mesh of a drawn shape."""
    lines = [
        f"volume {solid.volume_m3 * 1e3:.2f} l, area {solid.area_m2 * 1e4:.0f} cm2",
        "  ".join(f"{name} {area * 1e4:.1f} cm2" for name, area in solid.areas_m2.items()),
        f"{solid.n_triangles} triangles for {solid.frequency_hz:.0f} Hz"
        f"{' (the kept half)' if solid.is_half else ''}, "
        f"elements a wavelength {solid.fewest_elements:.1f} to {solid.most_elements:.1f}, "
        f"smallest angle {solid.smallest_angle_deg:.1f} deg",
    ]
    for line in lines:
        say(line)
