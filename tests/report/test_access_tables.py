"""The screw access in words and tables: contacts that count, walls that are not there, tilts."""

from copy import deepcopy

from report.made_up import ORIENTATION, results

from occlusim.pipeline.access_words import access_findings
from occlusim.report.access_tables import access_tables
from occlusim.report.access_words import access_sentences
from occlusim.report.html import render_report

NOTHING = {"opening_mm2": 0.0, "rim_mm2": 0.0, "opening_N": None, "rim_N": None}
GIVEN = {
    "tilt_deg": 0.0,
    "towards_deg": 0.0,
    "towards": "",
    "whole": True,
    "opening_mm2": 0.31,
    "rim_mm2": 0.62,
    "wall_mm": 1.44,
}
BEST = {**GIVEN, "tilt_deg": 12.0, "towards": "distal", "opening_mm2": 0.0, "wall_mm": 1.21}
ACCESS = {
    "state": "found",
    "pivot_mm": [0.0, 0.0, -4.0],
    "axis": [0.0, 0.0, 1.0],
    "diameter_mm": 2.4,
    "rim_mm": 1.0,
    "implant_angle_deg": None,
    "opening": {
        "centroid_mm": [0.1, 0.0, 0.4],
        "normal": [0.0, 0.0, 1.0],
        "area_mm2": 4.73,
        "axis_to_normal_deg": 11.2,
        "covered_share": 1.0,
        "edge_above_pivot_mm": {"least": 3.9, "most": 4.6},
    },
    "contacts": [
        {"name": "light", "as_designed": NOTHING, "adjusted": NOTHING},
        {
            "name": "heavy",
            "as_designed": {"opening_mm2": 0.4, "rim_mm2": 0.7, "opening_N": 9.5, "rim_N": 31.0},
            "adjusted": {"opening_mm2": 0.31, "rim_mm2": 0.62, "opening_N": 7.5, "rim_N": 21.0},
        },
        {"name": "protrusion", "as_designed": NOTHING, "adjusted": NOTHING},
    ],
    "spots": [
        {"id": 1, "opening_mm2": 0.05, "rim_mm2": 0.2, "opening_um": 33.0, "rim_um": 91.0},
        {"id": 2, "opening_mm2": 0.0, "rim_mm2": 0.0, "opening_um": 0.0, "rim_um": 0.0},
    ],
    "wall": {
        "least_mm": 1.44,
        "rim_least_mm": 1.6,
        "least_wanted_mm": 1.0,
        "rings": [
            {"from_mm": 0.0, "to_mm": 1.0, "mesial_mm": 1.6, "buccal_mm": None,
             "distal_mm": 1.9, "inner_mm": 2.2},
        ],
    },
    "tilt": {
        "max_tilt_deg": 25.0,
        "grid": [GIVEN, BEST],
        "best": BEST,
        "gain": {"opening_mm2": 0.31, "rim_mm2": 0.0, "wall_mm": -0.23},
    },
}  # fmt: skip


def case(**changes):
    found = results()
    found["crown"]["access"] = {**deepcopy(ACCESS), **changes}
    return found


def test_sentences_name_the_contacts_that_count_and_the_best_tilt():
    said = access_sentences(case())
    assert said == [
        "On the adjusted crown contacts fall on the screw access: closing at heavy load 0.31 mm².",
        "On the adjusted crown contacts fall in the rim of the screw access: closing at heavy load "
        "0.62 mm².",
        "The wall beside the screw channel is at least 1.44 mm thick; 1.00 mm are wanted.",
        "The best tilt of the screw channel found is 12° to distal: contact of 0.00 mm² on the "
        "opening and 0.62 mm² in its rim, wall 1.21 mm.",
    ]
    free = [{"name": "light", "as_designed": NOTHING, "adjusted": NOTHING}]
    as_given = {**ACCESS["tilt"], "best": GIVEN}
    clear = access_sentences(case(contacts=free, tilt=as_given))
    assert clear[0] == "No contact falls on the screw access or within 1.00 mm of it."
    assert clear[-1] == "No other tilt of the screw channel does better."
    assert access_sentences(results()) == []


def test_what_is_wrong_is_said_in_words_without_numbers():
    nothing = {"opening": None, "contacts": [], "spots": [], "wall": None, "tilt": None}
    said = access_sentences(case(state="wrong_way", **nothing))
    assert len(said) == 1
    assert "points to the root side" in said[0]
    tables = access_tables(case(state="wrong_way", **nothing))
    assert tables["access"].rows[2] == ("Area of the opening", "not known")
    assert [tables[f"access_{name}"] for name in ("contacts", "spots", "walls", "tilts")] == [
        None
    ] * 4


def test_tables_hold_their_own_numbers():
    tables = access_tables(case())
    heavy = tables["access_contacts"].rows[1]
    assert heavy == (
        "closing at heavy load",
        "0.40 / 9.5",
        "0.70 / 31.0",
        "0.31 / 7.5",
        "0.62 / 21.0",
    )
    assert tables["access_contacts"].rows[2][0] == "Forward (protrusion)"
    assert tables["access_spots"].rows == (("1", "0.05", "33", "0.20", "91"),)
    walls = tables["access_walls"]
    assert walls.rows == (("0.00 – 1.00", "1.60", "no wall there", "1.90", "2.20"),)
    assert walls.columns[-1] == "Lingual"
    upper = case()
    upper["crown"]["tooth"] = "16"
    assert access_tables(upper)["access_walls"].columns[-1] == "Palatal"
    tilts = tables["access_tilts"].rows
    assert tilts[0][:2] == ("0.0", "as given")
    assert tilts[-1] == ("best: 12.0", "distal", "yes", "0.00", "0.62", "1.21")
    assert all(table is None for table in access_tables(results()).values())


def test_the_page_shows_the_access_only_where_there_is_one():
    page = render_report(case(), None, ORIENTATION)
    assert "Tilts of the channel about its seat" in page
    assert "Screw access" not in render_report(results(), None, ORIENTATION)


def codes(**changes):
    return {f.code: f.severity for f in access_findings({**ACCESS, **changes})}


def test_findings_name_what_is_wrong():
    assert codes() == {
        "access_contact_opening": "warning",
        "access_contact_rim": "info",
        "access_tilt": "info",
    }
    thin = {**ACCESS["wall"], "least_mm": 0.6}
    assert codes(wall=thin)["access_thin_wall"] == "warning"
    unknown = {**ACCESS["wall"], "least_mm": float("nan")}
    assert "access_thin_wall" not in codes(wall=unknown)
    nothing = {"opening": None, "contacts": [], "spots": [], "wall": None, "tilt": None}
    for state in ("wrong_way", "misses", "no_outer_wall"):
        assert codes(state=state, **nothing) == {f"access_{state}": "warning"}
    assert codes(state="already_open", **nothing) == {"access_already_open": "info"}
    assert codes(state="partly_outside")["access_partly_outside"] == "warning"
    (tilt,) = (f.message for f in access_findings(ACCESS) if f.code == "access_tilt")
    assert tilt.endswith("would have 0.31 mm2 less contact on the opening")
    still = {**ACCESS["tilt"], "best": GIVEN}
    assert "access_tilt" not in codes(tilt=still)
