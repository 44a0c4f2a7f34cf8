"""Surfels and their features: means, frame invariance, a slow twin, the right match."""

import numpy as np
from numpy.testing import assert_allclose
from reference.shapes import sphere
from registration.arch_phantom import BUCCAL, RIGHT, UPPER, WHOLE, WIDE, patch

from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.features import LEAST_MM, best_matches, describe
from occlusim.registration.surfels import GRID_MM, MARGIN_MM, Surfels, grid_of, surfels_of

N_BINS = 11


def _moved(surfels: Surfels, T: RigidTransform) -> Surfels:
    return Surfels(T.apply(surfels.points), T.rotate(surfels.normals), surfels.area_mm2)


def _arch_surfels(edge_mm: float = 0.3, seed: int = 1) -> Surfels:
    mesh = patch(UPPER, RIGHT, (0.45, 1.6), edge_mm, np.random.default_rng(seed))
    return surfels_of(Surface.build(mesh))


def _naive_features(surfels: Surfels, reach_mm: float) -> np.ndarray:
    """Return the features by the formulas, pair by pair."""
    points, normals, n = surfels.points, surfels.normals, len(surfels.points)
    own, around = np.zeros((n, 3, N_BINS)), []
    for i in range(n):
        there = []
        for j in range(n):
            d = points[j] - points[i]
            length = np.linalg.norm(d)
            if i == j or length > reach_mm or normals[i] @ normals[j] < -0.2:
                continue
            there.append((j, length))
            u = normals[i]
            v = np.cross(u, d / length)
            v /= np.linalg.norm(v)
            w = np.cross(u, v)
            angles = (
                (v @ normals[j] + 1) / 2,
                (u @ d / length + 1) / 2,
                np.arctan2(w @ normals[j], u @ normals[j]) / (2 * np.pi) + 0.5,
            )
            for third, share in enumerate(angles):
                own[i, third, min(int(share * N_BINS), N_BINS - 1)] += 1
        own[i] /= max(len(there), 1)
        around.append(there)
    out = np.zeros_like(own)
    for i, there in enumerate(around):
        smooth = sum(own[j] / max(length, LEAST_MM) for j, length in there)
        total = own[i] + (smooth / len(there) if there else 0.0)
        out[i] = np.sqrt(total / np.maximum(total.sum(axis=1, keepdims=True), 1e-300))
    return out.reshape(n, -1)


def test_surfels_of_a_sphere_lie_on_it_face_outwards_and_keep_its_area():
    mesh = sphere(6.0, 60)
    surfels = surfels_of(Surface.build(mesh))
    radius = np.linalg.norm(surfels.points, axis=1)
    # the mean over a patch of half-width h lies below a sphere by up to h^2 / r
    assert_allclose(radius, 6.0, rtol=0, atol=0.6**2 / 6.0)
    outward = np.einsum("ij,ij->i", surfels.normals, surfels.points / radius[:, None])
    assert (outward > 0.999).all()
    whole = mesh.face_areas().sum()
    assert 0.9 * whole < surfels.total_mm2 <= whole * (1 + 1e-12)


def test_features_are_those_of_the_formulas():
    surfels = _arch_surfels(0.5)
    few = surfels.only(np.arange(len(surfels.points)) < 250)
    wanted = _naive_features(few, 2.0)
    found = describe(few, 2.0)
    # a bin's edge may fall either way in the last bit
    assert np.mean(np.abs(found - wanted).max(axis=1) < 1e-6) > 0.99
    sums = (found.reshape(-1, 3, N_BINS) ** 2).sum(axis=2)
    assert_allclose(sums[wanted.any(axis=1)], 1.0, rtol=1e-12, atol=0)


def test_features_do_not_know_the_frame():
    surfels = _arch_surfels()
    T = RigidTransform.exp([1.1, -0.4, 2.0, 30.0, -70.0, 5.0])
    same, moved = describe(surfels), describe(_moved(surfels, T))
    assert np.mean(np.abs(same - moved).max(axis=1) < 1e-6) > 0.98


def test_features_of_two_triangulations_match_far_better_than_chance():
    arch = surfels_of(Surface.build(patch(UPPER, WIDE, WHOLE, 0.3, np.random.default_rng(2))))
    bite = surfels_of(Surface.build(patch(UPPER, RIGHT, BUCCAL, 0.3, np.random.default_rng(3))))
    match = best_matches(describe(bite), describe(arch), 3)
    away = np.linalg.norm(arch.points[match] - bite.points[:, None], axis=2).min(axis=1)
    near = np.linalg.norm(arch.points[None] - bite.points[:, None], axis=2) < 1.5
    by_chance = 3 * near.mean()
    assert np.mean(away < 1.5) > 10 * by_chance


def test_the_best_matches_are_those_of_a_full_comparison():
    rng = np.random.default_rng(4)
    a, b = (np.sqrt(rng.dirichlet(np.ones(N_BINS), (n, 3))).reshape(n, -1) for n in (70, 300))
    distance = np.linalg.norm(a[:, None] - b[None], axis=2)
    wanted = np.argsort(distance, axis=1)[:, :4]
    found = best_matches(a, b, 4)
    gap = np.sort(distance, axis=1)
    clear = np.diff(gap[:, :5], axis=1).min(axis=1) > 1e-5  # float32 tells these apart
    assert clear.sum() > 50
    assert (found[clear] == wanted[clear]).all()


def test_the_grid_holds_a_surfel_near_every_place_near_the_surface():
    surfels = _arch_surfels()
    grid = grid_of(surfels)
    rng = np.random.default_rng(5)
    away = rng.normal(size=surfels.points.shape)
    away *= rng.uniform(0, 2.0, (len(away), 1)) / np.linalg.norm(away, axis=1, keepdims=True)
    places = surfels.points + away
    cell = np.floor((places - grid.origin) / GRID_MM).astype(int)
    held = grid.nearest[tuple(cell.T)]
    found = np.linalg.norm(surfels.points[held] - places, axis=1)
    least = np.linalg.norm(surfels.points[None] - places[:, None], axis=2).min(axis=1)
    # the cell's middle stands for the place, and one surfel of a cell for all of them
    assert (found <= least + 2 * np.sqrt(3) * GRID_MM).all()
    assert MARGIN_MM > 2.0
