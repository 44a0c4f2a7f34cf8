"""First contacts: trigonometry, thin things that pass fast, grazing, overlaps, the unknown."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes
from reference.laws import random_pose

from occlusim.contact.field import GapField
from occlusim.contact.first_contact import first_contact
from occlusim.contact.least import least_gap
from occlusim.contact.motions import HingeMotion, PosePath
from occlusim.contact.poses import least_gaps
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.sdf import SdfSettings

RADIUS = 3.0
SETTINGS = SdfSettings(voxel_mm=0.15, band_mm=1.0)


@pytest.fixture(scope="module")
def ball():
    """A sphere whose sagitta is 1 um."""
    return GapField.build(shapes.sphere(RADIUS, 40), SETTINGS)


@pytest.fixture(scope="module")
def table():
    return GapField.build(shapes.plate(4.0, 12), SETTINGS)


def at(x, y, z):
    return RigidTransform(np.eye(3), np.array([x, y, z], dtype=float))


def straight(start, end, length=1.0):
    return PosePath(np.array([0.0, length]), [at(*start), at(*end)], np.zeros(3))


@pytest.mark.parametrize("gap", [0.0, 0.2])
def test_a_ball_on_a_hinge_comes_down_on_a_plane(ball, table, gap):
    """A centre at (20, 9) from the axis is at height R where its angle is asin(R / lever)."""
    lever = np.hypot(20, 9)
    hinge = HingeMotion([0.0, -20, 0], [1.0, 0, 0], at(0, 0, 9), 0.0, -0.6)
    found = first_contact(table, ball, hinge, gap_mm=gap)
    want = np.arcsin((RADIUS + gap) / lever) - np.arctan2(9, 20)
    assert found.kind == "contact"
    # 1 um of sagitta over a lever of 19.8 mm.
    assert_allclose(found.parameter, want, rtol=0, atol=1e-4)
    assert gap <= found.gap_mm <= gap + 1e-4
    here = least_gap(table, ball, hinge.pose(found.parameter))
    assert_allclose(here.gap_mm, found.gap_mm, rtol=0, atol=1e-4)
    assert_allclose(found.point[:2], [0, lever * np.cos(np.arcsin(RADIUS / lever)) - 20],
                    rtol=0, atol=0.2)  # fmt: skip
    assert found.n_steps < 30


def test_two_balls_on_a_slanting_path(ball):
    """Centres 1 mm aside meet where they are 2 R apart."""
    path = straight((1.0, 0, 12), (1.0, 0, -12), 24.0)
    found = first_contact(ball, ball, path)
    want = 12 - np.sqrt(4 * RADIUS**2 - 1)
    assert found.kind == "contact"
    assert_allclose(found.parameter, want, rtol=0, atol=3e-3)
    assert_allclose(found.point, [0.5, 0, np.sqrt(RADIUS**2 - 0.25)], rtol=0, atol=0.1)


def test_a_thin_plate_and_a_spike_are_not_stepped_over():
    """A plate of 10 um flies 200 mm through a needle of 20 um in one piece of a path."""
    needle = GapField.build(shapes.box((0.02, 0.02, 6.0)), SETTINGS)
    sheet = GapField.build(shapes.box((0.01, 8.0, 8.0), 3), SETTINGS)
    path = straight((-100, 0.3, 0.2), (100, 0.3, 0.2))
    found = first_contact(needle, sheet, path)
    assert found.kind == "contact"
    assert_allclose(found.parameter, (100 - 0.015) / 200, rtol=0, atol=1e-6)
    # On a hinge, with a lever of 40 mm, over a full turn less a bit.
    hinge = HingeMotion([0.0, 40, 0], [0.0, 0, 1], RigidTransform.identity(), 0.3, 6.5)
    found = first_contact(sheet, needle, hinge)
    assert found.kind == "contact"
    x = 40 * np.sin(found.parameter)
    assert -0.03 < x < 0.0
    missed = HingeMotion([0.0, 40, 0], [0.0, 0, 1], RigidTransform.identity(), 0.3, 6.2)
    assert first_contact(sheet, needle, missed).kind == "none"


def test_a_bar_that_spins_about_its_own_middle_meets_what_stands_beside_it(ball):
    """Its middle rests and its ends fly: a corner meets the ball by the law of cosines."""
    bar = GapField.build(shapes.box((16.0, 0.2, 0.2)), SETTINGS)
    spin = HingeMotion([0.0, 10, 0], [0.0, 0, 1], at(0, 10, 0), 0.0, 4.0)
    found = first_contact(ball, bar, spin)
    corner = np.hypot(8.0, 0.1)
    left = np.arccos((corner**2 + 10**2 - RADIUS**2) / (2 * corner * 10))
    assert found.kind == "contact"
    want = np.pi / 2 - left - np.arctan2(0.1, 8.0)
    assert_allclose(found.parameter, want, rtol=0, atol=1e-3)


@pytest.mark.parametrize("above", [1e-3, 0.05])
def test_a_path_that_grazes_does_not_touch(ball, above):
    """Two balls pass by; the least gap met is that of dense poses about the nearest."""
    path = straight((-4.0, 0.7, 2 * RADIUS + above), (4.0, 0.5, 2 * RADIUS + above), 8.0)
    found = first_contact(ball, ball, path)
    dense = np.linspace(3.0, 5.0, 401)
    poses = [at(-4 + s, 0.7 - s / 40, 2 * RADIUS + above) for s in dense]
    least = least_gaps(ball, ball, poses).min()
    assert found.kind == "none"
    assert np.isnan(found.parameter)
    assert found.gap_mm <= least + 1e-4
    assert found.gap_mm >= least - 2e-3
    assert found.bound_mm <= found.gap_mm <= found.bound_mm + 2.1e-4


def test_a_ball_that_grazes_a_plane_by_a_micrometre(ball, table):
    path = straight((-1.0, 0, RADIUS + 0.5), (1.0, 0, RADIUS + 0.001))
    found = first_contact(table, ball, path)
    assert found.kind == "none"
    assert_allclose(found.gap_mm, 1e-3, rtol=0, atol=1e-4)
    assert_allclose(found.least_at, 1.0, rtol=0, atol=1e-3)
    lower = straight((-1.0, 0, RADIUS + 0.5), (1.0, 0, RADIUS - 0.001))
    touch = first_contact(table, ball, lower)
    assert touch.kind == "contact"
    assert_allclose(touch.parameter, 0.5 / 0.501, rtol=0, atol=3e-4)


@pytest.mark.parametrize("depth", [0.05, 1.6])
def test_an_overlap_at_the_start_is_said(ball, table, depth):
    path = straight((0.01, 0.02, RADIUS - depth), (0.01, 0.02, RADIUS + 5))
    found = first_contact(table, ball, path)
    assert found.kind == "overlap"
    assert_allclose(found.gap_mm, -depth, rtol=0, atol=1e-3)
    assert found.n_steps == 0
    inside = GapField.build(shapes.sphere(0.4, 8), SETTINGS)
    held = first_contact(ball, inside, straight((0.1, 0, 0), (0.1, 0, 20)))
    assert held.kind == "overlap"


def test_where_two_edges_meet_nothing_is_known(table, ball):
    """Sheets in one plane meet edge to edge: unknown. A ball on an edge knows its side."""
    beside = straight((9.0, 0.3, 0), (7.0, 0.3, 0), 2.0)
    found = first_contact(table, table, beside)
    assert found.kind == "unknown"
    assert_allclose(found.parameter, 1.0, rtol=0, atol=1e-3)
    assert np.isnan(found.gap_mm)
    onto = straight((8.0, 0.3, 0.4), (5.0, 0.3, 0.4), 3.0)
    met = first_contact(table, ball, onto)
    assert met.kind == "contact"
    assert_allclose(met.parameter, 4 - np.sqrt(RADIUS**2 - 0.16), rtol=0, atol=3e-3)


def test_faces_that_do_not_count_are_passed(ball, table):
    middle = table.surface.mesh.vertices[table.surface.mesh.faces].mean(axis=1)
    outer = np.linalg.norm(middle[:, :2], axis=1) > 1.5
    path = straight((0, 0, 8.0), (0, 0, 1.0), 7.0)
    whole = first_contact(table, ball, path)
    part = first_contact(table, ball, path, faces_a=outer)
    assert_allclose(whole.parameter, 5.0, rtol=0, atol=1e-3)
    assert part.kind == "contact"
    assert 5.1 < part.parameter < 5.7


def sheets():
    lower = shapes.plate(1.6, 12)
    x, y = lower.vertices[:, 0], lower.vertices[:, 1]
    z = 0.25 * np.cos(2.7 * x + 0.3) * np.cos(2.2 * y)
    up = TriangleMesh(np.column_stack([x, y, z]), lower.faces)
    down = TriangleMesh(np.column_stack([x, -y, 0.2 * np.sin(2.0 * x) - z]), lower.faces)
    return up, down


ROUTE = [
    RigidTransform.exp([0.05, -0.1, 0.3, 0.3, -0.2, 1.5]),
    RigidTransform.exp([-0.02, 0.05, -0.2, -0.2, 0.1, 0.7]),
    RigidTransform.exp([0.0, 0.1, -0.1, 0.1, 0.2, 0.0]),
]


@pytest.fixture(scope="module")
def met():
    a, b = (GapField.build(mesh, SETTINGS) for mesh in sheets())
    path = PosePath(np.array([0.0, 1.0, 2.5]), ROUTE, np.array([0.1, 0.2, 0.3]))
    return a, b, path, first_contact(a, b, path)


def test_samples_agree_with_the_first_contact(met):
    """Slow twin: no sample before touches, the first after does."""
    a, b, path, found = met
    assert found.kind == "contact"
    piece = path.pieces()[int(found.parameter > 1.0)]
    progress = found.parameter - piece.start
    before = np.linspace(max(progress - 0.2, 0), progress, 60)
    gaps = least_gaps(a, b, [piece.pose(p) for p in before])
    assert (gaps > 0).all()
    assert_allclose(gaps[-1], found.gap_mm, rtol=0, atol=1e-4)
    assert least_gaps(a, b, [piece.pose(progress + 1e-3)])[0] < 0


def test_refined_copies_meet_at_the_same_place(met):
    a, b, path, found = met
    fine = [GapField.build(shapes.refined(f.surface.mesh), SETTINGS) for f in (a, b)]
    again = first_contact(*fine, path)
    assert_allclose(again.parameter, found.parameter, rtol=0, atol=5e-4)
    assert_allclose(again.point, found.point, rtol=0, atol=1e-3)


def test_moving_both_by_one_pose_changes_nothing(met, rng):
    a, b, _, found = met
    T, T_b = random_pose(rng), random_pose(rng)
    moved = [GapField.build(f.surface.mesh.transformed(X), SETTINGS) for f, X in ((a, T), (b, T_b))]
    path = PosePath(
        np.array([0.0, 1.0, 2.5]),
        [T @ pose @ T_b.inverse() for pose in ROUTE],
        T_b.apply(np.array([0.1, 0.2, 0.3])),
    )
    again = first_contact(*moved, path)
    assert_allclose(again.parameter, found.parameter, rtol=0, atol=5e-4)
    assert_allclose(again.point, T.apply(found.point), rtol=0, atol=1e-3)


def test_swap_with_the_inverse_motion(ball, table):
    T = RigidTransform(np.eye(3), np.array([0.3, -0.2, 9.0])) @ RigidTransform.exp(
        [0.3, 0.2, 0.1, 0, 0, 0]
    )
    point, axis = np.array([0.0, -20, 0]), np.array([1.0, 0.1, 0])
    found = first_contact(table, ball, HingeMotion(point, axis, T, 0.0, -0.6))
    back = HingeMotion(T.inverse().apply(point), T.inverse().rotate(axis), T.inverse(), 0.0, 0.6)
    swapped = first_contact(ball, table, back)
    assert found.kind == swapped.kind == "contact"
    assert_allclose(swapped.parameter, -found.parameter, rtol=0, atol=2e-5)


def test_one_thread_gives_the_same_bits(met, ball, table):
    a, b, path, found = met
    hinge = HingeMotion([0.0, -20, 0], [1.0, 0, 0], at(0, 0, 9), 0.0, -0.6)
    want = first_contact(table, ball, hinge)
    n = thread_count()
    try:
        set_threads(1)
        one, other = first_contact(a, b, path), first_contact(table, ball, hinge)
    finally:
        set_threads(n)
    for x, y in ((one, found), (other, want)):
        assert (x.parameter, x.gap_mm, x.n_steps) == (y.parameter, y.gap_mm, y.n_steps)
        assert_array_equal(x.point, y.point)


def test_poses_of_a_path_go_through_those_given():
    path = PosePath(np.array([1.0, 2.0, 4.0]), ROUTE, np.array([0.5, 0, 0]))
    for piece, start, end in zip(path.pieces(), ROUTE[:-1], ROUTE[1:], strict=True):
        for progress, want in ((0.0, start), (piece.length, end)):
            assert_allclose(piece.pose(progress).matrix, want.matrix, rtol=0, atol=1e-12)
        middle = piece.pose(0.5 * piece.length).apply(np.array([0.5, 0, 0]))
        ends = [T.apply(np.array([0.5, 0, 0])) for T in (start, end)]
        assert_allclose(middle, np.mean(ends, axis=0), rtol=0, atol=1e-12)


def test_what_is_no_motion_is_refused(ball, table):
    path = straight((0, 0, 8.0), (0, 0, 1.0))
    for wrong in ({"gap_mm": -0.1}, {"tolerance_mm": 0.0}, {"faces_a": [10**6]}):
        with pytest.raises(InputError, match=next(iter(wrong))):
            first_contact(table, ball, path, **wrong)
    with pytest.raises(InputError, match="two at least"):
        PosePath(np.array([0.0]), [at(0, 0, 0)], np.zeros(3))
    with pytest.raises(InputError, match="increase"):
        PosePath(np.array([1.0, 1.0]), [at(0, 0, 0), at(0, 0, 1)], np.zeros(3))
    half = RigidTransform.exp([3.1, 0, 0, 0, 0, 0])
    with pytest.raises(InputError, match="turn"):
        PosePath(np.array([0.0, 1.0]), [at(0, 0, 0), half], np.zeros(3))
    with pytest.raises(InputError, match="different finite"):
        HingeMotion([0.0, 0, 0], [1.0, 0, 0], at(0, 0, 0), 0.2, 0.2)
