"""Least gaps, contact areas and volumes: closed forms, refinement, swap, unknown."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes
from reference.laws import random_pose

from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.contact.overlap import clipped_integrals
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.sdf import SdfSettings

RADIUS = 3.0
SETTINGS = SdfSettings(voxel_mm=0.15, band_mm=1.0)


@pytest.fixture(scope="module")
def ball():
    """A sphere whose corner points down: its lowest point is a vertex, sagitta below 0.5 um."""
    return GapField.build(shapes.sphere(RADIUS, 60), SETTINGS)


@pytest.fixture(scope="module")
def table():
    return GapField.build(shapes.plate(4.0, 24), SETTINGS)


@pytest.fixture(scope="module")
def slab():
    """Two triangles: the ball meets the middle of a face, far from every vertex."""
    return GapField.build(shapes.plate(4.0, 1), SETTINGS)


def above(gap_mm, x=0.013, y=0.02):
    return RigidTransform(np.eye(3), np.array([x, y, RADIUS + gap_mm]))


@pytest.mark.slow
@pytest.mark.parametrize("gap", [0.4, 1e-3, 0.0, -1e-3, -0.05, -0.3])
def test_ball_over_a_plane(ball, table, slab, gap):
    """The least gap is the height of the lowest point, fine plane or two triangles."""
    for plane in (table, slab):
        found = least_gap(plane, ball, above(gap), supported=True)
        assert_allclose(found.gap_mm, gap, rtol=0, atol=5e-4)
        assert found.gap_mm - 1e-4 <= found.bound_mm + 1e-12
        assert found.bound_mm <= found.gap_mm
        assert_allclose(found.point[:2], [0.013, 0.02], rtol=0, atol=0.1)
    # Area of a cap of height g: 2 pi R g reaches 0.05 mm2 at g = 2.65 um.
    assert_allclose(found.supported_gap_mm, gap + 0.05 / (2 * np.pi * RADIUS), rtol=0, atol=2e-3)


@pytest.mark.slow
def test_contact_area_and_volume_of_a_ball_in_a_plane():
    """Area 2 pi R d - pi d^2, volume pi d^2 (3R - d) / 3."""
    depth = 0.05
    ball = GapField.build(shapes.sphere(RADIUS, 110), SETTINGS)
    fine = shapes.plate(0.8, 120)
    plane = GapField.build(fine, SETTINGS)
    T_ball_plane = above(-depth).inverse()
    phi = ball.exact(fine.vertices, T_ball_plane)
    circle = clipped_integrals(fine.vertices, fine.faces, phi, 0.0)
    want = np.pi * (2 * RADIUS * depth - depth**2)
    assert_allclose(circle.area_mm2.sum(), want, rtol=0.01, atol=0)
    centre = circle.area_moment_mm3.sum(axis=0) / circle.area_mm2.sum()
    assert_allclose(centre, [0.013, 0.02, 0], rtol=0, atol=1e-3)
    mesh = ball.surface.mesh
    height = plane.exact(mesh.vertices, above(-depth), max_distance_mm=0.5)
    cap = clipped_integrals(mesh.vertices, mesh.faces, height, 0.0)
    # Depth is vertical, so the volume is weighted by the face's share along z.
    share = np.abs(ball.surface.face_normals[:, 2])
    volume = np.nansum(cap.volume_mm3 * share)
    assert_allclose(volume, np.pi * depth**2 * (3 * RADIUS - depth) / 3, rtol=0.01, atol=0)


def bumpy(n, seed):
    """Return a sheet of smooth bumps; its shape does not depend on n."""
    mesh = shapes.plate(1.6, n)
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    z = 0.25 * np.cos(2.7 * x + seed) * np.cos(2.2 * y - 0.5 * seed)
    return TriangleMesh(np.column_stack([x, y, z]), mesh.faces)


def facing(mesh):
    """Return the mesh turned over, so that it looks down."""
    return TriangleMesh(mesh.vertices * [1.0, -1, -1], mesh.faces)


def at_gap(a, b, gap, tilt=0.02):
    """Return a pose of b over a whose least gap is near `gap`."""
    T = RigidTransform.exp([tilt, -tilt, 0.1, 0, 0, 0])
    height = 0.6
    for _ in range(6):
        pose = RigidTransform(T.rotation, np.array([0.03, -0.02, height]))
        height -= least_gap(a, b, pose).gap_mm - gap
    return RigidTransform(T.rotation, np.array([0.03, -0.02, height]))


@pytest.fixture(scope="module")
def sheets():
    return tuple(GapField.build(m, SETTINGS) for m in (bumpy(14, 0.3), facing(bumpy(11, 1.1))))


@pytest.mark.slow
@pytest.mark.parametrize("gap", [0.2, 0.01, -0.01, -0.12])
def test_a_refined_copy_gives_the_same(sheets, gap):
    """Cutting faces in four moves no surface, so the least gap stays within 0.1 um."""
    a, b = sheets
    pose = at_gap(a, b, gap)
    want = least_gap(a, b, pose)
    assert_allclose(want.gap_mm, gap, rtol=0, atol=0.01)
    fine_a, fine_b = (GapField.build(shapes.refined(f.surface.mesh, 2), SETTINGS) for f in (a, b))
    for one, two in ((fine_a, fine_b), (fine_a, b), (a, fine_b)):
        found = least_gap(one, two, pose)
        assert_allclose(found.gap_mm, want.gap_mm, rtol=0, atol=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("gap", [0.1, -0.05])
def test_dense_samples_never_lie_below(sheets, gap):
    """The vertices of a copy refined 64 fold are points of the surface: none lies below."""
    a, b = sheets
    pose = at_gap(a, b, gap)
    found = least_gap(a, b, pose)
    on_b = a.exact(shapes.refined(b.surface.mesh, 4).vertices, pose)
    on_a = b.exact(shapes.refined(a.surface.mesh, 4).vertices, pose.inverse())
    least = min(np.nanmin(on_a), np.nanmin(on_b))
    assert least >= found.bound_mm - 1e-12
    assert_allclose(found.gap_mm, least, rtol=0, atol=3e-3)
    field = a if found.on == "b" else b
    T_field_a = RigidTransform.identity() if found.on == "b" else pose.inverse()
    assert_allclose(field.exact(found.point, T_field_a)[0], found.gap_mm, rtol=0, atol=1e-9)


SLOPE = 0.5


def roof(turned=False):
    """Return two faces a side that meet in a ridge along x; turned: along y, looking down."""
    x, y = np.array([-1.5, 1.5]), np.array([-1.5, 0.0, 1.5])
    px, py = np.meshgrid(x, y, indexing="ij")
    vertices = np.column_stack([px.ravel(), py.ravel(), -SLOPE * np.abs(py).ravel()])
    faces = [[0, 3, 4], [0, 4, 1], [1, 4, 5], [1, 5, 2]]
    if turned:
        vertices = vertices[:, [1, 0, 2]] * [1.0, 1, -1]
    return TriangleMesh(vertices, np.array(faces, np.int32))


@pytest.mark.slow
@pytest.mark.parametrize("times", [0, 3])
@pytest.mark.parametrize("gap", [0.3, 0.01, -0.01, -0.06, -0.3])
def test_crossed_ridges_meet_far_from_every_vertex(gap, times):
    """Apart: the ridges' distance. Overlapping by d: the deepest point lies d cos(slope) deep."""
    a, b = (GapField.build(shapes.refined(m, times), SETTINGS) for m in (roof(), roof(True)))
    pose = RigidTransform(np.eye(3), np.array([0.11, 0.07, gap]))
    found = least_gap(a, b, pose)
    want = gap if gap > 0 else gap / np.sqrt(1 + SLOPE**2)
    assert_allclose(found.gap_mm, want, rtol=0, atol=1e-4)
    assert found.bound_mm <= want + 1e-9
    assert found.gap_mm - found.bound_mm <= 1e-4 + 1e-9


@pytest.mark.slow
def test_swap_motion_and_threads(sheets, rng):
    a, b = sheets
    pose = at_gap(a, b, -0.03)
    want = least_gap(a, b, pose, supported=True)
    swapped = least_gap(b, a, pose.inverse())
    assert_allclose(swapped.gap_mm, want.gap_mm, rtol=0, atol=1e-4)
    assert {swapped.on, want.on} == {"a", "b"}
    n = thread_count()
    try:
        set_threads(1)
        one = least_gap(a, b, pose, supported=True)
    finally:
        set_threads(n)
    assert (one.gap_mm, one.bound_mm, one.supported_gap_mm) == (
        want.gap_mm,
        want.bound_mm,
        want.supported_gap_mm,
    )
    assert_array_equal(one.point, want.point)
    T = random_pose(rng)
    moved = least_gap(GapField.build(a.surface.mesh.transformed(T), SETTINGS), b, T @ pose)
    assert_allclose(moved.gap_mm, want.gap_mm, rtol=0, atol=1e-4)


def test_only_the_faces_that_count(ball, table):
    """Leave out the middle of the table: what is left is met at its rim, or not at all."""
    centre = table.surface.mesh.vertices[table.surface.mesh.faces].mean(axis=1)
    r = np.linalg.norm(centre[:, :2], axis=1)
    pose = above(0.1)
    everything = least_gap(table, ball, pose, faces_a=np.ones(len(r), bool))
    assert_allclose(everything.gap_mm, least_gap(table, ball, pose).gap_mm, rtol=0, atol=1e-12)
    outer = least_gap(table, ball, pose, faces_a=np.flatnonzero(r > 1.5))
    # Height of the ball's underside at 1.2 to 1.5 mm from the axis.
    low, high = (
        RADIUS + 0.1 - np.hypot(RADIUS, 0) * np.cos(np.arcsin(x / RADIUS)) for x in (1, 1.7)
    )
    assert low < outer.gap_mm < high
    nothing = least_gap(table, ball, pose, faces_a=np.zeros(len(r), bool))
    assert np.isnan(nothing.gap_mm)
    for bad in ([True], [10**6], [0.5]):
        with pytest.raises(InputError, match="faces_a"):
            least_gap(table, ball, pose, faces_a=bad)


def test_far_apart_the_tree_answers(ball, table):
    found = least_gap(table, ball, above(3.0))
    assert_allclose(found.gap_mm, 3.0, rtol=0, atol=5e-4)


def test_overlap_deeper_than_the_band(ball, table):
    found = least_gap(table, ball, above(-1.6))
    assert_allclose(found.gap_mm, -1.6, rtol=0, atol=1e-3)


def test_a_part_keeps_the_band_of_the_whole_as_lower_bounds(ball, rng):
    centre = ball.surface.mesh.vertices[ball.surface.mesh.faces].mean(axis=1)
    part = ball.part(np.flatnonzero(centre[:, 0] > 0.5).astype(np.int32))
    points = rng.uniform(-1.2 * RADIUS, 1.2 * RADIUS, (3000, 3))
    exact = part.exact(points)
    assert_allclose(exact, part.surface.closest(points).distance_mm, rtol=0, atol=0)
    lower = part.sdf.lower_bounds(points)
    known = np.isfinite(exact) & np.isfinite(lower) & (exact > 0)
    assert known.sum() > 100
    assert (lower[known] <= exact[known]).all()
    away = np.isfinite(lower) & (part.surface.closest(points).unsigned_mm > ball.sdf.band_mm + 0.2)
    assert away.any()  # there the band knows of faces that the part lacks
