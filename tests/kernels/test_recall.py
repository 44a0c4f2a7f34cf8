"""What is remembered of points that move answers as a search from nothing does."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import naive, shapes

from occlusim.contact.field import GapField
from occlusim.contact.foundation import ContactBody, NearContact, Ways
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.recall import FEW, MARGIN_MM
from occlusim.sdf import SdfSettings

REACH_MM = 0.05


@pytest.fixture(scope="module")
def field():
    return GapField.build(shapes.torus(nu=120, nv=48), SdfSettings(voxel_mm=0.1, band_mm=0.5))


def beside(field, rng, n=900):
    """Return a body of loose faces whose corners lie on both sides of the field, and beyond it."""
    mesh = field.surface.mesh
    picked = rng.integers(0, len(mesh.faces), 3 * n)
    weight = rng.dirichlet([0.4, 0.4, 0.4], 3 * n)
    points = np.einsum("nc,ncd->nd", weight, mesh.vertices[mesh.faces[picked]])
    points = points + rng.normal(0.0, 0.03, points.shape)
    points[::50] += 3.0
    faces = np.arange(3 * n, dtype=np.int32).reshape(n, 3)
    return ContactBody("loose", points, faces, np.zeros(n))


def whole_gaps(field, body, T, shift=0.0):
    return field.surface.closest(T.apply(body.points) + shift).distance_mm


def corner_gaps(print_, body):
    """Return the gaps (v,) by the body's vertices; NaN where the footprint says nothing."""
    out = np.full(len(body.points), np.nan)
    out[print_.vertex] = print_.gap_mm
    return out


def assert_as_a_first_look(found, field, body, T, shift=0.0):
    want = whole_gaps(field, body, T, shift)
    is_near = (want < REACH_MM)[body.faces].any(axis=1)
    is_known = (np.abs(want) < field.sdf.band_mm)[body.faces].all(axis=1)
    assert_array_equal(np.sort(found.face), np.flatnonzero(is_near & is_known))
    got = corner_gaps(found, body)
    known = np.unique(body.faces[found.face])
    assert len(known) > 300
    assert_allclose(got[known], want[known], rtol=0, atol=1e-12)


def test_a_walk_of_small_and_large_steps_is_exact_all_along(field, rng):
    """Steps below the margin are answered from memory, longer ones are searched for anew."""
    body = beside(field, rng)
    near, T = NearContact(field, body), RigidTransform.identity()
    for size in [1e-5, 1e-3, 0.3 * MARGIN_MM, 0.6 * MARGIN_MM, 2.0 * MARGIN_MM, 0.2, 1e-4, 0.0]:
        T = RigidTransform.exp(rng.normal(0.0, size, 6) / 3.0) @ T
        assert_as_a_first_look(near.footprint(T, REACH_MM), field, body, T)


def test_points_that_are_shifted_are_exact_where_they_lie(field, rng):
    body = beside(field, rng)
    own, other = rng.integers(0, 4, (2, len(body.points))).astype(np.int32)
    near = NearContact(field, body)
    for size in [1e-3, 2e-3, 0.05]:
        table = rng.normal(0.0, size, (4, 3))
        found = near.footprint(RigidTransform.identity(), REACH_MM, Ways(table, own, other))
        shift = table[own] - table[other]
        assert_as_a_first_look(found, field, body, RigidTransform.identity(), shift)


def test_directions_are_gradients_of_the_gap(field, rng):
    body = beside(field, rng)
    T = RigidTransform.exp([0.1, -0.2, 0.05, 0.02, 0.01, -0.03])
    found = NearContact(field, body).footprint(T, REACH_MM)
    step = 1e-6
    for k in range(3):
        ahead, back = found.points.copy(), found.points.copy()
        ahead[:, k] += step
        back[:, k] -= step
        surface = field.surface
        slope = surface.closest(ahead).distance_mm - surface.closest(back).distance_mm
        off = np.abs(slope / (2.0 * step) - found.direction[:, k])
        # Where a crease of the distance lies between the two, they differ.
        assert np.mean(off < 1e-4) > 0.97


def test_the_memory_holds_all_triangles_within_what_it_says(rng):
    """Those that are kept are the nearest ones, in order, and no other lies nearer than `rest`."""
    # At its poles twenty faces meet.
    field = GapField.build(shapes.capsule(n=20), SdfSettings(voxel_mm=0.1, band_mm=0.5))
    body = beside(field, rng, 60)
    points = body.points.copy()
    points[:4] = [[0.0, 0.0, 1.81], [0.001, 0.0, 1.79], [0.0, 0.002, -1.8], [0.001, 0.0, -1.83]]
    body = ContactBody("loose", points, body.faces, body.tooth)
    near = NearContact(field, body)
    near.footprint(RigidTransform.identity(), REACH_MM)
    origin, _, rest, count, slots, away = near._memory
    asked = np.flatnonzero(count > 0)
    assert len(asked) > 60
    assert (count[asked] == FEW).any()
    assert (count[asked] < FEW).any()
    every = naive.face_distances(origin[asked], field.surface.mesh)[:, field.surface.slot_face]
    for i, distance in zip(asked, every, strict=True):
        kept = slots[i, : count[i]]
        assert_allclose(away[i, : count[i]], distance[kept], rtol=0, atol=1e-12)
        assert (np.diff(away[i, : count[i]]) >= 0.0).all()
        assert_allclose(distance[kept[0]], distance.min(), rtol=0, atol=1e-12)
        assert np.delete(distance, kept).min() >= rest[i] - 1e-12
        assert rest[i] <= distance.min() + MARGIN_MM + 1e-12
