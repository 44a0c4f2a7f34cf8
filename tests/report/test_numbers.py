"""Which spots are numbered in the pictures, and how sentences are set."""

import pytest
from report.made_up import results

from occlusim.report.numbers import numbered_spots, typeset


def test_minor_spots_bear_no_number_in_the_pictures():
    case = results()
    case["crown"]["spots"][1]["minor"] = True
    assert [spot["id"] for spot in numbered_spots(case)] == [case["crown"]["spots"][0]["id"]]
    assert numbered_spots({}) == []


@pytest.mark.parametrize(
    ("plain", "shown"),
    [
        ("open by 303 um (3.3 mm)", "open by 303 µm (3.3 mm)"),
        ("heavy 0.55 mm2; 0.1 mm3 off", "heavy 0.55 mm²; 0.1 mm³ off"),
        ("its least gap is -6 um", "its least gap is −6 µm"),
        ("tooth-guided, bite_a-2.ply, 2-3 um", "tooth-guided, bite_a-2.ply, 2-3 µm"),
        ("least_spot_um, 5 umbrellas", "least_spot_um, 5 umbrellas"),
    ],
)
def test_findings_are_set_in_the_signs_of_the_page(plain, shown):
    assert typeset(plain) == shown
