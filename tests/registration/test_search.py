"""Votes, moments and improvement: known poses come back, mirror images do not."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose
from registration.arch_phantom import BUCCAL, RIGHT, UPPER, WHOLE, WIDE, patch

from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.voting import vote
from occlusim.registration.features import describe
from occlusim.registration.search import (
    SearchSettings,
    agreement,
    box_corners,
    distinct,
    find_poses,
    improve,
    poses_of_moments,
    shift_mm,
)
from occlusim.registration.surfels import Surfels, grid_of, surfels_of

TRUE = RigidTransform.exp([1.9, -0.7, 0.4, 60.0, -20.0, 35.0])
IDENTITY = RigidTransform.identity()


def _cloud(n: int, rng: np.random.Generator) -> np.ndarray:
    points = rng.uniform(-15, 15, (n, 3))
    normals = rng.normal(size=(n, 3))
    return np.hstack([points, normals / np.linalg.norm(normals, axis=1, keepdims=True)])


def _carried(here: np.ndarray, T: RigidTransform) -> np.ndarray:
    return np.hstack([T.apply(here[:, :3]), T.rotate(here[:, 3:])])


def _votes(here: np.ndarray, there: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    votes, moments = np.empty(len(here)), np.empty((len(here), 16))
    vote(len(here), here, there, 4.0, 1.0, 0.85, votes, moments)
    return votes, moments


def test_right_matches_agree_on_the_pose_and_moments_give_it_back(rng):
    here = _cloud(80, rng)
    votes, moments = _votes(here, _carried(here, TRUE))
    # all but those too near along the surface to tell a turn
    assert (votes > 60).all()
    for pose in poses_of_moments(moments):
        assert shift_mm(pose, TRUE, here[:, :3]) < 1e-9


def test_one_right_match_in_ten_is_enough(rng):
    here, there = _cloud(400, rng), _cloud(400, rng)
    there[:40] = _carried(here[:40], TRUE)
    votes, moments = _votes(here, there)
    best = np.argsort(-votes)[:20]
    assert (best < 40).all()
    poses = poses_of_moments(moments[best])
    assert min(shift_mm(pose, TRUE, here[:40, :3]) for pose in poses) < 1.0


def test_mirror_images_do_not_agree(rng):
    here = _cloud(80, rng)
    mirrored = _carried(here * np.tile([-1.0, 1.0, 1.0], 2), TRUE)
    votes, _ = _votes(here, mirrored)
    assert votes.max() < 20


def test_a_mirrored_cloud_gives_a_rotation_all_the_same(rng):
    here = _cloud(50, rng)[:, :3]
    there = here * [-1.0, 1.0, 1.0]
    moments = np.hstack([[50.0], here.sum(0), there.sum(0), (there.T @ here).ravel()])
    (pose,) = poses_of_moments(moments[None])
    assert_allclose(np.linalg.det(pose.rotation), 1.0, rtol=1e-12, atol=0)


def test_a_match_whose_normal_looks_elsewhere_has_no_vote(rng):
    here = _cloud(80, rng)
    there = _carried(here, TRUE)
    there[40:, 3:] *= -1.0
    votes, _ = _votes(here, there)
    assert (votes[:40] > 25).all()
    assert (votes[:40] <= 39).all()


def test_matches_of_one_surfel_do_not_support_each_other(rng):
    here = np.repeat(_cloud(1, rng), 30, axis=0)
    votes, _ = _votes(here, _cloud(30, rng))
    assert_allclose(votes, 0.0, rtol=0, atol=0)


def test_votes_do_not_know_the_frames(rng):
    here, there = _cloud(200, rng), _cloud(200, rng)
    there[:60] = _carried(here[:60], TRUE)
    a, _ = _votes(here, there)
    turn = RigidTransform.exp([0.3, 2.0, -1.0, 5.0, 6.0, 7.0])
    b, _ = _votes(_carried(here, turn), _carried(there, turn.inverse()))
    # turns are told apart in steps, which start elsewhere in another frame
    assert np.abs(a - b).max() <= 12
    assert np.mean(np.abs(a - b)) < 2


@pytest.fixture(scope="module")
def scans() -> tuple[Surfels, Surfels]:
    """An arch and a bite scan of its right side, triangulated apart."""
    arch = patch(UPPER, WIDE, WHOLE, 0.3, np.random.default_rng(2))
    bite = patch(UPPER, RIGHT, BUCCAL, 0.3, np.random.default_rng(3))
    return surfels_of(Surface.build(arch)), surfels_of(Surface.build(bite))


@pytest.mark.parametrize(
    "twist", [[0.04, 0.0, 0.0, 0.8, -0.6, 0.4], [0.0, -0.03, 0.04, -0.7, 0.7, -0.9]]
)
def test_a_near_pose_is_improved_to_the_true_one(scans, twist):
    arch, bite = scans
    grid, error = grid_of(arch), RigidTransform.exp(twist)
    found = improve([error], bite, grid, SearchSettings())[0]
    before = shift_mm(error, IDENTITY, bite.points)
    after = shift_mm(found.T_arch_bite, IDENTITY, bite.points)
    assert before > 1.0
    assert after < 0.15
    assert found.area_mm2 > 0.95 * bite.total_mm2
    marked = agreement(found.T_arch_bite, bite, grid, SearchSettings())
    assert found.area_mm2 <= bite.area_mm2[marked].sum() <= bite.total_mm2


def test_improving_moves_with_the_frames(scans):
    arch, bite = scans
    error = RigidTransform.exp([0.02, -0.02, 0.0, 0.5, -0.4, 0.4])
    here = improve([error], bite, grid_of(arch), SearchSettings())[0]
    # the bite scan alone may move: the arch's grid follows its axes
    T = TRUE.inverse()
    moved = Surfels(T.apply(bite.points), T.rotate(bite.normals), bite.area_mm2)
    there = improve([error @ TRUE], moved, grid_of(arch), SearchSettings())[0]
    assert shift_mm(there.T_arch_bite @ T, here.T_arch_bite, bite.points) < 1e-9
    assert_allclose(there.area_mm2, here.area_mm2, rtol=1e-12, atol=0)


def test_a_bite_scan_is_found_from_anywhere(scans):
    arch, bite = scans
    T = TRUE.inverse()
    moved = Surfels(T.apply(bite.points), T.rotate(bite.normals), bite.area_mm2)
    found = find_poses(moved, describe(moved), grid_of(arch), describe(arch), SearchSettings())
    assert shift_mm(found[0].T_arch_bite, TRUE, moved.points) < 0.15
    assert all(a.area_mm2 >= b.area_mm2 for a, b in pairwise(found))


def test_poses_that_hardly_differ_count_as_one(rng):
    corners = box_corners(rng.uniform(-10, 10, (50, 3)))
    near, far = RigidTransform.exp([0, 0, 0, 0.5, 0, 0]), RigidTransform.exp([0, 0, 0.3, 0, 0, 0])
    assert distinct([IDENTITY, near, far, IDENTITY], corners, 1.0) == [0, 2]
    assert corners.shape == (8, 3)
    assert len(np.unique(corners, axis=0)) == 8
