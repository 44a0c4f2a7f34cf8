"""The way to the seat: blocks between slanted blocks have closed forms for every number."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.shapes import box

from occlusim.contact.field import GapField
from occlusim.crown.seating import SeatingPath, passage, seating_path
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings

BAND = SdfSettings(voxel_mm=0.15, band_mm=0.7)
UP = np.array([0.0, 0.0, 1.0])
DOWN = SeatingPath(-UP, "given", 0.0)
HALF = 4.0
TALL = 6.0
SLANT = np.radians(5.0)
GAP = 0.05


def field(mesh):
    return GapField.build(mesh, BAND)


def leaning(mesh, side):
    """Lean a block's walls by the slant about its foot's edge: they hang over to the side."""
    low = mesh.vertices[:, 2].min()
    moved = mesh.vertices.copy()
    moved[:, 0] += side * np.tan(SLANT) * (mesh.vertices[:, 2] - low)
    return TriangleMesh(moved, mesh.faces)


def neighbour(side, gap):
    """A block beside the crown, as tall, whose wall leans over it; gap is that at the foot."""
    one = leaning(box((5.0, 3.0, TALL), 4), -side)
    foot = side * (HALF + gap + 2.5)
    return one.transformed(RigidTransform(np.eye(3), np.array([foot, 0.0, 0.0])))


@pytest.fixture(scope="module")
def crown():
    """A block with the neighbours' slant on both sides, wider at its foot, as between teeth."""
    block = box((2 * HALF, 2.0, TALL), 4)
    height = block.vertices[:, 2] + TALL / 2
    narrower = 1 - np.tan(SLANT) * height / HALF
    return field(
        TriangleMesh(
            block.vertices * np.stack([narrower, 1 + 0 * height, 1 + 0 * height], 1), block.faces
        )
    )


@pytest.fixture(scope="module")
def wall():
    return field(neighbour(1.0, GAP))


@pytest.fixture(scope="module")
def passed(crown, wall):
    return passage(crown, wall, DOWN, 0.05)


def test_an_undercut_binds_where_trigonometry_says(passed):
    """The crown's widest edge, its foot, passes the neighbour's leaning top.

    At a height h the foot's edge is h sin(slant) - gap cos(slant) behind the wall and TALL - h
    below the top: the lesser is its depth, the greatest where both are the same.
    """
    found = passed
    assert found.in_place_mm == 0.0
    at = (TALL + GAP * np.cos(SLANT)) / (1 + np.sin(SLANT))
    assert_allclose(found.greatest_mm, TALL - at, rtol=0, atol=1e-3)
    assert_allclose(found.at_height_mm, at, rtol=0, atol=0.005)
    assert_allclose(found.take_off_mm, found.greatest_mm - 0.05, rtol=0, atol=1e-9)
    assert_allclose(found.more_than_in_place_mm, found.greatest_mm, rtol=0, atol=1e-9)
    assert_allclose(found.point[[0, 2]], [HALF, -TALL / 2], rtol=0, atol=TALL - at)
    assert_allclose(found.begins_at_mm, TALL, rtol=0, atol=0.006)
    assert_allclose(found.held_up_mm, TALL - 0.05, rtol=0, atol=0.006)


def test_along_the_slant_nothing_binds(crown, wall):
    slanted = np.array([np.sin(SLANT), 0.0, -np.cos(SLANT)])
    found = passage(crown, wall, SeatingPath(slanted, "given", 5.0), 0.05)
    assert found.greatest_mm == 0.0
    assert np.isnan(found.begins_at_mm)
    assert found.held_up_mm == 0.0
    assert found.take_off_mm == 0.0


def test_a_wedge_that_jams_stands_where_trigonometry_says():
    """Walls that close downwards: the overlap grows evenly, from nothing at depth / sin(slant)."""
    depth, tolerance = 0.12, 0.05
    block = box((2 * HALF, 0.5, TALL), 2)
    wider = 1 + np.tan(SLANT) * (block.vertices[:, 2] + TALL / 2) / HALF
    crown = field(
        TriangleMesh(
            block.vertices * np.stack([wider, 1 + 0 * wider, 1 + 0 * wider], 1), block.faces
        )
    )
    one = leaning(box((5.0, 1.0, TALL), 2), 1.0)
    foot = HALF + 2.5 - depth / np.cos(SLANT)
    wall = field(one.transformed(RigidTransform(np.eye(3), np.array([foot, 0.0, 0.0]))))
    found = passage(crown, wall, DOWN, tolerance)
    assert_allclose(found.in_place_mm, depth, rtol=0, atol=2e-4)
    assert_allclose(found.greatest_mm, depth, rtol=0, atol=2e-4)
    assert found.at_height_mm == 0.0
    assert_allclose(found.more_than_in_place_mm, 0.0, rtol=0, atol=1e-9)
    assert_allclose(found.held_up_mm, (depth - tolerance) / np.sin(SLANT), rtol=0, atol=0.01)
    assert_allclose(found.begins_at_mm, depth / np.sin(SLANT), rtol=0, atol=0.01)
    assert_allclose(found.take_off_mm, depth - tolerance, rtol=0, atol=2e-4)


def test_a_moved_case_binds_alike(crown, wall, passed):
    turn = RigidTransform.exp([0.4, -0.7, 1.1, 12.0, -20.0, 15.0])
    there = [field(f.surface.mesh.transformed(turn)) for f in (crown, wall)]
    path = SeatingPath(turn.rotate(-UP), "given", 0.0)
    one, other = passed, passage(*there, path, 0.05)
    for name in ("greatest_mm", "begins_at_mm", "held_up_mm", "take_off_mm"):
        assert_allclose(getattr(other, name), getattr(one, name), rtol=0, atol=0.006)
    back = turn.inverse().apply(other.point)
    assert_allclose(back[[0, 2]], one.point[[0, 2]], rtol=0, atol=0.5)


def test_the_rule_of_the_path(crown, wall):
    given = seating_path([0, 0.1, -1], [0, 0, 1], UP, crown, [wall])
    assert given.rule == "given"
    assert_allclose(given.tilt_deg, np.degrees(np.arctan(0.1)), rtol=1e-12, atol=0)
    implant = seating_path(None, [0, 0, 2], UP, crown, [wall])
    assert implant.rule == "implant axis"
    assert_allclose(implant.direction, [0, 0, -1], rtol=0, atol=0)
    alone = seating_path(None, None, UP, crown, [])
    assert (alone.rule, alone.tilt_deg) == ("occlusal normal", 0.0)


def test_without_an_axis_the_path_lies_along_the_walls(crown, wall):
    """One wall leans by 5 degrees: from 5 on nothing is met, and of those 5 is the nearest."""
    found = seating_path(None, None, UP, crown, [wall])
    assert found.rule == "least overlap"
    assert_allclose(found.tilt_deg, 5.0, rtol=0, atol=1e-6)
    assert found.direction[0] > 0


def test_between_walls_that_both_lean_in_no_tilt_is_better(crown, wall):
    other = field(neighbour(-1.0, GAP))
    found = seating_path(None, None, UP, crown, [wall, other])
    assert found.tilt_deg < 1e-6


@pytest.mark.parametrize(
    ("given", "implant", "key"),
    [([0, 0, 1], None, "crown.seating_axis"), (None, [0, 0, -1], "implant.axis")],
)
def test_a_path_out_of_the_mouth_is_refused(crown, given, implant, key):
    with pytest.raises(InputError, match=f"{key}: it seats the crown 180 degrees off"):
        seating_path(given, implant, UP, crown, [])


def test_a_negative_tolerance_is_refused(crown, wall):
    with pytest.raises(InputError, match=r"-0\.01 mm given"):
        passage(crown, wall, DOWN, -0.01)
