"""Which tooth is the neighbour, and what is said where there is none or it is not known."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from jsonschema import Draft202012Validator, ValidationError
from numpy.testing import assert_allclose
from reference.shapes import box

from occlusim.contact.field import GapField
from occlusim.crown.location import CrownOrientation
from occlusim.crown.seating import Passage
from occlusim.crown.sides import SideContact, SideSettings
from occlusim.files.results_file import plain, results_schema
from occlusim.geometry.transform import RigidTransform
from occlusim.pipeline.sides_stage import (
    Neighbour,
    SideResult,
    SidesStage,
    neighbour_on,
    side_findings,
    side_part,
)
from occlusim.pipeline.units import BAND

VERTICES = box((8.0, 10.0, 6.0)).vertices
ORIENTATION = CrownOrientation([0, 0, 1], [0, 1, 0], [1, 0, 0])
HERE = RigidTransform.identity()
POINT = np.array([0.5, 5.0, 1.0])
CONTACT = SideContact(0.02, 0.03, POINT, 1.5, 0.0, 0.0, False, np.inf)
FREE = Passage(0.0, 0.0, 0.0, np.full(3, np.nan), np.nan, 0.0, 0.0)
BINDS = Passage(0.03, 0.12, 1.25, POINT, 2.5, 1.75, 0.07)
LOWER = np.array([0, 0, 47, 46, 45, 44, 41, 31, 32])


@pytest.mark.parametrize(
    ("side", "tooth", "missing", "found", "gone"),
    [
        ("mesial", 46, [], 45, ()),
        ("distal", 46, [], 47, ()),
        ("mesial", 46, [45], 44, (45,)),
        ("distal", 47, [], None, (48,)),
        ("distal", 48, [], None, ()),
        ("mesial", 41, [], 31, ()),
        ("mesial", 31, [], 41, ()),
        ("mesial", 41, [31], 32, (31,)),
        ("mesial", 44, [], 41, (43, 42)),
        ("distal", 41, [], 44, (42, 43)),
    ],
)
def test_the_neighbour_is_the_next_tooth_that_stands(side, tooth, missing, found, gone):
    assert neighbour_on(side, (tooth,), LOWER, missing) == Neighbour(side, found, gone)


def said(neighbour, contact, way=FREE):
    result = SideResult(neighbour, contact, way)
    part = side_part(result, VERTICES, ORIENTATION, HERE, SideSettings())
    return part, {f.code: f for f in side_findings(result, part)}


NEXT = Neighbour("mesial", 45, ())


def test_a_quiet_side_says_nothing():
    part, found = said(NEXT, CONTACT)
    assert (part["state"], part["tooth"], part["tightness"]) == ("measured", "45", "light")
    assert_allclose(part["gap_um"], 20.0, rtol=1e-12, atol=0)
    assert part["location"].startswith("middle third, 2.0 mm below the highest cusp, 0.5 mm buccal")
    assert part["on_the_way"]["begins_at_mm"] is None
    assert found == {}


def test_another_surface_is_held_against_the_same_walls():
    """A block 0.03 mm from the next one's wall, made 0.05 mm longer towards it."""
    wall = box((10.0, 4.0, 8.0))
    wall = wall.with_vertices(wall.vertices + np.array([0.0, 5.03 + 2.0, 0.0]))
    longer = box((8.0, 10.0, 6.0))
    longer = longer.with_vertices(
        longer.vertices + np.where(longer.vertices[:, 1:2] > 0, [[0.0, 0.05, 0.0]], 0.0)
    )
    edge = SimpleNamespace(edge_points=np.empty((0, 3)))
    first = {"mesial": {"state": "measured", "tooth": "45", "tightness": "light", "gap_um": 30.0}}
    stage = SidesStage(
        first | {"distal": {"state": "missing", "tooth": None}},
        (),
        np.empty(0),
        {"mesial": (edge, GapField.build(wall, BAND))},
        SideSettings(),
    )
    same, other = (stage.again(GapField.build(m, BAND)) for m in (box((8.0, 10.0, 6.0)), longer))
    assert same["distal"] is other["distal"] is None
    assert_allclose(same["mesial"]["gap_um"], 30.0, rtol=0, atol=1e-3)
    assert_allclose(other["mesial"]["gap_um"], -20.0, rtol=0, atol=1e-3)
    assert (same["mesial"]["tightness"], other["mesial"]["tightness"]) == ("light", "firm")
    # Of the faces around the end a strip of 0.02 mm lies within 0.05 mm of the wall too.
    near_mm2 = 8.0 * 6.0 + 2.0 * (8.0 + 6.0) * 0.02
    assert_allclose(same["mesial"]["near_area_mm2"], near_mm2, rtol=1e-6, atol=0)
    assert stage.changes(same, "adjusted") == []
    (said_,) = stage.changes(other, "raised")
    assert (said_.severity, said_.code) == ("warning", "side_changed")
    assert said_.message == (
        "mesial side, to tooth 45: the raised crown's contact is firm, -20 um; as designed it was "
        "light, 30 um"
    )
    gaps_um = stage.gaps_again_um(GapField.build(longer, BAND))
    assert_allclose(np.nanmin(gaps_um), -20.0, rtol=0, atol=1e-3)


def test_an_open_side_is_named_with_its_gap_and_food():
    _, found = said(NEXT, replace(CONTACT, gap_mm=0.3))
    assert set(found) == {"side_open"}
    assert found["side_open"].severity == "warning"
    assert "to tooth 45: the contact is open by 300 um" in found["side_open"].message
    assert "food impaction" in found["side_open"].message


def test_a_tight_side_that_binds_says_how_much_and_how_high():
    part, found = said(NEXT, replace(CONTACT, gap_mm=-0.08), BINDS)
    assert set(found) == {"side_too_tight", "side_binds"}
    assert "overlaps it by 80 um" in found["side_too_tight"].message
    for words in ("up to 120 um", "1.25 mm above", "70 um have to come off", "up by 1750 um"):
        assert words in found["side_binds"].message
    assert_allclose(part["on_the_way"]["more_than_in_place_um"], 90.0, rtol=1e-9, atol=0)


def test_a_missing_neighbour_is_missing_and_not_open():
    for neighbour, contact, words in (
        (Neighbour("distal", None, (48,)), None, "tooth 48 is missing or not on the scan"),
        (Neighbour("distal", None, ()), None, "no tooth comes after a third molar"),
        (Neighbour("mesial", 44, (45,)), replace(CONTACT, gap_mm=5.2), "44, stands 5.2 mm away"),
        (Neighbour("mesial", 44, (45,)), None, "44, stands farther than can be told"),
        (
            Neighbour("mesial", 44, (45,)),
            replace(CONTACT, gap_mm=np.nan),
            "44, stands farther than can be told",
        ),
    ):
        part, found = said(neighbour, contact)
        assert part.keys() == {"state", "tooth", "reason"}
        assert (part["state"], part["tooth"]) == ("missing", None)
        assert words in part["reason"]
        assert [(code, f.severity) for code, f in found.items()] == [("side_missing", "info")]


def test_a_tooth_that_drifted_into_the_gap_is_the_neighbour():
    part, found = said(Neighbour("mesial", 44, (45,)), replace(CONTACT, gap_mm=0.1))
    assert (part["state"], part["tooth"]) == ("measured", "44")
    assert "to tooth 44" in found["side_open"].message


@pytest.mark.parametrize(
    "contact",
    [None, replace(CONTACT, gap_mm=np.nan), replace(CONTACT, edge_gap_mm=0.01)],
    ids=["no wall", "no gap", "unseen nearer"],
)
def test_what_was_not_scanned_is_not_known(contact):
    part, found = said(NEXT, contact, None if contact is None else FREE)
    assert part["state"] == "not_known"
    assert "gap_um" not in part
    assert "45" in part["reason"]
    assert set(found) == {"side_not_known"}
    assert "scan it" in found["side_not_known"].message


def test_the_edge_of_the_scan_is_told():
    part, found = said(NEXT, replace(CONTACT, is_at_edge=True))
    assert part["at_edge_of_scan"] is True
    assert found["side_at_edge"].severity == "info"


def test_every_kind_of_side_keeps_to_the_schema():
    tight = said(NEXT, replace(CONTACT, gap_mm=-0.08, overlap_volume_mm3=np.nan), BINDS)[0]
    unknown = said(NEXT, replace(CONTACT, edge_gap_mm=0.01))[0]
    missing = said(Neighbour("distal", None, (48,)), None, None)[0]
    schema = {"$defs": results_schema()["$defs"], "$ref": "#/$defs/sides"}
    check = Draft202012Validator(schema).validate
    frame = {
        "path": {
            "direction": [0.0, 0.0, -1.0],
            "rule": "given",
            "words": "given",
            "tilt_deg": 0.0,
            "preparation": "not judged",
        },
        "limits": {"open_um": 50.0, "tight_um": 50.0, "near_um": 50.0, "sources": []},
    }
    for mesial, distal in ((tight, unknown), (unknown, missing), (missing, tight)):
        check(plain({**frame, "mesial": mesial, "distal": distal}))
    del tight["gap_um"]
    with pytest.raises(ValidationError, match="gap_um"):
        check(plain({**frame, "mesial": tight, "distal": unknown}))
