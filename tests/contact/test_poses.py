"""Least gaps, gaps below a limit and overlaps at many poses: closed forms, twins, refinement."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes

from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.contact.overlap import clipped_integrals
from occlusim.contact.poses import gaps_below, least_gaps, overlaps
from occlusim.errors import InputError
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.sdf import SdfSettings

RADIUS = 3.0
SETTINGS = SdfSettings(voxel_mm=0.15, band_mm=1.0)


@pytest.fixture(scope="module")
def ball():
    return GapField.build(shapes.sphere(RADIUS, 24), SETTINGS)


@pytest.fixture(scope="module")
def plate():
    return GapField.build(shapes.plate(4.0, 9), SETTINGS)


def every(field):
    return np.ones(len(field.surface.mesh.faces), dtype=bool)


def turned(rng, height):
    turn = RigidTransform.exp([*rng.normal(0, 1.0, 3), 0.0, 0.0, 0.0])
    place = [*rng.uniform(-1, 1, 2), RADIUS + height]
    return RigidTransform(turn.rotation, np.array(place))


def test_the_gap_along_a_path_is_that_of_every_pose_by_itself(ball, plate, rng):
    poses = [turned(rng, h) for h in (3.5, 1.2, 0.4, 0.05, 0.003, -0.004, -0.05, 0.2, 2.0)]
    found = least_gaps(plate, ball, poses, faces_a=every(plate))
    alone = [least_gap(plate, ball, pose).gap_mm for pose in poses]
    assert_allclose(found, alone, rtol=0, atol=1e-4)
    assert (found[:5] > 0).all()
    assert found[6] < 0


def test_a_sphere_of_many_faces_stands_over_the_plate_by_its_height(plate):
    fine = GapField.build(shapes.sphere(RADIUS, 60), SETTINGS)
    heights = np.linspace(2.0, 0.01, 12)
    poses = [RigidTransform(np.eye(3), np.array([0.013, 0.02, RADIUS + h])) for h in heights]
    found = least_gaps(plate, fine, poses, faces_a=every(plate))
    assert_allclose(found, heights, rtol=0, atol=5e-4)


def test_faces_that_do_not_count_are_passed_over(ball, plate, rng):
    """With half of the plate left out a ball over that half is measured to the other, or not."""
    middle = plate.surface.mesh.vertices[plate.surface.mesh.faces].mean(axis=1)
    right = middle[:, 0] > 0
    poses = [turned(rng, 0.3) for _ in range(6)]
    found = least_gaps(plate, ball, poses, faces_a=right)
    alone = [least_gap(plate, ball, pose, faces_a=right).gap_mm for pose in poses]
    assert_allclose(found, alone, rtol=0, atol=1e-4)
    whole = least_gaps(plate, ball, poses, faces_a=every(plate))
    assert (found > whole + 1e-3).any()


def test_the_order_of_poses_does_not_matter(ball, plate, rng):
    poses = [turned(rng, h) for h in (0.9, 0.1, 0.5, 0.02, 0.7)]
    found = least_gaps(plate, ball, poses, faces_a=every(plate))
    back = least_gaps(plate, ball, poses[::-1], faces_a=every(plate))
    assert_allclose(found, back[::-1], rtol=0, atol=1e-12)


def test_a_refined_copy_has_the_same_least_gaps(ball, plate, rng):
    poses = [turned(rng, h) for h in (0.8, 0.05, 0.0005, -0.02, -0.3)]
    want = least_gaps(plate, ball, poses)
    fine = [GapField.build(shapes.refined(f.surface.mesh), SETTINGS) for f in (plate, ball)]
    assert_allclose(least_gaps(*fine, poses), want, rtol=0, atol=1e-4)
    assert least_gaps(plate, ball, []).shape == (0,)


def brute(moving, field, pose, limit):
    """Return vertices, gaps and the number of unknown ones below a limit, from every vertex."""
    found = field.surface.closest(moving.surface.mesh.vertices, T_surface_points=pose)
    gap = found.distance_mm
    vertex = np.flatnonzero(gap < limit)
    n_unknown = (np.isnan(gap) & (found.unsigned_mm < max(limit, 0))).sum()
    return vertex, gap[vertex], n_unknown


@pytest.mark.parametrize("limit", [-0.03, 0.0, 0.2, 1.4])
def test_gaps_below_are_those_of_every_vertex(ball, plate, rng, limit):
    poses = [turned(rng, h) for h in (0.5, 0.01, -0.1, -1.7, 40.0)]
    edge = [RigidTransform(np.eye(3), np.array([4.3, 0.1, RADIUS + h])) for h in (-0.2, 0.1)]
    found = gaps_below(plate, ball, poses + edge, limit)
    n_unknown = 0
    for i, pose in enumerate(poses + edge):
        for rows, moving, field, T in (
            (found.on_b, ball, plate, pose),
            (found.on_a, plate, ball, pose.inverse()),
        ):
            vertex, gap, unknown = brute(moving, field, T, limit)
            assert_array_equal(rows.at(i)[0], vertex)
            assert_array_equal(rows.at(i)[1], gap)
            assert rows.n_unknown[i] == unknown
            n_unknown += unknown
    assert (n_unknown > 0) == (limit > 0)
    assert found.on_b.start[-1] == len(found.on_b.gap_mm) > 0


def test_gaps_below_refuse_what_is_no_limit(ball, plate):
    for bad in (np.nan, np.inf):
        with pytest.raises(InputError, match="limit_mm"):
            gaps_below(plate, ball, [], bad)


def test_overlap_of_a_ball_and_a_plane_in_closed_form():
    """On the ball: area 2 pi R d, integral of depth pi R d^2; on the plane: a disc under a cap."""
    fine = GapField.build(shapes.sphere(RADIUS, 110), SETTINGS)
    sheet = GapField.build(shapes.plate(1.2, 160), SETTINGS)
    depths = np.array([0.03, 0.08])
    poses = [RigidTransform(np.eye(3), np.array([0.013, 0.02, RADIUS - d])) for d in depths]
    found = overlaps(sheet, fine, poses)
    disc = 2 * RADIUS * depths - depths**2
    assert_allclose(found.on_b.area_mm2, 2 * np.pi * RADIUS * depths, rtol=0.01, atol=0)
    assert_allclose(found.on_b.volume_mm3, np.pi * RADIUS * depths**2, rtol=0.01, atol=0)
    assert_allclose(found.on_a.area_mm2, np.pi * disc, rtol=0.01, atol=0)
    under = np.pi * RADIUS * disc - 2 * np.pi / 3 * (RADIUS**3 - (RADIUS - depths) ** 3)
    assert_allclose(found.on_a.volume_mm3, under, rtol=0.01, atol=0)
    assert not found.on_a.n_unknown.any()


def test_overlaps_are_those_of_all_faces(ball, plate, rng):
    """Also deeper than the band, apart, and over the sheet's edge."""
    poses = [turned(rng, h) for h in (0.5, -0.05, -1.8)]
    poses.append(RigidTransform(np.eye(3), np.array([4.0, 0.1, RADIUS - 0.1])))
    found = overlaps(plate, ball, poses)
    for i, pose in enumerate(poses):
        for part, moving, field, T in (
            (found.on_b, ball, plate, pose),
            (found.on_a, plate, ball, pose.inverse()),
        ):
            mesh = moving.surface.mesh
            want = clipped_integrals(mesh.vertices, mesh.faces, field.exact(mesh.vertices, T), 0.0)
            assert_allclose(part.area_mm2[i], np.nansum(want.area_mm2), rtol=1e-12, atol=1e-15)
            assert_allclose(part.volume_mm3[i], np.nansum(want.volume_mm3), rtol=1e-12, atol=1e-15)
    assert found.on_b.area_mm2[0] == 0
    assert found.on_b.area_mm2[2] > 10
    assert found.on_b.n_unknown[3] > 0
    assert found.on_b.n_unknown[1] == 0


def test_threads_and_swap_change_nothing(ball, plate, rng):
    poses = [turned(rng, h) for h in (0.3, -0.05)]
    back = [pose.inverse() for pose in poses]
    rows, areas = gaps_below(plate, ball, poses, 0.1), overlaps(plate, ball, poses)
    n = thread_count()
    try:
        set_threads(1)
        one, one_area = gaps_below(plate, ball, poses, 0.1), overlaps(plate, ball, poses)
    finally:
        set_threads(n)
    assert_array_equal(one.on_b.gap_mm, rows.on_b.gap_mm)
    assert_array_equal(one_area.on_a.volume_mm3, areas.on_a.volume_mm3)
    swapped = gaps_below(ball, plate, back, 0.1)
    assert_array_equal(swapped.on_a.vertex, rows.on_b.vertex)
    assert_allclose(swapped.on_a.gap_mm, rows.on_b.gap_mm, rtol=0, atol=1e-12)
    assert_allclose(
        overlaps(ball, plate, back).on_a.area_mm2, areas.on_b.area_mm2, rtol=1e-9, atol=1e-12
    )
