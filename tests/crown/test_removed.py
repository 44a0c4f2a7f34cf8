"""What was taken off is closed, and its volume is what the crown lost."""

import numpy as np
import pytest
import trimesh
from crown.block_shapes import ball, block, cap, path
from numpy.testing import assert_allclose

from occlusim.crown.reduction import ReductionSettings, plan_reduction
from occlusim.crown.removed import removed_body
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

DOWN = np.array([0.0, 0.0, -1.0])
BARE = ReductionSettings(direction=DOWN, seam_excess_mm=0.0)
REST = [path("centric", [0.0])]


def as_trimesh(mesh: TriangleMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


def test_two_balls_leave_two_closed_caps():
    """A cap of height d has the volume pi d^2 (3R - d) / 3."""
    crown = block(121, 6.0, 3.0)
    radius, dips = 2.0, (0.1, 0.06)
    balls = [ball(radius, (x, 0, radius - d), 6) for x, d in zip((-1.5, 1.5), dips, strict=True)]
    both = TriangleMesh(
        np.concatenate([b.vertices for b in balls]),
        np.concatenate([balls[0].faces, balls[1].faces + len(balls[0].vertices)]),
    )
    plan = plan_reduction(crown, Surface.build(both), REST, BARE)
    body = as_trimesh(removed_body(crown, plan.adjusted, plan.vertex_origin))
    assert body.is_watertight
    assert body.is_winding_consistent
    parts = body.split()
    assert len(parts) == 2
    volumes = sorted(part.volume for part in parts)
    closed_form = sorted(np.pi * d**2 * (3 * radius - d) / 3 for d in dips)
    assert_allclose(volumes, closed_form, rtol=0.01, atol=0)
    assert_allclose(body.volume, plan.volume_mm3, rtol=1e-9, atol=0)
    assert_allclose(body.bounds[:, 2], [-max(dips), 0.0], rtol=0, atol=1e-3)


def test_blend_rings_are_part_of_it():
    crown = cap(4.5, 3.0, 4)
    antagonist = Surface.build(ball(2.0, (0.0, 0.0, 4.5 + 2.0 - 0.1), 5))
    plan = plan_reduction(crown, antagonist, REST)
    body = as_trimesh(removed_body(crown, plan.adjusted, plan.vertex_origin))
    assert body.is_watertight
    assert body.is_winding_consistent
    lost = crown.volume() - plan.adjusted.volume()
    assert_allclose(body.volume, lost, rtol=1e-9, atol=0)
    assert_allclose(body.volume, plan.volume_mm3, rtol=1e-6, atol=0)


@pytest.mark.parametrize("rows", [(3, 5), (3, 3)])
def test_sheets_that_meet_inside_the_cut_are_told_apart(rows):
    """Neighbours sunk around an edge that stays: without telling apart it would have four faces."""
    crown = block(9, 4.0, 1.0)
    place = crown.vertices.copy()
    grid = np.arange(81).reshape(9, 9)
    for row in rows:
        place[grid[row, 3:6], 2] -= 0.1
    after = crown.with_vertices(place)
    body = as_trimesh(removed_body(crown, after))
    assert body.is_watertight
    assert body.is_winding_consistent
    assert_allclose(body.volume, crown.volume() - after.volume(), rtol=1e-12, atol=0)


def test_nothing_taken_off_is_no_body():
    crown = block(9, 4.0, 1.0)
    assert removed_body(crown, crown) is None


def test_new_faces_over_a_part_of_the_surface_bound_it():
    """A vertex of the top taken away, its fan closed flat and deeper by a new vertex."""
    crown = block(9, 4.0, 1.0)
    gone = 40
    fan = (crown.faces == gone).any(axis=1)
    new = len(crown.vertices) - 1
    kept = np.delete(np.arange(len(crown.vertices)), gone)
    number = np.full(len(crown.vertices), new)
    number[kept] = np.arange(len(kept))
    place = np.concatenate([crown.vertices[kept], crown.vertices[[gone]] - [[0, 0, 0.1]]])
    after = TriangleMesh(place, np.roll(number[crown.faces], 1, axis=0))
    body = as_trimesh(removed_body(crown, after, np.append(kept, -1)))
    assert body.is_watertight
    assert len(body.faces) == 2 * fan.sum()
    assert_allclose(body.volume, crown.volume() - after.volume(), rtol=1e-12, atol=0)
