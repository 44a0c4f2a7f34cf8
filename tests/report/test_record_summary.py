"""The bite record in words: what is known is said with its number, what is refused without."""

from copy import deepcopy

from occlusim.report.record_summary import record_words
from occlusim.report.record_tables import record_tables

SPREAD = {
    "at_mm": [1.0, 2.0, 3.0],
    "total_um": 12.4,
    "height_um": 6.0,
    "in_plane_um": 10.9,
    "right_um": 5.0,
    "anterior_um": 9.7,
}
SHIFT = {"shift_um": 31.0, "expected_sigma_um": 14.0, "height_um": -30.0, "in_plane_um": 8.0}
PLACES = ("crown", "right_first_molar", "left_first_molar")
RESULTS = {
    "case_id": "made-up",
    "findings": [
        {"severity": "info", "code": "specks", "message": "2 specks were left out"},
        {"severity": "warning", "code": "named", "message": "the left is called right"},
    ],
    "registration": {
        "T_upper_lower": None,
        "state": "accepted",
        "reasons": [],
        "weakest_direction": "moving up and down",
        "bites": [
            {"file": "a.ply", "side": "left", "rms_um": 14.6, "area_upper_mm2": 210.4,
             "area_lower_mm2": 180.2},
        ],
        "uncertainty": {
            "crown": {"tooth": "46", **SPREAD},
            "right_first_molar": {"tooth": "46", **SPREAD},
            "left_first_molar": {"tooth": None, **SPREAD},
        },
        "consistency": {
            "one_pose": {"statistic": 8.0, "degrees_of_freedom": 6, "p_value": 0.2381,
                         "within_noise": True},
            "alone": [
                {"file": "a.ply", "side": "left", "at": dict.fromkeys(PLACES, SHIFT)},
                {"file": "b.ply", "side": None, "at": dict.fromkeys(PLACES, SHIFT)},
            ],
            "halves": [],
        },
        "contact": {"state": "meets", "supported_gap_um": -18.4},
    },
}  # fmt: skip


def _words(**changes):
    results = deepcopy(RESULTS)
    results["registration"] |= changes
    return record_words(results).splitlines()


def test_every_place_is_said_once_with_height_and_plane():
    lines = _words()
    assert lines[0] == "made-up: The bite record is accepted."
    assert lines[1] == (
        "At the crown (46) the place of the lower jaw is known to 12 µm (one standard deviation): "
        "6 µm in height and 11 µm along the occlusal plane (5 µm sideways, 10 µm front to back)."
    )
    assert lines[2].startswith("At the last tooth on the left ")
    assert sum(line.startswith("At ") for line in lines) == 2
    assert "Least sure is moving up and down." in lines


def test_sides_and_chance_are_told():
    lines = _words()
    assert (
        "The left side alone puts the crown (46) 31 µm away (noise: 14 µm) and the last tooth on "
        "the left 31 µm away (noise: 14 µm)." in lines
    )
    assert any(line.startswith("b.ply alone puts ") for line in lines)
    assert "One rigid pose explains all bite scans within their noise (p = 0.24)." in lines
    consistency = deepcopy(RESULTS["registration"]["consistency"])
    consistency["one_pose"] |= {"p_value": 1e-9, "within_noise": False}
    said = "One rigid pose does not explain all bite scans within their noise (p < 0.001)."
    assert said in _words(consistency=consistency)


def test_how_the_teeth_meet_and_what_was_noticed():
    lines = _words()
    assert (
        "The natural teeth meet as teeth do: at their tightest place they overlap by 18 µm."
        in lines
    )
    apart = _words(contact={"state": "meets", "supported_gap_um": 7.0})
    assert any("they stay 7 µm apart" in line for line in apart)
    assert not any("meet as teeth do" in line for line in _words(contact={"state": "open"}))
    assert "Noticed: the left is called right." in lines
    assert not any("specks" in line for line in lines)
    assert (
        "a.ply shows the left side: 210 mm² of the upper and 180 mm² of the lower arch, fitting to "
        "15 µm." in lines
    )


def test_a_refused_record_has_reasons_and_no_number_of_a_pose():
    reason = {"code": "poor_fit", "state": "refused", "message": "it fits badly", "advice": "again"}
    lines = _words(state="refused", reasons=[reason])
    assert lines[:3] == [
        "made-up: The bite record is refused: no pose is given.",
        "Because",
        "- it fits badly. What to do: again.",
    ]
    assert not any("known to" in line or "alone puts" in line for line in lines)


def test_a_given_pose_is_said_to_be_assumed():
    assert any("assumed (registration.given_sigma_um)" in line for line in _words(bites=[]))


def test_the_tables_hold_every_place_part_and_reason():
    reason = {"code": "warped", "state": "doubtful", "message": "it is bent", "advice": "again"}
    record = deepcopy(RESULTS["registration"]) | {"reasons": [reason]}
    tables = record_tables(record)
    places, alone, reasons = (tables[name] for name in ("places", "alone", "record_reasons"))
    assert places is not None
    assert [row[0] for row in places.rows] == ["the crown (46)", "46", "the last tooth on the left"]
    assert alone is not None
    assert len(alone.rows) == 6
    assert reasons is not None
    assert reasons.rows == (("warped", "doubtful", "it is bent", "again"),)
    assert tables["halves"] is None
    assert all(table is None for table in record_tables({}).values())
