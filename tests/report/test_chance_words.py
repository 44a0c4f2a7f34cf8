"""What is said of the probability of being high."""

from occlusim.report.chance_words import chance_notes, chance_sentence
from occlusim.report.tables import spot_table
from occlusim.report.words import WORDS

PART = {
    "n_draws": 400,
    "resolution": 0.0025,
    "high_from_um": 10.0,
    "anywhere": 0.3725,
    "highest": 0.31,
    "unfollowed_at_most": 0.0,
}


def test_the_share_of_records_that_leave_it_high_is_said():
    said = chance_sentence({"probability": PART})
    assert said == (
        "Of 400 bite records drawn by how sure this one is, 37 % leave the crown high somewhere "
        "by more than 10 µm."
    )
    none = chance_sentence({"probability": {**PART, "anywhere": 0.0}})
    assert "this one is, none leave the crown high" in none


def test_where_it_is_not_known_nothing_is_said():
    for crown in ({}, {"probability": None}):
        assert chance_sentence(crown) is None
        assert chance_notes(crown) == []


def test_the_note_says_what_the_draws_can_tell_and_what_was_not_followed():
    (note,) = chance_notes({"probability": PART})
    assert "below 0.25 % cannot be told from 0" in note
    _, left = chance_notes({"probability": {**PART, "unfollowed_at_most": 0.04}})
    assert "more room than 100 µm" in left
    assert "more than 4 % of the records" in left


def test_each_spots_probability_stands_in_the_table_where_one_is_known():
    spots = [{"id": 1, "probability_high": 0.8675}, {"id": 2, "probability_high": 0.0025}]
    table = spot_table([*spots, {"id": 3, "probability_high": None}])
    column = table.columns.index(WORDS["col_chance"])
    assert [row[column] for row in table.rows] == ["87 %", "0.25 %", WORDS["unknown"]]
    assert table.is_number[column]
    assert all(len(row) == len(table.columns) for row in table.rows)
    assert WORDS["col_chance"] not in spot_table([{"id": 1}]).columns
