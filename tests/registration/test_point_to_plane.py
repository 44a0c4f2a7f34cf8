"""Laws of the normal equations: Jacobian, weights, gauge."""

import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import norm

from occlusim.geometry.transform import RigidTransform
from occlusim.registration.point_to_plane import (
    TUKEY_CUT,
    assemble,
    carry_twist,
    jacobian_rows,
    move_about,
    tukey_variance,
    tukey_weight,
    weighted_median,
)


def test_jacobian_is_the_numerical_derivative():
    rng = np.random.default_rng(1)
    points, normals, centre = (rng.standard_normal((n, 3)) for n in (20, 20, 1))
    centre = 10 * centre[0]
    rows = jacobian_rows(points, normals, centre)
    for k in range(6):
        twist = np.zeros(6)
        twist[k] = 1e-6
        there = move_about(twist, centre, RigidTransform.identity()).apply(points)
        back = move_about(-twist, centre, RigidTransform.identity()).apply(points)
        slope = np.einsum("ij,ij->i", normals, there - back) / 2e-6
        assert_allclose(rows[:, k], slope, rtol=1e-7, atol=1e-8)


def test_moving_jaw_and_bite_together_changes_nothing_where_only_the_lower_is_seen():
    rng = np.random.default_rng(2)
    rows = rng.standard_normal((30, 6))
    only = np.ones(30, dtype=bool)
    equations = assemble(rows, rng.standard_normal(30), np.ones(30), only, (0, 1))
    both = np.tile(np.eye(6), (2, 1))
    assert_allclose(equations.matrix @ both, 0, rtol=0, atol=1e-12)
    assert_allclose(both.T @ equations.gradient, 0, rtol=0, atol=1e-12)


def test_lower_information_is_the_inverse_block_of_the_whole_covariance():
    rng = np.random.default_rng(3)
    low = rng.random(80) < 0.5
    equations = assemble(rng.standard_normal((80, 6)), np.zeros(80), np.ones(80), low, (0, 1))
    covariance = np.linalg.inv(equations.matrix)[:6, :6]
    assert_allclose(equations.lower_information(), np.linalg.inv(covariance), rtol=1e-9, atol=1e-9)


def test_independent_twin_rows_take_the_noise_of_the_normals_out_of_the_information():
    # a flat patch does not resist sliding; noise of 0.1 rad feigns 0.01 per point
    rng = np.random.default_rng(4)
    n = 40000
    points = np.column_stack([rng.uniform(-5, 5, (n, 2)), np.zeros(n)])
    seen, own = (np.column_stack([0.1 * rng.standard_normal((n, 2)), np.ones(n)]) for _ in range(2))
    rows, twin = (jacobian_rows(points, normals, np.zeros(3)) for normals in (seen, own))
    one, zero, low = np.ones(n), np.zeros(n), np.ones(n, dtype=bool)
    rough = assemble(rows, zero, one, low, (0, 1)).matrix[3, 3] / n
    clean = assemble(rows, zero, one, low, (0, 1), twin).matrix[3, 3] / n
    assert_allclose(rough, 0.01, rtol=0.05, atol=0)
    assert_allclose(clean, 0.0, rtol=0, atol=4 * 0.01 / np.sqrt(n))


def test_tukey_is_95_percent_efficient_on_normal_noise():
    # quantiles of the normal distribution instead of random numbers
    noise = norm.ppf((np.arange(20000) + 0.5) / 20000)
    variance = tukey_variance(noise, np.ones(20000), TUKEY_CUT)
    assert_allclose(1 / variance, 0.95, rtol=0.003, atol=0)
    assert tukey_weight(np.array([0.0, 5.0]), TUKEY_CUT).tolist() == [1.0, 0.0]


def test_weighted_median_halves_the_weight():
    assert weighted_median(np.array([3.0, 1.0, 2.0]), np.array([10.0, 1.0, 1.0])) == 3.0
    assert np.isnan(weighted_median(np.zeros(0), np.zeros(0)))


def test_a_twist_carried_to_the_origin_is_the_same_motion():
    twist, centre = np.array([0.1, -0.2, 0.05, 1.0, 2.0, 3.0]), np.array([5.0, -7.0, 2.0])
    carried = RigidTransform.exp(carry_twist(centre) @ twist)
    wanted = move_about(twist, centre, RigidTransform.identity())
    assert_allclose(carried.matrix, wanted.matrix, rtol=0, atol=1e-12)
