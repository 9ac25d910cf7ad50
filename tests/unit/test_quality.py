# SPDX-License-Identifier: GPL-3.0-or-later
import re

import pytest

from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air
from bafflelens.mesh.quality import QUALITIES, bands, mesh_size, tolerance

AIR = Air()


@pytest.mark.parametrize("quality", QUALITIES)
def test_elements_shrink_with_the_wavelength(quality):
    low, high = (mesh_size(quality, f, AIR) for f in (4000.0, 8000.0))
    assert low.source_size_m == pytest.approx(2 * high.source_size_m)
    high = mesh_size(quality, 16000.0, AIR)
    wavelength = AIR.sound_speed / 16000
    assert wavelength / 15 < high.source_size_m < wavelength / 4
    assert high.growth >= low.growth >= 1


@pytest.mark.parametrize("frequency", [500.0, 2000.0, 8000.0, 20000.0])
def test_better_levels_are_coarser_in_no_respect(frequency):
    draft, standard, fine = (mesh_size(quality, frequency, AIR) for quality in QUALITIES)
    assert draft.source_size_m > standard.source_size_m > fine.source_size_m
    assert draft.growth >= standard.growth >= fine.growth >= 1
    assert draft.growth > fine.growth
    assert draft.curvature_elements <= standard.curvature_elements <= fine.curvature_elements
    assert tolerance("draft") > tolerance("standard") > tolerance("fine")


def test_warm_air_allows_larger_elements():
    warm = mesh_size("standard", 8000.0, Air(temperature_c=30.0))
    assert warm.source_size_m > mesh_size("standard", 8000.0, AIR).source_size_m


@pytest.mark.parametrize("quality", QUALITIES)
def test_bands_hold_every_frequency_once(quality):
    frequencies = [1000 * 2 ** (n / 6) for n in range(25)]
    found = bands(frequencies[::-1], quality)
    together = [f for band in found for f in band.frequencies_hz]
    assert together == sorted(together)
    assert together == pytest.approx(frequencies)
    for band in found:
        assert band.mesh_frequency_hz == band.frequencies_hz[-1]
        # Above where the shape alone rules the mesh, no frequency is solved on one made for more
        # than an octave above it.
        assert band.mesh_frequency_hz <= 2 * max(band.frequencies_hz[0], 1600.0)


def test_bands_count_from_the_top():
    found = bands([4000.0, 8000.0, 15999.0, 16000.0], "draft")
    assert [band.frequencies_hz for band in found] == [(4000.0,), (8000.0,), (15999.0, 16000.0)]


def test_low_frequencies_share_one_mesh():
    """There the size of the source's elements rules, not the wavelength."""
    found = bands([500.0, 1000.0, 1900.0, 4000.0], "standard")
    assert [band.frequencies_hz for band in found] == [(500.0, 1000.0, 1900.0), (4000.0,)]
    assert bands([500.0, 800.0], "standard")[0].mesh_frequency_hz == 800.0


def test_frequencies_given_twice_are_solved_once():
    assert bands([500.0, 500.0], "fine")[0].frequencies_hz == (500.0,)


@pytest.mark.parametrize(
    "ask", [lambda q: mesh_size(q, 1e3, AIR), tolerance, lambda q: bands([1e3], q)]
)
def test_unknown_level(ask):
    message = "Invalid quality 'best'. Must be one of draft, standard, fine."
    with pytest.raises(InputError, match=re.escape(message)):
        ask("best")
