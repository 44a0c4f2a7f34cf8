"""Matching: the arch whose normal agrees, not merely the nearer; foreign surface left out."""

import numpy as np
from numpy.testing import assert_allclose
from registration.arch_phantom import (
    TRUE_BITES,
    TRUE_LOWER,
    build_phantom,
    molar_error_um,
)

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration import joint
from occlusim.registration.bite import RegistrationSettings, register_bite
from occlusim.registration.joint import JointProblem
from occlusim.registration.matches import Poses

IDENTITY = RigidTransform.identity()


def _sheet(height_mm: float, up: bool) -> TriangleMesh:
    x, y = np.meshgrid(np.arange(9.0), np.arange(9.0))
    low = (np.arange(8)[:, None] * 9 + np.arange(8)).ravel()
    faces = np.concatenate(
        [np.column_stack([low, low + 1, low + 10]), np.column_stack([low, low + 10, low + 9])]
    )
    points = np.column_stack([x.ravel(), y.ravel(), np.full(81, height_mm)])
    return TriangleMesh(points, faces if up else faces[:, ::-1])


def test_the_arch_whose_normal_agrees_is_matched_not_the_nearer():
    upper, lower = Surface.build(_sheet(0.0, up=False)), Surface.build(_sheet(-0.1, up=True))
    bite = Surface.build(_sheet(-0.02, up=True))  # near the upper, but facing as the lower does
    problem = JointProblem(upper, lower, [bite], RegistrationSettings())
    found = problem.match(0, Poses(IDENTITY, (IDENTITY,)), problem.all_rows(0), 0.2)
    assert len(found.vertex) > 0
    assert found.is_lower.all()
    assert_allclose(found.residual_mm, 0.08, rtol=0, atol=1e-12)


def test_foreign_surface_on_a_bite_scan_moves_the_pose_less_than_its_noise():
    # a tenth of the right bite scan stands off by up to 0.3 mm, as cheek or saliva does
    p = build_phantom(0.5, 9, sigma_mm=0.015)
    bite = Surface.build(p.bites[0])
    seat = p.bites[0].vertices[len(p.bites[0].vertices) // 4]
    away = np.linalg.norm(p.bites[0].vertices - seat, axis=1)
    bump = 0.3 * np.clip(1 - (away / 3.5) ** 2, 0, None)
    assert 0.03 < bite.vertex_area_mm2[bump > 0.03].sum() / bite.vertex_area_mm2.sum() < 0.15
    dirty = p.bites[0].with_vertices(p.bites[0].vertices + bump[:, None] * bite.vertex_normals)
    arches = Surface.build(p.upper), Surface.build(p.lower)
    poses = []
    for mesh in (p.bites[0], dirty):
        scans = [Surface.build(mesh), Surface.build(p.bites[1])]
        found = register_bite(*arches, scans, T_upper_lower=TRUE_LOWER, T_upper_bites=TRUE_BITES)
        poses.append(found.T_upper_lower)
    assert molar_error_um(*poses) < 11.0  # standard deviation at the molars on this phantom, um


def test_weights_that_follow_between_matches_save_rounds_and_move_nothing(monkeypatch):
    p = build_phantom(0.5, 9, sigma_mm=0.015, arch_theta=(0.15, 1.8))
    surfaces = [Surface.build(mesh) for mesh in (p.upper, p.lower, *p.bites)]
    found = {}
    for n_weights in (1, joint.MOST_WEIGHTS):
        monkeypatch.setattr(joint, "MOST_WEIGHTS", n_weights)
        found[n_weights] = register_bite(
            *surfaces[:2], surfaces[2:], T_upper_lower=TRUE_LOWER, T_upper_bites=TRUE_BITES
        )
    slow, fast = found.values()
    assert molar_error_um(fast.T_upper_lower, slow.T_upper_lower) < 0.01
    assert fast.n_rounds < slow.n_rounds
    for a, b in zip(fast.T_upper_lower_alone, slow.T_upper_lower_alone, strict=True):
        assert molar_error_um(a, b) < 0.1  # alone, poses settle to 0.1 um


def test_scans_alone_end_where_a_registration_of_each_ends():
    p = build_phantom(0.5, 9, sigma_mm=0.015, arch_theta=(0.15, 1.8))
    upper, lower, *bites = [Surface.build(mesh) for mesh in (p.upper, p.lower, *p.bites)]
    both = register_bite(upper, lower, bites, T_upper_lower=TRUE_LOWER, T_upper_bites=TRUE_BITES)
    for bite, start, alone in zip(bites, TRUE_BITES, both.T_upper_lower_alone, strict=True):
        one = register_bite(
            upper, lower, [bite], T_upper_lower=TRUE_LOWER, T_upper_bites=[start]
        ).T_upper_lower
        assert molar_error_um(one, alone) < 0.5  # far side of one side; which vertices lie where


def test_match_distances_are_approached_by_steps_only_where_these_leave_something_out(monkeypatch):
    p = build_phantom(0.5, 9, sigma_mm=0.015)
    bite = Surface.build(p.bites[0])
    seat = p.bites[0].vertices[len(p.bites[0].vertices) // 4]
    away = np.linalg.norm(p.bites[0].vertices - seat, axis=1)
    bump = 0.45 * np.clip(1 - (away / 4.0) ** 2, 0, None)
    dirty = p.bites[0].with_vertices(p.bites[0].vertices + bump[:, None] * bite.vertex_normals)
    arches, other = (Surface.build(p.upper), Surface.build(p.lower)), Surface.build(p.bites[1])
    seen: list[float] = []
    match = JointProblem.match

    def watched(self, k, poses, row, reach_mm, like=None):
        seen.append(reach_mm)
        return match(self, k, poses, row, reach_mm, like)

    monkeypatch.setattr(JointProblem, "match", watched)
    off = RigidTransform.exp([0.004, -0.003, 0.005, 0.1, -0.12, 0.08])
    start = Poses(off @ TRUE_LOWER, tuple(off.inverse() @ T for T in TRUE_BITES))
    distances = []
    for mesh in (p.bites[0], dirty):
        seen.clear()
        problem = JointProblem(*arches, [Surface.build(mesh), other], RegistrationSettings())
        problem.approach(start)
        distances.append(sorted(set(seen)))
    assert_allclose(distances[0], [0.25, 0.6], rtol=1e-12, atol=0)
    assert len(distances[1]) > 2
