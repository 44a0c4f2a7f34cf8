"""The jaw's three freedoms: rigid, the hinge's alone, and their velocities."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.geometry.transform import RigidTransform
from occlusim.motion.hinge import Hinge
from occlusim.motion.suspension import Suspension

HALF_MM = 52.0
FREEDOMS = [[0.0, 0.0, 0.0], [0.2, 0.3, 0.3], [-0.05, 0.5, -0.2], [0.4, -0.6, 0.0], [0.0, 0.0, 0.7]]


def some_jaw(lean_rad=0.0):
    """Return a jaw in no special place; its right leans out of the plane of `superior`."""
    turn = RigidTransform.exp([0.2, -0.4, 0.3, 15.0, -40.0, 8.0])
    right = turn.rotate(np.array([np.cos(lean_rad), 0.0, np.sin(lean_rad)]))
    hinge = Hinge(
        turn.apply(np.zeros(3)), right, RigidTransform.exp([0.02, 0.01, -0.03, 1.0, -2.0, 0.5])
    )
    return Suspension(hinge, turn.rotate(np.array([0.0, 0.0, 1.0])), HALF_MM)


def condyles(jaw):
    """Return the condyles (2, 3), right and left, in the lower frame."""
    at = jaw.hinge.point + np.array([[HALF_MM], [-HALF_MM]]) * jaw.hinge.right
    return jaw.hinge.T_upper_lower.inverse().apply(at)


@pytest.mark.parametrize("lean_rad", [0.0, 0.1])
@pytest.mark.parametrize("freedom", FREEDOMS)
def test_condyles_keep_their_distance_and_stay_on_the_axis(freedom, lean_rad):
    jaw, freedom = some_jaw(lean_rad), np.array(freedom)
    moved = jaw.pose(freedom).apply(condyles(jaw))
    assert_allclose(np.linalg.norm(moved[0] - moved[1]), 2 * HALF_MM, rtol=1e-14, atol=0)
    point, right = jaw.axis(freedom)
    # Coordinates of 100 mm in float64.
    assert_allclose(moved, point + np.array([[HALF_MM], [-HALF_MM]]) * right, rtol=0, atol=1e-12)


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_each_condyle_rises_by_its_own_freedom(freedom):
    """Towards the skull, and nowhere else but inwards, as a leaning rod is shorter in plan."""
    jaw, freedom = some_jaw(), np.array(freedom)
    lower = condyles(jaw)
    way = jaw.pose(freedom).apply(lower) - jaw.hinge.T_upper_lower.apply(lower)
    tilt = abs(freedom[1] - freedom[2])
    # sin of an angle instead of its tangent: (tilt / 2 h)^3 h / 2; 1 - cos of it: tilt^2 / (8 h).
    assert_allclose(
        way @ jaw.superior, freedom[1:], rtol=0, atol=tilt**3 / (16 * HALF_MM**2) + 1e-12
    )
    aside = way - np.outer(way @ jaw.superior, jaw.superior)
    assert np.linalg.norm(aside, axis=1).max() <= tilt**2 / (8 * HALF_MM) + 1e-12
    assert_allclose(way[0] + way[1], freedom[1:].sum() * jaw.superior, rtol=0, atol=1e-12)


def test_no_freedom_is_the_hinge_and_opening_alone_is_its_pose():
    jaw = some_jaw(0.07)
    for opening in (0.0, 0.2, -0.01):
        found, expected = jaw.pose(np.array([opening, 0.0, 0.0])), jaw.hinge.pose(opening)
        assert_allclose(found.matrix, expected.matrix, rtol=0, atol=1e-13)
    assert_allclose(
        jaw.pose(np.zeros(3)).matrix, jaw.hinge.T_upper_lower.matrix, rtol=0, atol=1e-14
    )


def test_equal_rises_lift_the_jaw_without_turning_it():
    jaw = some_jaw()
    lifted = jaw.pose(np.array([0.1, 0.4, 0.4]))
    flat = jaw.pose(np.array([0.1, 0.0, 0.0]))
    assert_allclose(lifted.matrix[:3, :3], flat.matrix[:3, :3], rtol=0, atol=1e-14)
    points = np.array([[0.0, 0.0, 0.0], [30.0, -20.0, 10.0]])
    assert_allclose(
        lifted.apply(points) - flat.apply(points), np.tile(0.4 * jaw.superior, (2, 1)),
        rtol=0, atol=1e-12,
    )  # fmt: skip


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_velocities_are_the_differences_of_the_pose(freedom, rng):
    jaw, freedom = some_jaw(), np.array(freedom)
    lower = rng.uniform(-60.0, 60.0, (20, 3))
    found = jaw.velocities(freedom, jaw.pose(freedom).apply(lower))
    h = 1e-5
    for k in range(3):
        step = np.zeros(3)
        step[k] = h
        ahead, back = jaw.pose(freedom + step).apply(lower), jaw.pose(freedom - step).apply(lower)
        # Rounding 1e-14 * 100 mm / h, and h^2 / 6 of a third derivative of 100 mm / rad^3; the
        # condyles' freedoms are taken along a rod that is longer by (tilt / 2 h)^2 / 2 of itself.
        longer = ((freedom[1] - freedom[2]) / (2 * HALF_MM)) ** 2 * (k > 0)
        speed = np.abs(found[:, :, k]).max()
        assert_allclose(
            found[:, :, k], (ahead - back) / (2 * h), rtol=0, atol=1e-7 + longer * speed
        )


def test_mirrored_freedoms_give_the_mirrored_jaw():
    mirror = np.diag([-1.0, 1.0, 1.0])
    jaw = Suspension(
        Hinge(np.zeros(3), np.array([1.0, 0.0, 0.0]), RigidTransform.identity()),
        np.array([0.0, 0.0, 1.0]), HALF_MM,
    )  # fmt: skip
    points = np.array([[20.0, 50.0, -30.0], [-10.0, 80.0, -25.0]])
    found = jaw.pose(np.array([0.1, 0.5, -0.2])).apply(points)
    other = jaw.pose(np.array([0.1, -0.2, 0.5])).apply(points @ mirror)
    assert_allclose(found, other @ mirror, rtol=0, atol=1e-12)
