# SPDX-License-Identifier: GPL-3.0-or-later
"""Files of every kind that strangers may hand in, damaged at random, and what reads each.

A damaged file must be read, or refused with one of the program's own errors, in under five
seconds. What else happens is a finding.
"""

import hashlib
import io
import json
import signal
import time
import warnings
import zipfile
from collections.abc import Callable, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import handed
import numpy as np
import small_job
import synthetic_measurement

from bafflelens.base.errors import BafflelensError
from bafflelens.handoff.datum import Datum
from bafflelens.handoff.inspection import inspect_readings
from bafflelens.handoff.manifest import open_archive, verify_folder
from bafflelens.job.job_file import load_job
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.measurement.measured import Setup
from bafflelens.mockup.measurement.reading import read_measurement
from bafflelens.mockup.measurement.sofa import transfer_file
from bafflelens.mockup.scan.marks import read_marks
from bafflelens.mockup.scan.repair import read_scan, repair
from bafflelens.shapes.cad.declaration import read_declaration
from bafflelens.shapes.cad.step_file import read_step_text
from bafflelens.store.libraries import load_mock_ups, load_notes
from bafflelens.store.records import read_record

LONGEST_S = 5.0
READ, REFUSED = "read", "refused"

# What has broken readers before, put where nothing asks for it.
SPICES = (
    *(b"\0", b"\xff", b"\x1b[31m", b"\xef\xbb\xbf", b"\r", b"''", b"/*", b"*/", b'"', b"$\\foo$"),
    *(b"[red]", b"../", b"/etc/", b"nan", b"inf", b"-", b"1e400", b"1e200", b"0", b"\\ud800"),
    *(
        b"9" * 5000,
        b"9" * 400,
        b"[" * 3000,
        b"{" * 300,
        b"x" * 5000,
        b"\n" * 2000,
        b"#1=x\n" * 2000,
    ),
)

CORNERS = np.array([[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0], [0, 0, 0.1]], dtype=float)
FACES = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])

STEP = """ISO-10303-21;
HEADER;
FILE_DESCRIPTION(('an invented block'),'2;1');
ENDSEC;
DATA;
#1=PRODUCT('it''s a block','','',());
#2=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.)); /* millimetres */
#3=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#2))REPRESENTATION_CONTEXT('',''));
#4=CARTESIAN_POINT('',(0.,1.5E1,-2.));
#5=VERTEX_POINT('',#4);
#6=VERTEX_LOOP('',#5);
#7=FACE_BOUND('',#6,.T.);
#8=ADVANCED_FACE('dome \\X2\\00E4\\X0\\',(#7),#9,.T.);
#10=CLOSED_SHELL('',(#8));
#11=(CONVERSION_BASED_UNIT('INCH',#12)LENGTH_UNIT()NAMED_UNIT(#13));
#12=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#2);
ENDSEC;
END-ISO-10303-21;
"""

DECLARATION = """title = "An invented block"
step = "block.step"
unit = "mm"
other_faces = "baffle"
[surfaces]
dome = { points_mm = [[0, 0, 10]] }
[[sources]]
name = "tweeter"
axis = [1, 0, 0]
centre_mm = [0, 0, 0]
piston_surfaces = ["dome"]
inner_radius_mm = 13
outer_radius_mm = 16
"""

MARKS = "".join(
    f'[[marks]]\nname = "m{i}"\nscan = {place}\nnominal_mm = {place}\n'
    for i, place in enumerate(([0, 0, 0], [50, 0, 0], [0, 60.5, 0]))
)


@dataclass(frozen=True)
class Kind:
    """Files of one kind.

    Attributes
    ----------
    write : callable
        Writes sound files into a new folder and returns the names of those to be damaged.
    read : callable
        Reads a folder, of which the file with the given name is damaged.
    """

    write: Callable[[Path], list[str]]
    read: Callable[[Path, str], object]


def damaged(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a content with one to three damages."""
    found = bytearray(content)
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(0, len(found) + 1))
        to = min(len(found), at + int(rng.integers(1, 60)))
        match int(rng.integers(0, 8)):
            case 0 | 1 if at < len(found):
                found[at] = int(rng.integers(0, 256))
            case 2:
                del found[at:to]
            case 3:
                found[at:at] = found[at:to] * int(rng.integers(1, 40))
            case 4 | 5:
                found[at:at] = SPICES[int(rng.integers(len(SPICES)))]
            case 6:
                found[at:to] = SPICES[int(rng.integers(len(SPICES)))]
            case _ if rng.random() < 0.3:
                del found[at:]
    return bytes(found)


@contextmanager
def no_longer_than(seconds: float):
    """Raise TimeoutError where what is inside takes longer."""

    def stop(signum, frame):
        msg = f"more than {seconds:g} s"
        raise TimeoutError(msg)

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def outcome(kind: Kind, folder: Path, name: str) -> tuple[str, float]:
    """Return what became of reading a damaged file, and how long it took in s."""
    start = time.perf_counter()
    try:
        with no_longer_than(4 * LONGEST_S), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            kind.read(folder, name)
        result = READ
    except BafflelensError as error:
        result = REFUSED if str(error).strip() else "an empty message"
    except Exception as error:
        result = f"{type(error).__name__}: {str(error)[:200]}"
    taken = time.perf_counter() - start
    if taken > LONGEST_S and result in (READ, REFUSED):
        result = f"{result}, after {taken:.1f} s"
    return result, taken


def findings(
    kind_name: str, count: int, seed: int, folder: Path
) -> tuple[Mapping[str, int], list[Any]]:
    """Damage and read files of a kind; return counts and whatever is a finding.

    Parameters
    ----------
    kind_name : str
        One of `KINDS`.
    count : int
        How many damaged files.
    seed : int
        Of the first; the others follow.
    folder : Path
        An empty one.
    """
    kind = KINDS[kind_name]
    names = kind.write(folder)
    sound = {name: (folder / name).read_bytes() for name in names}
    for name in names:
        kind.read(folder, name)  # what is sound is read
    counts, wrong = {READ: 0, REFUSED: 0}, []
    for number in range(seed, seed + count):
        rng = np.random.default_rng([len(kind_name), number])
        name = names[number % len(names)]
        (folder / name).write_bytes(damaged(sound[name], rng))
        result, taken = outcome(kind, folder, name)
        if result in counts:
            counts[result] += 1
        else:
            wrong.append((number, name, result, taken))
        (folder / name).write_bytes(sound[name])
    return counts, wrong


# ------------------------------------------------------------------------------------- kinds


def _write_job(folder: Path) -> list[str]:
    path = small_job.write(folder)
    return [path.name]


def _write_measurement(folder: Path) -> list[str]:
    session = synthetic_measurement.Session(
        setup=Setup(distance_m=2.0, rotation_point_m=(-0.12, 0.0, 0.0)),
        angles_deg=(-30.0, 0.0, 30.0),
        frequencies_hz=tuple(500 * 2 ** (np.arange(20) / 8)),
    )
    pressure = synthetic_measurement.point_sources([(0, 0.03, 0.02)], [1])
    path = synthetic_measurement.write_measurement(folder, pressure, session)
    text = path.read_text()
    start = text.index("[[orbits]]")
    orbit = '[[orbits]]\norbit = "horizontal"\nkind = "sofa"\nfiles = "h.sofa"\n'
    (folder / "sofa.toml").write_text(text[:start] + orbit)
    azimuth = np.arange(-40.0, 41.0, 10.0)
    spectrum = np.full((len(azimuth), 12), 1 + 0.1j, dtype=np.complex128)
    (folder / "h.sofa").write_bytes(
        transfer_file(
            azimuth,
            np.zeros(len(azimuth)),
            np.linspace(500, 4000, 12),
            spectrum,
            radius_m=2.0,
            title="Invented",
            comment="",
            application="",
            version="",
        )
    )
    data = sorted(p.name for p in folder.iterdir() if p.suffix not in (".toml", ".sofa"))
    return [path.name, "sofa.toml", "h.sofa", *data[:1]]


def _read_measurement(folder: Path, name: str) -> object:
    uses_sofa = name in ("sofa.toml", "h.sofa")
    others = [p for p in folder.glob("*.toml") if p.name != "sofa.toml"]
    return read_measurement(folder / "sofa.toml" if uses_sofa else others[0])


def _write_surface(folder: Path) -> list[str]:
    folder.mkdir(parents=True, exist_ok=True)
    triangles = CORNERS[FACES].astype("<f4") * 1000
    facets = np.zeros(len(FACES), dtype=[("normal", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    facets["v"] = triangles
    header = b"an invented block".ljust(80) + np.uint32(len(FACES)).tobytes()
    (folder / "block.stl").write_bytes(header + facets.tobytes())
    lines = ["solid block"]
    for corners in triangles:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += [f"vertex {x:g} {y:g} {z:g}" for x, y, z in corners]
        lines += ["endloop", "endfacet"]
    (folder / "text.stl").write_text("\n".join([*lines, "endsolid block", ""]))
    points = [f"{x:g} {y:g} {z:g}" for x, y, z in CORNERS * 1000]
    head = (
        "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n"
        "property float z\nelement face 4\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = [f"3 {a} {b} {c}" for a, b, c in FACES]
    (folder / "block.ply").write_text(head + "\n".join([*points, *faces, ""]))
    numbered = [f"f {a} {b} {c}" for a, b, c in FACES + 1]
    (folder / "block.obj").write_text("\n".join([*(f"v {p}" for p in points), *numbered, ""]))
    (folder / "block.step").write_text(STEP)
    (folder / "block.toml").write_text(DECLARATION)
    (folder / "marks.toml").write_text(MARKS)
    return [
        *("block.stl", "text.stl", "block.ply", "block.obj", "block.step"),
        *("block.toml", "marks.toml"),
    ]


def _read_surface(folder: Path, name: str) -> object:
    path = folder / name
    match name:
        case "block.step":
            return read_step_text(path)
        case "block.toml":
            return read_declaration(path)
        case "marks.toml":
            return read_marks(path, 1e-3)
        case _:
            return repair(path, read_scan(path, 1e-3))


def _write_handed(folder: Path) -> list[str]:
    mesh = Mesh(CORNERS, FACES, np.array(["lens"] * 4))
    datum = Datum(
        nominal=mesh,
        region=np.array(["lens"] * 4),
        keys=("lens.depth_mm",),
        movement=np.ones((1, 4)),
        chord=np.zeros(4),
    )
    values, units = {"lens.depth_mm": 20.0}, {"lens.depth_mm": "mm"}
    handed.write_handed(folder, datum, values, units, {"lens.depth_mm": 0.5})
    (folder / "inspection.npz").write_bytes(datum.to_bytes())
    (folder / "r.csv").write_text("parameter,reading\nlens.depth_mm,20.4\n")
    (folder / "run.json").write_text(json.dumps(RUN))
    (folder / "notes.jsonl").write_text(json.dumps(NOTE) + "\n")
    (folder / "mockups.json").write_text(json.dumps({"format": 1, "mock_ups": [MOCK_UP]}))
    zips = [path.name for path in folder.glob("*.zip")]
    return [
        "manifest.json",
        *zips,
        *zips,
        "inspection.npz",
        "r.csv",
        "run.json",
        "notes.jsonl",
        "mockups.json",
    ]


RUN = {
    "format": 1,
    **{"title": "t", "job": "j.toml", "status": "finished", "created_utc": "2026-01-31T00:00:00Z"},
    **{"versions": {"bafflelens": "0"}, "host": {"processors": 2}, "commit": None},
    "timing_s": {"report": 1.5},
    "tasks": [{"candidate": "c1", "task": "mesh", "status": "done", "seconds": 1.0}],
    "remarks": ["none"],
    "remeshing": {"candidate": "c1", "scores_db": [1.0, 2.0]},
}
NOTE = {
    **{"created_utc": "2026-01-31T00:00:00Z", "run": "r", "candidate": "c1", "shape": "lens"},
    **{"values": {"lens.depth_mm": 20.0}, "sense": "heard", "verdict": "kept", "text": "fine"},
}
MOCK_UP = {
    **{"key": "k", "run": "r", "candidate": "c1", "measurement": "m", "compared_utc": "2026"},
    **{"bands_hz": [1000.0], "rms_db": [1.0], "agrees_to_hz": 8000.0},
}


def _read_handed(folder: Path, name: str) -> object:
    match name:
        case "r.csv":
            return inspect_readings(folder, folder / name)
        case "run.json":
            return read_record(folder)
        case "notes.jsonl":
            return load_notes(folder)
        case "mockups.json":
            return load_mock_ups(folder)
        case "inspection.npz":
            return Datum.from_bytes(name, (folder / name).read_bytes())
    if name.endswith(".zip"):  # what is inside is looked at only where the manifest fits
        path = folder / "manifest.json"
        before = path.read_bytes()
        found = json.loads(before)
        found["sha256"][name] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        path.write_text(json.dumps(found))
        try:
            return _opened(folder)
        finally:
            path.write_bytes(before)
    return _opened(folder)


def _opened(folder: Path) -> object:
    verify_folder(folder)
    opened = open_archive(folder)
    return Datum.from_bytes("inspection.npz", opened.files["inspection.npz"])


KINDS = {
    "jobs": Kind(_write_job, lambda folder, name: load_job(folder / name)),
    "measurements": Kind(_write_measurement, _read_measurement),
    "surfaces": Kind(_write_surface, _read_surface),
    "hand-offs": Kind(_write_handed, _read_handed),
}


def archive(files: Mapping[str, bytes]) -> bytes:
    """Return a zip file of any names, those that nobody should unpack among them."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as target:
        for name, content in files.items():
            target.writestr(name, content)
    return stream.getvalue()
