"""The jaw closed anew beside a known place: levers, and the law of spheres that share a load."""

import numpy as np
import pytest
from motion.test_closure import LEVER_MM, PLANE_MM, RADIUS_MM, cap, depth_of_load
from motion.test_equilibrium import CAP_N, K, facing, jaw, settle, statics, table
from numpy.testing import assert_allclose

from occlusim.contact.foundation import FoundationSettings
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.reclosing import STILL_MM, carried, close_anew, opening_twist

LOAD_N = 10.0
APART_MM = 20.0
FOUNDATION = FoundationSettings(K)
TEETH = ((16, 46), (26, 36))


def spheres(places_mm):
    """Return spheres at some x just below plates, and the jaw at rest on them."""
    top = PLANE_MM - 0.01
    span = np.linspace(-4.0, 4.0, 9)
    lower = [
        (cap(np.array([x, LEVER_MM, top - RADIUS_MM]), n=CAP_N), pair[1])
        for x, pair in zip(places_mm, TEETH, strict=False)
    ]
    upper = [
        (table(x + span, LEVER_MM + span), pair[0])
        for x, pair in zip(places_mm, TEETH, strict=False)
    ]
    opposition = facing(upper, lower)
    return opposition, settle(opposition, LOAD_N, statics(pace="quick"))


@pytest.fixture(scope="module")
def one():
    return spheres([0.0])


@pytest.fixture(scope="module")
def two():
    return spheres([-APART_MM, APART_MM])


def closed(case, twist, pairs=()):
    opposition, rest = case
    return close_anew(opposition, jaw(), rest.freedom, twist, LOAD_N, FOUNDATION, pairs)


def height_mm(twist, point):
    return (np.cross(twist[:, :3], point) + twist[:, 3:])[:, 2]


@pytest.mark.parametrize("heave_mm", [-0.03, 0.01, 0.05])
def test_what_the_record_is_off_in_height_the_closing_takes_back(one, heave_mm):
    """About the hinge: nothing is left where the teeth meet, y / lever of it elsewhere."""
    found = closed(one, [[0, 0, 0, 0, 0, heave_mm]])
    for y in (0.0, 30.0, 45.0, LEVER_MM):
        at = np.array([5.0, y, PLANE_MM])
        # Of the plate's facets: none; of the sphere's: the same ones press.
        expected = heave_mm * (1.0 - y / LEVER_MM)
        assert_allclose(height_mm(found.twist, at), expected, rtol=0, atol=2e-5)


@pytest.mark.parametrize("half_mm", [0.005, 0.02, 0.038, 0.06, -0.02])
def test_a_roll_shares_the_load_as_the_law_of_spheres_says(two, half_mm):
    """Sum of the squared depths stays; one sphere alone bears all of it at sqrt(2) times it."""
    depth_mm = depth_of_load(0.5 * LOAD_N, K)
    found = closed(two, [[0, half_mm / APART_MM, 0, 0, 0, 0]])
    middle = height_mm(found.twist, np.array([0.0, LEVER_MM, PLANE_MM]))
    off = abs(half_mm)
    if off < depth_mm / np.sqrt(2):
        expected = np.sqrt(depth_mm**2 - off**2) - depth_mm
    else:
        expected = np.sqrt(2.0) * depth_mm - off - depth_mm
    # d / 3R of the depth is left out in the law, and a corner's part of the area in the sums.
    assert_allclose(middle, expected, rtol=0, atol=0.02 * depth_mm)
    assert off < 0.05 or np.abs(middle + off) < off


def test_tightness_is_the_median_of_what_touches(two):
    """A sphere pressed in by d overlaps by d / 2 in the mean."""
    depth_mm = depth_of_load(0.5 * LOAD_N, K)
    off = 0.3 * depth_mm
    twist = [[0, off / APART_MM, 0, 0, 0, 0]]
    left = closed(two, twist, [TEETH[0]]).tightness_mm
    right = closed(two, twist, [TEETH[1]]).tightness_mm
    middle = np.sqrt(depth_mm**2 - off**2) - depth_mm
    assert_allclose(left, -0.5 * (middle + off), rtol=0, atol=0.02 * depth_mm)
    assert_allclose(right, -0.5 * (middle - off), rtol=0, atol=0.02 * depth_mm)
    both = closed(two, twist, TEETH).tightness_mm
    assert_allclose(both, 0.5 * (left + right), rtol=0, atol=1e-12)
    assert closed(two, twist, [(11, 41)]).tightness_mm == 0.0


def test_no_motion_changes_nothing_and_mirror_images_mirror(two):
    rng = np.random.default_rng(5)
    twist = np.hstack([1e-4 * rng.standard_normal((6, 3)), 5e-3 * rng.standard_normal((6, 3))])
    mirrored = twist * [1, -1, -1, -1, 1, 1]
    found = closed(two, np.vstack([np.zeros((1, 6)), twist]), TEETH)
    assert not found.twist[0].any()
    assert found.tightness_mm[0] == 0.0
    there = closed(two, mirrored, TEETH[::-1])
    # The caps' triangles are not mirrored: a diagonal's share of a contact.
    assert_allclose(there.twist, found.twist[1:] * [1, -1, -1, -1, 1, 1], rtol=0, atol=2e-5)
    assert_allclose(there.tightness_mm, found.tightness_mm[1:], rtol=0, atol=1e-4)


def test_many_jaws_are_closed_as_each_alone(two):
    """What is passed over for many jaws would not have pressed in any of them."""
    rng = np.random.default_rng(6)
    twist = np.hstack([1e-3 * rng.standard_normal((20, 3)), 0.03 * rng.standard_normal((20, 3))])
    found = closed(two, twist, TEETH)
    for k in range(len(twist)):
        alone = closed(two, twist[k], TEETH)
        assert_allclose(alone.twist[0], found.twist[k], rtol=0, atol=STILL_MM)
        assert_allclose(alone.tightness_mm[0], found.tightness_mm[k], rtol=0, atol=STILL_MM)


def test_a_motion_is_carried_along(two):
    """exp(carried) T = T exp(twist), and opening turns about the hinge."""
    rng = np.random.default_rng(7)
    twist = rng.standard_normal((4, 6))
    T = RigidTransform.exp(rng.standard_normal(6))
    for before, after in zip(twist, carried(twist, T), strict=True):
        there = RigidTransform.exp(after) @ T
        assert_allclose(there.matrix, (T @ RigidTransform.exp(before)).matrix, rtol=0, atol=1e-12)
    small = 1e-6
    opened = jaw().pose(np.array([small, 0.0, 0.0])) @ jaw().pose(np.zeros(3)).inverse()
    expected = RigidTransform.exp(small * opening_twist(jaw(), np.zeros(3)))
    assert_allclose(opened.matrix, expected.matrix, rtol=0, atol=1e-14)


def test_other_shapes_are_refused(one):
    with pytest.raises(InputError, match=r"twists \(1, 5\) given"):
        closed(one, np.zeros((1, 5)))
