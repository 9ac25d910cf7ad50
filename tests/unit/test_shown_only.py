# SPDX-License-Identifier: GPL-3.0-or-later
"""Frequencies that are shown and not judged: bands of another quality, said where it counts."""

from dataclasses import replace

import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.directivity.interpolated import (
    interpolation_text,
    interpolation_warning,
    shown,
)
from bafflelens.job.cost_estimate import band_mesh_sizes, job_bands
from bafflelens.job.job_file import load_job
from bafflelens.job.shown_only import in_full_to_hz, quality_of, shown_only_text
from bafflelens.mesh.quality import band_of, mesh_size
from bafflelens.run.pipeline import run_job

FREQUENCIES = "from_hz = 2000\nto_hz = 4000\nper_octave = 3"
SHOWN_TO_16_KHZ = "from_hz = 1000\nto_hz = 16000\nper_octave = {}"
COARSER = SHOWN_TO_16_KHZ + "\nshow_to_quality = 'draft'"
SCORE = "[score]\nfrom_hz = 2000\nto_hz = {}"


@pytest.fixture
def load(write_job):
    """Return a function that reads the small job, judged to 4 kHz and shown to 16."""

    def read(per_octave="'as needed'", quality="standard", to_hz=4000, frequencies=COARSER):
        path = write_job(
            (FREQUENCIES, frequencies.format(per_octave)),
            (SCORE.format(4000), SCORE.format(to_hz)),
            ('quality = "draft"', f'quality = "{quality}"'),
        )
        return load_job(path)

    return read


def test_bands_are_of_one_quality_each(load):
    for per_octave in ("'as needed'", 12):
        loaded = load(per_octave)
        limit_hz = in_full_to_hz(loaded.job)
        assert limit_hz == pytest.approx(4000 * 2 ** (1 / 6))
        chosen, air = job_bands(loaded), loaded.job.air.medium
        assert {hz for band in chosen for hz in band.frequencies_hz if hz > limit_hz}
        for band, size in zip(chosen, band_mesh_sizes(loaded, chosen), strict=True):
            quality = "standard" if max(band.frequencies_hz) <= limit_hz else "draft"
            assert min(band.frequencies_hz) > limit_hz or quality == "standard"
            assert quality_of(loaded.job, band.mesh_frequency_hz) == quality
            assert size == mesh_size(quality, band.mesh_frequency_hz, air)


def test_what_is_added_is_solved_in_the_quality_of_its_place(load):
    loaded = load()
    chosen, limit_hz = job_bands(loaded), in_full_to_hz(loaded.job)
    for hz in np.geomspace(1100, 15800, 200):
        band = chosen[band_of(float(hz), chosen)]
        assert quality_of(loaded.job, band.mesh_frequency_hz) == quality_of(loaded.job, float(hz))
        assert (quality_of(loaded.job, float(hz)) == "standard") == (hz <= limit_hz)


def test_without_the_key_nothing_changes(load):
    loaded = load(frequencies=SHOWN_TO_16_KHZ)
    assert in_full_to_hz(loaded.job) == np.inf
    assert shown_only_text(loaded.job) == ""
    assert {quality_of(loaded.job, band.mesh_frequency_hz) for band in job_bands(loaded)} == {
        "standard"
    }


def test_the_text_says_where_and_how_far_off(load):
    text = shown_only_text(load().job)
    assert text == (
        "above 4490 Hz, where nothing is judged, draft quality: 1 dB instead of 0.3 dB"
    )


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (
            {"quality": "draft"},
            r"Invalid key 'frequencies.show_to_quality' 'draft'. Must be coarser than "
            r"solve.quality, draft",
        ),
        (
            {"to_hz": 15000},
            r"Invalid key 'frequencies.show_to_quality' 'draft'. Must be left out unless "
            r"score.to_hz, 15000 Hz, is more than a sixth of an octave below the highest "
            r"frequency, 15849 Hz",
        ),
        (
            {"frequencies": COARSER.replace("draft", "fine")},
            r"Invalid key 'frequencies.show_to_quality' 'fine'. Must be",
        ),
    ],
    ids=["not coarser", "judged to the top", "fine"],
)
def test_bad_input(load, given, message):
    with pytest.raises(InputError, match=message):
        load(**given)


def test_a_run_solves_each_band_in_its_quality_and_says_so(load, stub, options):
    asked = {}
    honest = stub.solve_band

    def solve_band(mesh, motions, band, *, quality, **settings):
        asked.update(dict.fromkeys(band.frequencies_hz, quality))
        return honest(mesh, motions, band, **settings)

    stub.solve_band = solve_band
    loaded = load()
    result = run_job(loaded.path, replace(options, methods=stub.methods, cache=None))
    limit_hz = in_full_to_hz(loaded.job)
    first = {hz for band in job_bands(loaded) for hz in band.frequencies_hz}
    assert max(first) > limit_hz
    assert {quality for hz, quality in asked.items() if hz < limit_hz} == {"standard"}
    assert asked[max(first)] == "draft"
    dataset = result.folder.load_directivity("c001")
    assert dataset.attrs["mesh_shown_only"] == shown_only_text(loaded.job)
    found = shown(dataset)
    stated = found["interpolation_stated_db"].values
    frequency = found["frequency"].values
    np.testing.assert_array_equal(stated, np.where(frequency <= limit_hz, 0.3, 1.0))
    assert "stated" in interpolation_text(found)


def test_what_is_stated_counts_where_it_is_stated(load, options):
    dataset = run_job(load().path, replace(options, cache=None)).folder.load_directivity("c001")
    frequency = dataset["shown_frequency"].values
    for at_hz, is_warned in ((3000.0, True), (10_000.0, False)):
        error = np.zeros(len(frequency))
        error[np.argmin(np.abs(frequency - at_hz))] = 0.6
        changed = dataset.assign(interpolation_error_db=("shown_frequency", error))
        assert bool(interpolation_warning(changed)) is is_warned
