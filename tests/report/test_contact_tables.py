"""Which teeth touch first, and what foil has moved, as tables."""

from occlusim.report.contact_tables import contact_order_table, foil_shift_table


def test_pairs_stand_in_the_order_in_which_they_touch():
    def pair(upper, lower, by_load_N, not_at_load_N):
        names = ("upper_tooth", "lower_tooth", "by_load_N", "not_at_load_N")
        return dict(zip(names, (upper, lower, by_load_N, not_at_load_N), strict=True))

    order = [pair("14", "44", 0.01953125, None), pair(None, "37", 0.625, 0.3125)]
    table = contact_order_table({"contact_order": order})
    assert table.rows == (
        ("14 / 44", "from the first touch on", "0.02"),
        ("not known / 37", "0.31", "0.62"),
    )
    assert table.columns[1:] == ("Not yet at (N on all teeth)", "Touches at (N on all teeth)")


def test_what_foil_moved_is_told_by_place_with_its_chance():
    record = {
        "uncertainty": {"crown": {"tooth": "46"}, "left_first_molar": {"tooth": "36"}},
        "foil": {"shift_um": {"crown": 41.6, "left_first_molar": 12.0}, "chance": 0.043},
    }
    table = foil_shift_table(record)
    assert table.rows == (
        ("Lower jaw moved at the crown (46)", "42 µm"),
        ("Lower jaw moved at 36", "12 µm"),
        ("Chance that a record errs by so much or more", "4.3 %"),
    )


def test_there_is_no_table_of_nothing():
    assert contact_order_table(None) is contact_order_table({"contact_order": []}) is None
    assert foil_shift_table({}) is None
