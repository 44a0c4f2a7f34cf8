"""The two forms of the target registration error agree where both hold."""

import numpy as np
from numpy.testing import assert_allclose
from reference.target_error import chained_covariance, isotropic_factor, surface_covariance


def test_three_normals_a_point_give_the_formula_for_points():
    # three orthogonal normals, each of variance s^2, make an isotropic error FLE^2 = 3 s^2
    rng = np.random.default_rng(1)
    points, target, s = rng.uniform(-9, 9, (40, 3)) * [1, 0.5, 0.2], np.array([20.0, 5, -3]), 0.3
    found = surface_covariance(
        np.repeat(points, 3, axis=0), np.tile(np.eye(3), (40, 1)), np.full(120, s**-2), target
    )
    wanted = 3 * s**2 / 40 * isotropic_factor(points, np.ones(40), target)
    assert_allclose(np.trace(found[3:, 3:]), wanted, rtol=1e-12, atol=0)


def test_scatter_of_points_follows_the_formula():
    rng = np.random.default_rng(2)
    points, target = rng.uniform(-9, 9, (12, 3)), np.array([15.0, 0, 4])
    middle, shift = points.mean(axis=0), []
    for _ in range(4000):
        there = points + 0.01 * rng.standard_normal(points.shape)
        u, _, vt = np.linalg.svd((points - middle).T @ (there - there.mean(axis=0)))
        turn = (u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt).T
        shift.append(turn @ (target - middle) + there.mean(axis=0) - target)
    found = np.mean(np.sum(np.square(shift), axis=1))
    wanted = 3e-4 / 12 * isotropic_factor(points, np.ones(12), target)
    assert_allclose(found, wanted, rtol=0.06, atol=0)  # 3 sigma of 4000 draws with 3 freedoms: 4 %


def test_links_add_and_records_share():
    one = np.diag(np.arange(1.0, 7.0))
    assert_allclose(chained_covariance([[one, one]]), 2 * one, rtol=1e-12, atol=1e-12)
    assert_allclose(chained_covariance([[one], [one]]), one / 2, rtol=1e-12, atol=1e-12)
