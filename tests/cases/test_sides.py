"""The sides of the demo crowns: the gap by another library, the map, and what is said of both."""

import igl
import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.files.case_file import read_case
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.transform import RigidTransform

pytestmark = pytest.mark.slow


def test_open_sides_are_as_wide_as_another_library_measures(clean_cases):
    case_file, results, folder = clean_cases("molar-46")
    case, sides = read_case(case_file), results["crown"]["sides"]
    T_upper_lower = RigidTransform.from_matrix(results["registration"]["T_upper_lower"])
    crown, arch = read_mesh(case.crowns[0].mesh).mesh, read_mesh(case.scans.lower).mesh
    painted = read_mesh(folder / "crown_gap.ply").fields["side_gap_um"]
    codes = [f["code"] for f in results["findings"]]
    assert codes.count("side_open") == 2
    for name, tooth in (("mesial", "45"), ("distal", "47")):
        side = sides[name]
        assert (side["state"], side["tooth"], side["tightness"]) == ("measured", tooth, "open")
        point = T_upper_lower.inverse().apply(np.array(side["point_mm"]))
        near = np.linalg.norm(crown.vertices - point, axis=1) < 0.6
        square = igl.point_mesh_squared_distance(
            crown.vertices[near], arch.vertices, arch.faces.astype(np.int64)
        )[0]
        vertices_um = 1000 * np.sqrt(square.min())
        # Between vertices 0.15 mm apart a wall of 3 mm radius comes nearer by 0.15^2 / 8 / 3 mm.
        assert_allclose(side["gap_um"], vertices_um, rtol=0, atol=1.0)
        assert side["gap_um"] <= vertices_um + 0.1
        assert_allclose(np.nanmin(painted[near]), vertices_um, rtol=0, atol=0.1)
        assert side["on_the_way"]["greatest_overlap_um"] == 0.0
        # Its spots are on the biting surface alone: the sides stay as they were.
        assert_allclose(
            results["crown"]["after"]["sides"][name]["gap_um"], side["gap_um"], rtol=0, atol=1e-3
        )
    assert "side_changed" not in codes


def test_the_premolar_is_in_touch_with_both_and_binds_on_the_canine(clean_cases):
    """It was modelled in contact; its given path leans into the canine's bulge."""
    _, results, _ = clean_cases("premolar-24")
    sides = results["crown"]["sides"]
    assert sides["path"]["rule"] == "given"
    for name in ("mesial", "distal"):
        assert sides[name]["tightness"] in ("light", "firm")
        assert abs(sides[name]["gap_um"]) < 20.0
    way = sides["mesial"]["on_the_way"]
    assert way["take_off_um"] == pytest.approx(way["greatest_overlap_um"] - 50.0, abs=1e-6)
    assert 0.0 < way["at_height_mm"] < 1e-3 * way["held_up_um"] < way["begins_at_mm"]
    (binds,) = [f for f in results["findings"] if f["code"] == "side_binds"]
    assert "mesial side, to tooth 23" in binds["message"]
