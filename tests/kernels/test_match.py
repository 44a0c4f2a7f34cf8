"""One pass of matching: what is remembered and how many threads work change no answer."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from reference import shapes
from scipy.spatial import KDTree

from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.jit import set_threads, thread_count
from occlusim.kernels.match import SUMMED, halving_value
from occlusim.registration.correspondence import (
    MARGIN_MM,
    CurvedSurface,
    InnerScan,
    MatchMemory,
    Nearer,
)
from occlusim.registration.matches import PartMatches, mean_normals
from occlusim.registration.point_to_plane import (
    NormalEquations,
    assemble,
    assemble_moved,
    jacobian_rows,
    tukey_weight,
)
from occlusim.registration.trust import nearest_places

T_LOWER = RigidTransform.exp([0.3, -0.2, 0.1, 1.0, -2.0, 0.5])
LIMITS = (0.3, 0.5)


@pytest.fixture(scope="module")
def arches():
    """Two rings beside each other, the lower one in a frame of its own."""
    ring = shapes.torus(nu=120, nv=48)
    across = np.ptp(ring.vertices[:, 2])
    other = RigidTransform(np.eye(3), np.array([0.05, 0.0, 1.02 * across]))
    lower = ring.transformed(T_LOWER.inverse() @ other)
    return CurvedSurface(Surface.build(ring)), CurvedSurface(Surface.build(lower))


@pytest.fixture(scope="module")
def scan(arches):
    """A rough copy of the upper ring, some of it nearer to the lower one, some far from both."""
    mesh = arches[0].surface.mesh
    rng = np.random.default_rng(3)
    rough = mesh.vertices + rng.normal(0.0, 0.02, mesh.vertices.shape)
    away = np.flatnonzero(mesh.vertices[:, 2] > 0.9 * mesh.vertices[:, 2].max())
    rough[away] += [0.0, 0.0, 0.05]
    rough[::50] += [0.0, 0.0, 3.0]
    return InnerScan.of(Surface.build(mesh.with_vertices(rough)))


def matched(arches, scan, memory, T_scan=None, is_asked=None):
    row = np.arange(len(scan.vertex))
    found = Nearer.none_of(row, scan, T_scan or RigidTransform.identity())
    found.directions[:] = np.where(row[:, None] % 7 > 0, found.directions, -found.directions)
    for is_low, arch in enumerate(arches):
        T = T_LOWER.inverse() if is_low else RigidTransform.identity()
        arch.improve(found, memory, T, LIMITS, bool(is_low), is_asked)
    return found


def one_by_one(arches, found):
    """Return distance, residual, normal and arch of every point by whole searches of both."""
    n = len(found.row)
    best, residual = np.full(n, np.inf), np.full(n, np.nan)
    normals, is_lower = np.full((n, 3), np.nan), np.zeros(n, dtype=bool)
    for is_low, arch in enumerate(arches):
        T = T_LOWER if is_low else RigidTransform.identity()
        points = T.inverse().apply(found.points)
        away = arch.surface.closest(points, LIMITS[0]).unsigned_mm
        one = arch.match(points, LIMITS[0])
        facing = np.einsum("ij,ij->i", T.rotate(one.normals), found.directions)
        better = one.is_usable & (facing >= LIMITS[1]) & (away < best)
        best[better], residual[better] = away[better], one.residual_mm[better]
        normals[better], is_lower[better] = T.rotate(one.normals[better]), bool(is_low)
    return best, residual, normals, is_lower


def assert_same(found, wanted):
    best, residual, normals, is_lower = wanted
    hit = np.isfinite(best)
    assert_array_equal(np.isfinite(found.distance_mm), hit)
    assert_array_equal(found.is_lower, is_lower)
    assert_allclose(found.distance_mm[hit], best[hit], rtol=0, atol=1e-12)
    assert_allclose(found.residual_mm[hit], residual[hit], rtol=0, atol=1e-9)
    assert_allclose(found.normals[hit], normals[hit], rtol=0, atol=1e-6)


def test_the_nearer_arch_that_faces_alike_is_matched(arches, scan):
    found = matched(arches, scan, MatchMemory.empty(len(scan.vertex)))
    wanted = one_by_one(arches, found)
    assert_same(found, wanted)
    hit = np.isfinite(wanted[0])
    assert 0.02 < wanted[3][hit].mean() < 0.5  # both arches are met, and nothing by some
    assert 0.02 < 1 - hit.mean() < 0.5


def test_what_is_remembered_changes_no_answer(arches, scan):
    memory = MatchMemory.empty(len(scan.vertex))
    rng = np.random.default_rng(5)
    T, spared = RigidTransform.identity(), []
    for step_mm in (0.0, 0.05, 0.001, 0.0002, 0.004, 0.0001, 0.02):
        T = RigidTransform.exp(step_mm * rng.normal(0.0, 0.5, 6) / [20, 20, 20, 1, 1, 1]) @ T
        before = memory.origin.copy()
        found = matched(arches, scan, memory, T)
        assert_same(found, one_by_one(arches, found))
        hit = np.isfinite(found.distance_mm)
        spared.append((memory.origin == before).all(axis=1)[hit].mean())
    assert spared[1] < 0.1  # moved by more than is remembered: all are searched for again
    assert min(spared[2], spared[3], spared[5]) > 0.9
    assert MARGIN_MM / 2 > 0.004


def test_only_those_asked_for_are_matched(arches, scan):
    asked = np.random.default_rng(6).random(len(scan.vertex)) < 0.5
    some = matched(arches, scan, MatchMemory.empty(len(asked)), is_asked=asked)
    every = matched(arches, scan, MatchMemory.empty(len(asked)))
    assert np.isinf(some.distance_mm[~asked]).all()
    assert_array_equal(some.distance_mm[asked], every.distance_mm[asked])


def part_of(n, seed):
    rng = np.random.default_rng(seed)
    unit = rng.normal(size=(2, n, 3))
    unit[1] = unit[0] + 0.2 * unit[1]
    unit /= np.linalg.norm(unit, axis=2, keepdims=True)
    row = np.arange(n)
    return PartMatches(
        row, row, rng.normal(0.0, 20.0, (n, 3)), unit[0], unit[1], rng.normal(0.0, 0.02, n),
        np.ones(n), rng.random(n), rng.random(n) < 0.4, 0.03,
    )  # fmt: skip


def test_sums_are_those_of_rows_residuals_and_weights_formed_one_by_one():
    parts = [part_of(n, 9 + n) for n in (2 * SUMMED + 100, 70, SUMMED)]
    rng = np.random.default_rng(10)
    centre, twists = rng.normal(size=3), 1e-3 * rng.normal(size=(4, 6))
    found = assemble_moved(parts, centre, twists)
    wanted = NormalEquations(np.zeros((24, 24)), np.zeros(24))
    for k, part in enumerate(parts):
        rows = jacobian_rows(part.points, mean_normals(part), centre)
        residual = part.residual_mm + rows @ twists[1 + k] - part.is_lower * (rows @ twists[0])
        weight = part.weight_mm2 * tukey_weight(residual, part.cut_mm)
        assert 0.1 < (weight == 0).mean() < 0.9
        wanted += assemble(rows, residual, weight, part.is_lower, (k, 3))
    size = np.abs(wanted.matrix).max()
    assert_allclose(found.matrix, wanted.matrix, rtol=0, atol=1e-12 * size)
    size = np.abs(wanted.gradient).max()
    assert_allclose(found.gradient, wanted.gradient, rtol=0, atol=1e-12 * size)


def test_newtons_matrix_is_how_the_gradient_changes():
    parts = [part_of(n, 9 + n) for n in (SUMMED + 100, 70)]
    rng = np.random.default_rng(10)
    centre, twists = rng.normal(size=3), 1e-3 * rng.normal(size=(3, 6))
    found = assemble_moved(parts, centre, twists, is_newton=True).matrix
    step, wanted = 1e-7, np.empty((18, 18))
    for k in range(18):
        off = np.zeros(18)
        off[k] = step
        there, back = (
            assemble_moved(parts, centre, twists + sign * off.reshape(3, 6)).gradient
            for sign in (1, -1)
        )
        wanted[:, k] = (there - back) / (2 * step)
    assert_allclose(found, wanted, rtol=0, atol=1e-6 * np.abs(wanted).max())


def test_half_of_the_weight_lies_up_to_the_value_found():
    rng = np.random.default_rng(11)
    for n in (1, 2, 3, 10, 257, 5000):
        for values in (rng.random(n), rng.integers(0, 4, n).astype(float), np.ones(n)):
            for weights in (
                rng.random(n), np.ones(n), (rng.random(n) < 0.3).astype(float), np.zeros(n),
            ):  # fmt: skip
                order = np.argsort(values)
                rank = np.cumsum(weights[order])
                wanted = values[order][np.searchsorted(rank, 0.5 * rank[-1])]
                assert halving_value(values.copy(), weights.copy()) == wanted


@pytest.mark.parametrize("bound_mm", [0.3, 5.0])
def test_the_nearest_place_is_that_of_a_tree(bound_mm):
    rng = np.random.default_rng(12)
    points, places = rng.uniform(-4.0, 4.0, (3000, 3)), rng.uniform(-4.0, 4.0, (400, 3))
    T = RigidTransform.exp([0.1, 0.2, -0.3, 0.5, 0.1, 2.0])
    nearest, away = nearest_places(points, places, T, (bound_mm, 0.0))
    wanted, number = KDTree(places).query(T.apply(points), distance_upper_bound=bound_mm)
    hit = np.isfinite(wanted)
    assert 0 < hit.mean() < 1 if bound_mm < 1 else hit.all()
    assert_array_equal(nearest, np.where(hit, number, -1))
    assert_allclose(away, wanted, rtol=1e-12, atol=0)


def test_threads_change_no_bit(arches, scan):
    n_before, seen = thread_count(), []
    try:
        for n in (1, 2):
            set_threads(n)
            memory = MatchMemory.empty(len(scan.vertex))
            first = matched(arches, scan, memory)
            shift = RigidTransform(np.eye(3), np.array([0.001, 0.0, 0.0005]))
            again = matched(arches, scan, memory, shift)
            sums = assemble_moved([part_of(20000, 9)], np.zeros(3), np.zeros((2, 6)))
            near = nearest_places(
                np.tile(scan.points, (3, 1)), first.points[::40], shift, (1.0, 0.0)
            )
            hit = np.isfinite(first.distance_mm)
            seen.append([*(x[hit] for f in (first, again) for x in (f.residual_mm, f.normals)),
                         sums.matrix, sums.gradient, *near])  # fmt: skip
    finally:
        set_threads(n_before)
    for one, two in zip(*seen, strict=True):
        assert_array_equal(one, two)
