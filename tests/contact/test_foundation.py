"""The elastic foundation against closed forms of a sphere pressed into a plane."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from occlusim.contact.field import GapField
from occlusim.contact.foundation import (
    ContactBody,
    FoundationSettings,
    NearContact,
    near_part,
    pressed_load,
    support_N,
)
from occlusim.contact.overlap import clipped_integrals
from occlusim.contact.patches import contacts_by_pair
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.support import support_volume

RADIUS_MM, DEPTH_MM = 3.0, 0.05
UP = np.array([0.0, 0.0, 1.0])


def grid_faces(n, *, flip=False):
    i = np.arange(n * (n + 1)).reshape(n, n + 1)[:, :-1].ravel()
    faces = np.concatenate([
        np.column_stack([i, i + n + 1, i + 1]), np.column_stack([i + 1, i + n + 1, i + n + 2])
    ])  # fmt: skip
    return faces[:, ::-1] if flip else faces


def pressed_sphere(n=240):
    """Return the field of a plate that looks down and a cap that overlaps it by DEPTH_MM."""
    t = np.linspace(-2.0, 2.0, 41)
    x, y = np.meshgrid(t, t, indexing="ij")
    plate = TriangleMesh(
        np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]), grid_faces(40, flip=True)
    )
    a = np.tan(np.linspace(-0.25, 0.25, n + 1))
    u, v = np.meshgrid(a, a, indexing="ij")
    direction = np.stack([u, v, np.ones_like(u)], axis=-1).reshape(-1, 3)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    centre = np.array([0.0, 0.0, DEPTH_MM - RADIUS_MM])
    faces = grid_faces(n)
    body = ContactBody("cap", centre + RADIUS_MM * direction, faces, np.full(len(faces), 46))
    return GapField.build(plate), body


def test_force_is_stiffness_times_the_cap_volume():
    # Winkler foundation, Johnson 1985 chapter 4 (from memory): F = k pi d^2 (3R - d) / 3.
    field, body = pressed_sphere()
    settings = FoundationSettings(stiffness_MPa_per_mm=100.0)
    found = NearContact(field, body).footprint(RigidTransform.identity(), settings.reach_mm)
    force = support_N(found, np.zeros(len(found.points)), 0.0, UP, settings)
    expected = 100.0 * np.pi * DEPTH_MM**2 * (3 * RADIUS_MM - DEPTH_MM) / 3
    assert_allclose(force, expected, rtol=2e-3, atol=0)
    corners = found.gap_mm[found.faces]
    weight = settings.stiffness_MPa_per_mm * found.counted_mm2
    load = pressed_load(found, corners, np.zeros_like(corners), found.direction, -UP, weight)
    area = 2 * np.pi * RADIUS_MM * DEPTH_MM  # of the cap itself
    assert_allclose(load.area_mm2.sum(), area, rtol=1e-2, atol=0)
    pair = contacts_by_pair(found, load, body.tooth, np.full(len(field.surface.mesh.faces), 16))
    assert [(p.body_tooth, p.field_tooth) for p in pair] == [(46, 16)]
    assert_allclose(pair[0].load_N, expected, rtol=2e-3, atol=0)
    assert_allclose(pair[0].least_gap_mm, -DEPTH_MM, rtol=0, atol=1e-6)
    assert_allclose(pair[0].mean_gap_mm, -DEPTH_MM / 2, rtol=2e-2, atol=0)


def test_near_part_holds_every_face_within_reach():
    field, body = pressed_sphere(60)
    near = near_part(field, body, RigidTransform.identity(), 0.5)
    assert len(near.faces) <= len(body.faces)
    lift = RigidTransform.exp([0.0, 0.01, 0.0, 0.05, 0.0, -0.1])
    whole = NearContact(field, body).footprint(lift, 0.05)
    part = NearContact(field, near).footprint(lift, 0.05)
    assert_allclose(np.sort(part.gap_mm), np.sort(whole.gap_mm), rtol=0, atol=0)


@pytest.mark.parametrize("reach_mm", [0.002, 0.03])
@pytest.mark.parametrize("rise_mm", [-0.02, -0.001, 0.0004, 0.03])
def test_a_narrowed_footprint_is_that_of_a_first_look(reach_mm, rise_mm):
    """The faces and gaps at a later pose are those that a search from nothing finds there."""
    field, body = pressed_sphere(90)
    known = NearContact(field, body)
    known.footprint(RigidTransform.identity(), 0.03)
    later = RigidTransform.exp([1e-4, 2e-4, 0.0, 0.01, -0.02, rise_mm])
    narrowed, fresh = known.footprint(later, reach_mm), NearContact(field, body)
    wanted = fresh.footprint(later, reach_mm)
    assert len(wanted.face) > 0
    assert np.array_equal(narrowed.face, wanted.face)
    assert np.array_equal(narrowed.gap_mm, wanted.gap_mm)
    assert np.array_equal(narrowed.direction, wanted.direction)
    assert known.least_mm(later) <= wanted.gap_mm.min()


def test_every_face_with_a_corner_within_reach_is_in_the_footprint():
    field, body = pressed_sphere(90)
    found = NearContact(field, body).footprint(RigidTransform.identity(), 0.01)
    gap = field.exact(body.points)
    expected = np.flatnonzero((gap < 0.01)[body.faces].any(axis=1))
    assert np.array_equal(np.sort(found.face), expected)


@given(st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=3))
def test_support_of_a_face_is_its_clipped_volume(phi):
    vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.3, 2.0, 0.0]])
    faces = np.array([[0, 1, 2]], dtype=np.int32)
    gap = np.array(phi)
    volume = support_volume(faces, gap, np.zeros(3), 0.0, np.array([1.0]))
    expected = clipped_integrals(vertices, faces, gap, 0.0).volume_mm3[0]
    assert_allclose(volume, expected, rtol=1e-9, atol=1e-12)


def test_settings_that_cannot_be_are_refused():
    with pytest.raises(InputError, match="positive"):
        FoundationSettings(stiffness_MPa_per_mm=-1.0)
