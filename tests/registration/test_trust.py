"""What is trusted less: trimmed edges and gums; and that it helps where a gum has moved."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.shapes import plate
from scipy.spatial import KDTree

from benchmarks.records import demo_record
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.joint import JointProblem, RegistrationSettings
from occlusim.registration.matches import Poses
from occlusim.registration.trust import (
    EDGE_MM,
    GUM_MM,
    GUM_TRUST,
    TOOTH_MM,
    Trust,
    edge_trust,
    tooth_trust,
)

IDENTITY = RigidTransform.identity()


def test_trust_rises_from_a_trimmed_edge():
    flat = plate(2.0, 40)
    trust = edge_trust(Surface.build(flat), np.arange(len(flat.vertices)))
    from_edge = 2.0 - np.abs(flat.vertices[:, :2]).max(axis=1)
    assert_allclose(trust, np.minimum(from_edge / EDGE_MM, 1.0), rtol=0, atol=1e-12)


def test_trust_falls_with_the_way_to_the_other_arch():
    away = np.array([0.0, TOOTH_MM, 6.5, GUM_MM, 20.0, np.nan])
    half = GUM_TRUST + (1 - GUM_TRUST) * 0.5
    wanted = [1.0, 1.0, half, GUM_TRUST, GUM_TRUST, GUM_TRUST]
    assert_allclose(tooth_trust(away), wanted, rtol=1e-12, atol=0)


def test_the_farther_arch_counts_and_trust_follows_the_pose():
    # a bite scan on the upper arch; the lower one is a single place, given in its own frame
    flat = plate(4.0, 40)
    T_upper_lower = RigidTransform.exp([0.4, 0.2, -0.3, 5.0, 1.0, -2.0])
    seat = np.array([[0.0, 0.0, -5.0]])
    lower = T_upper_lower.inverse().apply(seat)
    every = np.arange(len(flat.vertices))
    trust = Trust.of(Surface.build(flat), every, (flat.vertices, lower), T_upper_lower, IDENTITY)
    inner = np.flatnonzero(np.abs(flat.vertices[:, :2]).max(axis=1) < 3.0)
    away = np.linalg.norm(flat.vertices[inner] - seat, axis=1)
    found = trust.at(flat.vertices[inner], inner, T_upper_lower)
    assert_allclose(found, tooth_trust(away), rtol=1e-12, atol=0)
    assert found.min() < 0.9 < found.max()
    down = RigidTransform(np.eye(3), np.array([0.0, 0.0, -2.0]))
    moved = trust.at(flat.vertices[inner], inner, down @ T_upper_lower)
    away = np.linalg.norm(flat.vertices[inner] - down.apply(seat), axis=1)
    assert_allclose(moved, tooth_trust(away), rtol=1e-12, atol=0)


@pytest.mark.slow
@pytest.mark.parametrize("side", [0, 1])
def test_a_gum_that_has_moved_pulls_less(side):
    # a record of one side, its gum 0.15 mm nearer to the scanner than on the arches
    record = demo_record("a").only(side)
    upper, lower, (bite,) = record.surfaces()
    start = Poses(record.T_upper_lower, record.T_upper_bites)
    every = np.arange(len(bite.mesh.vertices))
    there = record.T_upper_bites[0].apply(bite.mesh.vertices)
    arches = record.upper.vertices, record.lower.vertices
    trust = Trust.of(bite, every, arches, record.T_upper_lower, record.T_upper_bites[0])
    is_gum = trust.at(there, every, record.T_upper_lower) / np.maximum(trust.edge, 1e-9) < 0.5
    assert 0.1 < bite.vertex_area_mm2[is_gum].sum() / bite.vertex_area_mm2.sum() < 0.6
    swollen = bite.mesh.with_vertices(
        bite.mesh.vertices + 0.15 * is_gum[:, None] * bite.vertex_normals
    )
    errors = []
    for is_trusted_alike in (False, True):
        problem = JointProblem(upper, lower, [Surface.build(swollen)], RegistrationSettings())
        poses = problem.approach(start)
        if is_trusted_alike:
            problem.trust = None
        errors.append(record.error_um(problem.refine(poses, (0,)).poses.T_upper_lower))
    assert errors[0] < 0.5 * errors[1], errors


def test_any_place_near_enough_gives_the_trust_that_the_nearest_gives():
    # a bite scan on a dense upper arch, the lower one tilted away from it by up to 13 mm
    flat = plate(8.0, 60)
    rng = np.random.default_rng(4)
    upper = rng.uniform(-8.0, 8.0, (4000, 3)) * [1.0, 1.0, 0.05]
    lower = rng.uniform(-8.0, 8.0, (4000, 3)) * [1.0, 1.0, 0.05]
    lower[:, 2] -= 6.0 + 0.8 * lower[:, 0]
    every = np.arange(len(flat.vertices))
    trust = Trust.of(Surface.build(flat), every, (upper, lower), IDENTITY, IDENTITY)
    none = np.full(3, np.nan)
    nearest = [
        KDTree(p).query(flat.vertices, distance_upper_bound=GUM_MM)[1] for p in (upper, lower)
    ]
    near = [np.vstack([p, none])[at] for p, at in zip((upper, lower), nearest, strict=True)]
    whole = Trust(trust.edge, *near)
    assert (trust.near_upper != whole.near_upper).any(axis=1).mean() > 0.1  # another place
    for down_mm in (0.0, 0.5):
        points = flat.vertices - [0.0, 0.0, down_mm]
        found, wanted = (t.at(points, every, IDENTITY) for t in (trust, whole))
        assert_allclose(found, wanted, rtol=1e-12, atol=0)
        assert 0.1 < (found < trust.edge).mean() < 0.9
