"""Triangles exchanged inside a spot: sound, clear of the antagonist, and nothing else touched."""

import igl
import numpy as np
import pytest
import trimesh
from crown.block_shapes import ball, block, path, spike
from numpy.testing import assert_allclose, assert_array_equal

from occlusim.crown.clearance import swept_clearance
from occlusim.crown.integrity import SLIVER, bent_faces, crossing_faces, slimness
from occlusim.crown.reduction import ReductionSettings, plan_reduction, remainder
from occlusim.crown.remesh import mend
from occlusim.crown.removed import removed_body
from occlusim.crown.stock import divided
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

DOWN = np.array([0.0, 0.0, -1.0])
REST = [path("centric", [0.0])]


def slab(z: float) -> Surface:
    """A plate whose underside is at z."""
    mesh = block(3, 8.0, 1.0)
    return Surface.build(TriangleMesh(mesh.vertices + np.array([0, 0, z + 1.0]), mesh.faces))


def rough_ball(seed: int) -> TriangleMesh:
    """A cusp of 0.5 mm radius with noise of 6 um on edges of 40 um."""
    mesh = ball(0.5, (0, 0, -0.5), 4)
    noise = np.random.default_rng(seed).normal(size=mesh.vertices.shape)
    return TriangleMesh(mesh.vertices + 0.006 * noise, mesh.faces)


def spire() -> TriangleMesh:
    """A thin pointed cusp on a block."""
    rng = np.random.default_rng(0)

    def relief(x, y):
        return 0.6 * np.exp(-(x**2 + y**2) / 0.02) + 0.003 * rng.normal(size=x.shape) - 0.6

    return block(61, 3.0, 2.0, relief)


@pytest.fixture(scope="module")
def mended_cases() -> list[tuple]:
    cases = [(rough_ball(0), slab(-0.25)), (rough_ball(3), slab(-0.25)), (spire(), slab(-0.35))]
    plans = [(crown, plate, plan_reduction(crown, plate, REST)) for crown, plate in cases]
    exchanged = [case for case in plans if not case[2].face_is_whole.all()]
    assert len(exchanged) >= 2
    return exchanged


def signed_mm(mesh: TriangleMesh, points: np.ndarray) -> np.ndarray:
    """Signed distance (n,) by another library."""
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    faces = mesh.faces.astype(np.int64)
    return igl.signed_distance(np.ascontiguousarray(points), mesh.vertices, faces, kind)[0]


def test_the_cut_is_not_given_up_and_the_surface_is_sound(mended_cases):
    for crown, _, plan in mended_cases:
        assert all(spot.feasible for spot in plan.spots)
        after = plan.adjusted
        assert trimesh.Trimesh(after.vertices, after.faces, process=False).is_watertight
        assert (crossing_faces(after, np.arange(len(after.faces))) < 0).all()
        worst = slimness(crown.vertices[crown.faces]).min()
        assert slimness(after.vertices[after.faces]).min() >= min(worst, 0.02)


def test_the_wanted_gap_holds_on_the_new_faces(mended_cases):
    """Gap >= wanted - 1 um on a fine grid, by another library; nothing is ever added."""
    weights = np.array([(i, j, 6 - i - j) for i in range(7) for j in range(7 - i)]) / 6.0
    for crown, plate, plan in mended_cases:
        assert plan.residual_mm >= -1e-3
        corners = plan.adjusted.vertices[plan.adjusted.faces[~plan.face_is_whole]]
        places = np.einsum("kc,ncx->nkx", weights, corners).reshape(-1, 3)
        assert signed_mm(plate.mesh, places).min() >= -1e-3
        assert signed_mm(crown, places).max() <= 2e-4


def test_outside_the_spots_everything_keeps_its_bits_and_its_order(mended_cases):
    for crown, _, plan in mended_cases:
        touched = np.zeros(len(crown.vertices), dtype=bool)
        for spot in plan.spots:
            touched[spot.vertices] = True
            touched[spot.ring] = True
        outside = np.flatnonzero(~touched)
        kept = plan.vertex_origin[np.isin(plan.vertex_origin, outside)]
        assert_array_equal(kept, outside)
        here = np.flatnonzero(np.isin(plan.vertex_origin, outside))
        assert plan.adjusted.vertices[here].tobytes() == crown.vertices[outside].tobytes()
        far = np.flatnonzero(~touched[crown.faces].any(axis=1))
        whole = np.flatnonzero(plan.face_is_whole & np.isin(plan.face_origin, far))
        assert_array_equal(plan.face_origin[whole], far)
        assert_array_equal(plan.vertex_origin[plan.adjusted.faces[whole]], crown.faces[far])


def test_volume_and_depth_belong_to_the_adjusted_surface(mended_cases):
    for crown, _, plan in mended_cases:
        lost = crown.volume() - plan.adjusted.volume()
        body = removed_body(crown, plan.adjusted, plan.vertex_origin)
        assert trimesh.Trimesh(body.vertices, body.faces, process=False).is_watertight
        assert_allclose(body.volume(), lost, rtol=1e-9, atol=0)
        assert_allclose(plan.volume_mm3, lost, rtol=1e-6, atol=0)
        cut = plan.depth_mm > 0
        landed = crown.vertices[cut] + plan.depth_mm[cut, None] * plan.directions[cut]
        assert np.abs(signed_mm(plan.adjusted, landed)).max() < 1e-3


def test_what_is_left_is_looked_for_on_the_new_vertices_too(mended_cases):
    for crown, plate, plan in mended_cases:
        left = remainder(plan.adjusted, plate, ReductionSettings(), crown, plan)
        assert len(left.depth_mm) == 0
        anew = swept_clearance(plan.adjusted.vertices, plate, plan.table, plan.swept.limit_mm)
        assert_allclose(left.clearance_mm, anew.least_mm, rtol=0, atol=1e-9)


def test_facets_too_coarse_for_a_small_ball_are_halved():
    """Edges of 0.2 mm under a ball of 0.25 mm: not halved, whole facets sink by 40 um too much."""
    radius, dip = 0.25, 0.1
    crown = block(21, 4.0, 2.0)
    small = Surface.build(ball(radius, (0.03, 0.05, radius - dip), 5))
    rule = ReductionSettings(direction=DOWN, seam_excess_mm=0.0)
    plan = plan_reduction(crown, small, REST, rule)
    assert len(plan.adjusted.faces) > len(crown.faces)
    assert_array_equal(plan.vertex_origin[: len(crown.vertices)], np.arange(len(crown.vertices)))
    cap = np.pi * dip**2 * (3 * radius - dip) / 3
    coarse = plan_reduction(crown, small, REST, ReductionSettings(direction=DOWN, tolerance_mm=1.0))
    assert_array_equal(coarse.adjusted.faces, crown.faces)
    assert plan.volume_mm3 - cap < 0.25 * (coarse.volume_mm3 - cap)
    below = plan.adjusted.vertices[:, 2]
    assert dip - 1e-3 < -below[below > -1.0].min() < dip + 0.010
    assert plan.residual_mm >= -1e-3


def test_slim_facets_do_not_come_apart_in_slivers():
    """Facets of 0.2 x 0.016 mm under a ball: halved as it comes, parts have a height of 1 %."""
    radius, dip = 0.1, 0.08
    mesh = block(21, 4.0, 2.0)
    crown = TriangleMesh(mesh.vertices * [1.0, 0.08, 1.0], mesh.faces)
    small = Surface.build(ball(radius, (0.03, 0.02, radius - dip), 5))
    rule = ReductionSettings(direction=DOWN, seam_excess_mm=0.0)
    plan = plan_reduction(crown, small, REST, rule)
    part = np.flatnonzero(~plan.face_is_whole)
    assert len(part) > 100
    assert plan.residual_mm >= -1e-3
    assert slimness(plan.adjusted.vertices[plan.adjusted.faces[part]]).min() >= SLIVER


def test_halved_faces_cover_the_same_surface():
    mesh = block(5, 2.0, 1.0)
    rng = np.random.default_rng(3)
    f = mesh.faces
    edges = np.unique(np.sort(np.concatenate([f[:, :2], f[:, 1:], f[:, [2, 0]]]), axis=1), axis=0)
    some = edges[rng.random(len(edges)) < 0.5]
    faces, parent = divided(f, some, len(mesh.vertices))
    middle = mesh.vertices[some].mean(axis=1)
    finer = TriangleMesh(np.concatenate([mesh.vertices, middle]), faces)
    as_before = np.bincount(parent, finer.face_areas(), minlength=len(f))
    assert_allclose(as_before, mesh.face_areas(), rtol=1e-12, atol=0)
    assert set(np.bincount(parent)) == {1, 2, 3, 4}
    assert trimesh.Trimesh(finer.vertices, faces, process=False).is_watertight
    assert_allclose(finer.volume(), mesh.volume(), rtol=1e-12, atol=0)


@pytest.mark.parametrize(("height", "succeeds"), [(0.0, True), (0.3, False)])
def test_a_needle_in_a_plane_goes_and_one_on_a_peak_stays(height, succeeds):
    """A vertex pushed beside another: in a plane it is collapsed; a peak of 0.3 mm is no sliver."""
    flat = block(9, 4.0, 1.0)
    place = flat.vertices.copy()
    place[40] = place[41] + [0.0, -0.004, height]
    free = np.zeros(len(place), dtype=bool)
    free[np.flatnonzero((np.abs(place[:, :2]) < 1.2).all(axis=1) & (place[:, 2] >= 0))] = True
    directions = np.tile(DOWN, (len(place), 1))
    mesh = flat.with_vertices(place)
    bad = np.flatnonzero((mesh.faces == 40).any(axis=1))
    found = mend(mesh, bad, directions, free, Surface.build(mesh), 0.005)
    assert (found is not None) == succeeds
    if found is not None:
        assert slimness(mesh.vertices[mesh.faces]).min() < 0.02
        assert slimness(found.mesh.vertices[found.mesh.faces]).min() > 0.02
        assert_allclose(found.mesh.volume(), mesh.volume(), rtol=1e-12, atol=0)
        assert len(found.vertex_origin) == len(place) - 1


def test_a_steep_flank_cut_flat_is_no_damage_and_a_fold_is():
    """A spike of 79 degrees sunk to the plane; and the same pushed on beyond its own foot."""
    crown = spike(1.0, (0, 0, 0))
    crown = TriangleMesh(crown.vertices * [0.4, 0.4, -1.0], crown.faces[:, ::-1])
    face = np.arange(4)
    directions = np.tile(DOWN, (5, 1))
    flat = crown.vertices.copy()
    flat[0, 2] = crown.vertices[1, 2] + 0.01
    assert bent_faces(crown, flat, face).all()
    assert not bent_faces(crown, flat, face, directions).any()
    folded = crown.vertices.copy()
    folded[[1, 2]] = folded[[2, 1]]
    assert bent_faces(crown, folded, face, directions).any()
