# SPDX-License-Identifier: GPL-3.0-or-later
"""The ranked summary of a hand-off: expected levels, limits, the order of making, the pages."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from bafflelens.base.medium import Air
from bafflelens.handoff.charts import POLAR_MM_PER_DB, Curve, decade_mm, level_chart, polar_chart
from bafflelens.handoff.checks import Check
from bafflelens.handoff.expected import Expected, at_microphone, expected_csv, third_octaves
from bafflelens.handoff.making_order import Made, turns_of
from bafflelens.handoff.paper import pages_pdf, paragraph
from bafflelens.handoff.shortlist import short_list
from bafflelens.handoff.summary_pages import summary_pdf
from bafflelens.handoff.thresholds import Before, Trust, before_making, thresholds_of, trust_of
from bafflelens.mockup.measurement.measuring_room import Chamber
from bafflelens.mockup.measurement.planning import plan_measurement
from bafflelens.report.curves import Requirement
from bafflelens.report.summary import rank_run
from bafflelens.report.words import Change, Direction
from bafflelens.scoring.model_error import MockUp
from bafflelens.scoring.ranking import CandidateResult, RankedRow
from bafflelens.scoring.sensitivity import ParameterChange, Robustness
from bafflelens.scoring.target import Limit
from bafflelens.store import open_run

BAND = (2000.0, 8000.0)
GO = Before(is_worth=True, text="go")


def expected(slope_db=-0.1, axis_db=80.0):
    """Levels that fall by so much a degree from the axis on, at all frequencies."""
    angle = np.arange(-180.0, 181.0, 5.0)
    frequency = 1000 * 10 ** (np.arange(0, 81) / 80)
    level = np.tile(axis_db + slope_db * np.abs(angle), (81, 1))
    planes = {"horizontal": level, "vertical": level}
    return Expected(frequency_hz=frequency, angle_deg=angle, level_db=planes, where="far field")


def row_of(name, place, *, gain=2.0, tied=False, cost=None, score=None):
    changes = (
        ParameterChange(key="lens.depth_mm", unit="mm", tolerance=1, less_db=0.0, more_db=cost),
    )
    robustness = Robustness(candidate=name, score_db=3.0, changes=changes) if cost else None
    candidate = CandidateResult(
        id=name, label=name, is_baseline=False, values={}, score=score, status="solved"
    )
    return RankedRow(
        place=place,
        candidate=candidate,
        status="ranked",
        better_by_db=gain,
        is_tied=tied,
        reasons=(),
        robustness=robustness,
    )


def made_of(row, *failed):
    checks = [Check(name=name, state="failed", text="x") for name in failed]
    checks.append(Check(name="draft", state="passed", text="x"))
    return Made(row=row, revision="abcd", checks=tuple(checks), warnings=(), tolerance="Unknown.")


# -------------------------------------------------------------------------------- expected


def test_third_octaves_have_their_nominal_names():
    found = third_octaves((1000, 10000))
    names = [1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000]  # IEC 61260-1
    assert [nominal for nominal, _ in found] == names
    assert found[3][1] == pytest.approx(10**3.3)


def test_a_third_octave_is_the_mean_of_the_square():
    """A share s of a band is -20 dB re axis, the rest 0 dB: 10 lg(1 - s + s / 100)."""
    plain = expected(0.0)
    level = plain.level_db["horizontal"].copy()
    level[plain.frequency_hz > 2000 * 1.0001, plain.at(30)] -= 20
    changed = replace(plain, level_db={**plain.level_db, "horizontal": level})
    two_khz = plain.frequency_hz[plain.nearest(2000.0)]
    found = changed.third_octave_db("horizontal", 30, float(two_khz))
    # Steps of 1/80 decade: it begins half a step above 2 kHz, and ends a sixth of an octave above.
    share = (math.log10(2) / 6 - 1 / 160) / (math.log10(2) / 3)
    assert found == pytest.approx(10 * math.log10(1 - 0.99 * share), abs=1e-6)
    assert expected().third_octave_db("vertical", 60, 2000) == pytest.approx(-6)


def test_a_table_holds_the_levels_re_the_axis():
    lines = expected_csv(expected(), "vertical").decode().splitlines()
    assert lines[0].startswith("Hz (vertical; far field; dB re axis),-180 deg,-175 deg")
    assert lines[1].split(",")[0] == "1000.0"
    assert lines[1].split(",")[lines[0].split(",").index("60 deg")] == "-6.00"
    assert len(lines) == 82


class Monopole:
    """A point source at the origin."""

    sound_speed = 343.0
    frequencies_hz = np.array([500.0, 1000.0, 2000.0, 4000.0])

    def at(self, points, numbers):
        way = np.linalg.norm(points, axis=1)
        k = 2 * np.pi * self.frequencies_hz[numbers] / self.sound_speed
        return np.exp(1j * np.outer(k, way)) / way, np.zeros((len(k), len(way), 3))

    def shortest_way_m(self, points):
        return np.linalg.norm(points, axis=1)


def test_a_source_in_front_of_the_turntable_is_nearer_on_the_axis():
    """The law of cosines: behind, a source 0.1 m off the turntable's axis is 0.2 m farther."""
    from bafflelens.mesh.mesh import Mesh

    points = [[-0.2, 0, -0.2], [-0.2, 0, 0.2], [0, 0, 0.2], [0, 0.1, 0]]
    triangles = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]])
    mesh = Mesh(np.array(points, dtype=float), triangles, np.array(["cabinet"] * 4))
    plan = plan_measurement(mesh, Chamber(height_m=2.5), (500, 4000), air=Air())
    shown = np.array([500.0, 700.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0, 5000.0])
    found = at_microphone(Monopole(), shown, plan)
    assert found.frequency_hz.tolist() == shown[:-1].tolist()  # not beyond what was solved
    distance = plan.chosen.distance_m
    for angle in (0.0, 60.0, 180.0):
        way = math.sqrt(distance**2 + 0.1**2 - 0.2 * distance * math.cos(math.radians(angle)))
        nominal = -20 * math.log10(way / (distance - 0.1))
        level = found.relative_db("vertical")[:, found.at(angle)]
        assert level == pytest.approx(np.full(7, nominal), abs=0.02)
    assert found.where == f"{distance:g} m from the turntable"


# ---------------------------------------------------------------------------------- limits


def test_scatter_is_the_root_of_the_sum_of_squares():
    one = MockUp(
        key="a",
        run="r",
        candidate="c",
        measurement="m",
        compared_utc="",
        bands_hz=(1000.0, 2000.0),
        rms_db=(0.4, 0.4),
        agrees_to_hz=2000.0,
    )
    trust = trust_of("standard", [one])
    assert (trust.solver_db, trust.clay_db, trust.n_mock_ups) == (0.3, 0.4, 1)
    assert trust.look_db == pytest.approx(0.5)
    assert trust.stop_db == pytest.approx(1.0)
    assert "median of 1 mock-up compared" in trust.text
    # The same mock-up measured again, or compared with another candidate, is still one.
    again, other = replace(one, measurement="n"), replace(one, key="b")
    assert trust_of("standard", [one, again]).n_mock_ups == 1
    assert trust_of("standard", [one, replace(one, candidate="d")]).n_mock_ups == 1
    assert "median of 2 mock-ups" in trust_of("standard", [one, again, other]).text
    # Nothing compared, or a mock-up that was off in every band: the comparison's own limit.
    for mock_ups in ([], [replace(one, rms_db=(3.0, 3.0))]):
        trust = trust_of("fine", mock_ups)
        assert (trust.clay_db, trust.n_mock_ups) == (1.0, 0)
        assert "no mock-up" in trust.text


def direction(level, baseline, angle=-34.0, *, is_upper=True):
    change = Change(band_hz=BAND, level_db=level, baseline_db=baseline)
    limit = Limit(angle_deg=angle, frequencies_hz=BAND, levels_db=(-10.0, -10.0))
    asked = Requirement(key="floor", title="Floor", limit=limit, is_upper=is_upper)
    return Direction(requirement=asked, octaves=(change,), whole=change)


def limits_of(**directions):
    trust = Trust(solver_db=0.3, clay_db=0.4, n_mock_ups=1)
    return [limit.limit for limit in thresholds_of(row_of("c1", 1), directions, trust, BAND)[2:-1]]


def test_the_limit_is_half_way_to_the_baseline_where_that_can_be_told():
    assert limits_of(floor=direction(-6.0, -1.0)) == ["above −3.5 dB"]
    # Too little gained, or even paid: what is expected, and the scatter.
    assert limits_of(floor=direction(-1.2, -1.0)) == ["above −0.7 dB"]
    assert limits_of(side=direction(-7.0, -3.0, 60.0, is_upper=False)) == ["below −7.5 dB"]
    assert limits_of(side=direction(-3.0, -7.0, 60.0, is_upper=False)) == ["below −5.0 dB"]
    assert limits_of(floor=direction(math.nan, -1.0)) == []


def test_a_gain_must_stand_the_tolerances():
    assert before_making(row_of("c1", 1, gain=0.2), 0.1).is_worth
    assert not before_making(row_of("c1", 1, gain=0.05), 0.1).is_worth
    fragile = row_of("c1", 1, gain=0.2, cost=1.0)
    # A change of 0 and 1 dB: mean 1/4, mean square 1/6.
    rise = 0.25 + 2 * math.sqrt(1 / 6 - 1 / 16)
    found = before_making(fragile, 0.1)
    assert not found.is_worth
    assert f"{rise:.2f} dB" in found.text
    assert not before_making(row_of("c1", 1, gain=math.nan), 0.1).is_worth
    limits = thresholds_of(fragile, {}, Trust(solver_db=1, clay_db=1, n_mock_ups=0), BAND)
    assert "lens depth" in limits[-1].expected
    limits = thresholds_of(row_of("c1", 1), {}, Trust(solver_db=1, clay_db=1, n_mock_ups=0), BAND)
    assert "bafflelens tolerances RUN c1" in limits[-1].rule


@pytest.mark.parametrize(
    ("doubt", "words"),
    [
        ({"failed": ["inside radius"]}, "To settle first: failed check: inside radius."),
        ({"quality": "draft"}, "solved at draft quality only"),
        ({"interpolation_db": 0.2}, "may be off by 0.20 dB, more than the margin of 0.10 dB"),
    ],
)
def test_go_never_stands_beside_a_doubt(doubt, words):
    sound = before_making(row_of("c1", 1, gain=0.2), 0.1, interpolation_db=0.05)
    assert sound.is_go
    assert sound.text.startswith("Go: ")
    assert before_making(row_of("c1", 1, gain=0.2), 0.1, interpolation_db=math.nan).is_go
    found = before_making(row_of("c1", 1, gain=0.2), 0.1, **doubt)
    assert not found.is_go
    assert found.text.startswith("Not yet: gains 0.20 dB")
    assert words in found.text


def test_what_is_made_first_follows_the_rule():
    rows = [
        made_of(row_of("two_failed", 1, tied=True), "draft", "overhang"),
        made_of(row_of("fragile", 1, tied=True, cost=0.9), "draft"),
        made_of(row_of("sturdy", 1, tied=True, cost=0.2), "draft"),
        made_of(row_of("hindered", 1, tied=True), "dome's travel"),
        made_of(row_of("second", 5)),
        made_of(row_of("useless", 6, gain=0.0)),
    ]
    verdicts = [before_making(one.row, 0.1) for one in rows]
    turns = {
        one.row.candidate.id: turn
        for one, turn in zip(rows, turns_of(rows, verdicts), strict=True)
    }
    order = sorted(turns, key=lambda name: turns[name][0])
    assert order == ["sturdy", "fragile", "two_failed", "second", "hindered", "useless"]
    assert "hindered by dome's travel" in turns["hindered"][1]
    assert "not worth making" in turns["useless"][1]
    assert "small changes cost at most 0.20 dB each" in turns["sturdy"][1]


# ----------------------------------------------------------------------------------- pages


def rendered(flowable, per_mm=8):
    content = pages_pdf(lambda: [flowable], "title", "foot")
    picture = pypdfium2.PdfDocument(content)[0].render(scale=per_mm * 25.4 / 72).to_numpy()
    return picture[..., :3].astype(int), per_mm


def test_a_polar_is_drawn_to_scale():
    """A circle 20 dB below the rim of 0 dB is 2 x 20 x 1.5 mm narrower than that one."""
    widths = []
    angle = np.arange(-180.0, 181.0, 2.0)
    for level in (0.0, -20.0):
        curve = Curve(
            label="", along=angle, level_db=np.full(angle.shape, level), colour="#ff00ff"
        )
        picture, per_mm = rendered(polar_chart("", ("left", "right"), [curve], []))
        left = picture[:, : 150 * per_mm]  # without the key
        pink = (left[..., 1] < 100) & (left[..., 0] > 200) & (left[..., 2] > 200)
        rows = np.flatnonzero(pink.sum(axis=1) > 0)
        widths.append(np.ptp(rows) / per_mm)
    assert widths[0] - widths[1] == pytest.approx(2 * 20 * POLAR_MM_PER_DB, rel=2e-3, abs=0.3)


def test_a_level_axis_has_a_usual_slope():
    assert decade_mm((500.0, 20000.0)) == 100  # 50 dB a decade at 2 mm a decibel
    assert decade_mm((20.0, 20000.0)) == 50  # 25 dB
    frequency = np.array([1000.0, 10000.0])
    curve = Curve(label="", along=frequency, level_db=np.array([-20.0, 0.0]), colour="#ff00ff")
    chart = level_chart("", "", [curve], (500.0, 16000.0), (-25.0, 5.0), BAND)
    picture, per_mm = rendered(chart)
    pink = (picture[..., 1] < 100) & (picture[..., 0] > 200) & (picture[..., 2] > 200)
    rows, columns = np.nonzero(pink[: 85 * per_mm])  # without the key below
    assert np.ptp(columns) / per_mm == pytest.approx(100, abs=0.6)
    assert np.ptp(rows) / per_mm == pytest.approx(40, abs=0.6)


def test_pages_are_numbered_and_the_same_twice():
    def story():
        return [paragraph(f"line {n} < & ± − µ °") for n in range(200)]

    content = pages_pdf(story, "title", "foot")
    assert content == pages_pdf(story, "title", "foot")
    document = pypdfium2.PdfDocument(content)
    texts = [page.get_textpage().get_text_range() for page in document]
    assert len(texts) > 2
    for number, text in enumerate(texts, start=1):
        assert f"page {number} of {len(texts)}" in text
    assert "line 0 < & ± − µ °" in texts[0]


def text_of(content):
    document = pypdfium2.PdfDocument(content)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    return " ".join(text.split())


def test_the_summary_of_a_run_says_all_that_is_asked(finished_run):
    folder = open_run(Path(finished_run))
    loaded, record, rows = folder.load_job(), folder.load_record(), rank_run(folder)
    chosen = [row for row in rows if row.status == "ranked" and not row.candidate.is_baseline][:2]
    made = [made_of(chosen[0], "inside radius"), made_of(chosen[1], "flange and screws")]
    found = short_list(folder, loaded, record, rows, made)
    content = summary_pdf(found)
    assert content == summary_pdf(short_list(folder, loaded, record, rows, made))
    text = text_of(content)
    name = found.in_turn[0].row.candidate.id
    for words in (
        "What to make first",
        f"{name} rev abcd: place",
        "The short list, in the order of the ranking",
        "What the scores are made of",
        "Why each is there, what it gains and what it costs",
        "Failed check: inside radius: x",
        "What to measure",
        "Loud sweeps",
        "What would make us stop",
        "Stop beyond",
        "First look: third-octave levels re the axis in dB",
        f"{name} rev abcd: expected polars",
        f"{name} rev abcd: expected over frequency",
    ):
        assert words in text, words
    assert found.listed[1].made.hindering
    assert f"{found.listed[0].expected.frequency_hz.size} frequencies" in text


def test_a_baseline_and_what_has_no_place_are_listed_too(finished_run):
    folder = open_run(Path(finished_run))
    loaded, record, rows = folder.load_job(), folder.load_record(), rank_run(folder)
    best = next(row for row in rows if not row.candidate.is_baseline)
    lost = replace(best, place=None, status="incomplete", better_by_db=math.nan)
    baseline = next(row for row in rows if row.candidate.is_baseline)
    found = short_list(folder, loaded, record, rows, [made_of(lost), made_of(baseline)])
    assert [one.row.candidate.id for one in found.in_turn][-1] == baseline.candidate.id
    text = text_of(summary_pdf(found))
    assert "Nothing yet; the first to make would be" in text
    assert f"{best.candidate.id} rev abcd: not yet to be made; in turn first" in text
    assert "no place: incomplete" in text
    assert "It is a baseline: made to measure what the others gain against it." in text


def test_a_room_without_space_is_said(finished_run, monkeypatch):
    from bafflelens.base.errors import InputError
    from bafflelens.handoff import expected as module

    def refuse(*_, **__):
        message = "Invalid measuring room '1 m'. Must be longer."
        raise InputError(message)

    monkeypatch.setattr(module, "plan_measurement", refuse)
    folder = open_run(Path(finished_run))
    rows = rank_run(folder)
    best = next(row for row in rows if not row.candidate.is_baseline)
    found = short_list(folder, folder.load_job(), folder.load_record(), rows, [made_of(best)])
    assert "There is no plan for the job's room: Invalid measuring room" in text_of(
        summary_pdf(found)
    )
