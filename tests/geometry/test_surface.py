"""Exact signed distances: closed forms, other libraries, open and broken meshes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import naive, shapes
from reference.laws import assert_reaches_all_sides, fitted_order, random_pose

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface, near_order

EXACT_MM = 1e-12


def arch(n=60):
    """Return an open, bumpy sheet."""
    mesh = shapes.plate(3.0, n)
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    z = 0.4 * np.sin(2.3 * x) * np.cos(1.9 * y) + 0.1 * np.sin(9 * x + 5 * y)
    return TriangleMesh(np.column_stack([x, y, z]), mesh.faces)


def test_box_to_the_last_bits(rng):
    points = rng.uniform(-1.5, 1.5, (4000, 3))
    want = shapes.box_distance(points)
    assert_reaches_all_sides(want, 0.05)
    for n in (1, 5):
        found = Surface.build(shapes.box(n=n)).closest(points)
        assert_allclose(found.distance_mm, want, rtol=0, atol=EXACT_MM)


@pytest.mark.parametrize(
    ("make", "distance"),
    [
        (lambda n: shapes.sphere(1.0, n), shapes.sphere_distance),
        (lambda n: shapes.torus(nu=5 * n, nv=2 * n), shapes.torus_distance),
        (lambda n: shapes.capsule(n=4 * n), shapes.capsule_distance),
    ],
)
def test_finer_meshes_come_to_the_smooth_shape_with_order_two(rng, make, distance):
    points = rng.uniform(-3, 3, (3000, 3))
    want = distance(points)
    assert_reaches_all_sides(want, 0.05)
    sizes = np.array([8, 16, 32])
    errors = [
        np.abs(Surface.build(make(n)).closest(points).distance_mm - want).max() for n in sizes
    ]
    assert fitted_order(1 / sizes, errors) > 1.8
    assert errors[-1] < 5e-3


@pytest.mark.parametrize("away", [0.0, 1e-12, 1.0, -1e-12, -1.0])
def test_each_feature_of_a_box_at_each_offset(away):
    """Straight out from faces, edges and corners the distance is the step; into the box only
    a face can be the nearest."""
    surface = Surface.build(shapes.box((4.0, 4.0, 4.0)))
    for direction, is_face in (([1, 0, 0], True), ([1, 1, 0], False), ([-1, 1, 1], False)):
        place = 2.0 * np.array(direction, float)
        u = place / np.linalg.norm(place)
        found = surface.closest(place + away * u)
        assert np.isfinite(found.distance_mm).all()
        if away >= 0 or is_face:
            assert_allclose(found.distance_mm, away, rtol=0, atol=2e-15)
        else:
            assert_allclose(found.distance_mm, away * np.abs(u).max(), rtol=0, atol=2e-15)


def test_a_rigid_motion_of_all_changes_nothing(rng):
    mesh = arch(30)
    surface = Surface.build(mesh)
    points = rng.uniform(-2, 2, (2000, 3))
    want = surface.closest(points)
    for _ in range(3):
        T_new_old = random_pose(rng)
        moved = Surface.build(mesh.transformed(T_new_old)).closest(T_new_old.apply(points))
        assert_allclose(moved.unsigned_mm, want.unsigned_mm, rtol=0, atol=1e-12)
        same = moved.is_boundary == want.is_boundary
        assert same.mean() > 0.999
        both = np.isfinite(moved.distance_mm) & np.isfinite(want.distance_mm)
        assert_allclose(moved.distance_mm[both], want.distance_mm[both], rtol=0, atol=1e-12)
        here = surface.closest(T_new_old.apply(points), T_surface_points=T_new_old.inverse())
        assert_allclose(here.unsigned_mm, want.unsigned_mm, rtol=0, atol=1e-12)


def test_beyond_the_edge_of_a_plate_the_side_is_unknown():
    surface = Surface.build(shapes.plate(2.0, 4))
    above = np.array([[0.3, 0.2, 0.7], [-1.9, 1.9, -0.2], [1.0, 0.0, 0.0]])
    found = surface.closest(above)
    assert_allclose(found.distance_mm, [0.7, -0.2, 0.0], rtol=0, atol=EXACT_MM)
    beyond = np.array([[2.5, 0, 0.1], [2.0 + 1e-9, 0.3, 0.5], [3, 3, -1.0], [0, -2.2, 0]])
    found = surface.closest(beyond)
    assert np.isnan(found.distance_mm).all()
    assert found.is_boundary.all()
    want = np.linalg.norm(beyond - np.clip(beyond, [-2, -2, 0], [2, 2, 0]), axis=1)
    assert_allclose(found.unsigned_mm, want, rtol=0, atol=EXACT_MM)


def broken_copies(mesh, rng):
    """Yield copies of a closed mesh that bound the same body, broken as scans are."""
    v, f = mesh.vertices, mesh.faces
    k = rng.integers(len(f), size=20)
    yield "repeated faces", v, np.concatenate([f, f[k], f[k][:, [1, 2, 0]]])
    yield "collapsed faces", v, np.concatenate([np.stack([f[k, 0], f[k, 0], f[k, 1]], 1), f])
    yield "unused vertices", np.concatenate([v, rng.normal(size=(9, 3))]), f
    yield "unwelded", v[f].reshape(-1, 3), np.arange(f.size).reshape(-1, 3)
    # A cap: one side of an edge is cut at its middle, a face without area closes the slit.
    faces, vertices = f.tolist(), v.tolist()
    for face in k[:8]:
        a, b, c = faces[face]
        m = len(vertices)
        vertices.append(((np.array(vertices[a]) + np.array(vertices[b])) / 2).tolist())
        faces[face] = [a, m, c]
        faces += [[m, b, c], [a, b, m]]
    yield "caps", np.array(vertices), np.array(faces)


def test_broken_meshes_answer_as_the_clean_one(rng):
    """Repeated, collapsed, unwelded, flat faces: same body, same distance, no NaN."""
    mesh = shapes.box((2.0, 1.0, 0.6), 3)
    points = rng.uniform(-1.3, 1.3, (3000, 3))
    want = shapes.box_distance(points)
    assert_allclose(naive.signed_distance(points[:200], mesh), want[:200], rtol=0, atol=1e-12)
    assert_reaches_all_sides(want, 0.02)
    for name, vertices, faces in broken_copies(mesh, rng):
        surface = Surface.build(TriangleMesh(vertices, faces.astype(np.int32)))
        found = surface.closest(points)
        assert_allclose(found.distance_mm, want, rtol=0, atol=1e-9, err_msg=name)
        assert np.isfinite(surface.vertex_normals).all(), name


def test_edge_shared_by_two_bodies_keeps_the_side(rng):
    """Two boxes that share an edge: four faces there, the union's distance all around."""
    one = shapes.box((1.0, 1.0, 1.0), 2)
    shift = np.array([0.5, 0.5, 0])
    vertices = np.concatenate([one.vertices - shift, one.vertices + shift])
    faces = np.concatenate([one.faces, one.faces + len(one.vertices)])
    points = rng.uniform(-1.6, 1.6, (4000, 3))
    size = (1.0, 1.0, 1.0)
    want = np.minimum(
        shapes.box_distance(points + shift, size),
        shapes.box_distance(points - shift, size),
    )
    found = Surface.build(TriangleMesh(vertices, faces)).closest(points)
    assert_allclose(found.distance_mm, want, rtol=0, atol=1e-9)


def sharp_tetrahedron(rng):
    """Return a thin tetrahedron, faces outward: its edges and corners are far from right angles."""
    vertices = rng.normal(size=(4, 3)) * [1.5, 1.0, 0.12]
    faces = np.array([[1, 2, 3], [0, 3, 2], [0, 1, 3], [0, 2, 1]], np.int32)
    mesh = TriangleMesh(vertices, faces)
    return mesh if mesh.volume() > 0 else TriangleMesh(vertices, faces[:, ::-1])


def with_caps(mesh):
    """Return the mesh with every face's first edge cut for that face alone, the slit closed."""
    vertices, faces = mesh.vertices.tolist(), []
    for a, b, c in mesh.faces.tolist():
        m = len(vertices)
        vertices.append(((np.array(vertices[a]) + np.array(vertices[b])) / 2).tolist())
        faces += [[a, m, c], [m, b, c], [a, b, m]]
    return TriangleMesh(np.array(vertices), np.array(faces, np.int32))


def test_sharp_bodies_are_signed_as_their_winding_number_says(rng):
    """At a sharp edge or corner the sign of one face is wrong, and so is a plain mean's."""
    n_inside = 0
    for _ in range(40):
        mesh = sharp_tetrahedron(rng)
        within = rng.dirichlet(np.ones(4), 40) @ mesh.vertices
        points = np.concatenate([rng.normal(size=(400, 3)) * [1.8, 1.3, 0.4], within])
        want = naive.signed_distance(points, mesh)
        n_inside += int((want < 0).sum())
        for copy in (mesh, with_caps(mesh)):
            found = Surface.build(copy).closest(points)
            assert_allclose(found.distance_mm, want, rtol=0, atol=1e-9)
    assert n_inside > 40 * 40


def test_wedges_that_share_one_edge_on_the_same_side(rng):
    """Outside, the shared edge is the nearest feature over more than 180 degrees."""

    def wedge(low_deg, high_deg):
        low, high = np.deg2rad([low_deg, high_deg])
        x = np.array([0.0, np.cos(low), np.cos(high)])
        y = np.array([0.0, np.sin(low), np.sin(high)])
        ends = [np.column_stack([x, y, np.full(3, z)]) for z in (-1.0, 1.0)]
        faces = [[0, 2, 1], [3, 4, 5]]
        for k in range(3):
            j = (k + 1) % 3
            faces += [[k, j, j + 3], [k, j + 3, k + 3]]
        return TriangleMesh(np.concatenate(ends), np.array(faces, np.int32))

    one, two = wedge(-30.0, -10.0), wedge(12.0, 40.0)
    both = TriangleMesh(
        np.concatenate([one.vertices, two.vertices]), np.concatenate([one.faces, two.faces + 6])
    )
    points = rng.uniform(-1.2, 1.2, (3000, 3))
    want = np.minimum(naive.signed_distance(points, one), naive.signed_distance(points, two))
    assert_reaches_all_sides(want, 0.02)
    found = Surface.build(both).closest(points)
    at_edge = (np.hypot(*found.points[:, :2].T) < 1e-12) & (np.abs(found.points[:, 2]) < 0.99)
    assert at_edge.sum() > 300
    assert_allclose(found.distance_mm, want, rtol=0, atol=1e-9)


def test_areas_sum_to_the_whole():
    surface = Surface.build(shapes.box((2.0, 1.0, 0.6), 3))
    assert_allclose(surface.vertex_area_mm2.sum(), 2 * (2 + 1.2 + 0.6), rtol=1e-12, atol=0)


def test_libigl_on_the_same_points(rng):
    """Open and closed; libigl signs by pseudonormal when told to (never by its default)."""
    igl = pytest.importorskip("igl")
    for mesh in (shapes.torus(nu=80, nv=30), arch()):
        points = rng.uniform(-2.6, 2.6, (4000, 3))
        found = Surface.build(mesh).closest(points)
        theirs = igl.signed_distance(
            points,
            mesh.vertices,
            mesh.faces.astype(np.int64),
            sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL,
        )[0]
        assert_allclose(np.abs(theirs), found.unsigned_mm, rtol=0, atol=1e-12)
        known = ~found.is_boundary
        assert known.mean() > 0.3
        assert_reaches_all_sides(theirs[known], 0.05)
        assert_allclose(theirs[known], found.distance_mm[known], rtol=0, atol=1e-12)


@pytest.mark.needs_open3d
@pytest.mark.slow
def test_open3d_on_the_same_points(rng):
    """Unsigned, 32-bit: the same to a few of its roundings."""
    import open3d as o3d

    for mesh in (shapes.torus(nu=80, nv=30), arch()):
        scene = o3d.t.geometry.RaycastingScene()
        scene.add_triangles(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32))
        points = rng.uniform(-2.6, 2.6, (4000, 3))
        theirs = scene.compute_distance(points.astype(np.float32)).numpy()
        found = Surface.build(mesh).closest(points)
        assert_allclose(theirs, found.unsigned_mm, rtol=0, atol=5e-6)


def test_answers_are_read_only_inputs_untouched(rng):
    surface = Surface.build(shapes.box())
    points = rng.normal(size=(10, 3))
    before = points.copy()
    surface.closest(points)
    assert_array_equal(points, before)
    assert not surface.corners.flags.writeable


def test_the_order_of_asking_keeps_neighbours_together(rng):
    points = rng.uniform(-20.0, 20.0, (5000, 3))
    points[7] = np.nan
    order = near_order(points)
    assert_array_equal(np.sort(order), np.arange(5000))
    step = np.linalg.norm(np.diff(points[order], axis=0), axis=1)
    assert np.nanmedian(step) < 0.15 * np.nanmedian(np.linalg.norm(np.diff(points, axis=0), axis=1))
    assert_array_equal(near_order(points[:5]), np.arange(5))
    assert len(near_order(np.full((100, 3), np.nan))) == 100
