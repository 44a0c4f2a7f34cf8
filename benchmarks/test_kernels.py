"""Times of the kernels behind the public calls, each answer held against a closed form.

Run: pytest benchmarks/test_kernels.py --benchmark-only
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchmarks.layout import known_nodes
from benchmarks.scenes import morton_order, points_near, shapes
from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings, build_sdf

RADIUS_MM = 6.0
N_POINTS = 50_000
MESH = shapes.sphere(RADIUS_MM, 40)
FACETS_MM = RADIUS_MM - float(
    np.abs(np.einsum("ij,ij->i", MESH.face_vectors(), MESH.vertices[MESH.faces[:, 0]])
           / (2 * MESH.face_areas())).min()
)  # fmt: skip
"""The corners of the faces lie on the sphere, their planes so far inside at most."""
SETTINGS = SdfSettings(voxel_mm=0.2, band_mm=1.0)


@pytest.fixture(scope="module")
def surface():
    return Surface.build(MESH)


@pytest.fixture(scope="module")
def field(surface):
    return GapField.build(surface, SETTINGS)


@pytest.fixture(scope="module")
def points(surface):
    made = points_near(surface.mesh, N_POINTS, 0.6, np.random.default_rng(1))
    return np.ascontiguousarray(made[morton_order(made)])


def exact(points):
    return shapes.sphere_distance(points, RADIUS_MM)


def test_closest(benchmark, surface, points):
    found = benchmark(surface.closest, points)
    # The facets lie inside the sphere, so the distance to them is never less.
    off = found.distance_mm - exact(points)
    assert off.min() >= -1e-12
    assert off.max() <= FACETS_MM


def test_sample_into(benchmark, field, points):
    out, here = np.empty(len(points)), RigidTransform.identity()
    benchmark(field.sdf.sample_into, out, points, here)
    # Between nodes: the square of the diagonal of a voxel over eight radii of curvature.
    curved_mm = 3 * SETTINGS.voxel_mm**2 / (8 * (RADIUS_MM - SETTINGS.band_mm))
    assert_allclose(out, exact(points), rtol=0, atol=FACETS_MM + curved_mm)


def test_lower_bounds(benchmark, field, points):
    low = benchmark(field.sdf.lower_bounds, points)
    short = exact(points) + FACETS_MM - low
    assert short.min() >= 0
    assert short.max() <= FACETS_MM + 0.9 * SETTINGS.voxel_mm


def test_build_sdf(benchmark, surface):
    sdf = benchmark(build_sdf, surface, SETTINGS)
    places, values = known_nodes(sdf)
    # Both sides of the sphere, up to the band.
    assert len(values) > 0.95 * 4 * np.pi * RADIUS_MM**2 * 2 / SETTINGS.voxel_mm**3
    assert_allclose(values, exact(places), rtol=0, atol=FACETS_MM + 1e-5)


def test_least_gap(benchmark, field):
    apart_mm = 0.25
    axis = np.array([0.3, -0.5, 0.8])
    middle = (2 * RADIUS_MM + apart_mm) * axis / np.linalg.norm(axis)
    T = RigidTransform(np.eye(3), middle)
    least = benchmark(least_gap, field, field, T)
    assert -1e-4 <= least.gap_mm - apart_mm <= 2 * FACETS_MM + 1e-4
