"""Where the wall is too thin, what the crown gives and what stays on the antagonist."""

import numpy as np
from crown.block_shapes import ball, cap, path
from numpy.testing import assert_allclose

from occlusim.crown.reduction import ReductionSettings, plan_reduction
from occlusim.crown.split import split_of
from occlusim.crown.thickness import CrownWalls
from occlusim.geometry.surface import Surface


def planned(outer: float, shift: float = 0.0):
    """A cap over a stump of 3 mm under a ball that dips 0.1 mm, in a frame moved by `shift`."""
    crown = cap(outer, 3.0, 5)
    surface = Surface.build(crown)
    walls = CrownWalls.build(surface, np.array([0.0, 0.0, 1.0]))
    antagonist = Surface.build(ball(2.0, (shift, 0.0, outer + 2.0 - 0.1), 5))
    rest = path("centric", [0.0], lambda s: np.tile([shift, 0.0, 0.0], (len(s), 1)))
    rule = ReductionSettings(min_thickness_mm=1.0)
    plan = plan_reduction(crown, antagonist, [rest], rule, walls=walls, surface=surface)
    return crown, antagonist, plan


def test_the_wall_allows_half_and_half_stays_at_the_ball_s_lowest_point():
    """1.05 mm of wall, 1.00 wanted, 0.10 asked for: 0.05 and 0.05; 0.95 if all were taken."""
    crown, antagonist, plan = planned(4.05, shift=7.0)
    split = split_of(crown, plan, plan.spots[0], antagonist)
    assert split is not None
    # Up to 2.5 um of wall are kept for what facets hide and to spare.
    assert_allclose(split.crown_mm, 0.05, rtol=0, atol=2.5e-3)
    assert_allclose(split.antagonist_mm, 0.05, rtol=0, atol=2.5e-3)
    assert_allclose(split.point, [7.0, 0.0, 3.95], rtol=0, atol=0.03)
    assert_allclose(split.whole_wall_mm, 0.95, rtol=0, atol=2e-3)
    triangle = antagonist.mesh.vertices[antagonist.mesh.faces[split.face]]
    assert np.linalg.norm(triangle.mean(axis=0) - split.point) < 0.15


def test_a_thick_wall_leaves_no_question():
    crown, antagonist, plan = planned(4.5)
    assert plan.spots[0].feasible
    assert split_of(crown, plan, plan.spots[0], antagonist) is None
