"""Triangles of a polygon: as many as n - 2, of the same total area, all to the same side."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from occlusim.files.polygons import triangulate


def cut(polygon: np.ndarray) -> np.ndarray:
    n = len(polygon)
    faces, n_left_out = triangulate(polygon, np.arange(n), np.array([n]))
    assert n_left_out == 0
    assert len(faces) == n - 2
    a, b, c = (polygon[faces[:, k]] for k in range(3))
    return 0.5 * np.cross(b - a, c - a)


def in_space(flat: np.ndarray) -> np.ndarray:
    """Lay a polygon of the plane into a slanted plane."""
    u = np.array([2.0, 1.0, 2.0]) / 3.0
    v = np.array([1.0, 2.0, -2.0]) / 3.0
    return flat[:, :1] * u + flat[:, 1:] * v + np.array([5.0, -3.0, 1.0])


ARROW = np.array([[0.0, 0.0], [4.0, 3.0], [0.0, 1.0], [-4.0, 3.0]])
DEEP_ARROW = np.array([[0.0, 0.0], [1.0, 5.0], [0.0, 4.0], [-1.0, 5.0]])  # short wrong diagonal
COMB = np.array([[0, 0], [7, 0], [7, 3], [6, 1], [5, 3], [4, 1], [3, 3], [2, 1], [1, 3.0]])


@pytest.mark.parametrize(
    "flat",
    [ARROW, np.roll(ARROW, 1, axis=0), DEEP_ARROW, np.roll(DEEP_ARROW, 1, 0), COMB, COMB[::-1]],
)
def test_concave_polygons_are_cut_inside(flat):
    x, y = flat.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    vectors = cut(in_space(flat))
    normal = np.cross([2.0, 1.0, 2.0], [1.0, 2.0, -2.0]) / 9.0
    signed = vectors @ normal
    assert_allclose(signed.sum(), area, rtol=1e-12, atol=0)
    assert (signed * np.sign(area) >= -1e-12).all()


@given(st.integers(3, 12), st.integers(0, 2**32 - 1))
def test_star_shaped_polygons_keep_their_area(n, seed):
    rng = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    radius = rng.uniform(0.5, 2.0, n)
    flat = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    x, y = flat.T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    assert_allclose(np.linalg.norm(cut(in_space(flat)), axis=1).sum(), area, rtol=1e-9, atol=0)


def test_mixed_faces_keep_their_order_and_short_ones_are_counted():
    vertices = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 2, 0]])
    corners = np.array([0, 1, 0, 1, 2, 3, 3, 2, 4])
    faces, n_left_out = triangulate(vertices, corners, np.array([2, 4, 3]))
    assert n_left_out == 1
    assert_array_equal(faces, [[0, 1, 2], [0, 2, 3], [3, 2, 4]])
