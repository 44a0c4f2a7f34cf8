"""Laws of correlation area, carried covariances and words."""

import numpy as np
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from occlusim.geometry.transform import RigidTransform
from occlusim.registration.uncertainty import (
    correlation_area_mm2,
    covariance_about,
    describe_motion,
    displacement_sigma_um,
    weakest_motion,
)


def _grid(n: int, step_mm: float) -> np.ndarray:
    x, y = np.meshgrid(np.arange(n) * step_mm, np.arange(n) * step_mm)
    return np.column_stack([x.ravel(), y.ravel(), np.zeros(n * n)])


def test_white_noise_counts_every_point():
    points = _grid(150, 0.1)
    noise = np.random.default_rng(1).standard_normal(len(points))
    area = correlation_area_mm2(points, noise, np.full(len(points), 0.01))
    assert_allclose(area, 0.01, rtol=0.1, atol=0)


def test_gaussian_correlation_has_its_closed_area():
    # rho = exp(-d^2 / (2 L^2)) integrates over the plane to 2 pi L^2
    step, length, areas = 0.1, 0.3, []
    for seed in range(3):
        white = np.random.default_rng(seed).standard_normal((200, 200))
        field = gaussian_filter(white, length / np.sqrt(2) / step, mode="wrap").ravel()
        areas.append(correlation_area_mm2(_grid(200, step), field, np.full(40000, step**2)))
    assert_allclose(np.mean(areas), 2 * np.pi * length**2, rtol=0.1, atol=0)


def test_too_few_points_say_nothing():
    assert np.isnan(correlation_area_mm2(np.zeros((5, 3)), np.zeros(5), np.ones(5)))


def test_covariance_follows_the_displacement_of_a_point():
    rng = np.random.default_rng(2)
    root = rng.standard_normal((6, 6))
    covariance, point = root @ root.T, np.array([3.0, -4.0, 5.0])
    turn = RigidTransform.exp([0.3, -0.2, 0.5, 1.0, 2.0, 3.0])
    # displacement of the point for a twist (w, v) about the origin: v + w x point
    move = np.array([np.cross(w, point) for w in np.eye(3)]).T
    rows = turn.rotation @ np.hstack([move, np.eye(3)])
    wanted = rows @ covariance @ rows.T
    assert_allclose(
        covariance_about(covariance, point, turn)[3:, 3:], wanted, rtol=1e-12, atol=1e-12
    )
    sigma = displacement_sigma_um(1e-6 * covariance, point, turn)
    assert_allclose(sigma[0], np.sqrt(np.diag(wanted)), rtol=1e-12, atol=0)


def test_weakest_motion_is_found_and_named():
    covariance = np.diag([1e-8, 1e-8, 1e-8, 1e-6, 1e-4, 1e-6])
    motion, sigma_mm = weakest_motion(covariance, np.zeros(3), 20.0)
    assert_allclose(sigma_mm, 0.01, rtol=1e-12, atol=0)
    assert describe_motion(motion, RigidTransform.identity()) == "sliding from front to back"
    assert "(+0.00, +1.00, +0.00) of the upper scan" in describe_motion(motion)
    turn = np.array([0.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    assert describe_motion(turn, RigidTransform.identity()) == "rolling about the front-back axis"
