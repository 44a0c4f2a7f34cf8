"""Wall thickness of shells whose walls are known."""

import numpy as np
import pytest
from crown.block_shapes import block, cap
from numpy.testing import assert_allclose

from occlusim.crown.thickness import CrownWalls
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform

UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture(scope="module")
def shell() -> CrownWalls:
    """Hemispheres of 4 and 3 mm about one centre."""
    return CrownWalls.build(Surface.build(cap(4.0, 3.0, 5)), UP)


def test_wall_between_concentric_spheres_is_the_difference_of_radii(shell):
    """Chords of 0.12 mm lie up to 0.6 um inside the inner sphere, so walls are that much more.

    Near z = 0 the rim, which faces the stump too, is nearer than the inner sphere.
    """
    vertices = shell.whole.mesh.vertices
    thickness = shell.thickness_mm()
    outer = np.isclose(np.linalg.norm(vertices, axis=1), 4.0)
    high = outer & (vertices[:, 2] > 1.3)
    assert_allclose(thickness[high], 1.0, rtol=0, atol=2e-3)
    inside = np.isclose(np.linalg.norm(vertices, axis=1), 3.0) & (vertices[:, 2] > 0.3)
    assert np.isnan(thickness[inside]).all()


def test_ray_and_nearest_point_agree_between_concentric_spheres(shell):
    vertices = shell.whole.mesh.vertices
    outer = np.isclose(np.linalg.norm(vertices, axis=1), 4.0) & (vertices[:, 2] > 1.3)
    way = shell.ray_mm(vertices[outer], -vertices[outer] / 4.0)
    assert_allclose(way, shell.thickness_mm()[outer], rtol=0, atol=3e-3)


def test_nearest_point_is_never_longer_than_the_ray(rng):
    """Spheres with centres apart: the wall varies, the nearest place bounds every ray."""
    mesh = cap(4.0, 3.0, 4)
    vertices = np.array(mesh.vertices)
    inner = np.isclose(np.linalg.norm(vertices, axis=1), 3.0)
    vertices[inner] += [0.4, 0.1, 0.2]
    walls = CrownWalls.build(Surface.build(TriangleMesh(vertices, mesh.faces)), UP)
    outer = np.flatnonzero(~inner & (vertices[:, 2] > 0.5))
    towards = -vertices[outer] + 0.3 * rng.normal(size=(len(outer), 3))
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    way, wall = walls.ray_mm(vertices[outer], towards), walls.wall_mm(vertices[outer])
    assert (wall <= way + 1e-9).all()
    assert wall.min() < 0.7 < 1.2 < wall.max()


def test_block_is_as_thick_as_it_is_high():
    crown = block(11, 4.0, 1.5)
    walls = CrownWalls.build(Surface.build(crown), UP)
    top = (crown.vertices[:, 2] == 0) & (np.abs(crown.vertices[:, :2]).max(axis=1) < 1.9)
    assert_allclose(walls.thickness_mm()[top], 1.5, rtol=1e-12, atol=1e-12)


def test_pose_of_the_crown_does_not_matter(shell):
    turn = RigidTransform.exp([0.3, -1.1, 0.7, 12.0, -80.0, 40.0])
    mesh = shell.whole.mesh.transformed(turn)
    moved = CrownWalls.build(Surface.build(mesh), turn.rotate(UP))
    assert_allclose(moved.thickness_mm(), shell.thickness_mm(), rtol=0, atol=1e-9)


def test_inner_surface_of_its_own_file_gives_the_same_walls(shell):
    mesh = shell.whole.mesh
    radius = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1), axis=1)
    inner = mesh.submesh(np.flatnonzero(radius < 3.2).astype(np.int32))[0]
    outer = mesh.submesh(np.flatnonzero(radius > 3.8).astype(np.int32))[0]
    walls = CrownWalls.build(Surface.build(outer), UP, inner)
    assert_allclose(walls.thickness_mm().mean(), 1.0, rtol=0, atol=2e-3)


def test_removal_stops_at_the_minimum_whatever_its_direction(shell, rng):
    """Straight in: 4 - 3 - 0.8 = 0.2. Aslant: the wall at the end is the minimum, never less."""
    vertices = shell.whole.mesh.vertices
    outer = np.isclose(np.linalg.norm(vertices, axis=1), 4.0) & (vertices[:, 2] > 1.0)
    points = vertices[outer]
    straight = shell.most_removal_mm(points, -points / 4.0, np.full(len(points), 9.0), 0.8)
    assert_allclose(straight, 0.2, rtol=0, atol=2e-3)
    aslant = -points / 4.0 + 0.4 * rng.normal(size=points.shape)
    aslant /= np.linalg.norm(aslant, axis=1, keepdims=True)
    wanted = np.full(len(points), 0.3)
    depth = shell.most_removal_mm(points, aslant, wanted, 0.8)
    left = shell.wall_mm(points + depth[:, None] * aslant)
    assert (left >= 0.8 - 1e-9).all()
    stopped = depth < wanted
    assert stopped.any()
    assert_allclose(left[stopped], 0.8, rtol=0, atol=1e-4)
