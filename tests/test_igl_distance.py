"""The kept tree against libigl's own signed distance, on points of every kind of closest place."""

import igl
import numpy as np
import trimesh
from numpy.testing import assert_allclose, assert_array_equal

from benchmarks.igl_distance import IglDistance
from benchmarks.random_crowns import random_case
from occlusim.geometry.mesh import TriangleMesh


def theirs(points, mesh):
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    return igl.signed_distance(points, mesh.vertices, mesh.faces.astype(np.int64), kind)


def test_on_a_crown_and_on_an_open_antagonist(rng):
    case = random_case(3)
    for mesh in (case.crown, case.antagonist):
        low, high = mesh.vertices.min(axis=0) - 1.0, mesh.vertices.max(axis=0) + 1.0
        points = np.concatenate(
            [rng.uniform(low, high, (4000, 3)), mesh.vertices + rng.normal(0, 0.05, (1, 3))]
        )
        distance, face = IglDistance(mesh)(points)
        said, nearest = theirs(points, mesh)[:2]
        assert (said < -0.01).any()
        assert (said > 0.01).any()
        assert_allclose(distance, said, rtol=0, atol=1e-12)
        assert (face == nearest).all()


def test_at_sharp_corners_and_edges_all_features_tell_the_side(rng):
    """Two faces folded by 30 degrees: a face's normal alone is wrong beyond the ridge."""
    lift = np.tan(np.radians(75.0))
    vertices = np.array([[0, 0, 0], [0, 4, 0], [1, 2, -lift], [-1, 2, -lift]], dtype=float)
    mesh = TriangleMesh(vertices, np.array([[0, 2, 1], [0, 1, 3]], dtype=np.int32))
    points = rng.uniform([-1, 1, -1], [1, 3, 1.5], (5000, 3))
    distance, _ = IglDistance(mesh)(points)
    said, _, closest, _ = theirs(points, mesh)
    on_ridge = np.abs(closest[:, [0, 2]]).max(axis=1) < 1e-12
    assert on_ridge.sum() > 100
    assert_allclose(distance, said, rtol=0, atol=1e-12)


def test_the_face_told_is_the_nearest_of_those_asked_for(rng):
    """A shell's outer faces: within the wall too, where the inner surface is nearer."""
    case = random_case(3)
    mesh, outer = case.crown, ~case.is_inner
    points = np.concatenate([mesh.vertices[mesh.faces[case.is_inner]].mean(axis=1),
                             mesh.vertices + rng.normal(0, 0.05, (1, 3))])  # fmt: skip
    distance, face = IglDistance(mesh, outer)(points)
    every, nearest = IglDistance(mesh)(points)
    assert_array_equal(distance, every)
    assert (~outer[nearest]).sum() > 100
    assert outer[face].all()
    closest = trimesh.triangles.closest_point(mesh.vertices[mesh.faces[face]], points)
    said = theirs(points, TriangleMesh(mesh.vertices, mesh.faces[outer]))[0]
    assert_allclose(np.linalg.norm(closest - points, axis=1), np.abs(said), rtol=0, atol=1e-12)
