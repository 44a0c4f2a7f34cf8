"""Who touches whom, and the normals at edges and vertices."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes

from occlusim.errors import MeshError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.topology import mesh_topology, weld_coincident


def test_neighbours_are_mutual_on_a_closed_mesh():
    topology = mesh_topology(shapes.torus(nu=20, nv=8))
    for face, row in enumerate(topology.neighbours):
        for other in row:
            assert face in topology.neighbours[other]
    assert not topology.is_open_edge.any()
    assert not topology.is_open_fan.any()


def test_corner_of_a_cube_points_along_its_diagonal():
    """However its sides are triangulated: the weights are angles (Baerentzen & Aanaes 2005)."""
    mesh = shapes.box((2.0, 2.0, 2.0))
    topology = mesh_topology(mesh)
    for face in range(len(mesh.faces)):
        for k in range(3):
            corner = mesh.vertices[mesh.faces[face, k]]
            assert_allclose(
                topology.fan_normals[topology.fan[face, k]],
                corner / np.linalg.norm(corner),
                rtol=0,
                atol=1e-12,
            )


def test_a_plate_is_open_all_around():
    n = 5
    topology = mesh_topology(shapes.plate(1.0, n))
    assert (topology.edge_code == 1).sum() == 4 * n
    assert topology.is_open_edge.sum() == 4 * n
    assert topology.is_open_fan.sum() == 4 * n


def test_faces_that_disagree_leave_the_side_unknown():
    mesh = shapes.plate(1.0, 1)
    faces = mesh.faces.copy()
    faces[1] = faces[1, ::-1]
    topology = mesh_topology(TriangleMesh(mesh.vertices, faces))
    assert (topology.edge_code == 2).sum() == 2
    assert topology.is_open_edge.all()


def test_coincident_vertices_are_one_and_signed_zero_is_zero():
    vertices = np.array([[0.0, 0, 0], [1, 0, 0], [-0.0, 0, 0], [1, 0, 1e-300]])
    assert_array_equal(weld_coincident(vertices), [0, 1, 0, 3])


def test_unwelded_triangles_are_joined():
    mesh = shapes.sphere(1.0, 4)
    soup = TriangleMesh(
        mesh.vertices[mesh.faces].reshape(-1, 3),
        np.arange(3 * len(mesh.faces), dtype=np.int32).reshape(-1, 3),
    )
    assert not mesh_topology(soup).is_open_edge.any()


def test_two_cones_tip_to_tip_keep_their_own_normals():
    """The shared tip has two fans; a common normal would be zero."""
    n = 12
    turn = np.arange(n) / n * 2 * np.pi
    ring = 0.3 * np.stack([np.cos(turn), np.sin(turn), 0 * turn], 1)
    up, down = ring + np.array([0, 0, 1.0]), ring - np.array([0, 0, 1.0])
    vertices = np.concatenate([[[0, 0, 0.0]], up, down])
    k, following = np.arange(n), (np.arange(n) + 1) % n
    top = np.stack([np.zeros(n), 1 + following, 1 + k], 1)
    bottom = np.stack([np.zeros(n), 1 + n + k, 1 + n + following], 1)
    mesh = TriangleMesh(vertices, np.concatenate([top, bottom]).astype(np.int32))
    topology = mesh_topology(mesh)
    fans = {int(topology.fan[f, 0]) for f in range(2 * n)}
    assert len(fans) == 2
    z = sorted(float(topology.fan_normals[f, 2]) for f in fans)
    assert_allclose(z, [-1.0, 1.0], rtol=0, atol=1e-9)


def test_no_area_at_all_is_refused():
    with pytest.raises(MeshError, match="area"):
        mesh_topology(TriangleMesh(np.zeros((3, 3)), np.array([[0, 1, 2]])))
