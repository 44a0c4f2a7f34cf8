"""Lists of near triangles: the tree's answers to the bit, and where no list answers, the tree."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import naive, shapes
from reference.laws import random_pose

from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.near_lists import NearSettings, with_near_lists
from occlusim.geometry.surface import Surface
from occlusim.kernels.jit import set_threads, thread_count

REACH_MM = 0.4


def rough(n=30):
    """Return an open sheet with a groove, a step and noise."""
    rng = np.random.default_rng(2)
    mesh = shapes.plate(2.0, n)
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    z = 0.4 * np.sin(2 * x) * np.cos(1.7 * y) - 0.4 * np.exp(-((x + y) ** 2) / 0.02)
    z += 0.5 * (x > 1.0) + 0.004 * rng.standard_normal(len(x))
    return TriangleMesh(np.column_stack([x, y, z]), mesh.faces)


def flawed():
    """Return the sheet with a repeated, a collapsed and a flipped face."""
    mesh = rough(16)
    faces = mesh.faces.tolist()
    faces += [faces[7], [3, 3, 4]]
    faces[90] = faces[90][::-1]
    return TriangleMesh(mesh.vertices, np.array(faces, np.int32))


def needles():
    """Return a fan of faces 2 mm long and down to 20 nm wide."""
    width = np.geomspace(2e-5, 0.3, 24)
    y = np.concatenate([[0], np.cumsum(width)])
    vertices = np.concatenate([np.stack([np.full(25, s), y, 0.1 * y], 1) for s in (0.0, 2.0)])
    k = np.arange(24)
    faces = np.concatenate([np.stack([k, k + 25, k + 1], 1), np.stack([k + 1, k + 25, k + 26], 1)])
    return TriangleMesh(vertices, faces.astype(np.int32))


def fan_of_many(n=700):
    """Return a cone whose tip is shared by more faces than are weighed at once."""
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    ring = np.stack([np.cos(t), np.sin(t), np.full(n, -0.5)], 1)
    k = np.arange(n)
    faces = np.stack([k, (k + 1) % n, np.full(n, n)], 1)
    return TriangleMesh(np.concatenate([ring, [[0, 0, 0.0]]]), faces.astype(np.int32))


MESHES = {
    "sphere": lambda: shapes.sphere(1.0, 16),
    "two-sided plate": lambda: shapes.box((2.0, 2.0, 0.01), 6),
    "rough": rough,
    "flawed": flawed,
    "needles": needles,
    "fan of many": fan_of_many,
    "coarse box": lambda: shapes.box((2.0, 1.5, 1.2), 1),
}


def points_around(mesh, rng, n=6000):
    """Return points near the faces, near the vertices, and anywhere in the box."""
    corner = mesh.vertices[mesh.faces[rng.integers(len(mesh.faces), size=n)]]
    on = (corner * rng.dirichlet([1, 1, 1], n)[:, :, None]).sum(axis=1)
    vertex = mesh.vertices[rng.integers(len(mesh.vertices), size=n)]
    low, high = mesh.vertices.min(axis=0) - 1, mesh.vertices.max(axis=0) + 1
    return np.concatenate(
        [
            on + rng.normal(0, 0.15, (n, 3)),
            on,
            vertex + rng.normal(0, 0.05, (n, 3)),
            vertex,
            rng.uniform(low, high, (n, 3)),
        ]
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", MESHES)
def test_answers_are_the_trees_to_the_bit(name, rng):
    mesh = MESHES[name]()
    surface = Surface.build(mesh)
    listed = with_near_lists(surface, NearSettings(REACH_MM, 0.13))
    points = points_around(mesh, rng)
    want, found = surface.closest(points), listed.closest(points)
    assert_array_equal(found.unsigned_mm, want.unsigned_mm)
    # Of equally near features another may be named, and with it another sign at a rim.
    same = (found.faces == want.faces) & (found.feature == want.feature)
    assert_array_equal(found.distance_mm[same], want.distance_mm[same])
    assert_array_equal(found.points[same], want.points[same])
    assert_array_equal(found.normals[same], want.normals[same])
    assert_array_equal(found.is_boundary[same], want.is_boundary[same])
    assert_allclose(
        np.linalg.norm(points - found.points, axis=1), found.unsigned_mm, rtol=0, atol=1e-12
    )
    odd = ~same
    known = np.isfinite(found.distance_mm) & np.isfinite(want.distance_mm)
    assert_array_equal(found.distance_mm[odd & known], want.distance_mm[odd & known])
    assert (np.isnan(found.distance_mm) != np.isnan(want.distance_mm)).mean() < 0.01
    assert_array_equal(listed.signed_distance(points), found.distance_mm)
    assert_array_equal(surface.signed_distance(points), want.distance_mm)


def test_every_triangle_nearest_to_a_place_within_reach_is_listed(rng):
    """By all pairs: the list of a cell holds the nearest triangle of each place in it."""
    mesh = rough(14)
    surface = Surface.build(mesh)
    near = with_near_lists(surface, NearSettings(REACH_MM, 0.2)).near
    points = points_around(mesh, rng, 400)
    corners = surface.corners.reshape(-1, 3, 3)
    distance = np.stack(
        [naive.unsigned_distance(points, TriangleMesh(c, [[0, 1, 2]])) for c in corners], axis=1
    )
    least = distance.min(axis=1)
    within = np.flatnonzero(least < REACH_MM)
    assert len(within) > 1000
    cell = np.floor((points[within] - near.grid[:3]) / near.grid[3]).astype(int)
    block = near.block_index[tuple((cell // 8).T)]
    assert (block >= 0).all()
    inner = (cell % 8) @ (64, 8, 1)
    for row, b, c in zip(within, block, inner, strict=True):
        slots = near.item[near.first[b, c] : near.first[b, c + 1]]
        assert distance[row, slots].min() == least[row]
        assert len(np.unique(slots)) == len(slots)


def test_lists_are_much_shorter_than_the_mesh():
    near = with_near_lists(Surface.build(rough(60)), NearSettings(0.3, 0.1)).near
    length = np.diff(near.first, axis=1)
    assert length.sum() == len(near.item)
    assert 1 < length[length > 0].mean() < 30


def test_beyond_the_bound_and_not_finite(rng):
    surface = Surface.build(shapes.sphere(1.0, 12))
    listed = with_near_lists(surface, NearSettings(REACH_MM, 0.2))
    points = np.array([[0, 0, 1.05], [0, 0, 1.2], [0, 0, 9.0], [np.nan, 0, 0], [np.inf, 0, 1]])
    for limit in (0.1, 0.3, 20.0):
        want, found = surface.closest(points, limit), listed.closest(points, limit)
        assert_array_equal(found.distance_mm, want.distance_mm)
        assert_array_equal(found.faces >= 0, want.faces >= 0)
        assert_array_equal(listed.signed_distance(points, limit), want.distance_mm)
    assert len(listed.closest(np.empty((0, 3))).distance_mm) == 0
    assert len(listed.signed_distance(np.empty((0, 3)))) == 0


def test_poses_threads_and_order_change_no_bit(rng):
    surface = Surface.build(rough(20))
    listed = with_near_lists(surface, NearSettings(REACH_MM, 0.15))
    pose = random_pose(rng)
    points = pose.inverse().apply(points_around(surface.mesh, rng, 500))
    want = surface.closest(points, T_surface_points=pose).unsigned_mm
    n = thread_count()
    try:
        set_threads(1)
        one = with_near_lists(surface, NearSettings(REACH_MM, 0.15))
        assert_array_equal(one.closest(points, T_surface_points=pose).unsigned_mm, want)
    finally:
        set_threads(n)
    for name in ("first", "item", "block_index", "flat"):
        assert_array_equal(getattr(one.near, name), getattr(listed.near, name))
    mixed = rng.permutation(len(points))
    again = listed.signed_distance(points[mixed], T_surface_points=pose)
    assert_array_equal(again, listed.signed_distance(points, T_surface_points=pose)[mixed])


def test_far_from_the_origin_float32_hides_nothing(rng):
    """Counted from the middle of the mesh, not from the origin of its coordinates."""
    mesh = rough(20)
    far = TriangleMesh(mesh.vertices + np.array([4096.0, -2048, 8192]), mesh.faces)
    surface = Surface.build(far)
    points = points_around(far, rng, 800)
    listed = with_near_lists(surface, NearSettings(REACH_MM, 0.15))
    assert_array_equal(listed.closest(points).unsigned_mm, surface.closest(points).unsigned_mm)


def test_wrong_settings_and_units_are_refused():
    with pytest.raises(InputError, match="cell_mm"):
        NearSettings(cell_mm=0.0)
    sphere = shapes.sphere(20.0, 20)
    large = Surface.build(sphere.with_vertices(sphere.vertices * 1000))
    with pytest.raises(InputError, match="unit"):
        with_near_lists(large)
    with pytest.raises(InputError, match="larger cells"):
        with_near_lists(Surface.build(sphere), NearSettings(0.3, 0.15, memory_limit_mb=1.0))
