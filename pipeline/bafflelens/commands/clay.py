# SPDX-License-Identifier: GPL-3.0-or-later
"""A mock-up: its scan, its measurement, and both against the computer; directivities."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bafflelens.base.errors import InputError, invalid
from bafflelens.commands.console import ConsoleProgress, say
from bafflelens.commands.options import FINE, Folder, prepare_compiler, require_beside


def scan(
    scan_file: Annotated[Path, Parameter(help="The scanner's file: STL, PLY or OBJ.")],
    /,
    *,
    nominal: Annotated[Path, Parameter(help="Job file or run folder with the nominal shape.")],
    out: Annotated[Path, Parameter(help="Folder to make.")],
    candidate: Annotated[str, Parameter(help="Which shape of the job was modelled.")] = "baseline",
    unit: Annotated[str, Parameter(help="Unit of the file: mm, cm, m or inch.")] = "mm",
    marks: Annotated[Path | None, Parameter(help="TOML file of marks that tell the pose.")] = None,
    refine: Annotated[
        bool, Parameter(help="Refine the pose from the marks by registration.")
    ] = False,
) -> int:
    """Make a candidate of the scan of a clay model and map its deviation."""
    from bafflelens.mockup.scan.clay import take_scan
    from bafflelens.mockup.scan.clay_model import ClayScanRequest
    from bafflelens.mockup.scan.nominal import nominal_shape

    shape, values = nominal_shape(nominal, candidate)
    if refine and marks is None:
        raise InputError(invalid("option '--refine'", "without marks", "given with '--marks'"))
    request = ClayScanRequest(
        scan=scan_file,
        shape=shape,
        values=values,
        nominal_name=f"{candidate} of {nominal.name}, {shape.script.name}",
        out=out,
        unit=unit,
        marks=marks,
        refine=refine,
    )
    _, text = take_scan(request, ConsoleProgress())
    say(text)
    say(f"folder: {out}")
    return FINE


def measure_plan(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking: c009, or baseline.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="New folder: plan.pdf, plan.txt, measurement.toml.")],
    room_m: Annotated[
        tuple[float, float, float] | None,
        Parameter(help="Length, width, height of the measuring room; else the job's height."),
    ] = None,
    from_hz: Annotated[float | None, Parameter(help="Band; otherwise the job's.")] = None,
    to_hz: Annotated[float | None, Parameter(help="Band; otherwise the job's.")] = None,
    level_db: Annotated[float, Parameter(help="Level of the sweep at the microphone.")] = 80.0,
    noise_db: Annotated[float, Parameter(help="Noise of the room in its worst octave.")] = 30.0,
    repeats: Annotated[int, Parameter(help="Sweeps at each angle.")] = 2,
) -> int:
    """Plan the measurement of a mock-up: distance, gate, angles, sweep; and a description."""
    from bafflelens.mockup.comparison.simulation import kept_radiator
    from bafflelens.mockup.measurement.plan_page import write_plan
    from bafflelens.store import open_run

    opened = open_run(folder)
    plan = write_plan(
        opened,
        candidate,
        out,
        room_m=room_m,
        from_hz=from_hz,
        to_hz=to_hz,
        level_db=level_db,
        noise_db=noise_db,
        repeats=repeats,
        field=kept_radiator(opened, candidate),
        progress=ConsoleProgress(),
    )
    say(
        f"{plan.chosen.distance_m:g} m, gate {1e3 * plan.chosen.gate_s:.1f} ms (from "
        f"{plan.chosen.lowest_hz:.0f} Hz), every {plan.step_deg:g} degrees, "
        f"{plan.minutes:.0f} minutes; mind the cautions of the plan: {out / 'plan.pdf'}"
    )
    return FINE


def compare(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate, or of a plate.")],
    measurement: Annotated[Path, Parameter(help="File that describes the measurement (TOML).")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder to make.")],
    scan: Annotated[
        tuple[Path, str] | None,
        Parameter(
            help="Run and candidate of the scanned clay: tells errors of shape from the model's."
        ),
    ] = None,
    source: Annotated[
        str, Parameter(help="The only source that played, if not as the job says.")
    ] = "",
    solve: Annotated[bool, Parameter(help="Solve again if no surface pressure was kept.")] = False,
    within: Annotated[float, Parameter(help="What counts as agreement, in dB r.m.s.")] = 1.0,
    smoothing: Annotated[int, Parameter(help="Both sides are averaged over 1/N octave.")] = 12,
    clay_error: Annotated[
        bool | None,
        Parameter(help="Look where the clay is wrong; by default without a scan, if it is quick."),
    ] = None,
) -> int:
    """Compare a measured mock-up with a candidate and say how far to trust the simulation."""
    prepare_compiler()
    from bafflelens.mockup.comparison.compare import ComparisonRequest
    from bafflelens.mockup.comparison.compare import compare as compare_measurement
    from bafflelens.mockup.measurement.reading import read_measurement

    request = ComparisonRequest(
        run=folder,
        candidate=candidate,
        measurement=measurement,
        out=out,
        scan=scan,
        source=source,
        solve_again=solve,
        within_db=within,
        smoothing=smoothing,
        with_clay_error=clay_error,
    )
    found = compare_measurement(request, read_measurement, ConsoleProgress())
    for sentence in found.comparison.verdict.sentences:
        say(sentence)
    for line in found.clay_lines:
        say(line)
    if found.comparison.dome is not None:
        say(found.comparison.dome.text)
    if found.library_line:
        say(found.library_line)
    say(f"page: {found.page} ({found.seconds:.0f} s)")
    return FINE


def clay_map(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking: c009, or baseline.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder to make.")],
    amount_mm: Annotated[
        float, Parameter(help="Thickness of clay added or taken at a place.")
    ] = 3.0,
    across_mm: Annotated[float, Parameter(help="Width of a bump at its foot.")] = 30.0,
    second_step: Annotated[
        bool,
        Parameter(help="Solve the shape with the clay on it, to see how far to trust the map."),
    ] = True,
) -> int:
    """Show where to add or take clay on a solved candidate, and what that does to its score."""
    prepare_compiler()
    from bafflelens.mockup.clay_map.make import ClayMapRequest, make_clay_map
    from bafflelens.store import open_run

    request = ClayMapRequest(
        folder=open_run(folder),
        candidate=candidate,
        out=out,
        amount_mm=amount_mm,
        across_mm=across_mm,
        with_second_step=second_step,
    )
    say(make_clay_map(request, ConsoleProgress()))
    say(f"pictures, table and field: {out}")
    return FINE


def export(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking; or all.")],
    /,
    *more: Annotated[str, Parameter(help="Further ids.")],
    out: Annotated[
        Path | None, Parameter(help="Folder to write directivities into, one file per candidate.")
    ] = None,
    mesh: Annotated[
        Path | None,
        Parameter(help="File for the candidate's mesh: .vtu, .msh, .xdmf, .stl or .ply."),
    ] = None,
    hz: Annotated[
        tuple[float, ...],
        Parameter(help="With --mesh: frequencies of pressure and velocity on it.", negative=()),
    ] = (),
    impulse_responses: Annotated[
        bool,
        Parameter(help="With --out: one more AES69 file, of impulse responses.", negative=()),
    ] = False,
) -> int:
    """Write for other programs: directivities (AES69, text an angle), or the mesh with fields."""
    from bafflelens.listen.impulse_responses import impulse_response_file
    from bafflelens.mockup.measurement.export import export_candidates
    from bafflelens.store import open_run
    from bafflelens.store.surface_export import export_mesh

    if (out is None) == (mesh is None):
        rule = "one of '--out' (directivities) and '--mesh' (the mesh)"
        raise InputError(invalid("options", "both" if out else "neither", rule))
    require_beside("--hz", "--mesh", is_alone=bool(hz) and mesh is None)
    require_beside("--impulse-responses", "--out", is_alone=impulse_responses and out is None)
    opened = open_run(folder)
    if out is not None:
        chosen = (candidate, *more)
        further = impulse_response_file if impulse_responses else None
        for path, remark in export_candidates(opened, chosen, out, ConsoleProgress(), further):
            say(f"exported: {path}" + (f" ({remark})" if remark else ""))
    elif mesh is not None:
        if more or candidate == "all":
            raise InputError(invalid("candidate", "several", "one, with '--mesh'"))
        for path in export_mesh(opened, candidate, mesh, hz):
            say(f"exported: {path}")
    return FINE
