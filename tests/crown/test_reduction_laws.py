"""Closed forms of what is cut, and what must or must not change it, on many cases."""

import numpy as np
import pytest
from crown.block_shapes import ball, block, path, rod
from hypothesis import Phase, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from occlusim.crown.path import CrownPath
from occlusim.crown.reduction import ReductionSettings, plan_reduction
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

DOWN = np.array([0.0, 0.0, -1.0])
BARE = ReductionSettings(direction=DOWN, seam_excess_mm=0.0)
REST = [path("centric", [0.0])]
REMOVED = 0.01
DEPTH_MM = 1e-3

pytestmark = pytest.mark.slow


def lost(crown, plan):
    assert_allclose(plan.volume_mm3, crown.volume() - plan.adjusted.volume(), rtol=1e-6, atol=1e-9)
    return plan.volume_mm3


def test_ball_into_ball_takes_the_lens():
    """Balls of 3 and 2 mm that overlap by 0.1 mm; volume of the lens (elementary)."""
    a, b, dip = 3.0, 2.0, 0.1
    apart = a + b - dip
    crown = ball(a, (0.0, 0.0, 0.0), 6)
    antagonist = Surface.build(ball(b, (0.0, 0.0, apart), 6))
    (spot,) = (plan := plan_reduction(crown, antagonist, REST, BARE)).spots
    lens = np.pi * dip**2 * (apart**2 + 2 * apart * (a + b) - 3 * (a - b) ** 2) / (12 * apart)
    assert_allclose(spot.depth_mm, dip, rtol=0, atol=DEPTH_MM)
    assert_allclose(lost(crown, plan), lens, rtol=REMOVED, atol=0)
    x, y, z = crown.vertices.T
    off_sq = np.minimum(x**2 + y**2, b**2)
    wanted = np.where(z > 0, np.maximum(z - (apart - np.sqrt(b**2 - off_sq)), 0.0), 0.0)
    assert_allclose(plan.depth_mm, wanted, rtol=0, atol=DEPTH_MM)


def lens_area(a, b, apart):
    """Area that two circles of radius a and b share."""
    x = (apart**2 + a**2 - b**2) / (2 * apart)
    y = np.sqrt(a**2 - x**2)
    return a**2 * np.arccos(x / a) + b**2 * np.arccos((apart - x) / b) - apart * y


def test_cylinder_in_a_groove_takes_the_crescent():
    """A rod of 2 mm in a groove of 3 mm, 0.08 mm too deep: the rod's circle less the lens."""
    groove, radius, dip, width = 3.0, 2.0, 0.08, 4.0
    crown = block(121, width, 3.0, lambda _, y: groove - np.sqrt(groove**2 - y**2))
    antagonist = Surface.build(rod(radius, 10.0, radius - dip, 1024))
    plan = plan_reduction(crown, antagonist, REST, BARE)
    apart = groove - radius + dip
    crescent = np.pi * radius**2 - lens_area(radius, groove, apart)
    assert_allclose(max(s.depth_mm for s in plan.spots), dip, rtol=0, atol=DEPTH_MM)
    assert_allclose(lost(crown, plan), width * crescent, rtol=REMOVED, atol=0)


def test_ridge_on_a_parabola_cuts_its_offset_curve():
    """A rod drawn along y = u, z = k u^2: below it the curve at its radius from the parabola."""
    radius, dip, k, half, width = 1.5, 0.12, 0.15, 0.8, 4.0
    crown = block(121, width, 3.0)
    antagonist = Surface.build(rod(radius, 10.0, radius - dip, 1024))

    def place(s):
        u = s - half
        return np.column_stack([0 * u, -u, -k * u**2])

    swept = path("protrusion", np.linspace(0, 2 * half, 17), place)
    plan = plan_reduction(crown, antagonist, [swept], BARE)

    def offset(u):
        slope = np.sqrt(1 + 4 * k**2 * u**2)
        return u + 2 * k * u * radius / slope, radius - dip + k * u**2 - radius / slope

    def depth(y):
        """The curve within its reach, the last circle beyond."""
        end_y = offset(half)[0]
        y = abs(y)
        if y < end_y:
            return max(-offset(brentq(lambda u: offset(u)[0] - y, 0, half))[1], 0.0)
        rest = radius**2 - (y - half) ** 2
        return max(-(radius - dip + k * half**2 - np.sqrt(rest)), 0.0) if rest > 0 else 0.0

    top = np.flatnonzero(crown.vertices[:, 2] == 0)
    y, back = np.unique(crown.vertices[top, 1], return_inverse=True)
    wanted = np.array([depth(one) for one in y])
    assert wanted.max() > 0.11
    assert_allclose(plan.depth_mm[top], wanted[back], rtol=0, atol=DEPTH_MM)
    fine = np.linspace(-2, 2, 8001)
    area = np.trapezoid([depth(one) for one in fine], fine)
    assert_allclose(lost(crown, plan), width * area, rtol=REMOVED, atol=0)


def some_case(seed: int):
    """A small crown of waves in front of a ball, closed and drawn over it, turned on the way."""
    rng = np.random.default_rng(seed)
    waves = rng.uniform(-1, 1, (5, 4))

    def relief(x, y):
        return sum(
            0.06 * size * np.sin(2.2 * (a * x + b * y) + 3 * phase) for a, b, phase, size in waves
        )

    crown = block(21, 3.0, 2.0, relief)
    x, y = rng.uniform(-0.5, 0.5, 2)
    off_sq = (crown.vertices[:, 0] - x) ** 2 + (crown.vertices[:, 1] - y) ** 2
    # The ball's centre where its deepest vertex lies 0.08 mm within it.
    height = np.max(crown.vertices[:, 2] + np.sqrt(np.maximum(1.92**2 - off_sq, 0.0)))
    antagonist = ball(2.0, (x, y, height), 4)
    paths = [path("centric", [0.0], wanted=0.025)]
    for name in ("protrusion", "laterotrusion_right"):
        heading, spin = rng.uniform(0, 2 * np.pi), rng.normal(scale=0.02, size=3)
        go = np.array([np.cos(heading), np.sin(heading), -0.15])
        paths.append(turning(name, go, spin))
    return crown, antagonist, paths


def turning(name, go, spin):
    def poses(s):
        s = np.atleast_1d(s)
        return Rotation.from_rotvec(np.outer(s, spin)).as_matrix(), np.outer(s, go)

    return CrownPath(name, np.linspace(0, 1, 11), poses, lambda s: 0.025 + 0.02 * s)


def carried(paths, before, after):
    """Return the paths of a crown and an antagonist that were moved, each (3, 3), (3,)."""

    def poses_of(one):
        def poses(s):
            turn, shift = one.poses(s)
            new = after[0] @ turn @ before[0].T
            return new, shift @ after[0].T + after[1] - new @ before[1]

        return poses

    return [CrownPath(p.name, p.parameter_mm, poses_of(p), p.wanted_gap_mm) for p in paths]


def moved(mesh, motion):
    return mesh.with_vertices(np.ascontiguousarray(mesh.vertices @ motion[0].T + motion[1]))


def plan_of(crown, antagonist, paths, rule=None):
    return plan_reduction(crown, Surface.build(antagonist), paths, rule)


def planned(seed):
    case = some_case(seed)
    plan = plan_of(*case)
    assert plan.spots
    return (*case, plan)


SEEDS = st.integers(0, 10_000)
# No shrinking: a seed is as simple as the next.
FEW = examples(max_examples=3, phases=[Phase.explicit, Phase.reuse, Phase.generate])


@FEW
@given(seed=SEEDS, turns=st.integers(0, 10_000))
def test_a_rigid_motion_of_everything_changes_nothing(seed, turns):
    crown, antagonist, paths, plan = planned(seed)
    rng = np.random.default_rng(turns)
    motions = [(Rotation.random(random_state=rng).as_matrix(), rng.uniform(-40, 40, 3))
               for _ in range(2)]  # fmt: skip
    again = plan_of(
        moved(crown, motions[0]), moved(antagonist, motions[1]), carried(paths, *motions)
    )
    # 0.1 um: table and tangents stop there, at other steps where the box is turned.
    assert_allclose(again.depth_mm, plan.depth_mm, rtol=0, atol=2e-4)
    assert_allclose(again.volume_mm3, plan.volume_mm3, rtol=0.01, atol=1e-5)


@FEW
@given(seed=SEEDS)
def test_a_mirrored_case_is_cut_alike(seed):
    crown, antagonist, paths, plan = planned(seed)
    flip = np.diag([-1.0, 1.0, 1.0])

    def mirrored(mesh):
        return TriangleMesh(mesh.vertices @ flip, np.ascontiguousarray(mesh.faces[:, ::-1]))

    def poses_of(one):
        return lambda s: (flip @ one.poses(s)[0] @ flip, one.poses(s)[1] @ flip)

    other = [CrownPath(p.name, p.parameter_mm, poses_of(p), p.wanted_gap_mm) for p in paths]
    again = plan_of(mirrored(crown), mirrored(antagonist), other)
    assert_allclose(again.depth_mm, plan.depth_mm, rtol=0, atol=2e-4)


@FEW
@given(seed=SEEDS, order=st.permutations([0, 1, 2]))
def test_the_order_of_movements_does_not_matter(seed, order):
    crown, antagonist, paths, plan = planned(seed)
    again = plan_of(crown, antagonist, [paths[k] for k in order])
    assert_allclose(again.depth_mm, plan.depth_mm, rtol=0, atol=1e-4)
    assert [s.movement for s in again.spots] == [s.movement for s in plan.spots]


@FEW
@given(seed=SEEDS)
def test_what_was_reduced_is_not_reduced_again(seed):
    _, antagonist, paths, plan = planned(seed)
    assert all(spot.feasible for spot in plan.spots)
    again = plan_of(plan.adjusted, antagonist, paths)
    assert again.depth_mm.max() <= 1e-3
    assert np.abs(again.adjusted.vertices - plan.adjusted.vertices).max() <= 1e-3


@FEW
@given(seed=SEEDS, apart_um=st.floats(0.1, 50.0))
def test_a_crown_without_violation_comes_back_itself(seed, apart_um):
    """Raised off the crown until the least clearance is what is asked for, however little."""
    crown, antagonist, paths, plan = planned(seed)
    for _ in range(6):
        least = plan.clearance_mm.min() if not plan.spots else -max(
            s.normal_depth_mm for s in plan.spots
        )  # fmt: skip
        step = max(apart_um / 1e3 - least, 0.0)
        antagonist = antagonist.with_vertices(antagonist.vertices + np.array([0, 0, 1.05 * step]))
        plan = plan_of(crown, antagonist, paths)
        if plan.clearance_mm.min() >= 1e-4 and not plan.spots:
            break
    assert plan.spots == ()
    assert plan.adjusted is crown
    assert plan.depth_mm.tobytes() == np.zeros(len(crown.vertices)).tobytes()


def test_the_laws_meet_cases_that_cut():
    for seed in range(4):
        crown, _, _, plan = planned(seed)
        assert 0.02 < max(s.depth_mm for s in plan.spots) < 0.6
        assert not (plan.depth_mm > 0).all()
        assert lost(crown, plan) > 1e-3
