"""How natural teeth meet at a record: closed forms, symmetry, and the demo arches moved apart."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from reference.laws import random_pose
from reference.shapes import plate, refined, sphere

from demo_arches.noise import FOLDER
from occlusim.errors import InputError
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.record_contact import (
    SUPPORT_MM2,
    ContactSettings,
    RecordContact,
    ToothFaces,
    record_contact,
)

RADIUS, DEPTH = 5.0, 0.12
SAG_MM = 0.001
"""How far the sphere's faces, with edges of 0.13 mm, lie below it at most: e^2 / (8 R) = 0.4 um,
and about as much again where a level is cut along straight lines."""


def _teeth(mesh: TriangleMesh) -> ToothFaces:
    return ToothFaces(Surface.build(mesh), np.ones(len(mesh.faces), dtype=bool))


def _down(mm: float) -> RigidTransform:
    return RigidTransform(np.eye(3), np.array([0.0, 0.0, -mm]))


@pytest.fixture(scope="module")
def ball() -> ToothFaces:
    """A sphere as the upper teeth; it touches the plane z = -RADIUS."""
    mesh = sphere(RADIUS, 16)
    low = np.flatnonzero(mesh.vertices[mesh.faces][:, :, 2].max(axis=1) < -0.8 * RADIUS)
    part = refined(mesh.submesh(low.astype(np.int32))[0], 2)
    on_it = RADIUS * part.vertices / np.linalg.norm(part.vertices, axis=1, keepdims=True)
    return _teeth(part.with_vertices(on_it))


@pytest.fixture(scope="module")
def table() -> ToothFaces:
    """A plate as the lower teeth, facing up."""
    return _teeth(plate(2.5, 50))


def test_a_sphere_in_a_plate_overlaps_by_the_cap(ball, table):
    found = record_contact(ball, table, _down(RADIUS - DEPTH)).whole
    # The cap's surface deeper than t is 2 pi R (d - t), so its supported depth is in closed form;
    # the plate's surface is at most as deep.
    assert_allclose(
        found.gap_mm, -(DEPTH - SUPPORT_MM2 / (2 * np.pi * RADIUS)), rtol=0, atol=SAG_MM
    )
    cap, disc = 2 * np.pi * RADIUS * DEPTH, np.pi * (2 * RADIUS * DEPTH - DEPTH**2)
    assert_allclose(found.overlap_mm2, 0.5 * (cap + disc), rtol=0.01, atol=0)
    # Integral of the depth: below the plate over the cap, R less the distance over the disc.
    over_cap = np.pi * RADIUS * DEPTH**2
    low = RADIUS - DEPTH
    over_disc = np.pi * (RADIUS * (RADIUS**2 - low**2) - 2 / 3 * (RADIUS**3 - low**3))
    assert_allclose(found.overlap_mm3, 0.5 * (over_cap + over_disc), rtol=0.015, atol=0)
    assert_allclose(found.at[:2], 0.0, rtol=0, atol=0.2)
    assert_allclose(found.at[2], -RADIUS, rtol=0, atol=0.1)


@pytest.mark.parametrize("gap_mm", [0.1, 1.3])
def test_teeth_that_stay_apart_have_a_positive_gap_and_no_overlap(ball, table, gap_mm):
    found = record_contact(ball, table, _down(RADIUS + gap_mm))
    supported = gap_mm + SUPPORT_MM2 / (2 * np.pi * RADIUS)
    assert_allclose(found.whole.gap_mm, supported, rtol=0, atol=SAG_MM)
    assert found.whole.overlap_mm2 == found.whole.overlap_mm3 == 0.0
    assert found.state == "open"


def test_what_is_too_far_to_see_is_not_known_and_open(ball, table):
    found = record_contact(ball, table, _down(RADIUS + 3.0))
    assert np.isnan(found.whole.gap_mm)
    assert np.isnan(found.whole.at).all()
    assert found.state == "open"


def test_moving_all_or_swapping_the_arches_changes_nothing(ball, table, rng):
    here = record_contact(ball, table, _down(RADIUS - DEPTH)).whole
    a, b = random_pose(rng), random_pose(rng)
    moved = record_contact(
        _teeth(ball.surface.mesh.transformed(a)),
        _teeth(table.surface.mesh.transformed(b)),
        a @ _down(RADIUS - DEPTH) @ b.inverse(),
    ).whole
    swapped = record_contact(table, ball, _down(RADIUS - DEPTH).inverse()).whole
    for other in (moved, swapped):
        assert_allclose(other.gap_mm, here.gap_mm, rtol=0, atol=2e-5)
        assert_allclose(other.overlap_mm2, here.overlap_mm2, rtol=1e-6, atol=0)
        assert_allclose(other.overlap_mm3, here.overlap_mm3, rtol=1e-6, atol=0)


def test_faces_that_do_not_count_are_left_out(ball, table):
    mesh = table.surface.mesh
    far = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1)[:, :2], axis=1) > 1.5
    nowhere = ToothFaces(ball.surface, np.zeros(len(ball.faces), dtype=bool))
    found = record_contact(nowhere, ToothFaces(table.surface, far), _down(RADIUS - DEPTH))
    assert found.whole.gap_mm > 0
    assert found.whole.overlap_mm2 == 0.0


def test_a_speck_is_no_contact(ball, table):
    mesh = table.surface.mesh
    vertices = mesh.vertices.copy()
    spike = int(np.argmin(np.linalg.norm(vertices[:, :2] - 1.0, axis=1)))
    vertices[spike, 2] += 0.5  # its faces cover 0.03 mm2 below 0.1 mm
    found = record_contact(ball, _teeth(mesh.with_vertices(vertices)), _down(RADIUS + 0.2))
    assert found.whole.gap_mm > 0.0


def test_sides_are_told_apart_and_one_may_stay_open(ball, table):
    """Two balls, the left one 0.2 mm higher: right touches, left stays open."""
    shift = np.array([6.0, 0.0, 0.0])
    meshes = [ball.surface.mesh, table.surface.mesh]
    both = []
    for k, mesh in enumerate(meshes):
        left_up = np.array([0.0, 0.0, 0.2 if k == 0 else 0.0])
        vertices = np.vstack([mesh.vertices + shift, mesh.vertices - shift + left_up])
        faces = np.vstack([mesh.faces, mesh.faces + len(mesh.vertices)])
        both.append(_teeth(TriangleMesh(vertices, faces)))
    found = record_contact(
        both[0], both[1], _down(RADIUS - 0.02), T_jaw_upper=RigidTransform.identity()
    )
    little = SUPPORT_MM2 / (2 * np.pi * RADIUS)
    assert_allclose(found.sides["right"].gap_mm, -0.02 + little, rtol=0, atol=SAG_MM)
    assert_allclose(found.sides["left"].gap_mm, 0.18 + little, rtol=0, atol=SAG_MM)
    assert (found.state, found.open_side) == ("open_one_side", "left")
    assert found.whole.gap_mm == found.sides["right"].gap_mm


def test_the_pose_grants_twice_its_height_to_both_limits(ball, table):
    settings = ContactSettings(overlap_um=100.0, gap_um=50.0, n_sigma=2.0)
    tight = record_contact(ball, table, _down(RADIUS - DEPTH), settings=settings)
    wide = record_contact(
        ball, table, _down(RADIUS - DEPTH), settings=settings, sigma_height_mm=0.02
    )
    assert (tight.state, wide.state) == ("over_closed", "meets")
    assert_allclose([wide.limit_open_mm, wide.limit_overlap_mm], [0.09, 0.14], rtol=1e-12, atol=0)
    with pytest.raises(InputError, match="overlap_um"):
        ContactSettings(overlap_um=0.0)


def _demo(shift_mm: float) -> RecordContact:
    truth = json.loads((FOLDER / "molar-46.truth.json").read_text(encoding="utf-8"))
    upper, lower = (
        Surface.build(read_mesh(FOLDER / f"{arch}_a.ply").mesh) for arch in ("upper", "lower")
    )
    T_upper_lower = RigidTransform.from_matrix(truth["T_upper_lower"])
    T_jaw_upper = RigidTransform.from_matrix(truth["T_jaw_upper"])
    up = T_jaw_upper.inverse().rotate([0.0, 0.0, 1.0])
    return record_contact(
        ToothFaces(upper, np.ones(len(upper.mesh.faces), dtype=bool)),
        ToothFaces(lower, np.ones(len(lower.mesh.faces), dtype=bool)),
        RigidTransform(np.eye(3), shift_mm * up) @ T_upper_lower,
        T_jaw_upper=T_jaw_upper,
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shift_mm", "state"), [(0.0, "meets"), (-0.3, "open"), (0.3, "over_closed")]
)
def test_the_demo_arches_meet_and_are_found_open_or_over_closed(shift_mm, state):
    found = _demo(shift_mm)
    assert found.state == state
    # Facets that match at the bite part or overlap by the movement along their normal at most.
    assert abs(found.whole.gap_mm) <= abs(shift_mm) + 0.02  # scan noise of both, 2.8 sigma
