"""A round cutter and a cutter with an axis: dishes of its radius, and what it does not reach."""

import numpy as np
import pytest
from crown.block_shapes import ball, block, path, rod
from numpy.testing import assert_allclose, assert_array_equal

from occlusim.crown.reduction import ReductionSettings, plan_reduction
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

DOWN = np.array([0.0, 0.0, -1.0])
REST = [path("centric", [0.0])]
DIP = 0.1


def rule(radius: float, **more) -> ReductionSettings:
    kept = {"direction": DOWN, "seam_excess_mm": 0.0, **more}
    return ReductionSettings(tool_radius_mm=radius, **kept)


def sunk_ball(radius: float, dip: float = DIP) -> Surface:
    return Surface.build(ball(radius, (0.0, 0.0, radius - dip), 6))


def cap_depth(crown: TriangleMesh, radius: float, dip: float = DIP) -> np.ndarray:
    x, y, z = crown.vertices.T
    reach = np.sqrt(np.maximum(radius**2 - x**2 - y**2, 0.0))
    return np.where(z == 0, np.maximum(dip - radius + reach, 0.0), 0.0)


@pytest.mark.parametrize("direction", [DOWN, None])
def test_a_ball_smaller_than_the_tool_leaves_a_dish_of_the_tool_s_radius(direction):
    """Same deepest point, and the volume pi d^2 (3R - d) / 3 of the tool's cap."""
    crown, tool = block(97, 2.4, 1.0), 1.0
    plan = plan_reduction(crown, sunk_ball(0.5), REST, rule(tool, direction=direction))
    (spot,) = plan.spots
    assert spot.feasible
    assert_allclose(spot.depth_mm, DIP, rtol=0, atol=1e-3)
    assert_allclose(plan.volume_mm3, np.pi * DIP**2 * (3 * tool - DIP) / 3, rtol=0.01, atol=0)
    top = crown.vertices[:, 2] == 0
    dish = cap_depth(plan.adjusted.with_vertices(plan.adjusted.vertices * [1, 1, 0]), tool)
    assert_allclose(-plan.adjusted.vertices[top, 2], dish[top], rtol=0, atol=1.5e-3)
    excess = (cap_depth(crown, tool) - cap_depth(crown, 0.5)).max()
    assert_allclose(spot.tool_excess_mm, excess, rtol=0, atol=2e-3)
    sharp = plan_reduction(crown, sunk_ball(0.5), REST, rule(0.0, direction=direction))
    assert (plan.depth_mm >= sharp.depth_mm - 1e-9).all()
    assert sharp.spots[0].tool_excess_mm == 0.0


@pytest.mark.parametrize("tool", [0.3, 0.95])
def test_a_tool_smaller_than_the_ball_changes_nothing(tool):
    crown = block(61, 2.4, 1.0)
    plain = plan_reduction(crown, sunk_ball(1.0), REST, rule(0.0))
    tooled = plan_reduction(crown, sunk_ball(1.0), REST, rule(tool))
    assert_allclose(tooled.depth_mm, plain.depth_mm, rtol=0, atol=1e-3)
    assert tooled.spots[0].feasible


def test_a_groove_thinner_than_the_tool_becomes_a_trough_of_its_radius():
    """A rod along x of radius 0.4 under a tool of 0.8: the profile across is the tool's circle."""
    crown, tool = block(81, 2.4, 1.0), 0.8
    antagonist = Surface.build(rod(0.4, 10.0, 0.4 - DIP, 512))
    plan = plan_reduction(crown, antagonist, REST, rule(tool))
    y = crown.vertices[:, 1]
    middle = (crown.vertices[:, 2] == 0) & (np.abs(crown.vertices[:, 0]) < 0.9)
    profile = np.maximum(DIP - tool + np.sqrt(np.maximum(tool**2 - y**2, 0.0)), 0.0)
    # Between the balls' places, an edge of 0.03 mm apart, ridges of e^2 / 8R stay.
    assert_allclose(plan.depth_mm[middle], profile[middle], rtol=0, atol=1e-3)


def test_a_tool_too_round_for_the_spot_and_its_ring_says_so():
    """A dish of 3 mm radius is 0.77 mm wide; spot and ring reach 0.3 + 0.3 mm."""
    crown = block(81, 2.4, 1.0)
    plan = plan_reduction(crown, sunk_ball(0.5), REST, rule(3.0))
    (spot,) = plan.spots
    assert not spot.feasible
    assert "too round" in spot.reasons[0]
    touched = np.zeros(len(crown.vertices), dtype=bool)
    touched[spot.vertices] = touched[spot.ring] = True
    assert (plan.depth_mm[~touched] == 0).all()
    plain = plan_reduction(crown, sunk_ball(0.5), REST, rule(0.0))
    assert (plan.depth_mm >= plain.depth_mm - 1e-9).all()


def test_a_hollow_that_was_there_is_not_widened():
    """A V-shaped fissure tighter than the tool, ground by a slab above its bottom."""

    def fissure(x, y):
        return np.minimum(np.abs(y), 0.4) - 0.4 + 0 * x

    crown = block(81, 2.4, 1.5, fissure)
    slab = block(3, 0.5, 1.0)
    plate = Surface.build(TriangleMesh(slab.vertices + np.array([0.0, 0.0, 0.95]), slab.faces))
    plain = plan_reduction(crown, plate, REST, rule(0.0))
    tooled = plan_reduction(crown, plate, REST, rule(1.0))
    assert len(plain.spots) == len(tooled.spots)
    bottom = (np.abs(crown.vertices[:, 1]) < 0.05) & (crown.vertices[:, 2] > -1.0)
    assert_allclose(tooled.depth_mm[bottom], plain.depth_mm[bottom], rtol=0, atol=2e-3)


def overhang(direction: np.ndarray | None = None):
    """A ball of a crown met from the side and below its equator by another ball."""
    crown = ball(1.0, (0.0, 0.0, 0.0), 5)
    antagonist = Surface.build(ball(1.0, tuple(1.93 * np.array([0.92, 0.0, -0.392])), 5))
    return crown, plan_reduction(crown, antagonist, REST, ReductionSettings(direction=direction))


def test_what_the_axis_does_not_reach_is_named_and_left():
    crown, plan = overhang(DOWN)
    (spot,) = plan.spots
    assert not spot.feasible
    assert any("undercut" in reason for reason in spot.reasons)
    below = crown.vertices[:, 2] <= 0.0
    assert (plan.depth_mm[below] == 0).all()
    violation = np.maximum(-plan.clearance_mm[below], 0.0).max()
    assert violation > 0.05
    assert_allclose(spot.shortfall_mm, violation, rtol=0, atol=1e-3)


def test_along_its_normals_the_same_place_is_cleared():
    _, plan = overhang()
    assert all(spot.feasible for spot in plan.spots)


def test_a_place_behind_another_part_of_the_crown_is_not_reached():
    crown = block(21, 4.0, 1.0)
    roof = block(3, 4.0, 0.2)
    both = TriangleMesh(
        np.concatenate([crown.vertices, roof.vertices + np.array([0.0, 0.0, 1.5])]),
        np.concatenate([crown.faces, roof.faces + len(crown.vertices)]),
    )
    plan = plan_reduction(both, sunk_ball(0.5), REST, rule(0.0))
    (spot,) = plan.spots
    assert "undercut" in spot.reasons[0]
    assert_allclose(spot.shortfall_mm, DIP, rtol=0, atol=1e-3)
    assert_array_equal(plan.adjusted.vertices, both.vertices)


def test_depth_is_along_a_slanted_axis():
    """To a ball's lowest point from the plane along an axis tilted by 30 degrees: d / cos 30."""
    crown = block(81, 4.0, 3.0)
    tilt = np.radians(30.0)
    axis = np.array([np.sin(tilt), 0.0, -np.cos(tilt)])
    plan = plan_reduction(crown, sunk_ball(2.0), REST, rule(0.0, direction=axis))
    (spot,) = plan.spots
    assert spot.feasible
    assert_allclose(spot.normal_depth_mm, DIP, rtol=0, atol=1e-3)
    assert_allclose(spot.depth_mm, DIP / np.cos(tilt), rtol=0, atol=1e-3)
    cap = np.pi * DIP**2 * (3 * 2.0 - DIP) / 3
    assert_allclose(plan.volume_mm3, cap, rtol=0.01, atol=0)


@pytest.mark.parametrize("radius", [-0.1, 3.5])
def test_radii_out_of_range_are_refused(radius):
    with pytest.raises(InputError, match="tool_radius_mm"):
        ReductionSettings(tool_radius_mm=radius)
