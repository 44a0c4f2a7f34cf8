"""Laws of the curved patch and of matching."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.naive import corner_normals as slow_corner_normals
from reference.naive import patch_distance
from scipy.spatial import ConvexHull

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.patch import PATCH, above_patch, lay_patch
from occlusim.registration.correspondence import (
    LEAST_CORNER_COSINE,
    CurvedSurface,
    smooth_vertex_normals,
)


def _sphere(n: int, radius: float, rng: np.random.Generator) -> TriangleMesh:
    points = rng.standard_normal((n, 3))
    points *= radius / np.linalg.norm(points, axis=1, keepdims=True)
    faces = ConvexHull(points).simplices.astype(np.int32)
    a, b, c = (points[faces[:, k]] for k in range(3))
    flip = np.einsum("ij,ij->i", np.cross(b - a, c - a), a + b + c) < 0
    faces[flip] = faces[flip][:, ::-1]
    return TriangleMesh(points, faces)


def test_vertex_normals_are_exact_on_any_triangulation_of_a_sphere():
    mesh = _sphere(200, 3.0, np.random.default_rng(1))
    assert_allclose(smooth_vertex_normals(mesh), mesh.vertices / 3.0, rtol=0, atol=1e-12)


def test_vertex_normals_are_those_of_the_slow_twin():
    mesh = _sphere(60, 3.0, np.random.default_rng(2))
    bumpy = mesh.vertices * np.random.default_rng(3).uniform(0.8, 1.2, (60, 1))
    vertices = np.concatenate([bumpy, [[9.0, 9.0, 9.0]]])  # a vertex of no face
    faces = np.concatenate([mesh.faces, [[0, 1, 1]]]).astype(np.int32)  # and a face without area
    found = smooth_vertex_normals(TriangleMesh(vertices, faces))
    assert_allclose(found, slow_corner_normals(vertices, faces), rtol=0, atol=1e-13)
    assert (found[-1] == 0).all()


def _above(corner, normal, point, foot):
    """Return the distance of a point from the patch over its foot on a facet, and the normal."""
    patch, faces = np.empty((1, PATCH)), np.arange(3, dtype=np.int32)[None]
    lay_patch(corner.reshape(1, 9).copy(), 0, 0, faces, normal.copy(), -1.0, True, patch)
    return above_patch(*point, *foot, patch, 0)


def test_patch_is_exact_on_a_shallow_paraboloid_cut_by_the_facet():
    # z = c (1 - r^2) / 2 vanishes on the unit circle, where the corners are; normal c (x, y), 1
    angle, c = np.array([0.3, 2.1, 4.4]), 1e-3
    corner = np.stack([np.cos(angle), np.sin(angle), np.zeros(3)], axis=1)[None]
    normal = c * corner + np.array([0.0, 0.0, 1.0])
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    bary = np.random.default_rng(2).dirichlet(np.ones(3), 50)
    foot = bary @ corner[0]
    for place, on_facet in zip(bary, foot, strict=True):
        height, *found = _above(corner[0], normal[0], on_facet, on_facet)
        assert_allclose(-height, c * (1 - np.sum(on_facet**2)) / 2, rtol=0, atol=c**3)
        wanted = place @ normal[0]
        assert_allclose(found, wanted / np.linalg.norm(wanted), rtol=0, atol=1e-13)


def test_neighbouring_patches_meet_on_their_edge():
    rng = np.random.default_rng(4)
    corner = rng.standard_normal((2, 3, 3))
    normal = rng.standard_normal((2, 3, 3)) * 0.2 + [0.0, 0.0, 1.0]
    corner[1, :2], normal[1, :2] = corner[0, 1::-1], normal[0, 1::-1]
    bary = np.array([[0.3, 0.7, 0.0], [0.7, 0.3, 0.0]])
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    found = []
    for k in range(2):
        foot = bary[k] @ corner[k]
        found.append(_above(corner[k], normal[k], foot, foot))
    assert_allclose(found[0], found[1], rtol=0, atol=1e-14)
    assert abs(found[0][0]) > 0.01


@pytest.mark.parametrize("offset_mm", [-0.02, 0.0, 0.03])
def test_distance_from_a_sphere_is_within_a_hundredth_of_the_facets_sag(offset_mm):
    rng = np.random.default_rng(3)
    surface = Surface.build(_sphere(4000, 1.0, rng))
    points = rng.standard_normal((500, 3))
    points *= (1.0 + offset_mm) / np.linalg.norm(points, axis=1, keepdims=True)
    curved = CurvedSurface(surface).match(points, 0.1)
    flat = CurvedSurface(surface, is_curved=False).match(points, 0.1)
    assert curved.is_usable.all()
    error = np.abs(curved.residual_mm - offset_mm).mean()
    sag = np.abs(flat.residual_mm - offset_mm).mean()
    assert sag > 1e-4
    assert error < 0.01 * sag


def test_beyond_reach_and_at_the_trimmed_edge_nothing_is_usable():
    mesh = TriangleMesh(
        np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]]), np.array([[0, 1, 2], [1, 3, 2]])
    )
    match = CurvedSurface(Surface.build(mesh)).match(
        np.array([[0.4, 0.4, 0.1], [0.4, 0.4, 5.0], [-0.5, 0.5, 0.0]]), 1.0
    )
    assert match.is_usable.tolist() == [True, False, False]
    assert_allclose(match.residual_mm[0], 0.1, rtol=0, atol=1e-12)


def _crumpled() -> tuple[CurvedSurface, np.ndarray]:
    """Return a sphere with normals that disagree with its facets, some of them turned over."""
    rng = np.random.default_rng(6)
    mesh = _sphere(60, 1.0, rng)
    normals = mesh.vertices + 0.15 * rng.standard_normal(mesh.vertices.shape)
    normals[:8] *= -1.0  # creases: facets there are flat
    curved = CurvedSurface(Surface.build(mesh))
    curved.normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    points = mesh.vertices[rng.integers(0, 60, 300)] + 0.2 * rng.standard_normal((300, 3))
    return curved, points


def test_distances_from_the_patches_are_those_of_the_slow_twin():
    curved, points = _crumpled()
    found = curved.match(points, 5.0)
    closest = curved.surface.closest(points)
    faces = curved.surface.mesh.faces[closest.faces]
    wanted = patch_distance(
        points, closest.points, curved.surface.mesh.vertices[faces], curved.normals[faces],
        LEAST_CORNER_COSINE,
    )  # fmt: skip
    assert found.is_usable.all()
    assert_allclose(found.residual_mm, wanted[0], rtol=0, atol=1e-12)
    assert_allclose(found.normals, wanted[1], rtol=0, atol=1e-12)
