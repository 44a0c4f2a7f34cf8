"""The table of guiding teeth: shares of the way counted, lifts and words for what is not there."""

from occlusim.report.guidance_tables import guidance_table

STEPS = [
    {"parameter_mm": 0.0, "pairs": [{"upper_tooth": "13", "lower_tooth": "43", "load_N": 9.0}]},
    {
        "parameter_mm": 0.1,
        "pairs": [
            {"upper_tooth": "12", "lower_tooth": "42", "load_N": 12.0},
            {"upper_tooth": "13", "lower_tooth": "43", "load_N": 8.0},
        ],
    },
    {"parameter_mm": 0.2, "pairs": [{"upper_tooth": "12", "lower_tooth": "42", "load_N": 20.0}]},
    {"parameter_mm": 0.3, "pairs": [{"upper_tooth": None, "lower_tooth": "42", "load_N": 20.0}]},
]
MOVED = {"name": "protrusion", "steps": STEPS}


def cells(crown):
    table = guidance_table({"guidance": [MOVED], "crown": {"guidance": crown}})
    assert table is not None
    return table.rows[0]


def test_pairs_that_carry_most_are_counted_by_steps():
    assert cells([])[1] == "12/42 (50 %), 13/43 (25 %), ?/42 (25 %)"


def test_the_crowns_lift_and_where_it_takes_over():
    lifts = {"name": "protrusion", "lift_um": 41.2, "takes_over_from_mm": 0.3, "steps": [{}]}
    row = cells([lifts])
    assert row[2].startswith("41")
    assert row[3].startswith("0.3")
    free = {"name": "protrusion", "lift_um": 0.0, "takes_over_from_mm": None, "steps": []}
    assert cells([free])[2:] == ("touches nothing", "not at all")


def test_what_was_not_found_is_not_known():
    assert cells([{"name": "protrusion", "problem": "no rest", "steps": []}])[2:] == (
        "not known",
        "not known",
    )
    assert guidance_table({}) is None
