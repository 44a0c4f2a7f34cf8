"""Bite scans against each other: closed forms, many draws, and a side that was not closed."""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.testing import assert_allclose
from registration.arch_phantom import MOLARS, TRUE_BITES, TRUE_LOWER, Phantom, build_phantom
from scipy.stats import chi2

from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import BiteRegistration, RegistrationSettings, register_bite
from occlusim.registration.consistency import (
    CHANCE,
    alone_against_joint,
    covariance_from_joint,
    same_pose_test,
    worst_disagreement,
)
from occlusim.registration.point_to_plane import carry_twist

OUTER = (0.15, 1.8)
IDENTITY = RigidTransform.identity()


def _surfaces(p: Phantom) -> tuple[Surface, Surface, list[Surface]]:
    return Surface.build(p.upper), Surface.build(p.lower), [Surface.build(b) for b in p.bites]


def _register(p: Phantom) -> BiteRegistration:
    upper, lower, bites = _surfaces(p)
    return register_bite(
        upper, lower, bites, T_upper_lower=TRUE_LOWER, T_upper_bites=TRUE_BITES[: len(bites)],
        settings=RegistrationSettings(start_distance_mm=0.6, early_points=500),
    )  # fmt: skip


@cache
def _good() -> tuple[Phantom, BiteRegistration]:
    p = build_phantom(0.5, 41, sigma_mm=0.015, arch_theta=OUTER)
    return p, _register(p)


@cache
def _opened(mm: float) -> BiteRegistration:
    """The left bite scan taken with the jaw open at the left molar, tilted about the right one."""
    tilt = RigidTransform.rotation_about(MOLARS[0], [0.0, 1.0, 0.0], -mm / 48.0)
    p = build_phantom(0.5, 42, sigma_mm=0.015, arch_theta=OUTER, opened=(IDENTITY, tilt))
    return _register(p)


def _some_covariances(rng: np.random.Generator, n: int) -> list[np.ndarray]:
    found = []
    for _ in range(n):
        a = rng.normal(size=(6, 9))
        found.append(a @ a.T)
    return found


def test_against_an_efficient_mean_the_covariances_subtract(rng):
    """Textbook case: C_k - C for weights H_k = C_k^-1 (Rao 1973)."""
    covariances = _some_covariances(rng, 3)
    joint = np.linalg.inv(sum(np.linalg.inv(c) for c in covariances))
    found = covariance_from_joint(covariances, [np.linalg.inv(c) for c in covariances], np.zeros(3))
    for one, own in zip(found, covariances, strict=True):
        assert_allclose(one, own - joint, rtol=1e-9, atol=1e-9)


def test_against_any_other_mean_they_are_those_of_many_draws(rng):
    covariances, noise = _some_covariances(rng, 2), [1.0, 4.0]
    informations = [v * np.linalg.inv(c) for v, c in zip(noise, covariances, strict=True)]
    n = 40_000
    draws = [rng.multivariate_normal(np.zeros(6), c, n) for c in covariances]
    pulled = sum(x @ h for x, h in zip(draws, informations, strict=True))
    joint = pulled @ np.linalg.inv(sum(informations))
    found = covariance_from_joint(covariances, informations, np.zeros(3))
    for x, one in zip(draws, found, strict=True):
        # Whitened, every entry of the sample's covariance scatters by sqrt(2 / n) = 0.7 %.
        white = np.linalg.solve(np.linalg.cholesky(one), (x - joint).T)
        assert_allclose(np.cov(white), np.eye(6), rtol=0, atol=5 * np.sqrt(2 / n))


def test_where_it_is_taken_about_does_not_count(rng):
    covariances = _some_covariances(rng, 2)
    informations = [np.linalg.inv(c) * v for c, v in zip(covariances, (1.0, 2.0), strict=True)]
    here = covariance_from_joint(covariances, informations, np.zeros(3))
    there = covariance_from_joint(covariances, informations, np.array([30.0, -20.0, 10.0]))
    scale = np.abs(here).max()
    assert_allclose(there, here, rtol=0, atol=1e-9 * scale)


def test_the_joint_pose_is_the_mean_weighted_by_information():
    """What the bite scans alone want more than the joint pose gives cancels, each by its weight.

    A tenth of it stays: a bite scan alone is matched anew, and its normals are noisy. With the
    weights of an efficient mean four to five tenths would, on these two seeds.
    """
    for seed in (42, 46):
        result = _register(build_phantom(0.5, seed, sigma_mm=0.015, arch_theta=OUTER))
        there, back = carry_twist(-result.centre), result.T_upper_lower.inverse()
        lengths = np.array([1.0 / result.arm_mm] * 3 + [1.0] * 3)
        pulls = []
        for alone, weight in zip(result.T_upper_lower_alone, result.information_alone, strict=True):
            local = carry_twist(result.centre).T @ weight @ carry_twist(result.centre)
            pulls.append(lengths * (local @ there @ (alone @ back).log()))
        assert np.linalg.norm(sum(pulls)) < 0.2 * np.linalg.norm(pulls[0])


def test_the_scan_of_a_side_says_most_there():
    _, result = _good()
    right, left = alone_against_joint(result, MOLARS)
    sure = [np.trace(shift.covariance_um2, axis1=1, axis2=2) for shift in (right, left)]
    assert sure[0][0] < 0.1 * sure[1][0]
    assert sure[1][1] < 0.1 * sure[0][1]
    between = result.side_disagreement_um(MOLARS)
    apart = np.linalg.norm(right.shift_um - left.shift_um, axis=1)
    # At the joint place of a point or at the other scan's: they differ by the rotation, 5 mrad.
    assert_allclose(apart, between, rtol=0.01, atol=0)


def test_a_single_bite_scan_has_nothing_to_disagree_with():
    p = build_phantom(0.5, 43, sigma_mm=0.015, arch_theta=OUTER, sides=((14.0, 24.0),))
    result = _register(p)
    assert alone_against_joint(result, MOLARS) == []
    assert same_pose_test(result) is None
    assert worst_disagreement(result, MOLARS) is None


def test_two_poses_differ_by_six_degrees_of_freedom_three_by_twelve():
    _, result = _good()
    two = same_pose_test(result)
    assert two is not None
    # The twists are small, 5e-4 rad over 25 mm; what their products add is of second order.
    assert_allclose(two.statistic, result.side_chi_square(), rtol=5e-3, atol=0)
    assert two.degrees_of_freedom == 6
    assert_allclose(two.p_value, chi2.sf(two.statistic, 6), rtol=1e-12, atol=0)
    # A third that agrees with the joint pose, sure to nothing, adds six degrees and no statistic.
    third = replace(
        result,
        bites=(*result.bites, result.bites[0]),
        T_upper_lower_alone=(*result.T_upper_lower_alone, result.T_upper_lower),
        covariance_alone=(*result.covariance_alone, 1e12 * np.eye(6)),
    )
    three = same_pose_test(third)
    assert three is not None
    assert three.degrees_of_freedom == 12
    assert_allclose(three.statistic, two.statistic, rtol=1e-5, atol=0)


def test_an_open_side_is_no_chance_and_is_measured():
    test = same_pose_test(_opened(0.3))
    assert test is not None
    assert test.p_value < CHANCE
    found = worst_disagreement(_opened(0.3), MOLARS)
    assert found is not None
    assert (found.pair, found.place) == ((0, 1), 1)
    assert_allclose(found.shift_um, 300.0, rtol=0, atol=3 * found.sigma_um)


def test_one_direction_beyond_two_sigma_is_chance_where_the_whole_pose_is():
    """2.5 sigma up at every point is 6.25 of chi-square with 6 degrees: once in two and a half."""
    _, result = _good()
    sigma_mm = 0.02
    shifted = RigidTransform(np.eye(3), np.array([0.0, 0.0, 2.5 * sigma_mm]))
    covariance = 0.5 * sigma_mm**2 * np.diag([1e-8] * 3 + [1.0] * 3)
    lifted = replace(
        result,
        T_upper_lower_alone=(shifted @ result.T_upper_lower, result.T_upper_lower),
        covariance_alone=(covariance, covariance),
    )
    test = same_pose_test(lifted)
    assert test is not None
    assert_allclose(test.statistic, 6.25, rtol=1e-6, atol=0)
    assert worst_disagreement(lifted, MOLARS) is None


def test_noise_alone_is_chance():
    _, result = _good()
    test = same_pose_test(result)
    assert test is not None
    assert test.is_chance
    assert worst_disagreement(result, MOLARS) is None
