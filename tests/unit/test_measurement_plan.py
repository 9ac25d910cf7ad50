# SPDX-License-Identifier: GPL-3.0-or-later
"""The plan of a measurement follows from the body, the room and the band."""

from dataclasses import replace

import bodies
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from synthetic_measurement import point_sources

from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air
from bafflelens.cli import main
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.measurement.description import read_description
from bafflelens.mockup.measurement.measuring_room import Chamber, place_at
from bafflelens.mockup.measurement.nearness import far_distance
from bafflelens.mockup.measurement.plan_page import (
    CAUTIONS,
    description_template,
    plan_figure,
    plan_text,
)
from bafflelens.mockup.measurement.planning import (
    body_of,
    choose,
    plan_measurement,
    signal_to_noise_db,
    sweep_seconds,
)
from bafflelens.report.style import drawing_style

AIR = Air()
BAND = (500.0, 20000.0)


def cabinet(symmetry=()):
    """A cabinet of 210 x 380 x 280 mm whose tweeter is 80 mm above its middle."""
    width = 0.105 if symmetry else 0.21
    mesh = bodies.box((0.28, width, 0.38), (6, 4, 8), name="cabinet")
    shift = np.array([-0.14, width / 2 if symmetry else 0.0, -0.08])
    near = np.hypot(mesh.centroids[:, 1] + shift[1], mesh.centroids[:, 2] + shift[2]) < 0.07
    front = mesh.centroids[:, 0] > 0.14 - 1e-6
    return Mesh(mesh.vertices + shift, mesh.triangles, np.where(near & front, "lens", "cabinet"))


@pytest.mark.parametrize("symmetry", [(), ("y",)])
def test_size_of_a_body_whole_or_half(symmetry):
    body = body_of(cabinet(symmetry))
    assert (body.width_m, body.height_m, body.depth_m) == pytest.approx((0.21, 0.38, 0.28))
    assert body.axis_m == pytest.approx((-0.14, 0, 0))
    assert body.bottom_m == pytest.approx(-0.27)
    assert body.front_m == pytest.approx(np.hypot(0.21, 0.38))
    assert 0.1 < body.mouth_m < 0.22
    assert body.reach_m == pytest.approx(np.hypot(0.14, 0.27))


def test_gate_ends_before_the_first_bounce_by_images():
    """Image of the loudspeaker in the floor: sqrt(d^2 + H^2) - d later, H twice the height."""
    place = place_at(2.0, Chamber(height_m=3.0), AIR)
    assert place.bounce == "floor and ceiling"
    assert place.gate_s == pytest.approx((np.sqrt(13) - 2) / AIR.sound_speed - 0.35e-3)
    assert place.lowest_hz == pytest.approx(1 / place.gate_s)
    narrow = place_at(2.0, Chamber(height_m=3.0, width_m=2.5), AIR)
    assert narrow.bounce == "side walls"
    short = place_at(2.0, Chamber(height_m=3.0, width_m=5, length_m=3), AIR)
    assert short.bounce == "end walls"
    assert short.gate_s == pytest.approx(1 / AIR.sound_speed - 0.35e-3)


@pytest.mark.parametrize("share", [4, 16])
def test_far_distance_is_where_the_edge_lags_by_that_share(share):
    wavelength, size = 0.017, 0.15
    r = far_distance(size, wavelength, share)
    lag = np.sqrt(r**2 + size**2 / 4) - r
    assert lag == pytest.approx(wavelength / share, rel=0.02)  # the next term is (D/4r)^2


def test_signal_to_noise_of_a_gated_sweep():
    """Against a sweep that is deconvolved, with white noise of 4 random seeds: within 1.5 dB."""
    rate, seconds, gate = 48000, 2.0, 0.005
    low, high = 200.0, 10000.0
    time = np.arange(int(seconds * rate)) / rate
    growth = np.log(high / low) / seconds
    sweep = np.sin(2 * np.pi * low * (np.exp(growth * time) - 1) / growth)
    n = 2 * len(sweep)
    spectrum = np.fft.rfft(sweep, n)
    frequency = np.fft.rfftfreq(n, 1 / rate)
    octave = (frequency > 1000 / np.sqrt(2)) & (frequency < 1000 * np.sqrt(2))
    density = []
    noise_octave = []
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0, 0.01, n)
        found = np.fft.rfft(noise)
        noise_octave.append(np.sum(np.abs(found[octave]) ** 2) * 2 / n**2)
        response = np.fft.irfft(found * octave / spectrum, n)
        parts = response[: len(response) // 240 * 240].reshape(-1, int(gate * rate))
        inside = np.fft.rfftfreq(240, 1 / rate) == 1000
        density.append(np.mean(np.abs(np.fft.rfft(parts, axis=1)[:, inside]) ** 2))
    measured = -10 * np.log10(np.mean(density))  # re a response of 1
    level = 10 * np.log10(0.5) - 10 * np.log10(np.mean(noise_octave))
    expected = signal_to_noise_db(level, 0.0, gate, (low, high), seconds)
    assert measured == pytest.approx(expected, abs=1.5)


def test_sweep_is_as_long_as_the_noise_asks():
    quiet = sweep_seconds(80, 30, 0.005, BAND, 50)
    loud = sweep_seconds(80, 50, 0.005, BAND, 55)
    assert quiet == 1.0
    assert 1.0 < loud < 20.0
    assert signal_to_noise_db(80, 50, 0.005, BAND, loud) >= 55
    assert sweep_seconds(60, 60, 0.005, BAND, 50) == 20.0


def test_the_plan_takes_three_times_the_body_and_says_what_it_misses():
    plan = plan_measurement(cabinet(), Chamber(height_m=2.5), BAND, air=AIR)
    assert plan.chosen.distance_m == 1.25  # 3 x 0.38 m
    assert plan.n_angles == 72
    assert plan.minutes == pytest.approx(2 * 72 * 2 * (plan.sweep_s + 3) / 60)
    low = plan_measurement(cabinet(), Chamber(height_m=2.5), (100.0, 20000.0), air=AIR)
    assert any("says nothing below 241 Hz" in reason for reason in low.reasons)
    tight, reasons = choose(plan.places[:1], plan.body, BAND)
    assert tight.distance_m == 0.75
    assert "no space for 3 times the largest dimension" in reasons[0]


def test_angles_are_finer_for_a_large_mouth():
    mesh = cabinet()
    large = Mesh(mesh.vertices, mesh.triangles, np.full(mesh.n_triangles, "lens"))
    assert plan_measurement(large, Chamber(height_m=2.5), BAND, air=AIR).step_deg == 2.5
    assert plan_measurement(mesh, Chamber(height_m=2.5), (500, 2000), air=AIR).step_deg == 5.0


@pytest.mark.parametrize(
    ("room", "band", "changes", "rule"),
    [
        ({"height_m": 1.0}, BAND, {}, "height of the measuring room '1 m'. Must be from 1.5"),
        (
            {"height_m": 3.0, "length_m": 1.5},
            BAND,
            {},
            "measuring room '1.5 x . x 3 m'. Must be l",
        ),
        ({"height_m": 3.0}, (800.0, 500.0), {}, "band '800 to 500 Hz'. Must be rising"),
        ({"height_m": 3.0}, BAND, {"level_db": 130.0}, "level of the sweep '130 dB'. Must be fr"),
        ({"height_m": 3.0}, BAND, {"noise_db": -5.0}, "noise of the room '-5 dB'. Must be from"),
        ({"height_m": 3.0}, BAND, {"repeats": 0}, "number of repeats '0'. Must be from 1 to 20"),
    ],
)
def test_wrong_requests(room, band, changes, rule):
    with pytest.raises(InputError, match=rule):
        plan_measurement(cabinet(), Chamber(**room), band, air=AIR, **changes)


class Points:
    """A field of point sources, known at a few frequencies."""

    frequencies_hz = np.array([500.0, 1000.0, 5000.0, 20000.0, 40000.0])

    def __init__(self, positions, strengths=(1.0,)):
        self.pressure = point_sources(positions, strengths)

    def at(self, points, numbers):
        values = self.pressure(points, self.frequencies_hz[numbers], AIR.sound_speed)
        return values.T, np.zeros((*values.T.shape, 3))


def test_nearness_of_one_point_is_its_way_around_the_axis():
    """A point 0.14 m before the axis: (r - a cos 60) and (r - a) tell the difference in dB."""
    plan = plan_measurement(
        cabinet(), Chamber(height_m=2.5), BAND, air=AIR, field=Points([(0, 0, 0)])
    )
    assert [one.distance_m for one in plan.nearness] == [p.distance_m for p in plan.places]
    assert plan.nearness[0].at_hz == (500.0, 1000.0, 5000.0, 20000.0)
    for one in plan.nearness:

        def fall(r):
            return 20 * np.log10((r - 0.14) / np.sqrt(r**2 + 0.14**2 - 2 * r * 0.14 / 2))

        expected = abs(fall(one.distance_m) - fall(100.0))
        assert one.error_db == pytest.approx([expected] * 4, abs=1e-9)
    text = " ".join(plan_text(plan, "x").split())
    assert "differ from those of the far field by at most: 1." in text
    assert "within 0.5 dB from 1.5 m on; with the turntable's axis through the tweeter" in text
    assert "stays in its place, from 0.75 m on." in text
    assert all(max(one.error_db) < 1e-9 for one in plan.nearness_about_tweeter)


def test_nearness_grows_with_frequency_for_a_wide_source():
    line = [(0, 0, z) for z in np.linspace(-0.1, 0.1, 9)]
    field = Points(line, np.ones(9))
    plan = plan_measurement(cabinet(), Chamber(height_m=2.5), BAND, air=AIR, field=field)
    nearest = plan.nearness[0]
    assert nearest.error_db[3] > nearest.error_db[2] > nearest.error_db[0]
    assert max(plan.nearness[-1].error_db) < max(nearest.error_db)
    with_none = plan_measurement(cabinet(), Chamber(height_m=2.5), (50, 60), air=AIR, field=field)
    assert with_none.nearness == ()
    broad = Points([(0, 0, z) for z in np.linspace(-0.3, 0.3, 9)], np.ones(9))
    plan = plan_measurement(cabinet(), Chamber(height_m=2.5), BAND, air=AIR, field=broad)
    assert "at no distance up to 8 m" in " ".join(plan_text(plan, "x").split())


def test_the_text_says_all_and_the_cautions():
    plan = plan_measurement(cabinet(), Chamber(height_m=2.5), BAND, air=AIR)
    text = plan_text(plan, "A made-up lens")
    joined = " ".join(text.split())
    for caution in CAUTIONS:
        assert caution in joined
    for word in (
        "hearing protection",
        "voice coil",
        "Local rules",
        "common practice",
        "72 angles",
    ):
        assert word in joined
    assert max(map(len, text.splitlines())) <= 104
    noisy = replace(plan, sweep_s=20.0, snr_db=40.0)
    assert "a quieter hour helps more" in " ".join(plan_text(noisy, "x").split())


def test_nothing_of_the_page_runs_out_of_it():
    plan = plan_measurement(
        cabinet(), Chamber(height_m=2.5, width_m=3, length_m=4), (100, 2e4), air=AIR
    )
    with drawing_style():
        figure = plan_figure(plan, "A made-up lens with a long name " * 5)
        FigureCanvasAgg(figure).draw()
        texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
        boxes = [text.get_window_extent() for text in texts]
    assert len(boxes) > 50
    outside = [
        text.get_text()
        for text, box in zip(texts, boxes, strict=True)
        if min(box.x0, box.y0) < 0 or box.x1 > figure.bbox.width or box.y1 > figure.bbox.height
    ]
    assert not outside


def test_the_template_is_a_description(tmp_path):
    plan = plan_measurement(cabinet(), Chamber(height_m=2.5), BAND, air=AIR)
    path = tmp_path / "measurement.toml"
    path.write_text(description_template(plan, 'A "made-up" lens'))
    description = read_description(path)
    assert description.title == 'A "made-up" lens'
    assert description.distance_mm == 1250
    assert description.rotation_point_mm == pytest.approx((-140, 0, 0))
    assert [len(orbit.angles_deg) for orbit in description.orbits] == [72, 72]
    assert description.gate.length_ms == pytest.approx(1e3 * plan.chosen.gate_s, abs=0.01)


def test_the_verb_writes_a_folder(finished_run, tmp_path, capsys):
    out = tmp_path / "plan"
    capsys.readouterr()
    arguments = ["measure-plan", str(finished_run), "c001", "--out", str(out)]
    # The stub's body is two metres long.
    assert main([*arguments, "--room-m", "14", "10", "9", "--noise-db", "25"]) == 0
    said = capsys.readouterr().out
    assert "mind the cautions of the plan" in said
    assert {path.name for path in out.iterdir()} == {
        "plan.pdf",
        "plan.png",
        "plan.txt",
        "measurement.toml",
    }
    assert (out / "plan.pdf").read_bytes().startswith(b"%PDF")
    assert read_description(out / "measurement.toml").frequencies.from_hz == 2000
    assert main(arguments) == 2
    assert "new or empty" in capsys.readouterr().err
    arguments[2] = "c077"
    assert main([*arguments[:-1], str(tmp_path / "other")]) == 2
    assert "candidate 'c077'. Must be one that the run has solved" in capsys.readouterr().err
    assert not (tmp_path / "other").exists()
