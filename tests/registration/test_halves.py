"""Halves of a bite scan: as noise says where it is straight, found where it is bent."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from registration.arch_phantom import TRUE_BITES, TRUE_LOWER, Phantom, build_phantom
from scipy.stats import binom, chi2

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import RegistrationSettings, register_bite
from occlusim.registration.consistency import CHANCE
from occlusim.registration.halves import HalvesTest, halves_tests

OUTER = (0.15, 1.8)


def _halves(p: Phantom) -> tuple[HalvesTest, ...]:
    upper, lower, bites = (
        Surface.build(p.upper), Surface.build(p.lower), [Surface.build(b) for b in p.bites]
    )  # fmt: skip
    result = register_bite(
        upper, lower, bites, T_upper_lower=TRUE_LOWER, T_upper_bites=TRUE_BITES[: len(bites)],
        settings=RegistrationSettings(start_distance_mm=0.6, early_points=500),
    )  # fmt: skip
    return halves_tests(result, upper, lower, bites)


@pytest.mark.slow
def test_halves_of_a_good_record_differ_by_their_noise():
    """Sum of chi-squares of 6 degrees each, four a seed, within its 99 % interval."""
    found = []
    for seed in range(700, 716):
        p = build_phantom(0.5, seed, sigma_mm=0.015, arch_theta=OUTER)
        found += _halves(p)
    assert len(found) == 64
    low, high = chi2.ppf([0.005, 0.995], 6 * len(found))
    assert low < sum(half.test.statistic for half in found) < high
    # By chance a few in 370 are taken for real; so many that it happens once in 10 000 runs.
    most = binom.ppf(1 - 1e-4, len(found), CHANCE)
    assert sum(half.is_real for half in found) <= most


def _hinge(bite: TriangleMesh) -> np.ndarray:
    y = bite.vertices[:, 1]
    near = np.abs(y - 0.5 * (y.min() + y.max())) < 0.5
    return bite.vertices[near].mean(axis=0)


def _bent(bite: TriangleMesh, angle_rad: float) -> TriangleMesh:
    """Return a bite scan whose front half is turned against its rear half, about the vertical."""
    hinge = _hinge(bite)
    front = bite.vertices[:, 1] > hinge[1]
    turn = RigidTransform.rotation_about(hinge, [0.0, 0.0, 1.0], angle_rad)
    return bite.with_vertices(np.where(front[:, None], turn.apply(bite.vertices), bite.vertices))


def test_a_bent_bite_scan_is_found_on_both_arches_and_the_straight_one_is_not_blamed():
    p = build_phantom(0.5, 41, sigma_mm=0.015, arch_theta=OUTER)
    bent = replace(p, bites=(_bent(p.bites[0], 0.02), p.bites[1]))
    found = _halves(bent)
    real = {(half.bite, half.arch) for half in found if half.is_real}
    assert real == {(0, "upper"), (0, "lower")}
    worst = max(found, key=lambda half: half.shift_um)
    # 0.02 rad over the way from the hinge line to the middle of a half.
    turned = 1e3 * 0.02 * np.linalg.norm(worst.at[:2] - _hinge(p.bites[0])[:2])
    assert_allclose(worst.shift_um, turned, rtol=0, atol=3 * worst.sigma_um)
    assert worst.test.p_value < CHANCE


def test_halves_too_small_to_fix_a_pose_are_left_out():
    p = build_phantom(
        0.4, 44, sigma_mm=0.015, arch_theta=OUTER, sides=((16.0, 18.0),), buccal=(0.6, 1.4)
    )
    assert _halves(p) == ()
