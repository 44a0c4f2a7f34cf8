import xml.etree.ElementTree as ET

import numpy as np
import pytest
from numpy.testing import assert_allclose
from report.made_up import ORIENTATION, results
from report.test_html import Page

from occlusim.report.html import render_report
from occlusim.report.motion_figures import FRAME, motion_figures
from occlusim.report.motion_tables import motion_tables
from occlusim.report.words import movement_label, movement_phrase

BLACK_ENOUGH = 110
"""Of 255: what a line may have of light in grey."""


@pytest.fixture(scope="module")
def drawn():
    return [(f, ET.fromstring(f.svg)) for f in motion_figures(results()["motion"])]


def lines_of(svg):
    return [e for e in svg.iter("path") if e.get("fill") == "none"]


def numbers_of(svg):
    return [e.text for e in svg.iter("text") if e.get("font-weight") == "700"]


def ends_px(path):
    points = path.get("d").removeprefix("M").split("L")
    return np.array([[float(v) for v in point.split()] for point in (points[0], points[-1])])


def test_there_is_a_border_figure_its_enlargement_and_every_condyle(drawn):
    assert len(drawn) == 8
    assert len({figure.caption for figure, _ in drawn}) == 8
    for figure, svg in drawn:
        assert (svg.get("role"), svg.get("aria-label")) == ("img", figure.caption)


def test_movements_differ_by_dash_and_number_not_by_colour(drawn):
    for k, (_, svg) in enumerate(drawn):
        wanted = ["1", "2", "3", "4", "5"]
        assert numbers_of(svg) == (wanted * 2 if k < 2 else wanted)
        guided = [e for e in lines_of(svg) if e.get("stroke-width") == "2"]
        assert len(guided) == 4
        assert len({e.get("stroke-dasharray") for e in guided}) == 4
        assert len({e.get("stroke") for e in guided}) == 1
        red, green, blue = (int(guided[0].get("stroke")[i : i + 2], 16) for i in (1, 3, 5))
        assert 0.299 * red + 0.587 * green + 0.114 * blue < BLACK_ENOUGH


def test_millimetres_are_the_same_along_both_axes_and_point_the_right_way(drawn):
    _, side = drawn[2]
    protrusion, _, _, slide = lines_of(side)
    start, end = ends_px(protrusion)
    forward, up = (end - start) * [1, -1]
    assert_allclose(up / forward, -2.28 / 2.37, rtol=0, atol=2e-3)
    assert forward > 0
    assert ends_px(slide)[1, 0] < start[0]
    _, front = drawn[3]
    right_side = lines_of(front)[1]  # the patient's right is on the viewer's left
    assert np.diff(ends_px(right_side)[:, 0])[0] < 0
    _, above = drawn[6]
    assert np.diff(ends_px(lines_of(above)[0])[:, 1])[0] < 0


def test_everything_stays_in_the_frame_and_numbers_off_each_other(drawn):
    left, top, right, bottom = FRAME
    for _, svg in drawn:
        for line in lines_of(svg):
            for x, y in ends_px(line):
                assert left <= x <= right
                assert top <= y <= bottom
        centres = np.array([[float(c.get("cx")), float(c.get("cy"))] for c in svg.iter("circle")])
        apart = np.linalg.norm(centres[:, None] - centres[None], axis=2)
        assert apart[~np.eye(len(centres), dtype=bool)].min() > 17.0


def test_arcs_open_from_the_end_of_their_movement(drawn):
    _, side = drawn[0]
    arcs = [e for e in lines_of(side) if e.get("stroke-width") == "0.9"]
    guided = [e for e in lines_of(side) if e.get("stroke-width") == "2"]
    for arc, path in zip(arcs[1:], guided, strict=True):
        assert_allclose(ends_px(arc)[0], ends_px(path)[1], rtol=0, atol=0.15)


def test_axes_have_numbers_in_millimetres(drawn):
    for _, svg in drawn:
        texts = [e.text for e in svg.iter("text")]
        assert sum(text.endswith("(mm)") for text in texts) == 2
        ticks = [t for t in texts if t.replace("−", "").replace(".", "").isdigit()]
        assert len(ticks) >= 8


def test_the_tables_tell_where_each_movement_ends_and_the_slide():
    tables = motion_tables(results()["motion"])
    ends, slide = tables["motion"], tables["slide"]
    assert ends.rows[1] == (
        "2", "Forward (protrusion)", "3.00", "2.37", "0.11", "−2.28", "3.29", "0.71",
        "3.00 / 1.93", "3.00 / 1.93",
    )  # fmt: skip
    assert ends.rows[4][2:6] == ("−1.00", "−1.46", "0.31", "−1.26")
    assert ("To the patient's right", "−0.31 mm") in slide.rows
    assert ("Retruded record", "doubtful") in slide.rows


def test_a_slide_that_was_left_out_says_so():
    motion = results()["motion"]
    gone = dict.fromkeys(("length_mm", "forward_mm", "right_mm", "up_mm"))
    motion["slide"] |= {"state": "refused", "T_upper_lower": None, **gone}
    rows = motion_tables(motion)["slide"].rows
    assert ("Retruded record", "refused: the slide was left out") in rows
    assert ("Way in a straight line", "not known") in rows


def test_the_page_holds_the_figures_without_scripts_and_without_motion_says_so():
    page = Page(render_report(results(), None, ORIENTATION))
    assert len(page.all("svg")) == 8
    assert "in the jaw frame" in page.visible
    without = results()
    del without["motion"]
    assert (
        "No movement of the jaw was recorded."
        in Page(render_report(without, None, ORIENTATION)).visible
    )


def test_angles_of_movements_are_said_in_words():
    name = "lateroprotrusion_left_22_5"
    assert movement_label(name) == "Forward and to the left (lateroprotrusion) at 22.5°"
    assert movement_phrase(name) == "moving forward and to the left at 22.5°"
    assert movement_phrase("retrusive_slide") == "in the slide from the retruded position"
