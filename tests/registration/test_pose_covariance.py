"""Laws of the sandwich around a fit."""

import numpy as np
from numpy.testing import assert_allclose
from registration.arch_phantom import TRUE_BITES, TRUE_LOWER, build_phantom

from occlusim.geometry.surface import Surface
from occlusim.registration.joint import JointProblem, RegistrationSettings
from occlusim.registration.matches import Poses
from occlusim.registration.pose_covariance import PoseUncertainty, pose_uncertainty, positive


def _uncertainty(sigma_mm: float, sides: tuple, length_mm: float = 0.3) -> PoseUncertainty:
    p = build_phantom(
        0.5, 4, sigma_mm=sigma_mm, length_mm=length_mm, sides=sides, arch_theta=(0.15, 1.8)
    )
    bites = [Surface.build(mesh) for mesh in p.bites]
    problem = JointProblem(
        Surface.build(p.upper), Surface.build(p.lower), bites, RegistrationSettings()
    )
    poses = Poses(TRUE_LOWER, TRUE_BITES[: len(bites)])
    return pose_uncertainty(problem.refine(poses, tuple(range(len(bites)))))


def test_a_spread_that_is_negative_somewhere_gives_way_to_the_plain_one():
    good, plain = np.diag([4.0, 1, 1, 1, 1, 2]), np.eye(6)
    assert positive(good, plain, 10.0) is good
    assert positive(np.diag([4.0, 1, 1, 1, 1, -0.1]), plain, 10.0) is plain


def test_covariance_grows_with_the_square_of_the_noise():
    small, large = (_uncertainty(sigma, ((12.0, 27.0),)) for sigma in (0.005, 0.015))
    ratio = np.diag(large.covariance) / np.diag(small.covariance)
    assert_allclose(ratio, 9.0, rtol=0.1, atol=0)  # facets and tilted rows take their share


def test_the_same_record_taken_twice_on_one_place_is_worth_less_than_two():
    # both bite scans share the arches' noise, half of all: the variance falls by a quarter
    one = _uncertainty(0.015, ((12.0, 27.0),)).covariance
    two = _uncertainty(0.015, ((12.0, 27.0), (12.0, 27.0))).covariance
    share = np.trace(np.linalg.solve(one, two)) / 6
    assert 0.65 < share < 0.9
