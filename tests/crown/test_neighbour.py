"""The wall of a neighbour on a made-up scan: an arch profile drawn through space."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.shapes import box, grid_faces

from occlusim.crown.neighbour import neighbour_wall
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform

UP = np.array([0.0, 0.0, 1.0])
# From the middle of a tooth over its bulge at x = 0, z = 4 down to a valley, then over a papilla
# and along a ridge of gum under the crown.
TOOTH = [[-3.0, 6.0], [-1.0, 5.6], [0.0, 4.0], [-0.4, 2.0], [-0.7, 0.5], [-0.5, 0.2]]
GUM = [[0.0, 1.0], [0.4, 1.2], [1.0, 0.6], [1.3, 0.0], [6.0, 0.0]]
PROFILE = np.array([*TOOTH, *GUM])
CROWN = box((5.0, 5.0, 6.0)).transformed(RigidTransform(np.eye(3), np.array([3.0, 0.0, 2.5])))


def scan():
    """The profile cut in steps of 0.1 mm, drawn along y; normals point out of the tooth."""
    ends = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(PROFILE, axis=0), axis=1))])
    steps = np.unique(np.concatenate([np.arange(0.0, ends[-1], 0.1), ends]))
    x, z = (np.interp(steps, ends, PROFILE[:, k]) for k in range(2))
    y = np.linspace(-3.0, 3.0, 31)
    vertices = np.stack([np.broadcast_to(a[:, None], (len(x), 31)) for a in (x, z)], -1)
    points = np.stack([vertices[..., 0], np.broadcast_to(y, (len(x), 31)), vertices[..., 1]], -1)
    return TriangleMesh(points.reshape(-1, 3), grid_faces(len(x), 31))


@pytest.fixture(scope="module")
def arch():
    return Surface.build(scan())


def test_the_wall_ends_where_the_gum_begins(arch):
    assert arch.face_normals[:, 2].mean() > 0
    everything = np.ones(len(arch.mesh.faces), dtype=bool)
    wall = neighbour_wall(arch, everything, CROWN, UP)
    assert wall is not None
    x, _, z = wall.mesh.vertices.T
    assert_allclose(wall.toward, [1.0, 0.0, 0.0], rtol=0, atol=1e-12)
    assert x.max() < 1e-9
    # The facet under 0.5 mm faces away from the crown: the wall is cut there, above the valley.
    assert_allclose(z.min(), PROFILE[4, 1], rtol=0, atol=1e-9)
    assert_allclose(z.max(), 6.0, rtol=0, atol=0.1)
    # All its open edges are the scan's own, at y = -3 and 3 and at the tooth's middle.
    assert (np.isclose(abs(wall.edge_points[:, 1]), 3.0) | (wall.edge_points[:, 0] < -2.9)).all()


def test_a_wall_that_goes_on_under_another_number_may_be_nearer_unseen(arch):
    centre = arch.mesh.vertices[arch.mesh.faces].mean(axis=1)
    wall = neighbour_wall(arch, (centre[:, 2] > 3.0) & (centre[:, 0] < 0.1), CROWN, UP)
    inner = wall.edge_points[abs(wall.edge_points[:, 1]) < 2.9]
    low = inner[inner[:, 0] > -1.0]
    assert len(low) > 0
    assert_allclose(low[:, 2], 3.0, rtol=0, atol=0.1)


def test_moved_and_mirrored_the_same_faces_are_the_wall(arch):
    everything = np.ones(len(arch.mesh.faces), dtype=bool)
    here = neighbour_wall(arch, everything, CROWN, UP)
    turn = RigidTransform.exp([0.0, 0.0, np.pi / 2, 3.0, -2.0, 1.0])
    moved = Surface.build(arch.mesh.transformed(turn))
    there = neighbour_wall(moved, everything, CROWN.transformed(turn), turn.rotate(UP))
    assert (there.mesh.faces == here.mesh.faces).all()
    flip = np.diag([-1.0, 1.0, 1.0])
    flipped = [TriangleMesh(m.vertices @ flip, m.faces[:, ::-1]) for m in (arch.mesh, CROWN)]
    mirrored = neighbour_wall(Surface.build(flipped[0]), everything, flipped[1], UP)
    assert_allclose(mirrored.mesh.vertices @ flip, here.mesh.vertices, rtol=0, atol=1e-12)


def test_a_tooth_without_a_wall_has_none(arch):
    nothing = np.zeros(len(arch.mesh.faces), dtype=bool)
    assert neighbour_wall(arch, nothing, CROWN, UP) is None
    centre = arch.mesh.vertices[arch.mesh.faces].mean(axis=1)
    assert neighbour_wall(arch, centre[:, 0] < -1.5, CROWN, UP) is None


def test_a_mask_of_another_mesh_is_refused(arch):
    with pytest.raises(InputError, match=r"a mask of \(3,\) given"):
        neighbour_wall(arch, np.ones(3, dtype=bool), CROWN, UP)
