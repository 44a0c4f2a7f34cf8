"""A tip that passes two spots is held against each of them."""

import numpy as np
import pytest
from crown.block_shapes import block, cap, path, spike
from numpy.testing import assert_allclose, assert_array_equal

from benchmarks.igl_distance import IglDistance
from occlusim.crown.deepening import Removal
from occlusim.crown.each_spot import deepen_each, deepen_spots
from occlusim.crown.opposing import deepen_against
from occlusim.crown.path import tabulate
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

ACCEPTED_MM = -0.0002
OVERLAP_MM = -0.03
LEFT, RIGHT = 0, 1


def passing(s):
    """The crown past a tip that dips 0.09 mm into the left spot and 0.06 mm into the right."""
    x = s - 0.8
    dip = 0.09 * np.exp(-(((x + 0.8) / 0.2) ** 2)) + 0.06 * np.exp(-(((x - 0.8) / 0.2) ** 2))
    return np.column_stack([-x, -0.03 + 0.0 * x, dip])


def removal_of(cap_left_mm, cap_right_mm):
    """A flat block of which two discs may be lowered, so far; and their owner."""
    crown = block(41, 4.0, 2.0)
    away = crown.vertices[:, None] - np.array([[-0.8, 0.0, 0.0], [0.8, 0.0, 0.0]])
    near = np.linalg.norm(away, axis=2) < 0.5
    owner = np.where(near.any(axis=1), near.argmax(axis=1), -1).astype(np.int32)
    cap = np.where(owner == LEFT, cap_left_mm, cap_right_mm)
    directions = np.tile([0.0, 0.0, -1.0], (len(owner), 1))
    return Removal(crown.vertices, crown.faces, directions, owner >= 0, cap), owner


@pytest.fixture(scope="module")
def tip():
    """A pyramid that points down to the origin."""
    return Surface.build(spike(2.0, (0.0, 0.0, 0.0)))


@pytest.fixture(scope="module")
def table():
    knots = np.linspace(0.0, 1.6, 33)
    return tabulate([path("slide", knots, passing, OVERLAP_MM)], block(41, 4.0, 2.0).vertices)


def lowest_um(removal, depth_mm, table, *, right):
    """The tip's least gap minus wanted over one half of the way, by another library."""
    crown = IglDistance(TriangleMesh(removal.moved(depth_mm), removal.faces))
    row = np.linspace(0, len(table.wanted_mm) - 1, 4001)
    rotation, shift = table.inverse().poses_at(row)
    at = np.einsum("nij,j->ni", rotation, np.zeros(3)) + shift
    half = at[:, 0] > 0 if right else at[:, 0] < 0
    return 1000 * (crown(at[half])[0].min() - OVERLAP_MM)


def test_what_is_stuck_at_one_spot_hides_nothing_at_the_next(tip, table):
    """The left spot cannot be lowered, and the tip is lowest there."""
    removal, owner = removal_of(0.0, 1.5)
    begun = np.where(owner == RIGHT, 0.001, 0.0)
    depth, stuck = deepen_against(removal, begun, tip, table, ACCEPTED_MM)
    assert len(stuck) > 0
    assert lowest_um(removal, depth, table, right=True) < -10.0
    known = np.where(removal.allowed[removal.faces].any(axis=1), 0.0, np.nan)
    depth, residual = deepen_each(
        removal, depth, known, owner, np.zeros((1, 3)), table, ACCEPTED_MM
    )
    assert lowest_um(removal, depth, table, right=True) > -1.0
    assert_array_equal(depth[owner == LEFT], 0.0)
    left = (owner[removal.faces] == LEFT).any(axis=1)
    assert_allclose(
        1000 * np.nanmin(residual[left]),
        lowest_um(removal, depth, table, right=False),
        rtol=0,
        atol=0.1,
    )
    assert np.nanmin(residual[~left]) == 0.0


def test_each_spot_that_stays_short_is_told(tip, table):
    removal, owner = removal_of(0.0, 0.005)
    begun = np.where(owner == RIGHT, 0.001, 0.0)
    depth, residual = deepen_spots(removal, begun, owner, tip, table, ACCEPTED_MM)
    for spot, right in ((LEFT, False), (RIGHT, True)):
        own = (owner[removal.faces] == spot).any(axis=1)
        short_um = 1000 * np.nanmin(residual[own])
        assert short_um < -5.0
        assert short_um <= lowest_um(removal, depth, table, right=right) + 0.1


def test_what_is_in_the_hollow_behind_a_spot_asks_for_nothing():
    """A point under a cap, which lies behind the outer surface all the way."""
    shell = cap(3.0, 2.0)
    is_outer = np.linalg.norm(shell.vertices, axis=1) > 2.5
    allowed = is_outer & (shell.vertices[:, 2] > 1.0)
    removal = Removal(
        shell.vertices, shell.faces, -shell.vertices / 3.0, allowed, np.full(len(allowed), 1.5)
    )
    owner = np.where(allowed, 0, -1).astype(np.int32)
    rest = tabulate([path("centric", [0.0])], shell.vertices)
    known = np.where(allowed[shell.faces].any(axis=1), 0.0, np.nan)
    point = np.array([[0.0, 0.0, 1.5]])
    asked = (removal, np.zeros(len(allowed)), known, owner, point, rest, ACCEPTED_MM)
    depth, _ = deepen_each(*asked)
    assert depth.max() > 1.0
    depth, residual = deepen_each(*asked, Surface.build(shell))
    assert depth.max() == 0.0
    assert_array_equal(residual, known)
