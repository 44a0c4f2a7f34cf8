"""A wall that is too thin ends in a question, on the screen and in the table."""

from report.made_up import results

from occlusim.report.summary import summary_words
from occlusim.report.tables import spot_table


def test_the_question_and_the_opposing_tooth_are_told():
    found = results()
    spot = found["crown"]["spots"][1]
    assert "Question" not in summary_words(found)
    assert spot_table(found["crown"]["spots"]).rows[1][6] == "no, 20 µm have to stay"
    spot["split"] = {
        "crown_um": 37.8,
        "antagonist_um": 18.0,
        "antagonist_tooth": "26",
        "point_mm": [1.0, 2.0, 3.0],
        "whole_wall_mm": 0.92,
    }
    spot["question"] = "Which is right: a new design?"
    spot["reasons"] = ["the wall would be thinner than its minimum by 20 um"]
    spot["tool_excess_um"] = 0.0
    words = summary_words(found)
    assert "Question to the clinician on spot 2: Which is right: a new design?" in words
    cell = spot_table(found["crown"]["spots"]).rows[1][6]
    assert "20 µm have to stay, 18 µm against tooth 26" in cell
