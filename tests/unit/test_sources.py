# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job says of its sources: crossovers, drivers, plates and the files they name."""

import re

import pytest

from bafflelens.base.errors import JobError
from bafflelens.directivity.loudspeaker import remarks_of
from bafflelens.job.job_file import load_job

CROSSOVER = """
[crossover]
mode = "acoustic-target"
[crossover.tweeter]
high_pass = { order = 4, frequency_hz = 2500 }
delay_ms = 0.02
polarity = "inverted"
[crossover.midrange]
low_pass = { family = "bessel", order = 3, frequency_hz = 2300 }
gain_db = -2
network_file = "network.txt"
"""
DRIVER = """
[driver]
rated_voltage_v = 4
[driver.tweeter]
response_file = "tweeter.txt"
voltage_v = 2
distance_m = 1.5
removed_delay_ms = 0.5
[driver.tweeter.plate]
script = "plain.py"
[driver.tweeter.plate.cabinet]
width_mm = 300
"""
ROWS = "".join(f"{f} {80 + f / 1e4} {-f / 100}\n" for f in range(1000, 20_001, 500))


def faults_of(path):
    with pytest.raises(JobError) as caught:
        load_job(path)
    return list(caught.value.faults)


@pytest.fixture
def two_sources(write_job):
    """Return a function that writes the small job; its lens has a midrange besides."""

    def write(*sections, files=(), lens_sources=("tweeter", "midrange")):
        path = write_job(("[search]", "\n".join([*sections, "[search]"])))
        script = path.parent / "lens.py"
        text = script.read_text()
        entry = text[text.index("        {\n") : text.index("    ]\n", text.index("        {\n"))]
        more = [entry.replace('"tweeter"', f'"{name}"') for name in lens_sources]
        script.write_text(text.replace(entry, ",".join(more)))
        for name, rows in dict(files).items():
            (path.parent / name).write_text(rows)
        return path

    return write


def test_a_crossover_is_read_with_its_files(two_sources):
    loaded = load_job(two_sources(CROSSOVER, files={"network.txt": ROWS}))
    tweeter, midrange = loaded.loudspeaker.crossover.ways
    assert loaded.loudspeaker.crossover.mode == "acoustic-target"
    assert tweeter.is_inverted
    assert tweeter.delay_s == pytest.approx(2e-5)
    assert tweeter.filters[0].text == "high-pass linkwitz-riley 4 at 2500 Hz"
    assert midrange.filters[0].text == "low-pass bessel 3 at 2300 Hz"
    assert midrange.network.name == "network.txt"
    assert set(loaded.files) == {"crossover.midrange.network_file"}
    assert not loaded.loudspeaker.is_absolute


def test_a_driver_is_read_with_its_plate(two_sources):
    loaded = load_job(two_sources(DRIVER, files={"tweeter.txt": ROWS}, lens_sources=["tweeter"]))
    (known,) = loaded.loudspeaker.drivers
    assert known.driver.voltage_v == 2
    assert known.driver.distance_m == 1.5
    assert known.driver.removed_delay_s == pytest.approx(5e-4)
    assert known.plate == "plate_tweeter"
    (plate,) = loaded.plates
    assert plate.values == {"cabinet.width_mm": 300.0}
    assert plate.shape.name == "plain"
    assert loaded.loudspeaker.rated_voltage_v == 4
    assert loaded.loudspeaker.is_absolute


def test_without_a_plate_the_baseline_is_it(two_sources):
    section = DRIVER[: DRIVER.index("[driver.tweeter.plate]")]
    loaded = load_job(two_sources(section, files={"tweeter.txt": ROWS}, lens_sources=["tweeter"]))
    assert loaded.plates == ()
    assert loaded.loudspeaker.plates == {"baseline"}


def test_an_acceleration_asks_for_no_plate(two_sources):
    section = DRIVER[: DRIVER.index("[driver.tweeter.plate]")] + 'quantity = "acceleration"\n'
    loaded = load_job(two_sources(section, files={"tweeter.txt": ROWS}, lens_sources=["tweeter"]))
    assert loaded.loudspeaker.plates == frozenset()


def test_remarks_say_how_levels_came_about(two_sources):
    loaded = load_job(two_sources(DRIVER, files={"tweeter.txt": ROWS}, lens_sources=["tweeter"]))
    lines = remarks_of(loaded.loudspeaker, 343.2)
    assert lines[0].startswith("Responses are predicted: dB re 20 µPa at 1 m for 4 V")
    assert "tweeter.txt, 1000 to 20000 Hz; outside, nothing is shown or judged" in lines[1]
    loaded = load_job(two_sources(CROSSOVER, files={"network.txt": ROWS}))
    (line,) = remarks_of(loaded.loudspeaker, 343.2)
    assert line.startswith("Sum of sources: acoustic-target, re listening-window; tweeter: high-")


ELECTRICAL = CROSSOVER.replace("acoustic-target", "electrical").replace(
    'network_file = "network.txt"\n', ""
)
MIDRANGE = '[driver.midrange]\nresponse_file = "midrange.txt"\nquantity = "acceleration"\n'


@pytest.mark.parametrize(
    ("sections", "message"),
    [
        (
            "",
            r"Missing section \[crossover\]. Must be given: 'lens' has the sources tweeter, midr",
        ),
        (
            '[crossover]\nmode = "acoustic-target"\n[crossover.tweeter]\n',
            r"Missing section \[crossover.midrange\]. Must be given: it is a source of 'lens'",
        ),
        (
            CROSSOVER + "[crossover.woofer]\n",
            r"Invalid section \[crossover.woofer\]. Must be the name of a source, .*tweeter, mid",
        ),
        (
            CROSSOVER + '[driver.woofer]\nresponse_file = "tweeter.txt"\n',
            r"Invalid section \[driver.woofer\]. Must be the name of a source",
        ),
        (ELECTRICAL + DRIVER, r"Missing section \[driver.midrange\]. Must be given in electrical"),
        ("[crossover]\n[crossover.tweeter]\n", r"Missing key 'crossover.mode'. Must be one of ac"),
        ('[crossover]\nmode = "electrical"\n', r"key 'crossover' "),
        (
            CROSSOVER.replace("order = 4", "order = 3"),
            r"section \[crossover.tweeter.high_pass\]. Must be of an even order if it is a li",
        ),
        (
            CROSSOVER.replace("order = 4", "order = 9"),
            r"key 'crossover.tweeter.high_pass.order' '9'. Must be a whole number from 1 to 8",
        ),
        (
            CROSSOVER.replace("order = 4, frequency_hz = 2500", "order = 4"),
            r"Missing key 'crossover.tweeter.high_pass.frequency_hz'. Must be a number from 20 to",
        ),
        (
            CROSSOVER.replace("gain_db", "gian_db"),
            r"key 'crossover.midrange.gian_db'. Must be .*nearest is 'crossover.midrange.gain_db'",
        ),
        (
            CROSSOVER.replace("mode =", 'moed = "x"\nmode ='),
            r"key 'crossover.moed'. Must be a known key; the nearest is 'crossover.mode'",
        ),
        (
            CROSSOVER.replace("network.txt", "none.txt"),
            r"key 'crossover.midrange.network_file': Invalid response file .*none.txt'. Must be a",
        ),
        (
            CROSSOVER.replace("network.txt", "commas.txt"),
            r"key 'crossover.midrange.network_file': .*commas.txt, line 1: .*decimal points",
        ),
        (
            CROSSOVER + '[crossover.search]\nslopes = ["linkwitz-riley 3"]\n',
            r"section \[crossover.search\].*such as \"linkwitz-riley 4\", not \"linkwitz-r",
        ),
        (
            CROSSOVER + '[crossover.search]\nslopes = ["steep"]\n',
            r"section \[crossover.search\].*not \"steep\"",
        ),
        (
            CROSSOVER + "[crossover.search]\nfrom_hz = 3000\nto_hz = 2000\n",
            r"section \[crossover.search\].*Must be a band whose 'from_hz' \(3000\) is below",
        ),
        (
            CROSSOVER + DRIVER.replace("width_mm = 300", "width_mm = [300, 310]"),
            r"key 'driver.tweeter.plate.cabinet.width_mm' 'a range or list'. Must be one number",
        ),
        (
            CROSSOVER + DRIVER.replace("width_mm = 300", "width_mm = 30"),
            r"key 'driver.tweeter.plate.cabinet.width_mm' '30'. Must be from 100 to 400 mm",
        ),
        (
            CROSSOVER + DRIVER.replace('"plain.py"', '"none.py"'),
            r"key 'driver.tweeter.plate.script': Invalid geometry script .*none.py",
        ),
        (
            CROSSOVER + DRIVER.replace('"plain.py"', '"plain.py"\nsource = "cone"'),
            r"key 'driver.tweeter.plate.source' 'cone'. Must be one of its plate's sources, tweet",
        ),
        (
            CROSSOVER
            + DRIVER.replace(
                "[driver.tweeter.plate]", 'quantity = "acceleration"\n[driver.tweeter.plate]'
            ),
            r"section \[driver.tweeter\]. Must be without \[plate\] if its quantity is acc",
        ),
        (
            CROSSOVER + DRIVER.replace("distance_m = 1.5", "distance_m = 0"),
            r"key 'driver.tweeter.distance_m' '0'. Must be a number from 0.05 to 50 m",
        ),
        (
            ELECTRICAL + DRIVER.replace("tweeter.txt", "narrow.txt") + MIDRANGE,
            r"key 'driver.tweeter.response_file' 'narrow.txt, 2600 to 4500 Hz'. Must be measured "
            r"at all that is heard of it in the score band, 2512 to 2512 Hz too",
        ),
    ],
)
def test_what_does_not_fit_is_said(two_sources, sections, message):
    files = {
        "network.txt": ROWS,
        "tweeter.txt": ROWS,
        "midrange.txt": ROWS,
        "commas.txt": "1000,5 80,1 10,0\n" * 4,
        "narrow.txt": "2600 80 0\n3000 80 -5\n4500 80 -20\n",
    }
    found = faults_of(two_sources(sections, files=files))
    assert [fault for fault in found if re.search(message, fault)], found


def test_a_faulty_crossover_is_not_reported_twice(two_sources):
    (fault,) = faults_of(
        two_sources(CROSSOVER.replace("order = 4", "order = 9"), files={"network.txt": ROWS})
    )
    assert "high_pass.order" in fault
