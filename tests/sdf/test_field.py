"""The band: every node exact, interpolation of order two, unknown where unknown."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes
from reference.laws import fitted_order, random_pose

from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.band import ROUNDING_MM, UNKNOWN
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.sdf import SdfSettings, build_sdf

NODE_TOLERANCE_MM = 1e-5  # 16 bits over the diagonal of a block of 0.8 mm


def rough_sheet(n=40):
    """Return an open sheet with grooves, noise and sharp steps, sizes as on a tooth."""
    rng = np.random.default_rng(5)
    mesh = shapes.plate(2.5, n)
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    z = 0.5 * np.sin(2.1 * x) * np.cos(1.7 * y) - 0.4 * np.exp(-((x + y) ** 2) / 0.02)
    z += 0.5 * (x > 1.0) + 0.004 * rng.standard_normal(len(x))
    return TriangleMesh(np.column_stack([x, y, z]), mesh.faces)


def with_flaws(mesh):
    """Return the mesh with a repeated, a collapsed and a flipped face, and a cap."""
    faces = mesh.faces.tolist()
    a, b, c = faces[100]
    m = len(mesh.vertices)
    middle = mesh.vertices[[a, b]].mean(axis=0)
    faces[100] = [a, m, c]
    faces += [[m, b, c], [a, b, m], faces[7], [3, 3, 4]]
    faces[300] = faces[300][::-1]
    return TriangleMesh(np.vstack([mesh.vertices, middle]), np.array(faces, np.int32))


def leaves_of(sdf):
    """Return first node (B, 3), mm, cell (B,), mm, and row (B,) of every block, level by level."""
    place = np.argwhere(sdf.block_index != -1)
    code = sdf.block_index[tuple(place.T)]
    cell = sdf.voxel_mm
    first = sdf.lattice[:3] + place * 8 * cell
    found = []
    while len(code):
        is_row = code >= 0
        found.append((first[is_row], np.full(is_row.sum(), cell), code[is_row]))
        cell /= 2
        below = sdf.octants[-2 - code[~is_row]]
        part = np.stack(np.unravel_index(np.arange(8), (2, 2, 2)), -1)
        first = (first[~is_row][:, None] + part * 8 * cell).reshape(-1, 3)
        code = below.ravel()
        first, code = first[code != -1], code[code != -1]
    return tuple(np.concatenate(part) for part in zip(*found, strict=True))


def nodes_of(sdf):
    """Return points (n, 3) and values (n,) of every node of every block."""
    first, cell, row = leaves_of(sdf)
    inner = np.stack(np.unravel_index(np.arange(729), (9, 9, 9)), -1)
    points = first[:, None] + cell[:, None, None] * inner
    plane, step = sdf.plane[row].astype(float), sdf.nodes[row]
    value = plane[:, :1] + plane[:, 1:4] @ inner.T + plane[:, 4:] * step
    value[step == UNKNOWN] = np.nan
    return points.reshape(-1, 3), value.ravel()


@pytest.mark.slow
@pytest.mark.parametrize(
    "make",
    [
        rough_sheet,
        lambda: with_flaws(rough_sheet()),
        lambda: shapes.box((2.0, 1.5, 1.2), 1),
        lambda: shapes.capsule(0.9, 0.6, 24),
    ],
    ids=["rough sheet", "with flaws", "coarse box", "capsule"],
)
def test_every_node_is_exact(make):
    """All of them: a sample of 30,000 once missed a clipping fault in 4 nodes of 100,000."""
    surface = Surface.build(make())
    sdf = build_sdf(surface, SdfSettings(voxel_mm=0.1, band_mm=0.8))
    points, value = nodes_of(sdf)
    exact = surface.closest(points)
    is_known, is_wanted = np.isfinite(value), np.isfinite(exact.distance_mm)
    is_wanted &= exact.unsigned_mm < 0.8
    both = is_known & is_wanted
    assert both.sum() > 10000
    assert_allclose(value[both], exact.distance_mm[both], rtol=0, atol=NODE_TOLERANCE_MM)
    # Where one is unknown and the other is not, the node lies on the limit of the band, or as
    # near to an open feature as to another within the float32 of the nodes, or where the sign
    # changes without a crossing.
    is_odd = (is_known != is_wanted) & ~beside_a_jump(exact.distance_mm)
    odd = np.flatnonzero(is_odd)
    at_limit = np.abs(exact.unsigned_mm[odd] - 0.8) < 2e-7
    step = 5e-4 * np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [-1, 0, 0], [0, -1, 0], [0, 0, -1]])
    around = [surface.closest(points[odd] + s).is_boundary for s in step]
    is_tie = np.any(around, axis=0) & ~np.all(around, axis=0)
    assert (at_limit | is_tie).all()
    assert len(odd) < 1e-3 * len(value)


def beside_a_jump(exact):
    """Return which nodes (n,) have a value that a neighbour in the block cannot have beside it."""
    value = exact.reshape(-1, 9, 9, 9)
    is_beside = np.zeros(value.shape, dtype=bool)
    for axis in (1, 2, 3):
        jump = np.abs(np.diff(value, axis=axis)) > 0.1
        ahead = np.zeros(value.shape, dtype=bool)
        ahead[(slice(None),) * axis + (slice(0, 8),)] = jump
        is_beside |= ahead | np.roll(ahead, 1, axis=axis)
    flat = value.reshape(-1, 729)
    both_sides = np.nanmax(flat, axis=1) - np.nanmin(flat, axis=1) > 0.8 * np.sqrt(3)
    far = np.abs(flat) > 0.45 * 0.8 * np.sqrt(3)
    return is_beside.ravel() | (both_sides[:, None] & far).ravel()


def test_a_nearly_flat_surface_is_as_exact_as_its_steps(rng):
    """The planes take nearly all, and rounding in them must not carry a step past the last one."""
    table = shapes.plate(12.0, 24)
    bent = table.vertices + np.outer(table.vertices[:, 0] ** 2 / 800, [0, 0, 1])
    table = table.with_vertices(bent)
    for _ in range(6):
        pose = random_pose(rng)
        surface = Surface.build(table.with_vertices(pose.apply(table.vertices)))
        sdf = build_sdf(surface, SdfSettings(voxel_mm=0.4, band_mm=3.7))
        _, _, row = leaves_of(sdf)
        points, value = nodes_of(sdf)
        known = np.isfinite(value)
        assert known.sum() > 10000
        error = np.zeros(len(value))
        error[known] = value[known] - surface.signed_distance(points[known])
        allowed = 0.51 * sdf.plane[row, 4] + ROUNDING_MM
        assert (np.abs(error.reshape(-1, 729)) <= allowed[:, None]).all()


@pytest.mark.slow
def test_finer_blocks_are_exact_and_only_where_surfaces_meet():
    """Two levels near the places named: every node exact, the rest as coarse as before."""
    surface = Surface.build(rough_sheet())
    coarse = build_sdf(surface, SdfSettings(voxel_mm=0.2, band_mm=0.6))
    settings = SdfSettings(voxel_mm=0.2, band_mm=0.6, fine_levels=2, fine_reach_mm=0.15)
    meeting = np.array([[-1.0, -1.0, -0.1], [0.5, 1.0, 0.3]])
    fine = build_sdf(surface, settings, meeting)
    points, value = nodes_of(fine)
    exact = surface.closest(points).distance_mm
    known = np.isfinite(value) & np.isfinite(exact)
    assert_allclose(value[known], exact[known], rtol=0, atol=fine.rounding_mm)
    first, cell, _ = leaves_of(fine)
    assert set(np.round(cell, 6)) == {0.2, 0.1, 0.05}
    gap = np.maximum(first[:, None] - meeting, meeting - first[:, None] - 8 * cell[:, None, None])
    apart = gap.max(axis=2).min(axis=1)
    assert (apart[cell < 0.06] < 2 * 0.4 + 0.15).all()
    # The same places are known, and nearer to the truth where they are fine.
    rng = np.random.default_rng(3)
    at = meeting[rng.integers(2, size=4000)] + rng.uniform(-0.1, 0.1, (4000, 3))
    truth = surface.closest(at).distance_mm
    errors = [np.abs(field.sample(at) - truth) for field in (coarse, fine)]
    both = np.isfinite(errors[0]) & (np.abs(truth) < 0.15)
    assert both.sum() > 300
    assert np.isfinite(errors[1][both]).all()
    assert np.mean(errors[1][both]) < 0.3 * np.mean(errors[0][both])
    far = rng.uniform([-2, -2, -1], [2, 2, 1], (4000, 3))
    far = far[np.abs(far[:, None] - meeting).max(axis=2).min(axis=1) > 2.0]
    assert_array_equal(coarse.sample(far), fine.sample(far))
    bound = fine.lower_bounds(at)
    assert (truth - bound)[np.isfinite(bound) & np.isfinite(truth)].min() >= 0.0


def test_no_level_is_added_where_nothing_meets():
    surface = Surface.build(shapes.sphere(1.0, 10))
    coarse = build_sdf(surface, SdfSettings(voxel_mm=0.2))
    fine = build_sdf(surface, SdfSettings(voxel_mm=0.2, fine_levels=2), [[50.0, 0, 0]])
    assert_array_equal(coarse.nodes, fine.nodes)
    assert_array_equal(coarse.block_index, fine.block_index)


def test_no_contact_is_made_up_where_the_sign_jumps():
    """Two sheets, one over the other, both facing up: halfway between lies no surface."""
    low = shapes.plate(1.5, 6)
    apart = 0.93
    vertices = np.concatenate([low.vertices, low.vertices + np.array([0, 0, apart])])
    mesh = TriangleMesh(vertices, np.concatenate([low.faces, low.faces + len(low.vertices)]))
    surface = Surface.build(mesh)
    field = build_sdf(surface, SdfSettings(voxel_mm=0.1, band_mm=0.8))
    rng = np.random.default_rng(8)
    points = rng.uniform([-1, -1, -0.5], [1, 1, 1.4], (40000, 3))
    value, exact = field.sample(points), surface.closest(points).distance_mm
    known = np.isfinite(value) & np.isfinite(exact)
    assert known.sum() > 20000
    assert_allclose(value[known], exact[known], rtol=0, atol=field.rounding_mm)
    # Unknown halfway, over two cells at most on either side, and nowhere else.
    halfway = np.abs(points[:, 2] - 0.5 * apart)
    assert np.isnan(value[halfway < 0.02]).all()
    assert np.isfinite(value[halfway > 0.21]).all()


def test_no_node_within_the_band_is_left_out(rng):
    """Points near the surface all have a value, away from the sheet's edge."""
    surface = Surface.build(rough_sheet())
    sdf = build_sdf(surface, SdfSettings(voxel_mm=0.1, band_mm=0.8))
    points = rng.uniform([-2.2, -2.2, -2], [2.2, 2.2, 2.5], (20000, 3))
    exact = surface.closest(points)
    inside_band = np.abs(exact.distance_mm) < 0.8 - 0.18
    away = np.abs(points[:, :2]).max(axis=1) < 1.4
    value = sdf.sample(points)
    assert inside_band[away].sum() > 1000
    assert np.isfinite(value[inside_band & away]).all()
    error = np.abs(value - exact.distance_mm)[inside_band & away]
    # A distance is 1-Lipschitz: the trilinear value errs by at most half a voxel's diagonal.
    assert error.max() < 0.5 * np.sqrt(3) * 0.1


def test_interpolation_converges_with_order_two(rng):
    """Halve the voxel: the error of a smooth field falls by four."""
    surface = Surface.build(shapes.sphere(2.0, 96))
    u = rng.normal(size=(4000, 3))
    points = u / np.linalg.norm(u, axis=1)[:, None] * rng.uniform(1.8, 2.2, (4000, 1))
    want = shapes.sphere_distance(points, 2.0)
    sizes = np.array([0.4, 0.2, 0.1])
    errors = []
    for voxel in sizes:
        sdf = build_sdf(surface, SdfSettings(voxel_mm=voxel, band_mm=1.0))
        errors.append(np.sqrt(np.mean((sdf.sample(points) - want) ** 2)))
    assert fitted_order(sizes, errors) >= 1.8


def test_the_gradient_is_that_of_the_value(rng):
    sdf = build_sdf(Surface.build(shapes.sphere(1.5, 20)))
    T_field_points = random_pose(rng)
    points = T_field_points.inverse().apply(rng.uniform(-1.7, 1.7, (2000, 3)))
    value, gradient = sdf.sample_with_gradient(points, T_field_points)
    assert_array_equal(value, sdf.sample(points, T_field_points))
    known = np.isfinite(value)
    assert known.sum() > 500
    step = 1e-7
    for d in range(3):
        e = T_field_points.inverse().rotate(step * np.eye(3)[d])
        ahead, behind = (
            sdf.sample(points + e, T_field_points),
            sdf.sample(points - e, T_field_points),
        )
        slope = (ahead - behind) / (2 * step)
        same_cell = np.abs(slope - gradient[:, d]) < 1e-5
        assert same_cell[known].mean() > 0.999
    length = np.linalg.norm(gradient[known], axis=1)
    assert_allclose(np.median(length), 1.0, rtol=0, atol=0.01)


def test_threads_change_no_bit():
    surface = Surface.build(rough_sheet(20))
    n = thread_count()
    try:
        set_threads(1)
        one = build_sdf(surface)
        value_one = one.sample(surface.mesh.vertices + 0.1)
    finally:
        set_threads(n)
    many = build_sdf(surface)
    assert_array_equal(one.nodes, many.nodes)
    assert_array_equal(one.plane, many.plane)
    assert_array_equal(one.block_index, many.block_index)
    assert_array_equal(value_one, many.sample(surface.mesh.vertices + 0.1))


def test_unknown_beyond_the_edge_of_a_plate():
    sdf = build_sdf(Surface.build(shapes.plate(2.0, 8)))
    known = sdf.sample([[0.3, 0.2, 0.5], [-1.5, 1.2, -0.5]])
    assert_allclose(known, [0.5, -0.5], rtol=0, atol=1e-6)
    assert np.isnan(sdf.sample([[2.3, 0, 0.1], [0, -2.3, -0.4], [0, 0, 1.5], [99, 0, 0]])).all()


def test_sample_into_takes_both_precisions(rng):
    sdf = build_sdf(Surface.build(shapes.sphere(1.0, 10)))
    points = rng.uniform(-1.2, 1.2, (500, 3)).astype(np.float32)
    out32, out64 = np.empty(500), np.empty(500)
    sdf.sample_into(out32, points, RigidTransform.identity())
    sdf.sample_into(out64, points.astype(np.float64), RigidTransform.identity())
    assert_array_equal(out32, out64)


def test_wrong_units_are_refused():
    """A mesh read 1000 times too large, or in metres; neither takes the memory first."""
    sphere = shapes.sphere(20.0, 40)
    large = Surface.build(sphere.with_vertices(sphere.vertices * 1000))
    with pytest.raises(InputError, match="unit"):
        build_sdf(large)
    small = Surface.build(sphere.with_vertices(sphere.vertices / 1000))
    with pytest.raises(InputError, match="metres"):
        build_sdf(small)
    with pytest.raises(InputError, match="voxel_mm"):
        SdfSettings(voxel_mm=0.0)
    with pytest.raises(InputError, match="fine_levels"):
        SdfSettings(fine_levels=9)
    ball = Surface.build(sphere)
    with pytest.raises(InputError, match="fewer levels"):
        build_sdf(ball, SdfSettings(fine_levels=3, memory_limit_mb=200))
    with pytest.raises(InputError, match="two voxels"):
        SdfSettings(voxel_mm=0.6)


def test_lower_bounds_are_below_the_exact_distance_and_near_it(rng):
    """At a ball and at its open half: never above, by a quarter of a voxel below on the mean."""
    for mesh in (shapes.sphere(3.0, 24), shapes.plate(4.0, 9)):
        surface = Surface.build(mesh)
        field = build_sdf(surface, SdfSettings(voxel_mm=0.15, band_mm=0.8))
        points = mesh.vertices[rng.integers(len(mesh.vertices), size=4000)]
        points = points + rng.normal(0, 0.25, points.shape)
        bound = field.lower_bounds(points)
        found = surface.closest(points)
        known = np.isfinite(bound) & np.isfinite(found.distance_mm)
        assert known.sum() > 2000
        short = (found.distance_mm - bound)[known]
        assert short.min() >= 0.0
        well_inside = np.abs(found.distance_mm[known]) < 0.8 - 0.3
        assert short[well_inside].max() < 0.9 * 0.15
        assert short.mean() < 0.05
        near = np.isfinite(found.distance_mm) & (np.abs(found.distance_mm) < 0.8 - 0.15)
        assert np.isfinite(bound[near]).all()
