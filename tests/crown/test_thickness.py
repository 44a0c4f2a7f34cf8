"""Wall thickness of shells whose walls are known."""

import igl
import numpy as np
import pytest
from crown.block_shapes import block, cap
from numpy.testing import assert_allclose, assert_array_equal

from benchmarks.random_crowns import random_case
from demo_arches.noise import FOLDER, read_ply
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


@pytest.fixture(scope="module")
def crowns() -> list[CrownWalls]:
    """The demo's crown and invented shells, with their inner surface found by the views alone."""
    vertices, faces = read_ply(FOLDER / "crowns" / "premolar-24.ply")
    made = [CrownWalls.build(Surface.build(TriangleMesh(vertices, faces)), -UP)]
    for seed in (3, 5, 9):
        case = random_case(seed)
        assert case.is_inner.any()
        walls = CrownWalls.build(Surface.build(case.crown), case.occlusal)
        inner = np.zeros(len(case.crown.vertices), dtype=bool)
        inner[case.crown.faces[case.is_inner | case.is_rim]] = True
        assert_array_equal(np.isnan(walls.thickness_mm()), ~walls.is_outer)
        # Built faces and seen ones: the same but for what stands level with the lowest view.
        assert (walls.is_outer != ~inner).mean() < 0.1
        made.append(walls)
    return made


@pytest.mark.slow
def test_walls_are_another_library_s_closest_points(crowns):
    """libigl's closest points on the inner faces; float64 on coordinates of 50 mm."""
    for walls in crowns:
        mesh = walls.whole.mesh
        inner = walls.inner.mesh
        squared = igl.point_mesh_squared_distance(
            mesh.vertices, inner.vertices, inner.faces.astype(np.int64)
        )[0]
        wall = walls.thickness_mm()
        assert np.isfinite(wall).mean() > 0.4
        known = np.isfinite(wall)
        # The root of what is left of d^2 near the margin, where walls run out to nothing.
        assert_allclose(wall[known] ** 2, squared[known], rtol=1e-9, atol=1e-12)


@pytest.mark.slow
def test_ways_are_another_library_s_rays(crowns):
    """libigl's rays from a hundredth of a micrometre inside; its ways are in single precision."""
    rng = np.random.default_rng(7)
    for walls in crowns:
        mesh, normals = walls.whole.mesh, walls.whole.vertex_normals
        pick = rng.choice(np.flatnonzero(walls.is_outer), 300, replace=False)
        start = mesh.vertices[pick] - 1e-5 * normals[pick]
        faces = mesh.faces.astype(np.int64)
        tree = igl.AABB()
        tree.init(mesh.vertices, faces)
        way = tree.intersect_ray_first(mesh.vertices, faces, start, -normals[pick])[1] + 1e-5
        own = walls.ray_mm(mesh.vertices[pick], -normals[pick])
        # A ray that leaves along a facet beside its own vertex hits it or not by rounding.
        clear = (way > 1e-3) & (own > 1e-3)
        assert clear.mean() > 0.9
        assert_allclose(own[clear], way[clear], rtol=0, atol=1e-6)


def test_an_open_crown_without_inner_surface_has_no_known_wall():
    """Before, the way through the hollow to the wall across was taken for the wall."""
    mesh = cap(4.0, 3.0, 3)
    radius = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1), axis=1)
    outer = mesh.submesh(np.flatnonzero(radius > 3.7).astype(np.int32))[0]
    walls = CrownWalls.build(Surface.build(outer), UP)
    assert walls.inner is None
    assert not walls.is_known
    assert np.isnan(walls.thickness_mm()).all()
    wanted = np.full(len(outer.vertices), 0.2)
    most = walls.most_removal_mm(outer.vertices, -outer.vertices / 4.0, wanted, 1.0)
    assert_array_equal(most, wanted)
    assert CrownWalls.build(Surface.build(mesh), UP).is_known
    assert CrownWalls.build(Surface.build(block(5, 4.0, 1.5)), UP).is_known


def test_thin_places_leave_the_margin_aside(shell):
    """A cap of 1 mm is thinner than 1.1 mm all over, and nowhere than 0.9 mm but at its rim."""
    assert len(shell.thin_places(0.9)[0]) == 0
    vertex, wall = shell.thin_places(1.1)
    assert_allclose(wall, 1.0, rtol=0, atol=2e-3)
    high = np.flatnonzero(shell.is_outer & (shell.whole.mesh.vertices[:, 2] > 1.3))
    assert np.isin(high, vertex).all()
    assert np.nanmin(shell.thickness_mm()) < 0.9
