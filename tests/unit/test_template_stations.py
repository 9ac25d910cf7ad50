# SPDX-License-Identifier: GPL-3.0-or-later
"""Which stations are printed: those that their neighbours do not tell; and old beside new."""

import io

import numpy as np
import pypdfium2
import pytest
from ezdxf import filemanagement
from sheet_faults import MM, boxes_of

from bafflelens.handoff.solid import Section
from bafflelens.handoff.template_dxf import dxf_bytes
from bafflelens.handoff.template_stations import (
    MOST,
    changes_mm,
    chosen_stations,
    front_line,
    reach_of_changes,
    template_reach,
)
from bafflelens.handoff.templates import (
    Template,
    on_few_pages,
    printed_templates,
    templates_of,
    templates_pdf,
)

AT = np.arange(-40.0, 40.5, 0.5)


def section(kind, station, depth_mm):
    """A front 80 mm long, so deep in its middle, as a hat."""
    front = -depth_mm * (1 - np.abs(AT) / 40)
    outline = np.column_stack((np.r_[front, -60, -60], np.r_[AT, AT[-1], AT[0]]))
    return Section(kind=kind, station=station, whole=(), profile=(outline,), scraper=(outline,))


def stations_of(chosen, kind):
    return [one.station for one in chosen if one.kind == kind]


def test_a_line_reaches_as_far_as_its_outline():
    one = section("vertical", 0.0, 20.0)
    found = front_line(one.profile, np.array([-20.0, 0.0, 10.0, 50.0]))
    assert found[:3] == pytest.approx([-10, -20, -15])
    assert np.isnan(found[3])


def test_where_depth_changes_evenly_no_station_between_is_printed():
    sections = [section("vertical", y, 20 - abs(y) / 3) for y in (0.0, 15.0, 30.0, 45.0)]
    sections.append(section("horizontal", 0.0, 20.0))
    chosen = chosen_stations(sections)
    assert stations_of(chosen, "vertical") == [0, 45]
    assert stations_of(chosen, "horizontal") == [0]


def test_the_bend_is_printed_and_never_more_than_eight():
    depths = {0.0: 20.0, 10.0: 20.0, 20.0: 20.0, 30.0: 5.0, 40.0: 0.0}
    sections = [section("vertical", y, depth) for y, depth in depths.items()]
    assert stations_of(chosen_stations(sections, 3), "vertical") == [0, 20, 40]
    many = [section("vertical", 5.0 * n, 20 * np.sin(n) ** 2) for n in range(30)]
    assert len(chosen_stations(many)) == MOST


def test_a_template_reaches_little_beyond_the_lens():
    lens = np.array([[0.0, y, z] for y in (-30, 0, 30) for z in (-50.0, 50.0)])
    assert template_reach(section("vertical", 0.0, 20.0), lens) == (-65, 65)
    assert template_reach(section("vertical", 100.0, 20.0), lens) is None


def test_old_and_new_differ_by_what_is_added_or_taken():
    old, new = section("vertical", 0.0, 20.0), section("vertical", 0.0, 16.0)
    at = np.array([-20.0, 0.0, 20.0])
    assert changes_mm(old.profile, new.profile, at) == pytest.approx([2, 4, 2])
    assert changes_mm(new.profile, old.profile, at) == pytest.approx([-2, -4, -2])


def test_a_page_names_station_datum_and_side_and_tells_what_to_add():
    old, new = section("vertical", 0.0, 20.0), section("vertical", 0.0, 16.0)
    lens = np.column_stack((np.zeros(9), np.zeros(9), np.linspace(-40, 40, 9)))
    plain = list(printed_templates([new], "c001 rev 1", (0, 0, 0), 16, lens))
    changed = list(
        printed_templates([new], "c001 rev 1", (0, 0, 0), 16, lens, before={old.name: old})
    )
    texts = []
    for templates in (plain, changed):
        (page,) = pypdfium2.PdfDocument(templates_pdf(templates, "A4"))
        texts.append(" ".join(page.get_textpage().get_text_range().split()))
    for word in ("c001 rev 1 vertical, y = 0 mm", "seen from the right", "datum: front plane"):
        assert all(word in text for text in texts), word
    assert "add 4.0" in texts[1]
    assert "add 2.0" in texts[1]
    assert "add" not in texts[0]


@pytest.mark.parametrize(("kind", "station"), [("vertical", 0.0), ("radial", 45.0)])
def test_no_text_of_a_page_leaves_it_or_is_crossed_by_an_axis(kind, station):
    """Of a run with a long name: the words at the foot are made smaller."""
    label = "c009_carved rev 49b46693 of a run with a name that is longer than most"
    lens = np.column_stack((np.zeros(9), np.zeros(9), np.linspace(-40, 40, 9)))
    templates = list(printed_templates([section(kind, station, 20.0)], label, (0, 0, 0), 16, lens))
    for page in pypdfium2.PdfDocument(templates_pdf(templates, "A4")):
        boxes = list(boxes_of(page))
        assert len(boxes) > 5
        for left, lower, right, upper in boxes:
            assert min(left, lower) > 4  # what printers leave white, common practice
            assert right < page.get_width() / MM - 4
            assert upper < page.get_height() / MM - 4
        per_mm = 20
        picture = page.render(scale=per_mm / MM).to_numpy().min(axis=-1) < 128
        upright = max(boxes, key=lambda box: box[3] - box[1])
        left, lower, right, upper = (round(per_mm * value) for value in upright)
        inside = picture[picture.shape[0] - upper : picture.shape[0] - lower, left:right]
        assert inside.any()  # letters
        assert not inside.all(axis=1).any()  # and no line across them


def test_what_is_changed_is_written_on_no_other_word_and_clear_of_the_front_plane():
    old, new = section("horizontal", 0.0, 20.0), section("horizontal", 0.0, 1.0)
    lens = np.column_stack((np.zeros(9), np.linspace(-40, 40, 9), np.zeros(9)))
    before = {old.name: old}
    templates = list(printed_templates([new], "c001", (0, 0, 0), 16, lens, before=before))
    (page,) = pypdfium2.PdfDocument(templates_pdf(templates, "A4"))
    boxes = np.array(list(boxes_of(page)))
    apart = (boxes[:, None, :2] >= boxes[None, :, 2:] - 0.05).any(axis=2)
    assert (apart | apart.T | np.eye(len(boxes), dtype=bool)).all()


def test_a_template_reaches_as_far_as_the_part_is_changed():
    old, new = section("vertical", 0.0, 20.0), section("vertical", 0.0, 16.0)
    assert reach_of_changes((-10.0, 10.0), old.profile, new.profile) == (-40, 40)
    assert reach_of_changes((-10.0, 10.0), (), new.profile) == (-10, 10)
    assert reach_of_changes((-10.0, 10.0), new.profile, new.profile) == (-10, 10)
    assert reach_of_changes(None, old.profile, new.profile) is None


def test_nothing_of_a_piece_is_drawn_beyond_its_ends():
    """A front 200 mm long, of which 60 mm are printed: the picture ends with the piece."""
    loop = np.array([[-60, -100], [0, -100], [0, 100], [-60, 100]], dtype=float)
    template = Template(
        name="x", text="x", loops=(loop,), rim=None, across="z", strip_mm=-50.0,
        reach_mm=(-20.0, 40.0),
    )  # fmt: skip
    (page,) = pypdfium2.PdfDocument(templates_pdf([template], "A4"))
    per_mm = 10
    dark = page.render(scale=per_mm / MM).to_numpy().min(axis=-1) < 128
    dark = dark[: -24 * per_mm]  # less the foot with its bar
    upright = np.flatnonzero(dark.sum(axis=0) > 40 * per_mm)  # longer than axes and words
    back = dark[:, upright[0]].nonzero()[0]
    assert np.ptp(back) / per_mm == pytest.approx(60.0, abs=0.3)
    level = np.flatnonzero(dark.sum(axis=1) > 50 * per_mm)
    assert level[[0, -1]] == pytest.approx(back[[0, -1]], abs=3)


def test_a_file_to_cut_has_the_line_before_on_a_layer_of_its_own():
    old, new = section("vertical", 0.0, 20.0), section("vertical", 0.0, 16.0)
    before = {old.name: old}
    (profile, *_) = templates_of([new], "c001", (0, 0, 0), 16, before=before)
    drawing = filemanagement.read(io.StringIO(dxf_bytes(profile).decode()))
    assert not drawing.audit().errors

    def deepest(layer):
        (line,) = drawing.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
        points = np.array(line.get_points("xy"))
        return points[np.abs(points[:, 1]) < 0.1, 0].max()

    assert (deepest("OUTLINE"), deepest("BEFORE")) == pytest.approx((-16, -20))


def test_where_some_take_two_pages_fewer_are_printed():
    """Eight pieces of 400 mm would be sixteen pages of A4; four are eight."""
    loop = np.array([[-60, 0], [0, 0], [0, 400], [-60, 400]], dtype=float)
    tall = Template(name="x", text="x", loops=(loop,), rim=None, across="z", strip_mm=-50.0)
    low = Template(
        name="x", text="x", loops=(loop / [1, 4],), rim=None, across="z", strip_mm=-50.0
    )  # fmt: skip

    def pages(templates, page):
        return len(pypdfium2.PdfDocument(templates_pdf(templates, page)))

    for template, stations in ((tall, 4), (low, MOST)):
        found = on_few_pages(lambda most, one=template: [one] * most, "A4")
        assert len(found) == stations
        assert pages(found, "A4") == MOST
    assert len(on_few_pages(lambda most: [tall] * most, "roll")) == MOST
