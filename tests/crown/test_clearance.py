"""The swept clearance: the band spares work and changes nothing, and travel bounds every value."""

import numpy as np
import pytest
from crown.block_shapes import path
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes

from benchmarks.random_crowns import random_case
from occlusim.contact.field import GapField
from occlusim.crown.clearance import (
    SweptClearance,
    facet_bounds,
    swept_clearance,
    swept_facet_clearance,
)
from occlusim.crown.deepening import vertex_depths
from occlusim.crown.path import tabulate
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.bounds import DOUBT_PER_MM
from occlusim.sdf import SdfSettings

LIMIT_MM = 0.1
FACET_BETWEEN = 1560


def wavy(z, n=60):
    """A sheet of bumps around a height."""
    mesh = shapes.plate(3.0, n)
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    height = z + 0.25 * np.sin(2.3 * x) * np.cos(1.9 * y)
    return TriangleMesh(np.column_stack([x, y, height]), mesh.faces)


def sliding(s):
    """Sink, slide and lift: from overlap to well beyond the band."""
    return np.column_stack([0.8 * s, 0.3 * s, -0.05 + 0.6 * s**2])


@pytest.fixture(scope="module")
def antagonist():
    return GapField.build(wavy(0.0), SdfSettings(voxel_mm=0.15, band_mm=0.7))


@pytest.fixture(scope="module")
def crown():
    mesh = wavy(0.1, 40)
    stack = [mesh.vertices + np.array([0.0, 0.0, lift]) for lift in (0.0, 0.3, 2.5)]
    return np.concatenate(stack), np.concatenate([mesh.faces + k * len(mesh.vertices)
                                                  for k in range(3)])  # fmt: skip


@pytest.fixture(scope="module")
def table(crown):
    ramp = path(
        "slide", np.linspace(0.0, 2.0, 21), sliding, lambda s: 0.02 + 0.03 * np.minimum(s, 1.0)
    )
    return tabulate([path("centric", [0.0], None, 0.02), ramp], crown[0])


def test_the_band_changes_no_bit_of_a_clearance(antagonist, crown, table):
    points, faces = crown
    with_band = swept_clearance(points, antagonist, table, LIMIT_MM)
    without = swept_clearance(points, antagonist.surface, table, LIMIT_MM)
    near = np.isfinite(without.row)
    assert near.any()
    assert not near.all()
    for name in ("value_mm", "row", "gradient"):
        assert_array_equal(getattr(with_band, name), getattr(without, name))
    assert (with_band.unknown >= without.unknown).all()
    corners = points[faces[::7]]
    facets = [swept_facet_clearance(corners, a, table, LIMIT_MM)
              for a in (antagonist, antagonist.surface)]  # fmt: skip
    assert np.isfinite(facets[1].row).any()
    for name in ("value_mm", "row", "bary"):
        assert_array_equal(getattr(facets[0], name), getattr(facets[1], name))


def test_the_band_changes_no_bit_of_a_depth(antagonist, crown, table):
    points = crown[0][::3]
    down = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    depths = [vertex_depths(points, down, a, table, 0.0, 1.5)
              for a in (antagonist, antagonist.surface)]  # fmt: skip
    assert (depths[1][0] > 0.01).any()
    for one, other in zip(*depths, strict=True):
        assert_array_equal(one, other)


def test_no_value_changes_more_than_the_travel(antagonist, crown, table):
    points = crown[0][:: len(crown[0]) // 300]
    travel = table.travel_mm(points)
    gaps = np.stack([antagonist.exact(points @ r.T + t) - w for r, t, w in zip(
        table.rotations, table.translations, table.wanted_mm, strict=True)])  # fmt: skip
    change = np.abs(np.diff(gaps[1:], axis=0))
    step = np.diff(travel[1:])[:, None]
    assert np.nanmax(change - step) <= 1e-12
    assert_allclose(np.nanmax(change / step), 1.0, rtol=0, atol=0.2)
    assert (table.travel_mm(points, 1.0) >= travel).all()


def naive_bounds(points, faces, swept):
    """`facet_bounds` in plain numpy, a corner's tangent plane at a time."""
    corners = points[faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    offset = corners[:, None] - corners[:, :, None]
    bound = np.full(len(faces), np.inf)
    for k in range(swept.value_mm.shape[1]):
        value = swept.value_mm[faces, k]
        plane = value[:, :, None] + np.einsum("nijx,nix->nij", offset, swept.gradient[faces, k])
        single = np.where(np.isnan(plane), -np.inf, plane).min(axis=2).max(axis=1)
        mean = plane.mean(axis=1).min(axis=1)
        safe = value.min(axis=1) - longest / np.sqrt(3.0)
        tangents = np.maximum(single, np.where(np.isnan(mean), -np.inf, mean))
        stands = value[:, None, :] - plane
        known = ~np.isnan(plane)
        below = known & ~np.isnan(swept.gradient[faces, k, 0])[:, None, :]
        above_mm = np.max(stands, axis=(1, 2), where=known, initial=0.0)
        both = np.minimum(above_mm, np.max(-stands, axis=(1, 2), where=below, initial=0.0))
        low = np.maximum(tangents - DOUBT_PER_MM * longest**2 - both, safe)
        bound = np.minimum(bound, np.minimum(low, value.min(axis=1)))
    return bound


def test_bounds_are_those_of_the_slow_twin(antagonist, crown, table):
    points, faces = crown
    swept = swept_clearance(points, antagonist, table, LIMIT_MM)
    assert np.isnan(swept.gradient).any()
    assert np.isfinite(swept.gradient).any()
    fast = facet_bounds(points, faces, swept)
    assert_allclose(fast, naive_bounds(points, faces, swept), rtol=0, atol=1e-12)


@pytest.mark.parametrize("bend_per_mm", [0.3, 1.0, 3.0, 10.0])
def test_bounds_hold_over_a_saddle(bend_per_mm):
    """Convex one way and hollow the other: tangents and corners alone lie above the least value."""
    rng = np.random.default_rng(7)
    n, facets = 12, 300
    i, j = np.nonzero(np.add.outer(np.arange(n + 1), np.arange(n + 1)) <= n)
    turn = rng.uniform(0.0, 2.0 * np.pi, facets)[:, None] + np.arange(3) * 2.0 * np.pi / 3.0
    flat = 0.15 * np.stack([np.cos(turn), np.sin(turn)], axis=2)
    flat += rng.uniform(-0.15, 0.15, (facets, 1, 2))
    x, y = flat[..., 0].ravel(), flat[..., 1].ravel()
    gradient = bend_per_mm * np.column_stack([x, -y, 0.0 * x])[:, None]
    value = 0.5 * bend_per_mm * (x**2 - y**2)[:, None]
    nowhere = np.zeros((len(x), 1), dtype=bool)
    swept = SweptClearance(value, np.zeros((len(x), 1)), nowhere, gradient, 1.0)
    faces = np.arange(len(x), dtype=np.int32).reshape(-1, 3)
    bound = facet_bounds(np.column_stack([x, y, 0.0 * x]), faces, swept)
    places = np.stack([n - i - j, i, j], axis=1) / n @ flat
    lowest = 0.5 * bend_per_mm * (places[..., 0] ** 2 - places[..., 1] ** 2).min(axis=1)
    assert (bound <= lowest + 1e-12).all()
    assert (lowest < value.reshape(-1, 3).min(axis=1) - 1e-6).any()


def test_no_facet_before_two_cusps_is_passed_over():
    """A crown's facet of 0.3 mm between two cusps, where it is 2.5 um too near and seemed clear."""
    case = random_case(154)
    antagonist = Surface.build(case.antagonist)
    table = tabulate(case.paths, case.crown.vertices)
    near = case.crown.vertices[case.crown.faces[FACET_BETWEEN]]
    i, j = np.nonzero(np.add.outer(np.arange(17), np.arange(17)) <= 16)
    places = np.stack([16 - i - j, i, j], axis=1) / 16 @ near
    assert swept_clearance(places, antagonist, table, 0.0).least_mm.min() < -0.002
    assert swept_facet_clearance(near[None], antagonist, table, -0.0002).value_mm[0] < -0.002


def test_a_facet_is_as_low_as_the_lowest_of_many_places_on_it(table):
    """In front of a convex antagonist, where the search by tangents is exact."""
    n, ball = 20, shapes.sphere(0.3, 60)
    ball = ball.with_vertices(ball.vertices - np.array([0.0, 0.0, 0.36]))
    mesh = shapes.plate(3.0, 40)
    corners = mesh.vertices[mesh.faces]
    found = swept_facet_clearance(corners, Surface.build(ball), table, LIMIT_MM).value_mm
    corners, found = corners[found < 0.05], found[found < 0.05]
    assert len(corners) > 20
    i, j = np.nonzero(np.add.outer(np.arange(n + 1), np.arange(n + 1)) <= n)
    places = (np.stack([n - i - j, i, j], axis=1) / n @ corners).reshape(-1, 3)
    lowest = swept_clearance(places, Surface.build(ball), table, LIMIT_MM).least_mm
    lowest = lowest.reshape(len(corners), -1).min(axis=1)
    # A place lies at most 1/20 of an edge beside the lowest, which hides 0.1 um on this ball but
    # for the bends of its mesh.
    assert (found < lowest + 0.0003).all()
    assert (found > lowest - 0.0003).all()
