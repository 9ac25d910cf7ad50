# SPDX-License-Identifier: GPL-3.0-or-later
"""The cache: nothing is solved twice, nothing that differs is taken for the same."""

import ast
import dataclasses
import re
import shutil
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import small_job

import bafflelens
from bafflelens import report, store
from bafflelens.base import provenance
from bafflelens.base.digests import digest_of
from bafflelens.base.errors import GeometryError, InputError, StoreError
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.cli import main
from bafflelens.mesh.absorbers import AdmittanceTable, PorousLayer
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.report import summary
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.shapes.meshing.scripts import PackedScript, unpacked
from bafflelens.workers.caching import digests
from bafflelens.workers.caching.digests import mesh_digest, mesh_key, settings_digest
from bafflelens.workers.caching.entries import (
    frequency_from_bytes,
    frequency_to_bytes,
    joined_bands,
    meshes_from_bytes,
    meshes_to_bytes,
)
from bafflelens.workers.caching.solved import CacheSettings, content_of, open_cache, prune
from bafflelens.workers.work_units import SolveSettings, mesh_candidate

PACKAGE = Path(bafflelens.__file__).parent
SHAPES, BANDS = 4, 4  # of the small job
PLAN_MESHES = 2


class Told:
    """Progress that keeps what it is told."""

    def __init__(self):
        self.lines = []

    def say(self, text):
        self.lines.append(text)

    def bar(self, total, label=""):
        from bafflelens.base.progress import Silent

        return Silent().bar(total)


@pytest.fixture
def options(tmp_path, stub, open_pool, monkeypatch):
    monkeypatch.setattr(
        report, "write_report", lambda view, path: path.write_text(view.title, encoding="utf-8")
    )
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")
    return RunOptions(
        results=tmp_path / "results",
        methods=stub.methods,
        open_pool=open_pool,
        progress=Told(),
        cache=CacheSettings(path=tmp_path / "results" / "solved.sqlite"),
    )


@pytest.fixture
def again(write_job, stub, options):
    """Return a function that runs the small job, and what was meshed and solved for it."""

    def run(*replacements):
        stub.meshed.clear()
        stub.solved.clear()
        result = run_job(write_job(*replacements), options)
        return repr(result.rows), len(stub.meshed) - PLAN_MESHES, len(stub.solved)

    return run


# ------------------------------------------------------------------------- whole runs


def test_the_same_job_again_solves_nothing_and_ranks_alike(again, options):
    rows, meshed, solved = again()
    assert (meshed, solved) == (SHAPES, SHAPES * BANDS)
    assert again() == (rows, 0, 0)
    said = "from the cache: 16 of 16 frequencies, the meshes of 4 of 4 shapes"
    assert said in options.progress.lines
    newest = max(store.run_folders(options.results), key=lambda folder: folder.name)
    assert said in newest.load_record().remarks
    first, second = store.run_folders(options.results)
    one, other = first.load_directivity("c002"), second.load_directivity("c002")
    np.testing.assert_array_equal(one["far_field_real"], other["far_field_real"])


FELT = "[surfaces.cabinet]\nthickness_mm = 5\nflow_resistivity_kpa_s_m2 = 20"


@pytest.mark.parametrize(
    "change",
    [
        ("[frequencies]", "[air]\ntemperature_c = 25\n[frequencies]"),
        ('quality = "draft"', 'quality = "standard"'),
        (
            "[frequencies]",
            "[surfaces.cabinet]\nthickness_mm = 5\nflow_resistivity_kpa_s_m2 = 20\n[frequencies]",
        ),
        ("[frequencies]", '[sources.tweeter]\nmotion = "radial"\n[frequencies]'),
    ],
    ids=["air", "quality", "felt", "motion"],
)
def test_another_air_quality_boundary_or_source_is_solved(again, change):
    again()
    try:
        _, _, solved = again(change)
    except InputError as error:  # keys of a job are tested elsewhere
        pytest.fail(f"the change is no valid job: {error}")
    assert solved == SHAPES * BANDS


def test_a_wider_band_solves_what_is_new_in_it(again, stub):
    again()
    _, meshed, solved = again(("to_hz = 4000\nper_octave", "to_hz = 5000\nper_octave"))
    frequencies = {frequency for band in stub.solved for frequency in band}
    assert {round(frequency) for frequency in frequencies} == {5012}
    assert solved == SHAPES
    assert meshed == SHAPES  # there is one more band, so one more mesh


def test_a_comment_in_the_script_is_meshed_again_but_the_same_mesh_is_not_solved(
    again, tmp_path, write_job, stub, options
):
    again()
    stub.meshed.clear()
    stub.solved.clear()
    path = write_job()
    with (tmp_path / "lens.py").open("a", encoding="utf-8") as script:
        script.write("# another comment\n")
    run_job(path, options)
    assert len(stub.meshed) - PLAN_MESHES == SHAPES - 1  # all but the baseline
    assert stub.solved == []


def test_a_frequency_that_failed_is_tried_again(again, stub):
    stub.failing_hz = 2512.0
    again()
    stub.failing_hz = 0.0
    assert again()[1:] == (0, SHAPES)


@pytest.mark.parametrize(
    ("remark", "is_fallback", "solved_again"),
    [
        ("the card failed, so the processor did it", True, SHAPES * BANDS),
        ("solved on the processor that was asked for", False, 0),
    ],
)
def test_what_another_engine_had_to_solve_is_not_kept(
    again, stub, remark, is_fallback, solved_again
):
    """Whatever words say so."""
    stub.remark, stub.is_fallback = remark, is_fallback
    again()
    assert again()[2] == solved_again


def test_another_program_or_solver_finds_nothing(again, monkeypatch):
    again()
    monkeypatch.setattr(digests, "program", lambda: b"another")
    assert again()[1:] == (SHAPES, SHAPES * BANDS)


# --------------------------------------------------------- what goes into the names

MESH = Mesh(np.eye(3), np.array([[0, 1, 2]]), np.array(["dome"]))
MOTION = SourceMotion(
    name="tweeter",
    axis=(1.0, 0.0, 0.0),
    centre=(0.0, 0.0, 0.0),
    piston_surfaces=("dome",),
    taper_surfaces=(),
    inner_radius_m=0.01,
    outer_radius_m=0.02,
)


@pytest.fixture
def settings(write_job):
    from bafflelens.job.job_file import load_job

    air = load_job(write_job()).job.air.medium
    return SolveSettings(
        motions=(MOTION,), air=air, symmetry=("y",), engine="direct", quality="draft"
    )


CHANGED = {
    "motions": lambda s: (replace(MOTION, centre=(0.0, 0.0, 1e-9)),),
    "air": lambda s: replace(s.air, **{first_number(s.air): 1.0}),
    "symmetry": lambda s: (),
    "engine": lambda s: "gpu",
    "quality": lambda s: "fine",
    "absorbers": lambda s: {"cabinet": PorousLayer(flow_resistivity=1e4, thickness_m=0.01)},
    "without_card": lambda s: "direct",
    "microphones_m": lambda s: (1.0,),
    "keep_surface": lambda s: True,
    "keep_profiles": lambda s: not s.keep_profiles,
    "is_look": lambda s: True,
    "directions": lambda s: (0, 1),
}


def first_number(air):
    return next(
        field.name
        for field in dataclasses.fields(air)
        if isinstance(getattr(air, field.name), float)
    )


def test_whatever_a_solve_is_given_counts(settings, stub):
    fields = {field.name for field in dataclasses.fields(SolveSettings)}
    assert fields == set(CHANGED), "a new setting must be in the digest, and here"
    mesh = mesh_digest(MESH)
    names = {settings_digest(stub.methods, mesh, settings)}
    for name, change in CHANGED.items():
        changed = replace(settings, **{name: change(settings)})
        names.add(settings_digest(stub.methods, mesh, changed))
    assert len(names) == len(CHANGED) + 1


@pytest.mark.parametrize(
    "other",
    [
        Mesh(np.eye(3) * (1 + 1e-15), MESH.triangles, MESH.surface),
        Mesh(MESH.vertices, MESH.triangles[:, ::-1], MESH.surface),
        Mesh(MESH.vertices, MESH.triangles, np.array(["baffle"])),
    ],
)
def test_each_part_of_a_mesh_counts(other):
    assert mesh_digest(other) != mesh_digest(MESH)


def test_what_a_mesh_follows_from_counts(stub):
    size = MeshSize(
        source_size_m=0.01, growth=2, growth_distance_m=0.2, largest_m=0.03, curvature_elements=20
    )
    script = PackedScript("lens.py", (("lens.py", b"text"),))
    values = {"lens.depth_mm": 20.0}

    def key(script=script, values=values, sizes=(size,)):
        return mesh_key(stub.methods, script, values, sizes)

    others = [
        key(script=PackedScript("lens.py", (("lens.py", b"texts"),))),
        key(script=PackedScript("lens.py", (*script.files, ("part.step", b"")))),
        key(values={"lens.depth_mm": 20.000001}),
        key(values={**values, "lens.lip_mm": 1.0}),
        key(sizes=(replace(size, growth=2.1),)),
        key(sizes=(size, size)),
    ]
    assert len({key(), *others}) == 1 + len(others)
    assert key() == key(values={"lens.depth_mm": 20})


def test_values_of_different_kinds_have_different_digests():
    values = [
        *(None, True, 1, 1.0, "1", b"1", (), {}, "", b"", [1], [1, 1], [[1], 1], {"1": 1}),
        *(np.array([1.0]), np.array([1]), np.array([[1.0]]), float("nan"), 1j),
        AdmittanceTable(frequencies_hz=np.array([1.0]), values=np.array([1j])),
    ]
    assert len({digest_of(value) for value in values}) == len(values)
    assert digest_of("ab", "c") != digest_of("a", "bc")
    with pytest.raises(TypeError, match="no digest is defined for object"):
        digest_of(object())


def imported(module, seen):
    """Collect the files of this program that a module imports, and they in their turn."""
    path = PACKAGE / Path(*module.split(".")[1:])
    path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    if not path.is_file() or path in seen:
        return
    seen.add(path)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("bafflelens."):
            for name in [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]:
                imported(name, seen)


def test_all_that_computes_names_a_result():
    """All that a piece of work imports, the process that meshes, and the code of the card."""
    seen = set()
    for module in ("workers.work_units", "shapes.meshing.mesher"):
        imported(f"bafflelens.{module}", seen)
    assert len(seen) > 40
    named = {path for part in provenance.COMPUTES for path in provenance._files(PACKAGE / part)}
    packages = {path for path in seen if path.name == "__init__.py"}
    assert seen - packages <= named
    assert PACKAGE / "bem" / "gpu_kernels.cu" in named


@pytest.mark.parametrize(
    ("changed", "is_another"),
    [
        *((name, True) for name in ("bem/gpu_kernels.cu", "bem/kernels.py", "mesh/quality.py")),
        *((name, True) for name in ("shapes/lens.py", "workers/work_units.py")),
        *((name, False) for name in ("scoring/criteria.py", "report/page.css", "cli.py")),
    ],
)
def test_only_a_change_of_what_computes_makes_other_results(changed, is_another, tmp_path):
    ignored = shutil.ignore_patterns("__pycache__")
    package = shutil.copytree(PACKAGE, tmp_path / "bafflelens", ignore=ignored)
    before = provenance.source_digest(package)
    assert before == provenance.program_digest()
    with (package / changed).open("a", encoding="utf-8") as stream:
        stream.write("\n")
    assert (provenance.source_digest(package) != before) == is_another


# ------------------------------------------------------------------------ what is kept


def test_meshes_come_back_as_they_were():
    two = Mesh(
        np.arange(12.0).reshape(4, 3), np.array([[0, 1, 2], [1, 2, 3]]), np.array(["a", "bb"])
    )
    for one, other in zip(
        (MESH, two), meshes_from_bytes(meshes_to_bytes((MESH, two))), strict=True
    ):
        assert mesh_digest(one) == mesh_digest(other)
        assert one.surface.tolist() == other.surface.tolist()


def test_frequencies_come_back_and_join_in_order(stub):
    mesh = stub.mesh_shape(None, {}, [None], 1.0)[0]
    band = Band(frequencies_hz=(1000.0, 2000.0, 3000.0), mesh_frequency_hz=3000.0)
    result = stub.solve_band(mesh, (), band, microphones_m=(1.0, 2.0))
    parts = [frequency_from_bytes(frequency_to_bytes(result, n), mesh) for n in (2, 0, 1)]
    whole = joined_bands(band, parts)
    np.testing.assert_array_equal(whole.frequencies_hz, band.frequencies_hz)
    np.testing.assert_array_equal(
        whole.far_field.astype(np.complex64), result.far_field.astype(np.complex64)
    )
    np.testing.assert_array_equal(whole.cross_power, result.cross_power)
    np.testing.assert_array_equal(whole.microphone_pressure, result.microphone_pressure)
    assert [o.frequency_hz for o in whole.outcomes] == list(band.frequencies_hz)
    assert {o.seconds for o in whole.outcomes} == {0.0}
    assert whole.surface is None
    with pytest.raises(ValueError, match="not those of the band"):
        joined_bands(band, parts[:2])


def test_what_is_on_the_surface_is_kept_with_each_frequency(stub):
    """But for the mesh, and where a frequency failed there is none."""
    mesh = stub.mesh_shape(None, {}, [None], 1.0)[0]
    band = Band(frequencies_hz=(1000.0, 2000.0, 3000.0), mesh_frequency_hz=3000.0)
    shape = (1, 2, mesh.n_triangles)
    pressure = np.arange(1.0, 1 + 2 * mesh.n_triangles).reshape(shape) * (1 + 2j)
    surface = SurfacePressure(
        mesh=mesh,
        symmetry=("y",),
        sound_speed=343.2,
        frequencies_hz=np.array([1000.0, 3000.0]),
        pressure=pressure.astype(np.complex64),
        gradient=np.zeros(shape, dtype=np.complex64),
    )
    result = replace(stub.solve_band(mesh, (), band), surface=surface)
    kept = [frequency_to_bytes(result, number) for number in (2, 1, 0)]
    whole = joined_bands(band, [frequency_from_bytes(content, mesh) for content in kept]).surface
    assert whole is not None
    assert whole.mesh is mesh
    assert whole.symmetry == ("y",)
    np.testing.assert_array_equal(whole.frequencies_hz, [1000.0, 3000.0])
    np.testing.assert_allclose(whole.pressure, pressure, rtol=1e-3)


# ------------------------------------------------------------------------------ damage


def test_a_damaged_entry_is_removed_and_solved_again(again, options):
    rows, *_ = again()
    with closing(sqlite3.connect(options.cache.path)) as database, database:
        (row, content) = database.execute(
            "SELECT rowid, content FROM entries WHERE kind = 'frequencies'"
        ).fetchone()
        changed = bytearray(content)
        changed[len(changed) // 2] ^= 1  # one bit of a far field: it would pass as a result
        database.execute("UPDATE entries SET content = ? WHERE rowid = ?", (changed, row))
    assert again() == (rows, 0, 1)
    assert any(
        "a damaged entry of the cache was removed" in line for line in options.progress.lines
    )
    assert again() == (rows, 0, 0)


@pytest.mark.parametrize("kind", ["frequencies", "meshes"])
def test_an_entry_that_cannot_be_read_is_removed_and_made_again(again, options, kind):
    """Its checksum is right, so it was kept like that: by a fault of ours, say."""
    from bafflelens.workers.caching.solved import _checksum

    rows, *_ = again()
    with closing(sqlite3.connect(options.cache.path)) as database, database:
        row, key = database.execute(
            "SELECT rowid, key FROM entries WHERE kind = ?", (kind,)
        ).fetchone()
        database.execute(
            "UPDATE entries SET content = ?, checksum = ? WHERE rowid = ?",
            (b"nonsense", _checksum(key, b"nonsense"), row),
        )
    again_rows, meshed, solved = again()
    assert again_rows == rows
    assert (meshed, solved) == ((0, 1) if kind == "frequencies" else (1, 0))


@pytest.mark.parametrize("damage", [lambda b: b[: len(b) // 3], lambda b: b"x" * len(b)])
def test_a_damaged_cache_is_begun_anew(again, options, damage):
    rows, *_ = again()
    options.cache.path.write_bytes(damage(options.cache.path.read_bytes()))
    assert again()[0] == rows
    assert any("cache" in line for line in options.progress.lines)
    assert again() == (rows, 0, 0)


def test_a_cache_on_a_full_disk_is_left_alone(again, options, monkeypatch):
    from bafflelens.workers.caching.solved import SolvedCache

    real = SolvedCache.flush

    def full(self):
        if self._database is not None:  # it is left alone after the first time
            self._database.execute("PRAGMA max_page_count = 1")
        real(self)

    monkeypatch.setattr(SolvedCache, "flush", full)
    rows, _, solved = again()
    assert solved == SHAPES * BANDS
    assert "ranked" in rows
    assert any(
        re.search("the cache is left alone from here on .*full", line)
        for line in options.progress.lines
    )


def test_a_cache_of_a_newer_version_is_refused_and_nothing_is_written(again, options, capsys):
    again()
    with closing(sqlite3.connect(options.cache.path)) as database:
        database.execute("PRAGMA user_version = 99")
    runs = store.run_folders(options.results)
    with pytest.raises(StoreError, match=r"version of the cache '.*' '99'. Must be at most 1"):
        again()
    assert len(store.run_folders(options.results)) == len(runs)
    assert main(["cache", "--folder", str(options.results)]) == 2
    assert "Must be at most 1" in capsys.readouterr().err


# -------------------------------------------------------------------------- its size


def filled(path, number, limit_gib=1.0):
    with open_cache(CacheSettings(path=path, limit_gib=limit_gib), print) as cache:
        for n in range(number):
            cache.put(bytes([n]), "frequencies", bytes([n]) * 1000)
            cache.flush()
            time.sleep(0.002)
        cache.get(bytes([0]))  # used last, though it was the first


def test_a_cache_keeps_to_its_limit_and_drops_what_is_longest_unused(tmp_path):
    path = tmp_path / "solved.sqlite"
    filled(path, 10)
    limit = CacheSettings(path=path, limit_gib=5500 / 2**30)
    with open_cache(limit, print) as cache:
        cache.put(b"new", "frequencies", b"n" * 1000)
        cache.flush()
        assert {n for n in range(10) if cache.has(bytes([n]))} == {0, 8, 9}
        assert cache.has(b"new")
    assert content_of(path).size_bytes == 4000


def test_two_runs_share_a_cache(tmp_path):
    settings = CacheSettings(path=tmp_path / "solved.sqlite")
    with open_cache(settings, print) as one, open_cache(settings, print) as other:
        one.put(b"a", "frequencies", b"1")
        one.flush()
        assert other.get(b"a") == b"1"
        other.put(b"a", "frequencies", b"1")
        other.flush()
        assert one.get(b"a") == b"1"


def test_the_verbs_of_the_cache(tmp_path, capsys):
    at = ["--folder", str(tmp_path)]
    assert main(["cache", *at]) == 0
    assert capsys.readouterr().out.endswith("0.000 GiB, empty\n")
    filled(store.cache_path(tmp_path), 3)
    assert main(["cache", *at]) == 0
    assert "3 frequencies\nlongest unused: 0 s" in capsys.readouterr().out
    assert main(["cache", "prune", *at, "--to-gib", f"{1500 / 2**30:.12f}"]) == 0
    assert "1 frequencies" in capsys.readouterr().out
    assert main(["cache", "prune", *at, "--unused-days", "0"]) == 0
    assert capsys.readouterr().out.endswith("0.000 GiB, empty\n")
    for option in ("--to-gib", "--unused-days"):
        assert main(["cache", "prune", *at, option, "-1"]) == 2
        assert f"option '{option}' '-1" in capsys.readouterr().err
    assert main(["run", "job.toml", "--cache-gib", "-1"]) == 2
    assert "option '--cache-gib' '-1" in capsys.readouterr().err


def test_pruning_asks_for_sensible_numbers(tmp_path):
    with pytest.raises(InputError, match=r"'--to-gib' '-1'. Must be a number of at least 0"):
        prune(tmp_path / "solved.sqlite", to_gib=-1)


# ------------------------------------------------------------------ scripts that travel


def test_a_script_is_written_once_and_named_by_its_content():
    one = PackedScript("lens.py", (("lens.py", b"a"), ("part.step", b"b")))
    path = unpacked(one)
    assert path.read_bytes() == b"a"
    assert (path.parent / "part.step").read_bytes() == b"b"
    assert unpacked(one) == path
    assert unpacked(PackedScript("lens.py", (("lens.py", b"c"),))) != path
    shutil.rmtree(path.parent.parent)  # whoever clears up scratch files
    assert unpacked(one).read_bytes() == b"a"


def test_a_fault_of_a_script_does_not_say_where_it_lay(write_job, stub):
    script = PackedScript("lens.py", (("lens.py", b"raise RuntimeError('no')\n"),))
    with pytest.raises(InputError, match=r"^lens.py, line 1: Invalid geometry script") as caught:
        mesh_candidate(stub.methods, script, {}, [], 1.0)
    assert str(unpacked(script).parent) not in str(caught.value)


def test_a_script_that_was_cleared_up_meanwhile_is_written_again(write_job, stub):
    script = PackedScript("lens.py", (("lens.py", small_job.LENS_SCRIPT.encode()),))
    real, calls = stub.mesh_shape, []

    def mesh_shape(shape, *given):
        calls.append(shape.script)
        if len(calls) == 1:
            shutil.rmtree(shape.script.parent)
            raise GeometryError("missing")  # noqa: EM101
        return real(shape, *given)

    found = mesh_candidate(replace(stub.methods, mesh_shape=mesh_shape), script, {}, [None], 1.0)
    assert len(found.value) == 1
    assert len(calls) == 2
