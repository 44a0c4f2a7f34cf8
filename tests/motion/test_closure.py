"""Closure on the hinge against trigonometry and the closed form of a sphere on a foundation."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody, FoundationSettings
from occlusim.errors import DegenerateProblem
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.motion.closure import ClosureSettings, Opposition, close_to_load
from occlusim.motion.hinge import Hinge
from occlusim.sdf import SdfSettings

RADIUS_MM = 3.0
LEVER_MM = 60.0
PLANE_MM = 4.0
SUPERIOR = np.array([0.0, 0.0, 1.0])


def plate(z_mm, size_mm=4.0, n=40):
    """Return an open plate that faces down, its normal -z, about (0, LEVER, z)."""
    t = np.linspace(-size_mm, size_mm, n + 1)
    x, y = np.meshgrid(t, t + LEVER_MM, indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, z_mm)])
    i = np.arange(n * (n + 1)).reshape(n, n + 1)[:, :-1].ravel()
    faces = np.concatenate(
        [
            np.column_stack([i, i + 1, i + n + 1]),
            np.column_stack([i + 1, i + n + 2, i + n + 1]),
        ]
    )
    return TriangleMesh(vertices, faces)


def cap(centre, radius_mm=RADIUS_MM, half_angle=0.35, n=160):
    """Return the top of a sphere as an open cap, finely and evenly triangulated."""
    t = np.linspace(-half_angle, half_angle, n + 1)
    a, b = np.meshgrid(t, t, indexing="ij")
    direction = np.stack([np.tan(a), np.tan(b), np.ones_like(a)], axis=-1)
    direction /= np.linalg.norm(direction, axis=-1, keepdims=True)
    vertices = centre + radius_mm * direction.reshape(-1, 3)
    i = np.arange(n * (n + 1)).reshape(n, n + 1)[:, :-1].ravel()
    faces = np.concatenate(
        [
            np.column_stack([i, i + n + 1, i + 1]),
            np.column_stack([i + 1, i + n + 1, i + n + 2]),
        ]
    )
    return TriangleMesh(vertices, faces)


def opposition(field_mesh, body_mesh, *, field_is_upper):
    field = GapField.build(Surface.build(field_mesh), SdfSettings())
    body = ContactBody(
        "body", body_mesh.vertices, body_mesh.faces, np.full(len(body_mesh.faces), 36)
    )
    return Opposition(field, body, field_is_upper, np.full(len(field_mesh.faces), 26))


def hinge():
    return Hinge(np.zeros(3), np.array([1.0, 0.0, 0.0]), RigidTransform.identity())


def angle_of_depth(depth_mm, centre_z):
    """Return the opening at which the sphere overlaps the plate by `depth_mm`: trigonometry."""
    lever = np.hypot(LEVER_MM, centre_z)
    return np.arctan2(centre_z, LEVER_MM) - np.arcsin((PLANE_MM - RADIUS_MM + depth_mm) / lever)


def depth_of_load(load_N, stiffness):
    """Return the depth of a sphere on a foundation: F = k pi d^2 (3R - d) / 3 (Johnson 1985)."""
    roots = np.roots([-1.0, 3 * RADIUS_MM, 0.0, -3 * load_N / (np.pi * stiffness)])
    return float(min(r.real for r in roots if r.real > 0))


@pytest.mark.parametrize("load_N", [0.2, 5.0, 40.0])
@pytest.mark.parametrize("start_mm", [-0.6, 0.0, 0.25])
def test_sphere_closes_to_the_depth_of_its_load(load_N, start_mm):
    centre_z = PLANE_MM - RADIUS_MM - 0.02
    field = opposition(
        plate(PLANE_MM), cap(np.array([0.0, LEVER_MM, centre_z])), field_is_upper=True
    )
    foundation = FoundationSettings()
    found = close_to_load(
        hinge(), [field], SUPERIOR, load_N, foundation, ClosureSettings(),
        start_rad=-start_mm / LEVER_MM,
    )  # fmt: skip
    depth_mm = depth_of_load(load_N, foundation.stiffness_MPa_per_mm)
    expected = angle_of_depth(depth_mm, centre_z)
    assert_allclose(found.opening_rad * LEVER_MM, expected * LEVER_MM, rtol=0, atol=5e-4)
    assert_allclose(found.support_N, load_N, rtol=2e-2, atol=0)


@pytest.mark.parametrize("off_mm", [1e-4, 5e-4])
def test_a_short_last_step_may_be_taken_on_the_linear_gaps(off_mm):
    centre_z = PLANE_MM - RADIUS_MM - 0.02
    field = opposition(
        plate(PLANE_MM), cap(np.array([0.0, LEVER_MM, centre_z])), field_is_upper=True
    )
    exact = close_to_load(hinge(), [field], SUPERIOR, 5.0, FoundationSettings(), ClosureSettings())
    quick = close_to_load(
        hinge(), [field], SUPERIOR, 5.0, FoundationSettings(),
        ClosureSettings(trusted_step_mm=1e-3), start_rad=exact.opening_rad + off_mm / LEVER_MM,
    )  # fmt: skip
    assert quick.n_rounds == 1
    assert_allclose(quick.opening_rad * LEVER_MM, exact.opening_rad * LEVER_MM, rtol=0, atol=3e-5)
    assert_allclose(quick.support_N, 5.0, rtol=0, atol=1e-6)


def test_no_load_is_first_contact():
    centre_z = PLANE_MM - RADIUS_MM - 0.3
    field = opposition(
        plate(PLANE_MM), cap(np.array([0.0, LEVER_MM, centre_z])), field_is_upper=True
    )
    found = close_to_load(hinge(), [field], SUPERIOR, 1e-4, FoundationSettings(), ClosureSettings())
    expected = angle_of_depth(0.0, centre_z)
    assert_allclose(found.opening_rad * LEVER_MM, expected * LEVER_MM, rtol=0, atol=1e-3)


def test_either_jaw_may_be_the_field():
    centre_z = PLANE_MM - RADIUS_MM - 0.1
    sphere, table = cap(np.array([0.0, LEVER_MM, centre_z])), plate(PLANE_MM, n=200)
    openings = [
        close_to_load(
            hinge(), [one], SUPERIOR, 5.0, FoundationSettings(), ClosureSettings()
        ).opening_rad
        for one in (
            opposition(table, sphere, field_is_upper=True),
            opposition(sphere, table, field_is_upper=False),
        )
    ]
    assert_allclose(openings[0] * LEVER_MM, openings[1] * LEVER_MM, rtol=0, atol=5e-4)


def test_a_rigid_motion_of_everything_changes_nothing():
    turn = RigidTransform.exp([0.3, -0.5, 0.8, 20.0, -30.0, 10.0])
    centre_z = PLANE_MM - RADIUS_MM - 0.1
    sphere, table = cap(np.array([0.0, LEVER_MM, centre_z])), plate(PLANE_MM)
    still = close_to_load(
        hinge(), [opposition(table, sphere, field_is_upper=True)], SUPERIOR, 5.0,
        FoundationSettings(), ClosureSettings(),
    )  # fmt: skip
    moved_hinge = Hinge(
        turn.apply(np.zeros(3)), turn.rotate(np.array([1.0, 0, 0])), RigidTransform.identity()
    )
    moved = close_to_load(
        moved_hinge,
        [opposition(table.transformed(turn), sphere.transformed(turn), field_is_upper=True)],
        turn.rotate(SUPERIOR), 5.0, FoundationSettings(), ClosureSettings(),
    )  # fmt: skip
    assert_allclose(moved.opening_rad * LEVER_MM, still.opening_rad * LEVER_MM, rtol=0, atol=1e-4)


def test_surfaces_that_never_meet_are_refused():
    field = opposition(
        plate(PLANE_MM), cap(np.array([0.0, LEVER_MM - 30.0, -3.0])), field_is_upper=True
    )
    with pytest.raises(DegenerateProblem, match="do not meet"):
        close_to_load(hinge(), [field], SUPERIOR, 5.0, FoundationSettings(), ClosureSettings())
