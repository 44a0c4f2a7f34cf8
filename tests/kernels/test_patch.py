"""The middle of a scan and how far it reaches from there."""

import numpy as np
from numpy.testing import assert_allclose

from occlusim.kernels.patch import middle_and_reach


def test_vertices_of_no_face_are_not_part_of_the_middle_nor_of_the_reach():
    rng = np.random.default_rng(2)
    vertices, normals = rng.normal(size=(2, 500, 3))
    normals[::3] = 0.0
    vertices[::3] += 100.0
    middle = np.empty(3)
    reach_mm = middle_and_reach(vertices, normals, middle)
    used = vertices[normals.any(axis=1)]
    assert_allclose(middle, used.mean(axis=0), rtol=0, atol=1e-12)
    away = np.linalg.norm(used - used.mean(axis=0), axis=1)
    assert_allclose(reach_mm, away.max(), rtol=1e-12, atol=0)
