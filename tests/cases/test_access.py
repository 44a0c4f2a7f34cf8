"""The screw access of the demo's implant crown, on the run that the other checks use."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

pytestmark = pytest.mark.slow


def test_the_channel_opens_in_the_middle_and_its_numbers_agree_with_the_rest(clean_cases):
    _, results, _ = clean_cases("molar-46")
    crown = results["crown"]
    access = crown["access"]
    assert access["state"] == "found"
    opening = access["opening"]
    lean = np.radians(opening["axis_to_normal_deg"])
    # A curved surface has at least the area of its mean plane's ellipse.
    assert opening["area_mm2"] > np.pi * 1.2**2 / np.cos(lean) * (1 - 1e-6)
    way = np.array(opening["centroid_mm"]) - access["pivot_mm"]
    edge = opening["edge_above_pivot_mm"]
    assert edge["least"] < way @ access["axis"] < edge["most"]
    for contact in access["contacts"][:2]:
        closure = results["closure"][contact["name"]]["with_crown"]
        own = [c for c in closure["contacts"] if c["lower_tooth"] == "46"]
        area = sum(c["area_mm2"] for c in own)
        there = contact["as_designed"]
        assert 0 <= there["opening_mm2"] + there["rim_mm2"] <= area + 1e-9
        assert there["opening_N"] + there["rim_N"] <= closure["crown_load_N"] + 1e-6
    for spot, found in zip(crown["spots"], access["spots"], strict=True):
        assert spot["id"] == found["id"]
        assert found["opening_mm2"] + found["rim_mm2"] <= spot["area_mm2"] + 1e-6
        assert max(found["opening_um"], found["rim_um"]) <= spot["depth_um"] + 10.0
    best, given = access["tilt"]["best"], access["tilt"]["grid"][0]
    assert best["opening_mm2"] <= given["opening_mm2"]
    assert_allclose(given["wall_mm"], access["wall"]["least_mm"], rtol=1e-9, atol=0)
    by_name = {contact["name"]: contact["adjusted"] for contact in access["contacts"]}
    assert given["opening_mm2"] >= by_name["heavy"]["opening_mm2"] - 1e-9
    assert given["opening_mm2"] <= sum(c["opening_mm2"] for c in by_name.values()) + 1e-9


def test_spots_are_named_by_cusps_and_ordered(clean_cases):
    _, results, _ = clean_cases("molar-46")
    spots = results["crown"]["spots"]
    assert sorted(spot["order"] for spot in spots) == list(range(1, len(spots) + 1))
    in_order = sorted(spots, key=lambda spot: spot["order"])
    closing = [spot["movement"] == "centric" for spot in in_order]
    assert closing == sorted(closing, reverse=True)
    assert in_order[-1]["left_high_um"] <= max(spot["shortfall_um"] for spot in spots)
    deepest = [spot for spot in spots if not spot["minor"]]
    assert all("cusp" in spot["location"] for spot in deepest)


def test_a_crown_without_an_access_says_nothing_of_one(clean_cases):
    _, results, _ = clean_cases("premolar-24")
    assert "access" not in results["crown"]
