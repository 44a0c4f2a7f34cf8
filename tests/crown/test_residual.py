"""What is left of every spot, on a crown that was cut whole, in part, or with other triangles."""

import numpy as np
import pytest
from crown.block_shapes import ball, block, path
from numpy.testing import assert_allclose

from occlusim.crown.reduction import ReductionSettings, plan_reduction
from occlusim.crown.residual import spot_residuals
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

NOISE_MM = 0.001


@pytest.fixture(scope="module")
def planned():
    """Two balls stand 0.06 and 0.03 mm in a block."""
    mesh = block(121, 12.0, 3.0)
    parts = [ball(2.0, (-3.0, 0.0, 1.94), 4), ball(2.0, (3.0, 0.0, 1.97), 4)]
    faces = np.concatenate([parts[0].faces, parts[1].faces + len(parts[0].vertices)])
    vertices = np.concatenate([part.vertices for part in parts])
    balls = Surface.build(TriangleMesh(vertices, faces.astype(np.int32)))
    plan = plan_reduction(mesh, balls, [path("centric", [0.0])], ReductionSettings())
    assert len(plan.spots) == 2
    return mesh, balls, plan


def left(planned, adjusted):
    mesh, balls, plan = planned
    return spot_residuals(mesh, adjusted, plan.spots, balls, plan.table, NOISE_MM)


def test_nothing_is_left_of_a_whole_cut(planned):
    assert left(planned, planned[2].adjusted) == {1: 0.0, 2: 0.0}


def test_an_uncut_crown_keeps_each_spots_own_depth(planned):
    found = left(planned, planned[0])
    # The balls' lowest facets lie 0.06 um inside their spheres.
    assert_allclose([found[1], found[2]], [0.06, 0.03], rtol=0, atol=1e-4)


def test_a_cut_of_half_leaves_half_on_its_own_spot_alone(planned):
    mesh, _, plan = planned
    half = plan.adjusted.vertices.copy()
    is_first = mesh.vertices[:, 0] < 0
    half[is_first] = 0.5 * (half + mesh.vertices)[is_first]
    found = left(planned, mesh.with_vertices(half))
    assert found[2] == 0.0
    # At half of every depth the ball stands 0.03 in it; the rounded seam takes 2.5 um at most.
    assert_allclose(found[1], 0.03, rtol=0, atol=2e-3)


def test_other_triangles_change_nothing(planned):
    """One face more inside a spot, and vertices in another order."""
    mesh = planned[0]
    rng = np.random.default_rng(5)
    order = rng.permutation(len(mesh.vertices))
    place = np.argsort(order)
    faces = place[mesh.faces].astype(np.int32)
    middle = mesh.vertices[mesh.faces[:1]].mean(axis=1)
    n = len(mesh.vertices)
    a, b, c = faces[0]
    faces = np.concatenate([faces[1:], [[a, b, n], [b, c, n], [c, a, n]]]).astype(np.int32)
    other = TriangleMesh(np.concatenate([mesh.vertices[order], middle]), faces)
    assert_allclose(list(left(planned, other).values()), [0.06, 0.03], rtol=0, atol=1e-4)


def test_no_spots_no_numbers(planned):
    mesh, balls, plan = planned
    assert spot_residuals(mesh, mesh, (), balls, plan.table, NOISE_MM) == {}
