# SPDX-License-Identifier: GPL-3.0-or-later
"""From a run to files that can be heard, with the stub solver, whose patterns mean nothing."""

import json
from dataclasses import replace

import h5py
import numpy as np
import pytest
import soundfile

from bafflelens.base.errors import InputError
from bafflelens.cli import main
from bafflelens.directivity.responses import Response
from bafflelens.job.job_file import load_job
from bafflelens.listen import rendering
from bafflelens.listen.blind_results import keep_result
from bafflelens.listen.head_file import read_head
from bafflelens.listen.loudness import loudness_lufs, true_peak_db
from bafflelens.listen.music import invented_music, read_music
from bafflelens.listen.rendering import Heard, Version
from bafflelens.listen.room import enclosure_of
from bafflelens.listen.shapes_heard import at_common_level, heard_shape
from bafflelens.listen.trials import Trials
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.target import Room
from bafflelens.store import load_notes, open_run

WIDE = (
    ("from_hz = 2000", "from_hz = 1000"),
    ("to_hz = 4000", "to_hz = 16000"),
    ("[search]", "[room]\nseat_aside_m = 1.0\ntoe_in_deg = 10\n[search]"),
)


@pytest.fixture(scope="module")
def music(tmp_path_factory):
    path = tmp_path_factory.mktemp("music") / "invented.wav"
    soundfile.write(path, invented_music(3.0).T, 48_000, subtype="PCM_24")
    return path


@pytest.fixture
def wide_run(write_job, options):
    return run_job(write_job(*WIDE), options).folder.path


def test_two_shapes_are_written_equally_loud(wide_run, music, tmp_path, capsys):
    out = tmp_path / "heard"
    command = ["listen", str(wide_run), "c001", "baseline", "--out", str(out)]
    assert main([*command, "--music", str(music), "--speakers", "--equalise", "axis"]) == 0
    printed = capsys.readouterr().out
    assert "loud headphones harm hearing" in printed
    assert "between its directions" in printed
    manifest = json.loads((out / "manifest.json").read_text())
    assert sorted(manifest["files"]) == sorted(path.name for path in out.iterdir())
    for name in ("c001", "baseline"):
        info = soundfile.info(out / f"{name}.wav")
        assert (info.samplerate, info.subtype, info.channels) == (48_000, "PCM_24", 2)
        signal = soundfile.read(out / f"{name}.wav")[0].T
        assert loudness_lufs(signal) == pytest.approx(
            manifest["versions"][name]["loudness_lufs"], abs=0.01
        )
        assert true_peak_db(signal) <= -0.99
        assert (out / f"{name}_for_loudspeakers.wav").exists()
        for part in ("floor_and_ceiling", "side_walls", "late"):
            assert soundfile.info(out / f"{name}_only_{part}.wav").frames == info.frames
    loud = [version["loudness_lufs"] for version in manifest["versions"].values()]
    assert loud[0] == pytest.approx(loud[1], abs=1e-6)
    page = (out / "arrivals.html").read_text()
    for words in ("ceiling", "near side wall", "harm hearing", "c001_only_late.wav"):
        assert words in page
    with h5py.File(out / "c001.sofa") as file:
        assert file["Data.IR"].shape[1::2] == (2, 2)
    sofar = pytest.importorskip("sofar")
    read = sofar.read_sofa(str(out / "c001.sofa"), verbose=False)
    assert read.verify(issue_handling="return") in (None, "")
    assert read.GLOBAL_SOFAConventions == "SingleRoomMIMOSRIR"
    _other_music_takes_the_same_responses(wide_run, out, tmp_path)
    capsys.readouterr()
    assert main([*command, "--music", str(music)]) == 2  # the folder is not empty
    assert "new or empty" in capsys.readouterr().err


def _other_music_takes_the_same_responses(run, out, tmp_path):
    again = ["listen", str(run), "c001", "baseline", "--again", str(out)]
    other = tmp_path / "other"
    assert main([*again, "--out", str(other)]) == 0
    assert (other / "c001.sofa").read_bytes() == (out / "c001.sofa").read_bytes()
    assert (other / "c001.wav").read_bytes() != (out / "c001.wav").read_bytes()
    for more in (["--equalise", "axis"], ["--head", "head.sofa"]):
        assert main([*again, "--out", str(tmp_path / "third"), *more]) == 2
    changed = [*again[:2], "baseline", "c001", *again[4:], "--out", str(tmp_path / "third")]
    assert main(changed) == 2
    (out / "responses.npz").write_bytes(b"cut")
    assert main([*again, "--out", str(tmp_path / "third")]) == 2


def test_far_fields_as_small_as_those_of_1_m_s2_are_heard_and_keep_their_ratio(wide_run):
    folder = open_run(wide_run)
    loud, soft = (heard_shape(folder, folder.load_job(), name) for name in ("c001", "baseline"))
    small = [
        replace(one, directions=1e-4 * one.directions, power=1e-8 * one.power)
        for one in (loud, soft)
    ]
    found = at_common_level(small)
    axis = np.abs(found[0].leaving(np.zeros(1), np.zeros(1))[0])
    assert 0.3 < axis.max() < 3
    factor = np.abs(found[0].directions).max() / np.abs(loud.directions).max()
    np.testing.assert_allclose(found[1].directions, factor * soft.directions, rtol=1e-9)
    np.testing.assert_allclose(found[1].power, factor**2 * soft.power, rtol=1e-9)


@pytest.mark.parametrize(
    ("options_given", "rule"),
    [
        (["c009"], "one that the run has solved"),
        (["c001", "c001"], "named once"),
        ([], "one that the run has solved"),
        (["c001", "--equalise", "window"], "Must be axis"),
        (["c001", "--blind"], "two for a blind test"),
        (["c001", "--trials", "3"], "from 8 to 100"),
    ],
)
def test_wishes_that_cannot_be_met_are_one_line(options_given, rule, wide_run, tmp_path, capsys):
    out = tmp_path / "heard"
    assert main(["listen", str(wide_run), *options_given, "--out", str(out)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("Invalid ")
    assert rule in line
    assert not out.exists()


@pytest.mark.parametrize("loudspeakers", [1, 2])
def test_long_music_is_convolved_in_blocks(loudspeakers, monkeypatch):
    monkeypatch.setattr(rendering, "_BLOCK_SAMPLES", 700)
    generator = np.random.default_rng(5)
    responses = generator.standard_normal((loudspeakers, 2, 300))
    signal = generator.standard_normal((2, 5000))
    fed = signal if loudspeakers == 2 else signal.mean(axis=0, keepdims=True)
    expected = [
        sum(np.convolve(one, room[ear]) for one, room in zip(fed, responses, strict=True))
        for ear in (0, 1)
    ]
    np.testing.assert_allclose(rendering.at_ears(responses, signal), expected, atol=1e-4)


def test_headphones_are_divided_out_within_12_db_and_without_delay():
    hz = np.geomspace(50, 18_000, 200)
    bump = 6 * np.exp(-((np.log2(hz / 6000) / 0.5) ** 2))
    hole = -40 * np.exp(-((np.log2(hz / 12_000) / 0.2) ** 2))
    phones = Response(
        name="phones.txt", frequency_hz=hz, level_db=90 + bump + hole, phase_deg=0 * hz
    )
    inverse = rendering._inverse(phones)
    level = 20 * np.log10(np.abs(np.fft.rfft(inverse)))
    found = np.interp([1000, 6000, 12_000], np.fft.rfftfreq(len(inverse), 1 / 48_000), level)
    np.testing.assert_allclose(found, [0, -6, 12], atol=0.2)
    assert np.argmax(np.abs(inverse)) < 3


@pytest.mark.parametrize(
    ("channels", "rate", "seconds", "rule"),
    [
        (1, 48_000, 2.0, "two: a stereo file"),
        (6, 48_000, 2.0, "two: a stereo file"),
        (2, 22_050, 2.0, "one of 44100, 48000"),
        (2, 48_000, 0.0, "from 1 to 600"),
        (2, 48_000, 0.5, "from 1 to 600"),
    ],
)
def test_music_of_another_kind_is_refused(channels, rate, seconds, rule, tmp_path):
    path = tmp_path / "music.wav"
    soundfile.write(path, np.full((int(rate * seconds), channels), 0.1), rate)
    with pytest.raises(InputError, match=rule):
        read_music(path)


def test_what_is_no_music_is_refused(tmp_path):
    path = tmp_path / "music.wav"
    with pytest.raises(InputError, match="an audio file that is there"):
        read_music(path)
    path.write_text("no music")
    with pytest.raises(InputError, match=r"an audio file \(WAV"):
        read_music(path)
    soundfile.write(path, np.zeros((96_000, 2)), 48_000)
    with pytest.raises(InputError, match="not silent"):
        read_music(path)


def test_music_of_another_usual_rate_is_resampled(tmp_path):
    path = tmp_path / "music.wav"
    time = np.arange(2 * 44_100) / 44_100
    soundfile.write(path, np.tile(np.sin(2 * np.pi * 1000 * time), (2, 1)).T / 2, 44_100)
    found = read_music(path)
    assert found.shape == (2, 96_000)
    spectrum = np.abs(np.fft.rfft(found[0, 24_000:72_000]))
    assert np.argmax(spectrum) == 1000


def test_a_run_that_covers_too_little_is_refused(write_job, options, tmp_path, capsys):
    folder = run_job(write_job(), options).folder.path  # 2 to 4 kHz
    assert main(["listen", str(folder), "c001", "--out", str(tmp_path / "heard")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("c001: Invalid band '")
    assert "to be heard" in line


def test_places_that_cannot_be_are_refused(write_job, options, tmp_path, capsys):
    wall = ("[search]", "[listening]\nfront_wall_m = 0.11\n[search]")
    folder = run_job(write_job(*WIDE, wall), options).folder.path
    assert main(["listen", str(folder), "c001", "--out", str(tmp_path / "heard")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("Invalid listening.front_wall_m '0.11'")
    with pytest.raises(InputError, match=r"seat in m .* inside the room"):
        enclosure_of(Room(), front_wall_m=1.0, rear_wall_m=-0.5, other_wall_m=1.0, absorption={})


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("floor = [0.1, 0.2]", "seven numbers from 0.01 to 0.99"),
        ("ceiling = [0, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1]", "seven numbers from 0.01 to 0.99"),
    ],
)
def test_absorption_is_seven_octaves(line, rule, write_job):
    section = f"[listening.absorption]\n{line}\n[search]"
    with pytest.raises(InputError, match=rule):
        load_job(write_job(("[search]", section)))


def test_a_head_file_must_be_one_of_a_head(tmp_path):
    path = tmp_path / "head.sofa"
    path.write_text("none")
    with pytest.raises(InputError, match="an AES69 file that can be read"):
        read_head(path)
    with h5py.File(path, "w") as file:
        file.attrs["SOFAConventions"] = "GeneralFIR"
    with pytest.raises(InputError, match="SimpleFreeFieldHRIR"):
        read_head(path)


def test_a_head_from_an_aes69_file_is_the_one_that_went_in(tmp_path):
    path = tmp_path / "head.sofa"
    known = read_head()
    with h5py.File(path, "w") as file:
        file.attrs["SOFAConventions"] = "SimpleFreeFieldHRIR"
        file["Data.IR"] = known.responses
        file["Data.SamplingRate"] = [48_000.0]
        file["Data.Delay"] = [[3.0, 3.0]]
        places = np.stack((known.azimuth_deg, known.elevation_deg, 0 * known.azimuth_deg), axis=1)
        file["SourcePosition"] = places
        file["SourcePosition"].attrs["Type"] = "spherical"
    found = read_head(path)
    assert found.name == "head.sofa"
    np.testing.assert_allclose(found.responses[..., 3:], known.responses)
    np.testing.assert_allclose(found.responses[..., :3], 0)


def test_a_result_becomes_a_note_on_both_shapes(wide_run, tmp_path):
    out = tmp_path / "heard"
    out.mkdir()
    version = [
        Version(name=name, level=None, whole=None, parts={}) for name in ("c001", "baseline")
    ]
    heard = Heard(out=out, music="song.wav", versions=tuple(version))
    trials = Trials(kind="abx", hidden=(0,) * 16, answers=(0,) * 12 + (1,) * 4)
    said = keep_result(open_run(wide_run), heard, trials)
    assert said == "c001 and baseline: 12 of 16 right, exact p = 0.038: told apart"
    notes = {note.candidate: note.judgement for note in load_notes(wide_run.parent)}
    assert set(notes) == {"c001", "baseline"}
    assert all("song.wav" in text and said in text for text in notes.values())
    (kept,) = out.glob("blind_*.json")
    assert json.loads(kept.read_text())["count"] == 12
