"""Clusters and what they rule out: coins hold their faces, no face that may lie below is lost."""

import numpy as np
import pytest
from reference import shapes
from reference.laws import random_pose

from occlusim.contact.field import GapField
from occlusim.contact.survey import faces_below, first_value
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.sdf import SdfSettings

SETTINGS = SdfSettings(voxel_mm=0.15, band_mm=0.7)


def waves(n, half=2.5):
    """Return an open sheet of waves that looks up."""
    mesh = shapes.plate(half, n)
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    return TriangleMesh(
        np.column_stack([x, y, 0.3 * np.cos(2.1 * x) * np.cos(1.7 * y)]), mesh.faces
    )


@pytest.fixture(scope="module")
def sheet():
    return GapField.build(waves(40), SETTINGS)


@pytest.fixture(scope="module")
def ring():
    return GapField.build(shapes.torus(1.6, 0.6, 90, 40), SETTINGS)


@pytest.fixture(scope="module")
def bar():
    """Large faces: their corners may all be far where their middles are near."""
    return GapField.build(shapes.box((3.0, 0.4, 0.3)), SETTINGS)


def test_every_coin_holds_its_faces(ring, bar):
    for field in (ring, bar):
        clusters = field.clusters
        corners = field.surface.corners.reshape(-1, 3, 3)
        n_small = 0
        for node, (low, high) in enumerate(clusters.span):
            coin = clusters.coin[node]
            if not np.isfinite(coin[0]):
                assert high - low > 256
                continue
            n_small += 1
            away = corners[low:high].reshape(-1, 3) - coin[:3]
            along = away @ coin[3:6]
            across = np.sqrt(np.maximum((away**2).sum(axis=1) - along**2, 0))
            assert np.abs(along).max() <= coin[6]
            assert across.max() <= coin[7]
            assert (np.abs(along).max(), across.max()) >= (coin[6] - 2e-7, coin[7] - 2e-7)
        assert n_small >= 9
        taken = np.concatenate([np.arange(*clusters.span[root]) for root in clusters.roots])
        assert sorted(taken) == list(range(len(field.surface.slot_face)))


def touching_poses(rng, n):
    """Return poses whose surfaces come near, cross and overlap."""
    for _ in range(n):
        turn = random_pose(rng, 3.0, 0.0).rotation
        yield RigidTransform(turn, np.array([*rng.uniform(-0.8, 0.8, 2), rng.uniform(0.2, 1.6)]))


@pytest.mark.slow
def test_no_face_that_holds_less_is_left_out(sheet, ring, bar, rng):
    """Points all over the faces that were ruled out: none is known to lie below the level."""
    n_out = n_below = 0
    for moving, field in ((ring, sheet), (sheet, ring), (bar, sheet), (bar, ring), (ring, bar)):
        mesh = moving.surface.mesh
        fine = shapes.refined(mesh, 1 if len(mesh.faces) > 1000 else 5)
        # Each cut quadruples the faces, the parts of all faces one after the other.
        times = len(fine.faces) // len(mesh.faces)
        parent = np.tile(np.arange(len(mesh.faces)), times)
        for pose in touching_poses(rng, 6):
            distance = field.exact(fine.vertices, pose)
            low = np.fmin.reduce(distance[fine.faces], axis=1)
            least = np.full(len(mesh.faces), np.inf)
            np.fmin.at(least, parent, low)
            deepest = least.min()
            for level in (-0.3, -0.05, -0.004, 0.0, 0.02, 0.2, 0.5):
                kept = faces_below(moving, field, pose, level, is_deep=deepest < -0.2)
                out = np.ones(len(mesh.faces), dtype=bool)
                out[kept] = False
                assert not (least[out] < level - 1e-9).any(), level
                n_out += out.sum()
                n_below += (least < level).sum()
    assert n_below > 2000
    assert n_out > 50 * 1000


def test_most_faces_of_touching_surfaces_are_ruled_out(sheet):
    """A wave sheet on its like 5 um too deep: a few faces are left, not all that are near."""
    turned = TriangleMesh(waves(60).vertices * [1.0, -1.0, -1.0], waves(60).faces)
    upper = GapField.build(turned, SETTINGS)
    pose = RigidTransform(np.eye(3), np.array([0.9, 0.4, 0.4]))
    value, _ = first_value(upper, sheet, pose, upper.all_faces, sheet.all_faces)
    kept = faces_below(upper, sheet, pose, value)
    assert 0 < len(kept) < 0.2 * len(turned.faces)


def test_a_first_value_is_a_distance_of_the_surface(ring, sheet, rng):
    for pose in touching_poses(rng, 4):
        value, place = first_value(ring, sheet, pose, ring.all_faces, sheet.all_faces)
        exact = sheet.exact(ring.surface.mesh.vertices, pose)
        assert value >= np.nanmin(exact)
        if np.nanmin(exact) > -0.4:  # within the band
            assert value <= np.nanmin(exact) + 0.05
        assert abs(sheet.exact(place)[0] - value) < 1e-12
