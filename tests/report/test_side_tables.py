"""Sides in the report: every row says measured, missing or not known, and never a false number."""

import pytest
from report.made_up import ORIENTATION, results

from occlusim.report.html import render_report
from occlusim.report.side_tables import side_tables
from occlusim.report.side_words import side_sentences
from occlusim.report.summary import summary_words
from occlusim.report.words import VISIT

FREE = {
    "greatest_overlap_um": 0.0,
    "more_than_in_place_um": 0.0,
    "at_height_mm": None,
    "begins_at_mm": None,
    "take_off_um": 0.0,
    "held_up_um": 0.0,
    "point_mm": None,
    "location": None,
}
BINDS = {
    "greatest_overlap_um": 119.6,
    "more_than_in_place_um": 87.2,
    "at_height_mm": 1.234,
    "begins_at_mm": 2.345,
    "take_off_um": 69.6,
    "held_up_um": 1871.3,
    "point_mm": [1.0, 2.0, 3.0],
    "location": "middle third, 4.1 mm below the highest cusp",
}
MEASURED = {
    "state": "measured",
    "tooth": "35",
    "reason": None,
    "tightness": "firm",
    "gap_um": -32.4,
    "supported_gap_um": -28.6,
    "near_area_mm2": 3.456,
    "overlap_area_mm2": 1.234,
    "overlap_volume_mm3": 0.0214,
    "point_mm": [1.0, 2.0, 3.0],
    "location": "occlusal third, 2.1 mm below the highest cusp",
    "at_edge_of_scan": True,
    "on_the_way": BINDS,
}
MISSING = {"state": "missing", "tooth": None, "reason": "tooth 37 is not there"}
UNKNOWN = {"state": "not_known", "tooth": "37", "reason": "it was not scanned", "on_the_way": FREE}
FRAME = {
    "path": {
        "direction": [0.0, 0.0, -1.0],
        "rule": "given",
        "words": "given in the case file",
        "tilt_deg": 4.567,
        "preparation": "not judged",
    },
    "limits": {"open_um": 50.0, "tight_um": 50.0, "near_um": 50.0, "sources": ["a book"]},
}


def case(mesial, distal):
    found = results()
    found["crown"]["sides"] = {**FRAME, "mesial": mesial, "distal": distal}
    return found


def test_a_measured_side_stands_in_its_row():
    tables = side_tables(case(MEASURED, MISSING))
    assert tables["sides"].rows[0] == (
        "Mesial",
        "35",
        "firm",
        "−32",
        "−29",
        "3.46",
        "1.23",
        "0.021",
        "occlusal third, 2.1 mm below the highest cusp; the scanned wall ends there",
    )
    assert tables["sides_way"].rows == (
        ("Mesial", "120", "87", "1.23", "2.35", "70", "1871", BINDS["location"]),
    )
    assert ("Tilt to the line square to the occlusal plane", "4.57°") in tables["sides_path"].rows


def test_the_adjusted_crowns_gap_stands_beside_where_there_is_one():
    found = case(MEASURED, MISSING)
    found["crown"]["after"]["sides"] = {
        "mesial": {"tightness": "light", "gap_um": 12.4, "near_area_mm2": 1.0},
        "distal": None,
    }
    table = side_tables(found)["sides"]
    column = table.columns.index("Least gap after (µm)")
    assert [row[column] for row in table.rows] == ["12", "–"]
    assert table.rows[0][column - 1] == "−29"
    assert all(len(row) == len(table.columns) for row in table.rows)
    assert "Least gap after (µm)" not in side_tables(case(MEASURED, MISSING))["sides"].columns


@pytest.mark.parametrize(
    ("side", "words"), [(MISSING, ("none", "no tooth")), (UNKNOWN, ("37", "not known"))]
)
def test_what_has_no_number_shows_none(side, words):
    row = side_tables(case(MEASURED, side))["sides"].rows[1]
    assert row == ("Distal", *words, "–", "–", "–", "–", "–", side["reason"])


def test_a_free_way_says_so():
    row = side_tables(case(MEASURED, UNKNOWN))["sides_way"].rows[1]
    assert row == ("Distal", "0", "–", "–", "–", "0", "0", "passes freely")


def test_sentences_for_the_screen():
    words = summary_words(case(MEASURED, MISSING))
    assert "Sides in place: mesial to tooth 35 firm, an overlap of 32 µm; distal no tooth." in words
    assert "binds on its mesial side: 70 µm have to come off there" in words
    assert "stay up by 1871 µm at most" in words
    opened = MEASURED | {"gap_um": 81.0, "tightness": "open", "on_the_way": FREE}
    assert side_sentences({"sides": {"mesial": opened, "distal": UNKNOWN}}) == [
        "Sides in place: mesial to tooth 35 open, a gap of 81 µm; distal to tooth 37 not known."
    ]
    assert side_sentences({}) == []


def test_the_page_holds_the_sides_and_the_order_of_the_visit():
    page = render_report(case(MEASURED, MISSING), None, ORIENTATION)
    assert 'id="table-sides"' in page
    assert 'id="table-sides_way"' in page
    bare = render_report(results(), None, ORIENTATION)
    assert "The side contacts were not computed." in bare
    for text in (page, bare):
        places = [text.index(step) for step in VISIT]
        assert places == sorted(places)
