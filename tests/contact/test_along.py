"""Gaps at many poses: the two ways to find them agree, and a ball over a plate is trigonometry."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference import shapes

from occlusim.contact.along import least_gaps
from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings

RADIUS = 3.0
SETTINGS = SdfSettings(voxel_mm=0.15, band_mm=1.0)


@pytest.fixture(scope="module")
def ball():
    return GapField.build(shapes.sphere(RADIUS, 24), SETTINGS)


@pytest.fixture(scope="module")
def plate():
    return GapField.build(shapes.plate(4.0, 9), SETTINGS)


def every(field):
    return np.ones(len(field.surface.mesh.faces), dtype=bool)


def turned(rng, height):
    turn = RigidTransform.exp([*rng.normal(0, 1.0, 3), 0.0, 0.0, 0.0])
    place = [*rng.uniform(-1, 1, 2), RADIUS + height]
    return RigidTransform(turn.rotation, np.array(place))


def test_the_gap_along_a_path_is_that_of_every_pose_by_itself(ball, plate, rng):
    poses = [turned(rng, h) for h in (3.5, 1.2, 0.4, 0.05, 0.003, -0.004, -0.05, 0.2, 2.0)]
    found = least_gaps(plate, ball, poses, faces_a=every(plate))
    alone = [least_gap(plate, ball, pose).gap_mm for pose in poses]
    assert_allclose(found, alone, rtol=0, atol=1e-4)
    assert (found[:5] > 0).all()
    assert found[6] < 0


def test_a_sphere_of_many_faces_stands_over_the_plate_by_its_height(plate):
    fine = GapField.build(shapes.sphere(RADIUS, 60), SETTINGS)
    heights = np.linspace(2.0, 0.01, 12)
    poses = [RigidTransform(np.eye(3), np.array([0.013, 0.02, RADIUS + h])) for h in heights]
    found = least_gaps(plate, fine, poses, faces_a=every(plate))
    assert_allclose(found, heights, rtol=0, atol=5e-4)


def test_faces_that_do_not_count_are_passed_over(ball, plate, rng):
    """With half of the plate left out a ball over that half is measured to the other, or not."""
    middle = plate.surface.mesh.vertices[plate.surface.mesh.faces].mean(axis=1)
    right = middle[:, 0] > 0
    poses = [turned(rng, 0.3) for _ in range(6)]
    found = least_gaps(plate, ball, poses, faces_a=right)
    alone = [least_gap(plate, ball, pose, faces_a=right).gap_mm for pose in poses]
    assert_allclose(found, alone, rtol=0, atol=1e-4)
    whole = least_gaps(plate, ball, poses, faces_a=every(plate))
    assert (found > whole + 1e-3).any()


def test_the_order_of_poses_does_not_matter(ball, plate, rng):
    poses = [turned(rng, h) for h in (0.9, 0.1, 0.5, 0.02, 0.7)]
    found = least_gaps(plate, ball, poses, faces_a=every(plate))
    back = least_gaps(plate, ball, poses[::-1], faces_a=every(plate))
    assert_allclose(found, back[::-1], rtol=0, atol=1e-12)
