"""All seven features of a triangle, at and off the surface."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference import naive

from occlusim.kernels.triangle import closest_on_triangle

A, B, C = np.array([0.0, 0, 0]), np.array([3.0, 0, 0]), np.array([1.0, 2, 0])
UP = np.array([0.0, 0, 1])
# A place on the feature, a step in the plane that leaves the triangle there, the feature.
CASES = {
    "face": ((A + B + C) / 3, np.zeros(3), 0),
    "edge ab": ((A + B) / 2, np.array([0, -1.0, 0]), 1),
    "edge bc": ((B + C) / 2, np.array([1, 1.0, 0]) / np.sqrt(2), 2),
    "edge ca": ((C + A) / 2, np.array([-2, 1.0, 0]) / np.sqrt(5), 3),
    "vertex a": (A, np.array([-1, -1.0, 0]) / np.sqrt(2), 4),
    "vertex b": (B, np.array([1, -0.2, 0]) / np.sqrt(1.04), 5),
    "vertex c": (C, np.array([-0.1, 1.0, 0]) / np.sqrt(1.01), 6),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("height", [0.0, 1e-12, -1e-12, 1.0, -1.0])
@pytest.mark.parametrize("away", [1e-12, 1.0])
def test_each_feature_at_each_offset(name, height, away):
    """The closest point is the place stepped off from; ipc-toolkit's case table."""
    place, step, feature = CASES[name]
    p = place + away * step + height * UP
    *q, found = closest_on_triangle(*p, *A, *B, *C)
    assert_allclose(q, place, rtol=0, atol=2e-12)
    if away == 1.0:
        assert found == feature


def test_equals_the_slow_twin(rng):
    for _ in range(200):
        a, b, c = rng.normal(size=(3, 3))
        points = 2 * rng.normal(size=(20, 3))
        want = naive.closest_on_triangle(points, a, b, c)
        have = [closest_on_triangle(*p, *a, *b, *c)[:3] for p in points]
        assert_allclose(have, want, rtol=0, atol=1e-9)


def test_a_sliver_holds_its_own_points(rng):
    """A triangle 1e-6 high never answers with a point off itself."""
    a, b, c = np.array([0.0, 0, 0]), np.array([1.0, 0, 0]), np.array([0.5, 1e-6, 0])
    points = rng.normal(size=(200, 3))
    for p in points:
        q = np.array(closest_on_triangle(*p, *a, *b, *c)[:3])
        twin = naive.closest_on_triangle(p[None], a, b, c)[0]
        assert_allclose(np.linalg.norm(p - q), np.linalg.norm(p - twin), rtol=0, atol=1e-9)
