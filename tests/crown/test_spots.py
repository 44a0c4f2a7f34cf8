"""Integrals over clipped triangles, and regions by watershed."""

import numpy as np
from crown.block_shapes import block
from numpy.testing import assert_allclose

from occlusim.crown.spots import (
    Spot,
    clipped_integrals,
    edge_graph,
    rings,
    split_regions,
    work_order,
)


def test_clipped_integrals_match_a_fine_subdivision(rng):
    corners, height = rng.normal(size=(40, 3, 3)), rng.normal(size=(40, 3))
    signs = (height > 0).sum(axis=1)
    assert set(signs) == {0, 1, 2, 3}
    n = 400
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    low = np.stack([i, j], -1)[i + j < n] + 1 / 3
    high = np.stack([i, j], -1)[i + j < n - 1] + 2 / 3
    uv = np.concatenate([low, high]) / n
    bary = np.column_stack([1 - uv.sum(axis=1), uv])
    h = np.maximum(height @ bary.T, 0.0)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    whole = 0.5 * np.linalg.norm(cross, axis=1)
    area, integral, moment = clipped_integrals(corners, height)
    assert_allclose(area, whole * (h > 0).mean(axis=1), rtol=0, atol=2e-2)
    assert_allclose(integral, whole * h.mean(axis=1), rtol=0, atol=1e-4)
    places = np.einsum("kc,ncx->nkx", bary, corners)
    wanted = whole[:, None] * (h[..., None] * places).mean(axis=1)
    assert_allclose(moment, wanted, rtol=0, atol=1e-4)


def peaks(distance: float):
    mesh = block(41, 4.0, 1.0)
    x, y, z = mesh.vertices.T
    height = np.zeros(len(x))
    for at, size in ((-distance / 2, 0.10), (distance / 2, 0.08)):
        height = np.maximum(height, size - 0.1 * ((x - at) ** 2 + y**2))
    return mesh, np.where(z == 0, np.maximum(height, 0.0), 0.0)


def test_peaks_part_where_the_way_between_is_low():
    """Saddle 0.09 - 0.025 d^2 or so: apart at d = 1.8 mm, one at d = 0.6 mm."""
    for distance, count in ((1.8, 2), (0.6, 1)):
        mesh, height = peaks(distance)
        label = split_regions(edge_graph(mesh), height, height > 0, 0.5, 0.01)
        assert label.max() + 1 == count
        assert ((label >= 0) == (height > 0)).all()


def test_ring_reaches_as_far_as_asked_and_names_its_nearest_spot():
    mesh, height = peaks(1.8)
    label = split_regions(edge_graph(mesh), height, height > 0.05, 0.5, 0.01)
    owner, distance = rings(edge_graph(mesh), label, 0.3)
    assert (distance[label >= 0] == 0).all()
    ring = (owner >= 0) & (label < 0)
    assert ring.any()
    assert 0.2 < np.nanmax(distance) <= 0.3
    assert (np.isnan(distance) == (owner < 0)).all()
    sides = [mesh.vertices[owner == k, 0].mean() for k in range(2)]
    assert min(sides) < -0.5 < 0.5 < max(sides)


def spot(number, movement, depth_um, stays_um=0.0):
    nothing = np.empty(0, dtype=np.int64)
    return Spot(
        number, movement, depth_um / 1000, depth_um / 1000, 0.1, 0.01, np.zeros(3), np.zeros(3),
        nothing, nothing, 1.0, stays_um == 0, stays_um / 1000,
    )  # fmt: skip


def test_closing_is_worked_on_first_and_each_step_says_what_it_leaves():
    """Deepest 120 in a movement comes after 90 and 40 in closing; 15 of the 90 have to stay."""
    spots = [
        spot(1, "protrusion", 120), spot(2, "centric", 90, 15), spot(3, "protrusion", 60),
        spot(4, "centric", 40),
    ]  # fmt: skip
    steps = work_order(spots)
    assert {k: step.order for k, step in steps.items()} == {2: 1, 4: 2, 1: 3, 3: 4}
    left = [1000 * steps[k].left_high_mm for k in (2, 4, 1, 3)]
    assert_allclose(left, [120, 120, 60, 15], rtol=0, atol=1e-9)
    assert work_order([]) == {}
