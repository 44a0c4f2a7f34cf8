"""What presses and what comes off in an opening: caps of a ball on a block have closed forms."""

import numpy as np
import pytest
from crown.block_shapes import along, ball, block, path
from numpy.testing import assert_allclose

from occlusim.crown.access import RIM_MM, find_opening
from occlusim.crown.access_contacts import (
    LIMIT_MM,
    beyond,
    clear_vertices,
    falling,
    least_gaps,
    pressed_in_movements,
    spots_falling,
)
from occlusim.crown.channel import Channel, CrownShell
from occlusim.crown.clearance import swept_clearance, tabulate
from occlusim.crown.location import CrownOrientation
from occlusim.crown.reduction import ReductionSettings, plan_reduction
from occlusim.geometry.surface import Surface

X, Y, Z = np.eye(3)
DIP = 0.1
CAP_MM = np.sqrt(2 * 2.0 * DIP - DIP**2)
"""Radius of the circle in which a ball of 2 mm that dips 0.1 mm cuts the top."""


@pytest.fixture(scope="module")
def crown():
    return block(61, 6.0, 3.0)


@pytest.fixture(scope="module")
def over_top():
    return Surface.build(ball(2.0, (0.0, 0.0, 1.9), 6))


def opening_at(crown, x, radius=0.7):
    axes = CrownOrientation(Z, X, Y)
    shell = CrownShell.build(crown, np.ones(len(crown.vertices), dtype=bool), axes)
    channel = Channel(np.array([x, 0.0, -2.0]), Z, radius)
    return channel, find_opening(shell, channel)


def lens(apart, r, big):
    """The area that two circles share."""
    a = r**2 * np.arccos((apart**2 + r**2 - big**2) / (2 * apart * r))
    b = big**2 * np.arccos((apart**2 + big**2 - r**2) / (2 * apart * big))
    s = (-apart + r + big) * (apart + r - big) * (apart - r + big) * (apart + r + big)
    return a + b - 0.5 * np.sqrt(s)


def test_a_spot_falls_into_an_opening_by_area_and_depth(crown, over_top):
    """A cap of radius 0.62 mm: whole within 0.7 mm about its middle; from 1.5 mm away a lens of it
    with its deepest place lies in the rim; from 2.3 mm hardly its edge."""
    rule = ReductionSettings(direction=-Z, seam_excess_mm=0.0)
    plan = plan_reduction(crown, over_top, [path("centric", [0.0])], rule)
    (spot,) = plan.spots

    def found(x):
        channel, opening = opening_at(crown, x)
        return spots_falling(crown, channel, opening, plan.spots, plan.clearance_mm, plan.depth_mm)[
            0
        ]

    here, beside, far = found(0.0), found(1.5), found(2.3)
    assert_allclose(here.area_mm2.opening, np.pi * CAP_MM**2, rtol=0.01, atol=0)
    assert_allclose(here.area_mm2.opening, spot.area_mm2, rtol=1e-3, atol=0)
    deepest = plan.depth_mm.max()
    assert_allclose(deepest, DIP, rtol=0, atol=2e-3)
    assert_allclose(here.depth_mm.opening, deepest, rtol=0, atol=1e-12)
    assert here.depth_mm.rim < 0.02
    assert_allclose(beside.area_mm2.opening, 0.0, rtol=0, atol=1e-12)
    assert_allclose(beside.area_mm2.rim, lens(1.5, CAP_MM, 0.7 + RIM_MM), rtol=0.01, atol=0)
    assert_allclose(beside.depth_mm.rim, deepest, rtol=0, atol=1e-12)
    assert beside.depth_mm.opening == 0.0
    assert far.area_mm2.rim < 0.05
    assert far.depth_mm.rim < 0.01


def test_a_movement_presses_where_it_passes_from_a_parameter_on(crown, over_top):
    """The ball glides 1.5 mm along x: from 0.5 mm on, what it dips into is a stadium, circles of
    0.62 mm from 0.5 to 1.5 mm; the closure and what lies before do not count."""
    moves = [path("centric", [0.0]), path("protrusion", [0.0, 1.5], along((-1, 0, 0)), 0.01)]
    table = tabulate(moves, crown.vertices)
    late = beyond(table, 0.5)
    assert late is not None
    assert late.names == ("protrusion",)
    assert np.abs(late.parameter_mm).min() >= 0.5
    assert not late.wanted_mm.any()
    every = np.ones(len(crown.vertices), dtype=bool)
    least = least_gaps(crown.vertices, over_top, late, every)
    (pressed,) = pressed_in_movements(crown, late.names, least)
    first = np.abs(late.parameter_mm).min()
    wanted = np.pi * CAP_MM**2 + 2 * CAP_MM * (1.5 - first)
    assert_allclose(pressed.area_mm2.sum(), wanted, rtol=0.01, atol=0)
    assert pressed.load_N is None
    opening = opening_at(crown, -0.9)[1]
    assert_allclose(falling(opening, pressed.area_mm2).opening, 0.0, rtol=0, atol=1e-12)
    assert falling(opening, pressed.area_mm2).rim > 0.5
    swept = swept_clearance(crown.vertices, over_top, table, 0.1)
    clear = clear_vertices(swept, table, 0.5)
    assert clear.any()
    assert not (least[clear] < LIMIT_MM).any()
    again = least_gaps(crown.vertices, over_top, late, ~clear)
    assert (again == least).all()
    assert beyond(table, 2.0) is None


def test_what_is_known_is_kept_where_it_is_not_asked_again(crown, over_top):
    late = beyond(
        tabulate([path("protrusion", [0.0, 1.0], along((-1, 0, 0)))], crown.vertices), 0.2
    )
    every = np.ones(len(crown.vertices), dtype=bool)
    least = least_gaps(crown.vertices, over_top, late, every)
    lowered = crown.vertices - 0.5 * DIP * Z
    moved = crown.vertices[:, 0] > 0.5
    mixed = least_gaps(lowered, over_top, late, moved, least)
    assert (mixed[~moved] == least[~moved]).all()
    fresh = least_gaps(lowered, over_top, late, every)
    assert (mixed[moved] == fresh[moved]).all()
    assert not np.allclose(mixed, fresh, rtol=0, atol=1e-3)


def test_what_is_not_known_stays_unknown(crown):
    _, opening = opening_at(crown, 0.0)
    found = falling(opening, None)
    assert found.opening is None
    assert found.rim is None
