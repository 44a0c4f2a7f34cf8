"""Contacts kept and low crowns in the report: what is known is said, and nothing more."""

import pytest
from report.made_up import ORIENTATION, results

from occlusim.report.html import render_report
from occlusim.report.kept_tables import kept_tables
from occlusim.report.kept_words import kept_sentences, raise_sentences
from occlusim.report.summary import summary_words
from occlusim.report.tables import spot_table


def at(foil="holds", load_N=2.345, n=2):
    beside = {"tooth": "47", "load_N": 3.0, "gap_um": None, "foil": "holds"}
    return {
        "n_contacts": n,
        "area_mm2": 1.234,
        "load_N": load_N,
        "share": 0.123,
        "gap_um": -4.6,
        "foil": foil,
        "neighbours": [{**beside, "foil_without_crown": "holds"}],
    }


def kept(met, *reasons, advice=None, searched=False, vanished=()):
    return {
        "foil": {"thickness_um": 8.0, "holds_up_to_um": 6.0, "slips_from_um": 8.0}
        | {"published": True},
        "before": {"light": at(), "heavy": at()},
        "after": {"light": at("slips", 0.0, 0), "heavy": at("uncertain")},
        "rule": {"support": "implant", "words": "the rule in words"},
        "met": met,
        "reasons": list(reasons),
        "vanished": list(vanished),
        "advice": advice,
        "advice_searched": searched,
    }


PLACE = {
    "cusp": "mesiobuccal",
    "location": "tip of the mesiobuccal cusp",
    "missing_um": 111.4,
    "wanted_um": 114.4,
    "raise_um": 60.0,
    "limited_by": "laterotrusion_left",
    "still_missing_um": 51.2,
}
PROOF = {
    "n_spots": 0,
    "missing_contact_um": None,
    "contacts": {"light": at(), "heavy": at()},
    "contacts_met": None,
}
MAP = {"greatest_um": 60.4, "area_mm2": 9.0, "volume_mm3": 0.3, "watertight": True, "reason": None}
LOW = {
    "state": "proposed",
    "reason": None,
    "proposal": "by_cusp",
    "by_cusp": MAP | {"places": [PLACE], "proof": PROOF},
    "uniform": MAP | {"places": [PLACE | {"cusp": None, "limited_by": None}], "proof": None},
}


def test_what_is_kept_is_said_with_the_reason_and_the_advice():
    advice = {"centric_um": 45.0, "given_centric_um": 25.0, "height_um": -21.0}
    gone = {"load": "light", "location": "central fossa", "area_mm2": 0.2, "load_N": 1.0}
    conflict = kept(False, "at light load it holds", advice=advice, searched=True, vanished=[gone])
    said = " ".join(kept_sentences({"spots": [{}], "contacts_kept": conflict}))
    assert "After the adjustment the crown lets foil slip at light load" in said
    assert "may or may not hold foil and carries 2.3 N (12 %)" in said
    assert "not as they should be (the rule in words): at light load it holds." in said
    assert "a wanted gap in closing of 45 µm" in said
    assert "25 µm is set now" in said
    assert "central fossa at light load" in said


@pytest.mark.parametrize(
    ("met", "words"), [(True, "are as they should be"), (None, "cannot be said: unknown why")]
)
def test_the_rule_met_or_not_known(met, words):
    said = " ".join(kept_sentences({"contacts_kept": kept(met, "unknown why")}))
    assert words in said
    assert "centric_um" not in said
    assert "As designed the crown" in said


def test_no_height_that_does_it_is_said_only_where_it_was_looked_for():
    assert "No uniform height" in " ".join(
        kept_sentences({"contacts_kept": kept(False, "why", searched=True)})
    )
    assert "No uniform height" not in " ".join(
        kept_sentences({"contacts_kept": kept(False, "why")})
    )
    assert kept_sentences({}) == []


def test_a_low_crown_is_told_place_by_place_and_what_holds_it_back():
    said = " ".join(raise_sentences({"raise": LOW}))
    assert "The crown is low: 111 µm at the tip of the mesiobuccal cusp." in said
    assert "cusp by cusp, up to 60 µm" in said
    assert "nothing of it is applied" in said
    assert "has no high spot" in said
    assert "51 µm on the tip of the mesiobuccal cusp, held back by moving to the left" in said
    none = {"proposal": None, "reason": "no room", "by_cusp": None, "uniform": None}
    assert raise_sentences({"raise": none}) == ["No raise is proposed: no room."]
    assert raise_sentences({"raise": None}) == []


def test_tables_stand_in_the_page_and_are_left_out_without_numbers():
    case = results()
    assert set(kept_tables(case).values()) == {None}
    case["crown"] |= {"contacts_kept": kept(False, "why"), "raise": LOW}
    tables = kept_tables(case)
    assert tables["kept"].rows[0][1:] == ("2", "0", "2", "2")
    assert tables["kept"].rows[-1][1] == "3.0 N, holds"
    assert [row[5] for row in tables["raise_places"].rows] == ["moving to the left", "none"]
    assert len(tables["raise_proof"].columns) == 2
    page = render_report(case, None, ORIENTATION)
    assert "Contacts kept" in page
    assert "Low crown" in page
    assert "why" in summary_words(case)


def test_what_is_left_of_a_spot_has_a_column_only_where_something_is():
    spots = [{"id": 1, "residual_um": 0.0}, {"id": 2, "residual_um": 12.4}]
    assert spot_table(spots[:1]).columns == spot_table([{"id": 1}]).columns
    table = spot_table(spots)
    assert table.columns[-1].startswith("Left after")
    assert [row[-1] for row in table.rows] == ["0", "12"]
