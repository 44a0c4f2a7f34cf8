"""Reduction laws: closed forms, the conditions (a), (b), (d), (e), and what must not matter."""

import igl
import numpy as np
import pytest
import trimesh
from crown.block_shapes import along, ball, block, cap, path, rod, spike
from numpy.testing import assert_allclose

from occlusim.crown.integrity import is_watertight
from occlusim.crown.reduction import (
    ReductionPlan,
    ReductionSettings,
    plan_reduction,
    remainder,
)
from occlusim.crown.thickness import CrownWalls
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

DOWN = np.array([0.0, 0.0, -1.0])
STRAIGHT = ReductionSettings(direction=DOWN)
BARE = ReductionSettings(direction=DOWN, seam_excess_mm=0.0)
REST = [path("centric", [0.0])]


@pytest.fixture(scope="module")
def deep_ball() -> Surface:
    """A ball of radius 2 mm that dips 0.1 mm under z = 0."""
    return Surface.build(ball(2.0, (0.0, 0.0, 1.9), 6))


def ball_depth(x, y, radius=2.0, dip=0.1):
    r_sq = np.minimum(x**2 + y**2, radius**2)
    return np.maximum(dip - radius + np.sqrt(radius**2 - r_sq), 0.0)


def test_ball_into_plane_has_the_cap_s_depth_area_and_volume(deep_ball):
    """A cap of height d: area 2 pi R d - pi d^2 of its flat side, volume pi d^2 (3R - d) / 3."""
    crown = block(81, 4.0, 3.0)
    plan = plan_reduction(crown, deep_ball, REST, BARE)
    (spot,) = plan.spots
    radius, dip = 2.0, 0.1
    assert_allclose(spot.depth_mm, dip, rtol=0, atol=1e-3)
    assert_allclose(spot.normal_depth_mm, dip, rtol=0, atol=5e-4)
    assert_allclose(spot.area_mm2, np.pi * (2 * radius * dip - dip**2), rtol=0.01, atol=0)
    volume = np.pi * dip**2 * (3 * radius - dip) / 3
    assert_allclose(spot.volume_mm3, volume, rtol=0.01, atol=0)
    assert_allclose(crown.volume() - plan.adjusted.volume(), spot.volume_mm3, rtol=1e-9, atol=1e-12)
    wanted = ball_depth(*crown.vertices[:, :2].T) * (crown.vertices[:, 2] == 0)
    assert_allclose(plan.depth_mm, wanted, rtol=0, atol=1e-3)
    assert_allclose(spot.centroid, [0, 0, 0], rtol=0, atol=2e-3)
    assert spot.movement == "centric"
    assert spot.feasible


def test_wanted_gap_adds_to_the_depth(deep_ball):
    """Asking for a gap w is asking for a ball of radius R + w."""
    crown = block(41, 4.0, 3.0)
    paths = [path("centric", [0.0], wanted=0.025)]
    plan = plan_reduction(crown, deep_ball, paths, BARE)
    wanted = ball_depth(*crown.vertices[:, :2].T, radius=2.025, dip=0.125)
    top = crown.vertices[:, 2] == 0
    assert_allclose(plan.depth_mm[top], wanted[top], rtol=0, atol=2e-3)
    assert (plan.depth_mm[top] >= wanted[top] - 5e-4).all()


def test_rod_swept_over_a_plane_cuts_its_trough():
    """A rod dipping d, drawn by L: trough of the circle's segment plus d L, along the rod."""
    radius, dip, travel, width = 2.0, 0.1, 1.0, 4.0
    crown = block(81, width, 3.0)
    antagonist = Surface.build(rod(radius, 10.0, radius - dip, 1024))
    slide = path("protrusion", np.linspace(0, travel, 11), along((0.0, 1.0, 0.0)))
    plan = plan_reduction(crown, antagonist, [slide], BARE)
    y = crown.vertices[:, 1]
    # The crown moves +y, so in its frame the rod's axis goes from y = 0 to y = -L.
    off = np.maximum(np.maximum(y, -travel - y), 0.0)
    top = crown.vertices[:, 2] == 0
    profile = ball_depth(off, 0.0)
    assert_allclose(plan.depth_mm[top], profile[top], rtol=0, atol=1e-3)
    half = np.arccos((radius - dip) / radius)
    segment = radius**2 * (half - np.sin(half) * np.cos(half))
    volume = width * (segment + dip * travel)
    assert_allclose(crown.volume() - plan.adjusted.volume(), volume, rtol=0.01, atol=0)


def test_v_shaped_minimum_between_knots_is_cut_to_its_bottom(deep_ball):
    """The crown dips least by |s - 0.37| / 2: knots at 0.1 mm miss the tip by 15 um.

    Facets of 0.14 mm over a ball of 2 mm lift the depth by 1.2 um above the vertex's own.
    """
    crown = block(41, 4.0, 3.0)

    def place(s):
        return np.column_stack([0 * s, 0 * s, 0.05 - 0.5 * np.abs(s - 0.37)])

    dive = path("protrusion", np.linspace(0, 1, 11), place)
    (spot,) = plan_reduction(crown, deep_ball, [dive], BARE).spots
    assert_allclose(spot.normal_depth_mm, 0.15, rtol=0, atol=5e-4)
    assert_allclose(spot.depth_mm, 0.15, rtol=0, atol=2e-3)


def test_spike_between_vertices_is_cleared_by_its_facet():
    """No vertex of the crown is inside a spike that pokes 20 um into the middle of a facet."""
    crown = block(21, 4.0, 3.0)
    antagonist = Surface.build(spike(1.0, (0.13, 0.07, -0.02)))
    plan = plan_reduction(crown, antagonist, REST, STRAIGHT)
    (spot,) = plan.spots
    assert (plan.clearance_mm > 0).all()
    assert_allclose(spot.normal_depth_mm, 0.02 / np.sqrt(1 + 0.5**2), rtol=0, atol=0.012)
    tip = outside_mm(plan.adjusted, np.array([[0.13, 0.07, -0.02]]))
    assert tip[0] >= -1e-3


def as_trimesh(mesh: TriangleMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


def test_clean_crown_comes_back_itself(deep_ball):
    crown = block(41, 4.0, 3.0)
    plan = plan_reduction(crown, deep_ball, [path("centric", [0.0], along((0, 0, -0.2)), -0.2)])
    assert plan.spots == ()
    assert plan.adjusted is crown
    assert plan.volume_mm3 == 0.0


def bumpy_case(seed: int):
    """A crown of random waves in front of a waved antagonist, turned and shifted at random."""
    rng = np.random.default_rng(seed)
    waves = rng.uniform(-1, 1, (6, 4))

    def relief(x, y):
        z = 0 * x
        for a, b, phase, size in waves:
            z = z + 0.05 * size * np.sin(2.5 * (a * x + b * y) + 3 * phase)
        return z

    crown = block(45, 5.0, 2.5, relief)
    antagonist = Surface.build(ball(2.5, (*rng.uniform(-0.5, 0.5, 2), 2.45), 4))
    heading = rng.uniform(0, 2 * np.pi)
    go = (np.cos(heading), np.sin(heading), -0.2)
    paths = [
        path("centric", [0.0], wanted=0.025),
        path("protrusion", np.linspace(0, 1.5, 16), along(go), lambda s: 0.025 + 0.02 * s),
    ]
    return crown, antagonist, paths


@pytest.fixture(scope="module")
def bumpy() -> list[tuple]:
    cases = [bumpy_case(seed) for seed in range(4)]
    return [(*case, plan_reduction(*case)) for case in cases]


def outside_mm(mesh: TriangleMesh, points: np.ndarray) -> np.ndarray:
    """Signed distance (n,) by another library."""
    faces = mesh.faces.astype(np.int64)
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    return igl.signed_distance(np.ascontiguousarray(points), mesh.vertices, faces, kind)[0]


def gaps_elsewhere(plan: ReductionPlan, antagonist: Surface, paths: list) -> float:
    """Least of gap minus wanted by another library, both ways, at poses four times finer."""
    crown = plan.adjusted
    near = (plan.clearance_mm < 0.05)[crown.faces].any(axis=1)
    corners = crown.vertices[crown.faces[near]]
    weights = np.array([(i, j, 6 - i - j) for i in range(7) for j in range(7 - i)]) / 6.0
    points = np.einsum("kc,ncx->nkx", weights, corners).reshape(-1, 3)
    middle = antagonist.mesh.vertices.mean(axis=0)
    radius = np.linalg.norm(antagonist.mesh.vertices - middle, axis=1).max()
    least = np.inf
    for one in paths:
        knots = one.parameter_mm
        fine = np.linspace(knots[0], knots[-1], 4 * (len(knots) - 1) + 1)
        rotations, translations = one.poses(fine)
        for r, t, w in zip(rotations, translations, one.wanted_gap_mm(fine), strict=True):
            moved = points @ r.T + t
            moved = moved[np.linalg.norm(moved - middle, axis=1) < radius + 0.1]
            back = (antagonist.mesh.vertices - t) @ r
            back = back[(np.abs(back[:, :2]) < 2.4).all(axis=1) & (back[:, 2] < 0.6)]
            for gap in (outside_mm(antagonist.mesh, moved), outside_mm(crown, back)):
                if len(gap):
                    least = min(least, gap.min() - w)
    return least


@pytest.mark.slow
def test_gap_holds_by_another_library_at_finer_poses(bumpy):
    """Condition (a): gap >= wanted - 1 um."""
    for _, antagonist, paths, plan in bumpy:
        assert plan.spots
        assert plan.residual_mm >= -1e-3
        assert gaps_elsewhere(plan, antagonist, paths) >= -1e-3


def test_not_more_than_the_tolerance_is_taken(bumpy):
    """Raising all cut vertices by the tolerance brings the crown back into violation."""
    settings = ReductionSettings()
    for crown, antagonist, paths, plan in bumpy:
        core = np.concatenate([spot.vertices for spot in plan.spots])
        from occlusim.crown.clearance import swept_clearance, tabulate

        table = tabulate(paths, crown.vertices)
        left = swept_clearance(plan.adjusted.vertices[core], antagonist, table, 0.1).least_mm
        assert (left >= -1e-4).all()
        assert (left <= settings.tolerance_mm).all()


def test_vertices_outside_the_spots_keep_every_bit(bumpy):
    """Condition (d)."""
    for crown, _, _, plan in bumpy:
        touched = np.zeros(len(crown.vertices), dtype=bool)
        for spot in plan.spots:
            touched[spot.vertices] = True
            touched[spot.ring] = True
        assert not touched.all()
        assert crown.vertices[~touched].tobytes() == plan.adjusted.vertices[~touched].tobytes()
        assert (plan.depth_mm[~touched] == 0).all()


def test_ring_is_no_wider_than_the_blend(bumpy):
    for crown, _, _, plan in bumpy:
        core = np.concatenate([spot.vertices for spot in plan.spots])
        for spot in plan.spots:
            if len(spot.ring) == 0:
                continue
            gap = crown.vertices[spot.ring][:, None] - crown.vertices[core][None]
            assert np.linalg.norm(gap, axis=2).min(axis=1).max() <= 0.3


def test_watertight_and_free_of_crossings(bumpy):
    """Condition (e), watched by another library and by the volume's book-keeping."""
    for crown, _, _, plan in bumpy:
        after = as_trimesh(plan.adjusted)
        assert is_watertight(crown)
        assert is_watertight(plan.adjusted)
        assert after.is_watertight
        assert after.is_winding_consistent
        lost = crown.volume() - plan.adjusted.volume()
        assert_allclose(plan.volume_mm3, lost, rtol=1e-6, atol=1e-9)


def test_reducing_twice_changes_nothing(bumpy):
    for _, antagonist, paths, plan in bumpy:
        again = plan_reduction(plan.adjusted, antagonist, paths)
        assert again.spots == ()
        assert again.adjusted is plan.adjusted


def test_order_of_movements_does_not_matter(bumpy):
    crown, antagonist, paths, plan = bumpy[0]
    other = plan_reduction(crown, antagonist, paths[::-1])
    assert_allclose(other.depth_mm, plan.depth_mm, rtol=0, atol=1e-9)
    assert [s.movement for s in other.spots] == [s.movement for s in plan.spots]


def test_finer_table_changes_depths_by_less_than_two_micrometres(bumpy):
    from occlusim.crown.path import TableSettings

    crown, antagonist, paths, plan = bumpy[1]
    fine = plan_reduction(
        crown, antagonist, paths, ReductionSettings(table=TableSettings(chord_mm=0.02))
    )
    assert_allclose(fine.depth_mm, plan.depth_mm, rtol=0, atol=2e-3)


def test_thin_wall_limits_the_cut_and_names_the_shortfall():
    """Cap of 1.05 mm under a ball dipping 0.1 mm: 0.05 mm may go, 0.05 mm is missing.

    Facets of 0.13 mm lift the depth by 1 um; 0.2 um of wall are kept for what they may hide, and
    1.5 um to spare.
    """
    crown = cap(4.05, 3.0, 5)
    surface = Surface.build(crown)
    walls = CrownWalls.build(surface, np.array([0.0, 0.0, 1.0]))
    antagonist = Surface.build(ball(2.0, (0.0, 0.0, 4.05 + 2.0 - 0.1), 5))
    settings = ReductionSettings(min_thickness_mm=1.0)
    plan = plan_reduction(crown, antagonist, REST, settings, walls=walls, surface=surface)
    (spot,) = plan.spots
    assert not spot.feasible
    assert_allclose(spot.depth_mm, 0.1, rtol=0, atol=2e-3)
    assert_allclose(spot.shortfall_mm, 0.05, rtol=0, atol=4e-3)
    assert_allclose(spot.thickness_left_mm, 1.0, rtol=0, atol=2.5e-3)
    cut = plan.depth_mm > 0
    assert (plan.thickness_after_mm[cut] >= 1.0 - 1e-6).all()
    assert "thinner" in spot.reasons[0]


def test_thick_wall_limits_nothing():
    crown = cap(4.5, 3.0, 4)
    surface = Surface.build(crown)
    walls = CrownWalls.build(surface, np.array([0.0, 0.0, 1.0]))
    antagonist = Surface.build(ball(2.0, (0.0, 0.0, 4.5 + 2.0 - 0.1), 5))
    with_walls = plan_reduction(
        crown, antagonist, REST, ReductionSettings(min_thickness_mm=1.0), walls=walls
    )
    without = plan_reduction(crown, antagonist, REST)
    assert with_walls.adjusted.vertices.tobytes() == without.adjusted.vertices.tobytes()
    assert with_walls.spots[0].feasible


def test_minimum_without_walls_is_refused(deep_ball):
    with pytest.raises(InputError, match="walls"):
        plan_reduction(block(11, 4, 3), deep_ball, REST, ReductionSettings(min_thickness_mm=1.0))


def test_two_bumps_are_two_spots():
    """Two balls 1.2 mm apart whose dents touch: the way between is less than half as deep."""
    crown = block(61, 4.0, 3.0)
    a, b = ball(1.0, (-0.42, 0, 0.92), 5), ball(1.0, (0.42, 0, 0.92), 5)
    both = TriangleMesh(
        np.concatenate([a.vertices, b.vertices]),
        np.concatenate([a.faces, b.faces + len(a.vertices)]).astype(np.int32),
    )
    plan = plan_reduction(crown, Surface.build(both), REST, STRAIGHT)
    assert len(plan.spots) == 2
    assert_allclose(sorted(s.worst_point[0] for s in plan.spots), [-0.42, 0.42], rtol=0, atol=0.07)


def test_movement_named_is_the_closure_where_it_explains_the_spot(deep_ball):
    crown = block(41, 4.0, 3.0)
    away = path("protrusion", np.linspace(0, 1, 11), along((0.0, 1.0, -0.1)))
    deeper = path("protrusion", np.linspace(0, 1, 11), along((0.0, 1.0, 0.02)))
    assert plan_reduction(crown, deep_ball, [*REST, away], STRAIGHT).spots[0].movement == "centric"
    worse = plan_reduction(crown, deep_ball, [*REST, deeper], STRAIGHT).spots[0]
    assert worse.movement == "protrusion"
    assert_allclose(worse.depth_by_movement_mm["centric"], 0.1, rtol=0, atol=1e-3)


def test_antagonist_s_own_depth_counts_where_overlap_is_wanted():
    """A spike of half angle 27 deg: 20 um deep by its flanks is 45 um deep by its tip."""
    crown = block(41, 4.0, 3.0)
    tip = np.array([0.03, 0.02, -0.10])
    antagonist = Surface.build(spike(1.0, tuple(tip)))
    paths = [path("centric", [0.0], wanted=-0.020)]
    plan = plan_reduction(crown, antagonist, paths, STRAIGHT)
    assert plan.spots
    assert outside_mm(plan.adjusted, tip[None])[0] >= -0.020 - 1e-3


def test_facets_over_a_rounded_stump_keep_the_wall():
    """Wall held on a fine grid of every facet, not only at its corners."""
    crown = cap(4.05, 3.0, 3)
    surface = Surface.build(crown)
    walls = CrownWalls.build(surface, np.array([0.0, 0.0, 1.0]))
    antagonist = Surface.build(ball(3.0, (0.0, 0.0, 4.05 + 3.0 - 0.2), 4))
    settings = ReductionSettings(min_thickness_mm=0.95)
    plan = plan_reduction(crown, antagonist, REST, settings, walls=walls)
    assert not plan.spots[0].feasible
    face = np.flatnonzero((plan.depth_mm > 0)[crown.faces].any(axis=1))
    weights = np.array([(i, j, 8 - i - j) for i in range(9) for j in range(9 - i)]) / 8.0
    before, after = (
        walls.wall_mm(np.einsum("kc,ncx->nkx", weights, v[crown.faces[face]]).reshape(-1, 3))
        for v in (crown.vertices, plan.adjusted.vertices)
    )
    assert (after >= np.minimum(before, 0.95) - 1e-6).all()
    assert (after < 0.96).any()


def test_what_is_left_is_what_a_new_plan_would_find(deep_ball):
    """Half the cut leaves half the depth; a whole cut nothing; both as a plan from nothing says."""
    crown = block(41, 4.0, 3.0)
    plan = plan_reduction(crown, deep_ball, REST, BARE)
    for share, places in ((0.0, 1), (0.5, 1), (1.0, 0)):
        cut = crown.with_vertices(crown.vertices + share * plan.depth_mm[:, None] * DOWN)
        left = remainder(cut, deep_ball, BARE, crown, plan)
        anew = plan_reduction(cut, deep_ball, REST, BARE)
        assert len(left.depth_mm) == len(anew.spots) == places
        assert_allclose(left.clearance_mm, anew.clearance_mm, rtol=0, atol=3e-4)
        if places:
            assert_allclose(left.depth_mm, [0.1 * (1 - share)], rtol=0, atol=1e-3)


def test_what_was_left_alone_stands_as_it_stood():
    """A spike that pokes a facet between clear vertices; without a cut it is there afterwards."""
    crown = block(11, 4.0, 3.0)
    tip = Surface.build(spike(1.0, (0.1, 0.13, -0.05)))
    plan = plan_reduction(crown, tip, REST, BARE)
    assert len(plan.spots) == 1
    assert (plan.clearance_mm > 0).all()
    left = remainder(crown, tip, BARE, crown, plan.untouched(crown))
    assert_allclose(left.depth_mm, [plan.spots[0].normal_depth_mm], rtol=0, atol=1e-6)
    assert len(remainder(plan.adjusted, tip, BARE, crown, plan).depth_mm) == 0
