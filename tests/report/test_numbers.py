"""Which spots are numbered in the pictures."""

from report.made_up import results

from occlusim.report.numbers import numbered_spots


def test_minor_spots_bear_no_number_in_the_pictures():
    case = results()
    case["crown"]["spots"][1]["minor"] = True
    assert [spot["id"] for spot in numbered_spots(case)] == [case["crown"]["spots"][0]["id"]]
    assert numbered_spots({}) == []
