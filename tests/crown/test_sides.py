"""Side contacts against closed forms, another library, and the same case moved and mirrored."""

import igl
import numpy as np
import pytest
from crown.block_shapes import ball
from numpy.testing import assert_allclose
from reference.shapes import box

from occlusim.contact.field import GapField
from occlusim.crown.location import CrownOrientation
from occlusim.crown.sides import SideSettings, place_on_crown, side_contact, side_gaps
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings

BAND = SdfSettings(voxel_mm=0.15, band_mm=0.7)
RADIUS = 5.0
NOWHERE = np.empty((0, 3))
# An icosphere of detail 6 cuts below its sphere by at most edge^2 / (8 R): edges are 0.09 mm.
CHORD_MM = 0.09**2 / (8 * RADIUS)


def field(mesh):
    return GapField.build(mesh, BAND)


def facing_cap(centre_x, toward):
    """The part of a ball that faces along x: an open wall, as of a neighbour tooth."""
    whole = ball(RADIUS, (centre_x, 0.0, 0.0), 6)
    middle = whole.vertices[whole.faces].mean(axis=1) - [centre_x, 0.0, 0.0]
    return whole.submesh(np.flatnonzero(middle[:, 0] * toward > 2.5).astype(np.int32))[0]


@pytest.fixture(scope="module")
def crown():
    return field(ball(RADIUS, (0.0, 0.0, 0.0), 6))


@pytest.fixture(scope="module")
def wall_at():
    return {gap: field(facing_cap(2 * RADIUS + gap, -1.0)) for gap in (0.12, -0.1)}


def test_two_spheres_apart(crown, wall_at):
    found = side_contact(crown, wall_at[0.12], NOWHERE, SideSettings(near_mm=0.2))
    assert found.is_known
    assert_allclose(found.gap_mm, 0.12, rtol=0, atol=2 * CHORD_MM)
    assert_allclose(found.point[1:], 0.0, rtol=0, atol=0.15)
    # Where a sphere is nearer than t to another, a gap g between them: 1 - cos of the polar angle
    # solves |p - c| = R + t, so the cap's area is 2 pi R^2 (1 - cos).
    distance, reach = 2 * RADIUS + 0.12, RADIUS + 0.2
    cosine = (RADIUS**2 + distance**2 - reach**2) / (2 * RADIUS * distance)
    assert_allclose(found.near_area_mm2, 2 * np.pi * RADIUS**2 * (1 - cosine), rtol=0.02, atol=0)
    assert found.overlap_area_mm2 == 0.0
    assert found.overlap_volume_mm3 == 0.0


def test_two_spheres_overlap_in_a_lens(crown, wall_at):
    depth = 0.1
    found = side_contact(crown, wall_at[-0.1], NOWHERE, SideSettings())
    assert_allclose(found.gap_mm, -depth, rtol=0, atol=2 * CHORD_MM + 1e-4)
    # Each cap of the lens is as high as half the depth (Archimedes: area 2 pi R h, volume
    # pi h^2 (3 R - h) / 3). Depth times area exceeds a body's volume by the order of depth / R.
    height = depth / 2
    assert_allclose(found.overlap_area_mm2, 2 * np.pi * RADIUS * height, rtol=0.02, atol=0)
    lens = 2 * np.pi * height**2 * (3 * RADIUS - height) / 3
    assert_allclose(found.overlap_volume_mm3, lens, rtol=depth / RADIUS + 0.01, atol=0)


def test_the_least_gap_is_that_of_another_library(crown):
    block = box((4.0, 3.0, 3.5), 12)
    turn = RigidTransform.exp([0.3, 0.5, -0.2, 7.8, 0.4, 0.3])
    other = block.transformed(turn)
    found = side_contact(crown, field(other), NOWHERE, SideSettings())
    one, two = crown.surface.mesh, other
    ways = [
        igl.point_mesh_squared_distance(a.vertices, b.vertices, b.faces)[0]
        for a, b in ((one, two), (two, one))
    ]
    vertices_mm = float(np.sqrt(min(way.min() for way in ways)))
    # Vertices alone miss the least by what a facet of 0.09 mm may bulge towards an edge or corner.
    assert found.gap_mm > 0
    assert_allclose(found.gap_mm, vertices_mm, rtol=0, atol=CHORD_MM)
    centre = igl.point_mesh_squared_distance(np.zeros((1, 3)), two.vertices, two.faces)[0]
    assert_allclose(found.gap_mm, np.sqrt(centre[0]) - RADIUS, rtol=0, atol=CHORD_MM)


def test_moved_and_mirrored_nothing_changes(wall_at):
    turn = RigidTransform.exp([0.4, -0.7, 1.1, 12.0, -20.0, 15.0])
    settings = SideSettings()
    crown, wall = ball(RADIUS, (0.0, 0.0, 0.0), 4), facing_cap(9.95, -1.0)
    here = side_contact(field(crown), field(wall), NOWHERE, settings)
    flip = np.diag([-1.0, 1.0, 1.0])
    for move, order in ((turn.apply, 1), (lambda p: p @ flip, -1)):
        moved = [TriangleMesh(move(m.vertices), m.faces[:, ::order]) for m in (crown, wall)]
        there = side_contact(field(moved[0]), field(moved[1]), NOWHERE, settings)
        assert_allclose(there.gap_mm, here.gap_mm, rtol=0, atol=2e-4)
        for name in ("near_area_mm2", "overlap_area_mm2", "overlap_volume_mm3"):
            assert_allclose(getattr(there, name), getattr(here, name), rtol=1e-6, atol=1e-9)
    assert here.overlap_area_mm2 > 0


def test_what_stands_unseen_nearer_is_not_known(crown, wall_at):
    seen = wall_at[0.12]
    far = side_contact(crown, seen, np.array([[RADIUS + 0.2, 0.0, 0.0]]), SideSettings())
    near = side_contact(crown, seen, np.array([[RADIUS + 0.05, 0.0, 0.0]]), SideSettings())
    inside = side_contact(crown, seen, np.array([[RADIUS - 0.05, 0.0, 0.0]]), SideSettings())
    assert far.is_known
    assert not near.is_known
    assert not inside.is_known
    assert_allclose(near.edge_gap_mm, 0.05, rtol=0, atol=CHORD_MM)


def test_a_wall_that_ends_at_the_closest_place_says_so(crown):
    whole = ball(RADIUS, (2 * RADIUS + 0.1, 0.0, 0.0), 5)
    middle = whole.vertices[whole.faces].mean(axis=1)
    upper = field(whole.submesh(np.flatnonzero(middle[:, 2] > 0.0).astype(np.int32))[0])
    lower = field(whole.submesh(np.flatnonzero(middle[:, 2] > -1.0).astype(np.int32))[0])
    assert side_contact(crown, upper, NOWHERE, SideSettings()).is_at_edge
    assert not side_contact(crown, lower, NOWHERE, SideSettings()).is_at_edge


def test_a_volume_that_runs_under_the_edge_is_not_known(crown):
    whole = ball(RADIUS, (2 * RADIUS - 0.1, 0.0, 0.0), 5)
    middle = whole.vertices[whole.faces].mean(axis=1)
    half = field(whole.submesh(np.flatnonzero(middle[:, 2] > 0.2).astype(np.int32))[0])
    assert np.isnan(side_contact(crown, half, NOWHERE, SideSettings()).overlap_volume_mm3)


@pytest.mark.parametrize(
    ("gap_mm", "name"),
    [
        (0.051, "open"),
        (0.05, "light"),
        (0.001, "light"),
        (0.0, "firm"),
        (-0.05, "firm"),
        (-0.051, "too_tight"),
    ],
)
def test_how_tight_it_is_called(gap_mm, name):
    assert SideSettings().tightness(gap_mm) == name


def test_limits_must_be_lengths():
    with pytest.raises(InputError, match=r"open_mm -0\.1"):
        SideSettings(open_mm=-0.1)


def test_the_map_is_the_distance_to_the_nearer_wall(crown):
    walls = [field(facing_cap(x, -np.sign(x))) for x in (10.1, -10.3)]
    points = crown.surface.mesh.vertices
    found = side_gaps(crown, walls, 0.6)
    known = np.isfinite(found)
    true = np.linalg.norm(points[:, None] - np.array([[10.1, 0, 0], [-10.3, 0, 0]]), axis=2)
    true = true.min(axis=1) - RADIUS
    assert known.sum() > 100
    assert_allclose(found[known], true[known], rtol=0, atol=2 * CHORD_MM)
    assert (true[~known] > 0.6 - 1e-6).all()
    assert (found[known & (points[:, 0] > 0)].min(), found[known & (points[:, 0] < 0)].min()) == (
        pytest.approx((0.1, 0.3), abs=2 * CHORD_MM)
    )


def test_of_two_walls_on_one_side_the_nearer_counts_in_any_order(crown):
    walls = [field(facing_cap(x, -1.0)) for x in (10.1, 10.3)]
    one, other = side_gaps(crown, walls, 0.6), side_gaps(crown, walls[::-1], 0.6)
    assert_allclose(one, other, rtol=0, atol=0)
    assert_allclose(np.nanmin(one), 0.1, rtol=0, atol=2 * CHORD_MM)


def test_where_a_place_is_on_a_crown():
    orientation = CrownOrientation([0, 0, 1], [0, 1, 0], [1, 0, 0])
    vertices = box((8.0, 10.0, 6.0)).vertices
    place = place_on_crown(vertices, np.array([1.5, 5.0, 1.5]), orientation)
    assert (place.below_top_mm, place.buccal_mm) == (1.5, 1.5)
    assert (
        place.words == "occlusal third, 1.5 mm below the highest cusp, 1.5 mm buccal of the middle"
    )
    low = place_on_crown(vertices, np.array([-2.0, 5.0, -2.0]), orientation)
    assert low.words.startswith("cervical third, 5.0 mm")
    assert low.words.endswith("2.0 mm lingual of the middle")
