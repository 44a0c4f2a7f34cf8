"""Distance of two triangles: against alternating projections, and where they cross."""

import numpy as np
from numpy.testing import assert_allclose
from reference import naive

from occlusim.kernels.pairs import triangle_distance_sq


def distance(s, t):
    on_s = np.full(3, np.nan)
    return np.sqrt(triangle_distance_sq(s, t, np.empty((2, 3)), on_s)), on_s


def test_equals_alternating_projections(rng):
    """Projections back and forth between convex sets close in on their distance (von Neumann)."""
    n_apart = 0
    for _ in range(40):
        s, t = rng.normal(size=(2, 3, 3))
        t = t + rng.normal(size=3) * 2.5
        q, before = t[:1], np.inf
        for _ in range(100):
            p = naive.closest_on_triangle(q, *s)
            q = naive.closest_on_triangle(p, *t)
            want = float(np.linalg.norm(p - q))
            if before - want < 1e-9:
                break
            before = want
        have, on_s = distance(s, t)
        assert have <= want + 1e-12
        if want > 0.3:
            n_apart += 1
            assert_allclose(have, want, rtol=2e-3, atol=0)
            assert_allclose(naive.closest_on_triangle(on_s[None], *s)[0], on_s, rtol=0, atol=1e-9)
    assert n_apart > 10


def test_crossing_triangles_touch_where_they_cross():
    s = np.array([[-1.0, -1, 0], [1, -1, 0], [0, 1, 0]])
    t = np.array([[0.0, 0, -1], [0, 0, 1], [5, 0, 0]])
    d, where = distance(s, t)
    assert d == 0.0
    assert_allclose(where[2], 0.0, rtol=0, atol=1e-15)


def test_parallel_triangles_are_their_planes_apart():
    s = np.array([[-1.0, -1, 0], [1, -1, 0], [0, 1, 0]])
    for height in (1e-12, 1e-3, 2.0):
        assert_allclose(distance(s, s + np.array([0, 0, height]))[0], height, rtol=1e-12, atol=0)
