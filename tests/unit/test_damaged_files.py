# SPDX-License-Identifier: GPL-3.0-or-later
"""Files of strangers: read, or refused in a line; never a traceback, never without end."""

import io
import json
import time
import zipfile

import mutating
import numpy as np
import pytest
import small_job
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bafflelens.base import archives, reading
from bafflelens.base.archives import arrays_of, unzipped
from bafflelens.base.errors import GeometryError, InputError, JobError, StoreError
from bafflelens.base.number_table import read_number_table
from bafflelens.base.reading import checked, file_beside, json_of, printable, read_text, toml_of
from bafflelens.handoff.inspection import inspect_readings
from bafflelens.handoff.manifest import open_archive, verify_folder
from bafflelens.job.job_file import load_job
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.mockup.measurement.reading import read_measurement
from bafflelens.scoring.notes import Note
from bafflelens.shapes.cad.declaration import read_declaration
from bafflelens.shapes.cad.step_file import read_step_text
from bafflelens.store import RunFolder
from bafflelens.store.records import read_record
from bafflelens.store.status_file import standing_of

QUICK = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.mark.parametrize(
    ("kind", "count"), [("jobs", 25), ("measurements", 40), ("surfaces", 60), ("hand-offs", 50)]
)
@pytest.mark.filterwarnings("ignore")
def test_damaged_files_are_read_or_refused(tmp_path, kind, count):
    counts, wrong = mutating.findings(kind, count, 17, tmp_path / "files")
    assert not wrong
    assert counts[mutating.REFUSED] > count / 3


def test_what_breaks_a_reader_would_be_seen(tmp_path):
    def broken(folder, name):
        raise KeyError(name)

    result, _ = mutating.outcome(mutating.Kind(lambda folder: [], broken), tmp_path, "a")
    assert result.startswith("KeyError")


# ------------------------------------------------------------------------------------ doors


@QUICK
@given(content=st.binary(max_size=400))
def test_any_bytes_are_json_or_an_error(content):
    with pytest.raises(InputError, match=r"^Invalid file 'x'. Must be a table"):
        json_of(b"\xfe" + content, "x", "file", "a table")


@QUICK
@given(content=st.binary(max_size=400))
def test_any_bytes_are_an_archive_or_an_error(content):
    with pytest.raises(InputError, match=r"Invalid file 'x'. Must be a zip file that can be read"):
        unzipped(content, "x", "file")


@QUICK
@given(text=st.text(max_size=200))
def test_any_text_is_printable_afterwards(text):
    shown = printable(text)
    assert not reading.has_control(shown)
    assert shown.encode() is not None


@QUICK
@given(name=st.text(max_size=60))
def test_no_name_leaves_its_folder(tmp_path, name):
    found = file_beside(tmp_path, name, in_folders=True)
    assert found is None or found.resolve().is_relative_to(tmp_path.resolve())


@pytest.mark.parametrize("name", ["../a", "/a", "a/../../b", "a\\b", "a\0b", "x" * 300, "", "b/a"])
def test_names_that_are_no_file_beside(tmp_path, name):
    assert file_beside(tmp_path, name) is None
    assert file_beside(tmp_path, "a.txt") == tmp_path / "a.txt"


def test_a_link_does_not_lead_away(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "secret").write_text("x")
    (tmp_path / "in" / "a").symlink_to(tmp_path / "secret")
    assert file_beside(tmp_path / "in", "a") is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a = " + "9" * 5000, "valid TOML"),
        ("a = " + "9" * 400, "key 'a' 'a huge one'. Must be a whole number of at most 64 bits"),
        ("a = " + "[" * 3000, "valid TOML, nested at most 32 deep"),
        ("a = " + "[" * 40 + "]" * 40, "nested at most 32 deep"),
        ('a = "\\u0000"', "Invalid key 'a' '.x00'. Must be text of at most 20000 characters"),
        ('a = "\\u001b[31m"', "without control characters"),
        (f'a = "{"x" * 30_000}"', "at most 20000 characters"),
        (f"{'k' * 300} = 1", "Invalid name of a key"),
    ],
)
def test_what_no_toml_of_ours_holds(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        toml_of(text, tmp_path / "a.toml", "job file")


def test_files_that_are_too_large_or_binary(tmp_path):
    path = tmp_path / "a.txt"
    path.write_bytes(b"x" * 2000)
    with pytest.raises(InputError, match=r"Invalid note '.*a.txt'. Must be no larger than 0.000"):
        read_text(path, "note", most=1000)
    path.write_bytes(b"a\0b")
    with pytest.raises(InputError, match="plain text, not binary data"):
        read_text(path, "note")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("[" * 5000 + "]" * 5000, "nested at most 32 deep"),
        ("[1]", "it holds no table"),
        ('{"a": "\\ud800"}', "Invalid key 'a'"),
        ('{"a": 99999999999999999999}', "at most 64 bits"),
    ],
)
def test_what_no_json_of_ours_holds(content, message):
    with pytest.raises(StoreError, match=message):
        json_of(content, "x.json", "file", "a table", StoreError)


def test_a_table_of_the_wrong_kinds_names_the_key():
    with pytest.raises(StoreError, match=r"a note \(values: Input should be a valid dictionary"):
        checked(Note, {**mutating.NOTE, "values": 3}, "x", "line", "a note", StoreError)


# ------------------------------------------------------------------- archives and hand-offs


@pytest.mark.parametrize("name", ["../a.txt", "/etc/a", "a/../../b", "c:\\a", "a\\..\\b"])
def test_archives_with_names_that_lead_away(name):
    with pytest.raises(InputError, match="whose files stay in their folder"):
        unzipped(mutating.archive({name: b"x"}), "a.zip", "hand-off")


def test_archives_that_hold_too_much(monkeypatch):
    packed = mutating.archive({f"{i}": b"x" * 100 for i in range(20)})
    monkeypatch.setattr(archives, "MOST_UNPACKED", 1000)
    with pytest.raises(InputError, match=r"a zip file of at most .* MiB unpacked"):
        unzipped(packed, "a.zip", "hand-off")
    monkeypatch.setattr(archives, "MOST_ENTRIES", 10)
    with pytest.raises(InputError, match="a zip file of at most 10 files; it has 20"):
        unzipped(packed, "a.zip", "hand-off")


def test_arrays_that_claim_to_be_larger_than_their_file():
    stream = io.BytesIO()
    np.savez(stream, a=np.zeros(4))
    inside = unzipped(stream.getvalue(), "a", "file")
    inside["a.npy"] = inside["a.npy"].replace(b"(4,), }          ", b"(400000000000,), }")
    with pytest.raises(StoreError, match=r"Must be numbers \(array a.npy is not whole\)"):
        arrays_of(mutating.archive(inside), "x.npz", "file", "numbers", StoreError)


def test_every_changed_byte_of_an_archive_is_a_fault(tmp_path):
    mutating.KINDS["hand-offs"].write(tmp_path / "h")
    folder = tmp_path / "only"
    folder.mkdir()
    (path,) = (tmp_path / "h").glob("*.zip")
    (folder / "manifest.json").write_bytes((tmp_path / "h" / "manifest.json").read_bytes())
    content = path.read_bytes()
    for at in range(0, len(content), 7):
        changed = bytearray(content)
        changed[at] ^= 0x55
        (folder / path.name).write_bytes(changed)
        assert verify_folder(folder)
        with pytest.raises(StoreError, match=r"."):
            open_archive(folder)


def test_a_manifest_that_lists_files_elsewhere(tmp_path):
    manifest = {"format": 1, "sha256": {"../../x": "0"}}
    (tmp_path / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(StoreError, match=r"whose files stay in their folder; '../../x' does not"):
        verify_folder(tmp_path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("parameter,reading\nlens.depth_mm\n", "Invalid line 'lens.depth_mm'. Must be as many"),
        ("parameter,reading\nlens.depth_mm,1e300\n", "Invalid reading '1e300'"),
        ("parameter,reading\n" + "x" * 200_000 + ",1\n", "a CSV file of short rows"),
        ("parameter,reading\nlens.depth_mm,20,4\n", "line 2: Invalid line 'lens.depth_mm,20,4'"),
    ],
)
def test_readings_that_are_none(tmp_path, text, message):
    mutating.KINDS["hand-offs"].write(tmp_path / "h")
    path = tmp_path / "r.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        inspect_readings(tmp_path / "h", path)


@pytest.mark.parametrize(
    "change",
    [{"tasks": 3}, {"remarks": {"a": 1}}, {"timing_s": [1]}, {"host": None}, {"title": {}}],
)
def test_a_record_of_the_wrong_kinds_is_damaged(tmp_path, change):
    (tmp_path / "run.json").write_text(json.dumps({**mutating.RUN, **change}))
    with pytest.raises(StoreError, match=r"Must be a run record written by bafflelens \("):
        read_record(tmp_path)


# ------------------------------------------------------------------------------- STEP text


@pytest.fixture
def step(tmp_path):
    def written(text):
        path = tmp_path / "a.step"
        path.write_text(text, encoding="latin-1")
        return path

    return written


@pytest.mark.parametrize(
    "more",
    [
        "#1=PRODUCT('" + "''" * 20_000 + ";",
        "#1=x\n" * 20_000,
        "/*" * 100_000,
        "#1=A('" * 20_000,
    ],
)
def test_step_text_without_an_end_is_refused_at_once(step, more):
    start = time.process_time()
    with pytest.raises(GeometryError, match=r"what begins on line \d+ has no end"):
        read_step_text(step(mutating.STEP + more))
    assert time.process_time() - start < 5


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("SI_UNIT(.MILLI.,.METRE.)", "CONVERSION_BASED_UNIT('X',#20)"),
        ("SI_UNIT(.MILLI.,.METRE.)", "CONVERSION_BASED_UNIT('X',#21)"),
        ("SI_UNIT(.MILLI.,.METRE.)", "CONVERSION_BASED_UNIT('X',#22)"),
        ("SI_UNIT(.MILLI.,.METRE.)", "CONVERSION_BASED_UNIT('X',#" + "9" * 5000 + ")"),
    ],
    ids=["of itself", "zero", "no number", "5,000 digits"],
)
def test_units_that_are_none(step, old, new):
    units = (
        "#20=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(2.),#2);\n"
        "#21=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.),#23);\n"
        "#22=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E.E),#23);\n"
        "#23=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT($,.METRE.));\nENDSEC;\nEND"
    )
    text = mutating.STEP.replace(old, new).replace("ENDSEC;\nEND", units)
    with pytest.raises(GeometryError, match="a file that states one unit of length"):
        read_step_text(step(text))


@pytest.mark.parametrize("number", ["1.E.E", "1E999", "9" * 5000, "x"])
def test_coordinates_that_are_none_are_no_corner(step, number):
    found = read_step_text(step(mutating.STEP.replace("1.5E1", number)))
    assert found.faces[0].corners == ()
    assert read_step_text(step(mutating.STEP)).faces[0].corners == ((0.0, 15.0, -2.0),)


def test_names_of_faces(step):
    assert read_step_text(step(mutating.STEP)).faces[0].name == "dome ä"
    found = read_step_text(step(mutating.STEP.replace("00E4", "D800")))
    assert found.faces[0].name.encode()


# -------------------------------------------------- jobs, declarations, measurements, tables


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = small_job.write(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_job(path).job.title == "A small job"


def test_two_thousand_unknown_keys_are_told_at_once(tmp_path):
    path = small_job.write(tmp_path)
    path.write_text("".join(f"unknown_{i} = 1\n" for i in range(2000)) + path.read_text())
    start = time.process_time()
    with pytest.raises(JobError) as caught:
        load_job(path)
    assert time.process_time() - start < 10
    assert len(caught.value.faults) == 101
    assert caught.value.faults[-1].endswith("1900 more faults")


@pytest.mark.parametrize("script", ["x" * 5000, "/" + "y/" * 3000, "a" * 300 + ".toml"])
def test_names_that_no_file_has(tmp_path, script):
    path = small_job.write(tmp_path, ('script = "lens.py"', f'script = "{script}"'))
    with pytest.raises(JobError, match=r"key 'geometry.script'"):
        load_job(path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"block.step"', '"/tmp/block.step"', "a file name without folders"),
        ('"block.step"', '"../block.step"', "a file name without folders"),
        ("[1, 0, 0]", "[1e200, 0, 0]", "three numbers .x, y, z., none beyond 1e.06"),
    ],
)
def test_declarations_that_lead_away(tmp_path, old, new, message):
    mutating.KINDS["surfaces"].write(tmp_path)
    path = tmp_path / "block.toml"
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(GeometryError, match=message):
        read_declaration(path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"h.sofa"', '"../h.sofa"', "key 'files' '../h.sofa'. Must be a name of files in the fol"),
        ('"h.sofa"', '"/etc/h.sofa"', "key 'files' '/etc/h.sofa'. Must be a name of files"),
        (
            '"h.sofa"',
            '"h.sofa"\nangles_deg = {from=0, to=1e10, step=1}',
            "of at most 10000 angles",
        ),
    ],
)
def test_measurements_that_lead_away(tmp_path, old, new, message):
    mutating.KINDS["measurements"].write(tmp_path)
    path = tmp_path / "sofa.toml"
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(InputError, match=message):
        read_measurement(path)


def test_noise_stays_beside_its_measurement(tmp_path):
    *_, data = mutating.KINDS["measurements"].write(tmp_path / "m")
    (tmp_path / "noise.txt").write_bytes((tmp_path / "m" / data).read_bytes())
    (path,) = (p for p in (tmp_path / "m").glob("*.toml") if p.name != "sofa.toml")
    path.write_text(path.read_text().rstrip() + '\nnoise_file = "../noise.txt"\n')
    with pytest.raises(InputError, match=r"key 'noise_file' '../noise.txt'. Must be a name"):
        read_measurement(path)


@QUICK
@given(rows=st.lists(st.tuples(*[st.floats(-1e6, 1e6)] * 3), min_size=1, max_size=30))
@pytest.mark.parametrize("parting", [" ", "\t", ", ", ";"])
def test_tables_are_read_as_they_were_written(tmp_path, rows, parting):
    path = tmp_path / "t.txt"
    path.write_text("Hz dB deg\n" + "".join(f"{parting.join(map(repr, r))}\n" for r in rows))
    found = read_number_table(path, "table", ("a", "b", "c"))
    np.testing.assert_array_equal(found.values, rows)
    assert found.where(0) == f"{path}, line 2"


def test_archives_of_the_wrong_kind(tmp_path):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("a", b"x" * 50)
    content = stream.getvalue().replace(b"x" * 50, b"y" * 50)
    with pytest.raises(InputError, match="Bad CRC-32"):
        unzipped(content, "a.zip", "hand-off")


@pytest.mark.parametrize(
    "content", [b"", b"[" * 3000, b"[1]", b'{"step": 1' + b"0" * 5000, b"\xff"]
)
def test_what_a_run_says_of_itself_is_a_table_or_nothing(tmp_path, content):
    (tmp_path / "status.json").write_bytes(content)
    assert RunFolder(tmp_path).load_status() == {}


def test_what_a_run_says_of_itself_moves_no_terminal(tmp_path):
    said = {
        "step": "\x1b[31mred",
        "share": 0.5,
        "left_s": None,
        "owner": "a\x07",
        "updated_utc": "x",
    }
    (tmp_path / "status.json").write_text(json.dumps(said))
    found = standing_of(RunFolder(tmp_path))
    assert (found.step, found.owner) == ("\\x1b[31mred", "a\\x07")


def test_a_damaged_band_is_left_out(tmp_path, stub):
    folder = RunFolder(tmp_path)
    mesh = Mesh(mutating.CORNERS, mutating.FACES, np.array(["dome"] * 4))
    band = stub.solve_band(mesh, (), Band(frequencies_hz=(1000.0,), mesh_frequency_hz=1000.0))
    folder.save_band("c1", 0, band)
    (path,) = tmp_path.rglob("000.npz")
    sound = path.read_bytes()
    assert list(folder.load_bands("c1")) == [0]
    for at in range(0, len(sound), len(sound) // 60):
        path.write_bytes(sound[:at] + bytes([sound[at] ^ 0xFF]) + sound[at + 1 :])
        for found in folder.load_bands("c1").values():  # what no number depends on may be changed
            np.testing.assert_array_equal(found.far_field, band.far_field)
    for at in range(0, len(sound), len(sound) // 20):
        path.write_bytes(sound[:at])
        assert folder.load_bands("c1") == {}
    np.savez(path, outcomes=np.array("[" * 3000))
    assert folder.load_bands("c1") == {}
