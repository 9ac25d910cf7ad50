# SPDX-License-Identifier: GPL-3.0-or-later
"""From a run to files that can be heard, with the stub solver, whose patterns mean nothing."""

import json

import h5py
import pytest
import soundfile

from bafflelens.cli import main
from bafflelens.listen.loudness import loudness_lufs, true_peak_db
from bafflelens.listen.music import invented_music
from bafflelens.run.pipeline import run_job

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
    assert main([*command, "--music", str(music)]) == 2  # the folder is not empty
    assert "new or empty" in capsys.readouterr().err


def test_the_responses_are_a_valid_aes69_file(wide_run, music, tmp_path):
    sofar = pytest.importorskip("sofar")
    out = tmp_path / "heard"
    assert main(["listen", str(wide_run), "c001", "--out", str(out), "--music", str(music)]) == 0
    read = sofar.read_sofa(str(out / "c001.sofa"), verbose=False)
    assert read.verify(issue_handling="return") in (None, "")
    assert read.GLOBAL_SOFAConventions == "SingleRoomMIMOSRIR"
