"""Steps of a joint fit: what is left after some of them."""

import numpy as np
from numpy.testing import assert_allclose

from occlusim.registration.steps import Arm, still_to_come_mm, with_the_rest


def test_what_is_still_to_come_is_the_rest_of_a_geometric_series():
    steps = (3.0 * 0.2 ** np.arange(14)).tolist()
    assert_allclose(still_to_come_mm(steps[:4]), sum(steps[4:]), rtol=1e-6, atol=0)
    assert still_to_come_mm(steps[:2]) == np.inf
    assert still_to_come_mm([3.0, 0.03, 0.006]) >= 0.006 / 4  # not the luck of the first
    assert still_to_come_mm([1.0, 0.9, 0.8]) == np.inf
    assert still_to_come_mm([0.0]) == 0.0


def test_the_rest_of_a_geometric_series_of_twists_is_taken_at_once():
    arm = Arm(np.zeros(3), 30.0)
    first = np.random.default_rng(1).normal(size=(3, 6))
    second = 0.1 * first
    assert_allclose(with_the_rest(first, second, arm), second / 0.9, rtol=1e-12, atol=0)
    for other in (-0.1 * first, 0.6 * first):  # no such series
        assert_allclose(with_the_rest(first, other, arm), other, rtol=0, atol=0)
    across = np.zeros((3, 6))
    across[0, :2] = 1e-3 * first[0, 1], -1e-3 * first[0, 0]
    assert_allclose(with_the_rest(first, across, arm), across, rtol=1e-12, atol=0)
