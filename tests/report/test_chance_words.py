"""What is said of the probability of being high."""

from occlusim.report.chance_words import chance_notes, chance_sentence

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
