"""The tree holds every face once, inside its boxes, and answers as all pairs do."""

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal
from reference import naive, shapes
from reference.laws import assert_reaches_all_sides

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.jit import set_threads, thread_count


def test_every_face_lies_in_one_leaf_and_in_all_its_boxes():
    surface = Surface.build(shapes.torus(nu=40, nv=16))
    assert_array_equal(np.sort(surface.slot_face), np.arange(len(surface.mesh.faces)))
    seen = np.zeros(len(surface.slot_face), int)
    todo = [(0, surface.boxes[0])]
    while todo:
        node, around = todo.pop()
        box = surface.boxes[node]
        assert (box[:3] >= around[:3]).all()
        assert (box[3:] <= around[3:]).all()
        first, count = surface.links[node]
        if count == 0:
            todo += [(first, box), (first + 1, box)]
            continue
        corners = surface.corners[first : first + count].reshape(-1, 3)
        assert (corners >= box[:3]).all()
        assert (corners <= box[3:]).all()
        seen[first : first + count] += 1
    assert (seen == 1).all()


def test_equals_all_pairs(rng):
    mesh = shapes.torus(nu=36, nv=14)
    points = rng.uniform(-3, 3, (400, 3))
    want = naive.signed_distance(points, mesh)
    assert_reaches_all_sides(want, 0.05)
    found = Surface.build(mesh).closest(points)
    assert_allclose(found.distance_mm, want, rtol=0, atol=1e-12)
    assert_allclose(
        np.linalg.norm(points - found.points, axis=1), found.unsigned_mm, rtol=0, atol=1e-12
    )


def test_many_faces_at_one_place_do_not_break_the_tree():
    """200 faces with the same centre: no split is possible, the answer stays exact."""
    turn = np.linspace(0, np.pi, 200, endpoint=False)
    arm = np.stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)], 1)
    vertices = np.concatenate([arm, -arm, [[0, 0, 1.0]]])
    k = np.arange(200)
    faces = np.stack([k, k + 200, np.full(200, 400)], 1).astype(np.int32)
    mesh = TriangleMesh(vertices, faces)
    points = np.array([[0.3, 0.2, -0.4], [2.0, 0, 0], [0, 0, 3.0]])
    found = Surface.build(mesh).closest(points)
    assert_allclose(found.unsigned_mm, naive.unsigned_distance(points, mesh), rtol=0, atol=1e-12)


def test_threads_order_and_company_change_no_bit(rng):
    surface = Surface.build(shapes.sphere(2.0, 14))
    points = rng.uniform(-3, 3, (1500, 3))
    n = thread_count()
    try:
        set_threads(1)
        one = surface.closest(points)
    finally:
        set_threads(n)
    many = surface.closest(points)
    order = rng.permutation(len(points))
    mixed = surface.closest(points[order])
    for name in ("distance_mm", "points", "faces", "normals", "feature"):
        assert_array_equal(getattr(one, name), getattr(many, name))
        assert_array_equal(getattr(mixed, name), getattr(one, name)[order])
    assert_array_equal(surface.closest(points[7]).distance_mm, one.distance_mm[7:8])


def test_nothing_beyond_the_bound_and_everything_at_it():
    surface = Surface.build(shapes.box((2.0, 2.0, 2.0)))
    points = np.array([[0, 0, 1.5], [0, 0, 1.5 + 1e-9], [np.nan, 0, 0], [0, 0, 5.0]])
    found = surface.closest(points, max_distance_mm=0.5)
    assert_array_equal(found.faces >= 0, [True, False, False, False])
    assert_allclose(found.distance_mm[0], 0.5, rtol=0, atol=1e-15)
    assert np.isnan(found.unsigned_mm[1:]).all()
