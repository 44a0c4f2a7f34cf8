"""Laws of the covariance of residuals by distance."""

from functools import cache

import numpy as np
from numpy.testing import assert_allclose
from reference.naive import ring_sums as slow_ring_sums
from scipy.ndimage import gaussian_filter

from occlusim.kernels.ring_sums import ring_sums
from occlusim.registration.residual_noise import (
    Scores,
    lost_products,
    noise_covariance,
    shared_covariance,
    sum_pairs,
)

STEP_MM = 0.1
SIDE = 120
NOTHING_FITTED = 0.0


def _scores(value: np.ndarray, rows: np.ndarray | None = None) -> Scores:
    """Return the scores of values on a square grid of points, all of one arch."""
    n = round(len(value) ** 0.5)
    x, y = np.meshgrid(np.arange(n) * STEP_MM, np.arange(n) * STEP_MM)
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(n * n)])
    if rows is None:
        rows = np.tile([0.0, 0, 0, 0, 0, 1], (n * n, 1))
    area = np.full(n * n, STEP_MM**2)
    return Scores(points, rows, value, area, np.zeros(n * n, dtype=bool))


def _field(n: int, length_mm: float, seed: int) -> np.ndarray:
    """Return noise (n * n,) with the correlation exp(-d^2 / (2 length^2)) and variance 1."""
    white = np.random.default_rng(seed).standard_normal((n, n))
    s = length_mm / np.sqrt(2) / STEP_MM
    return (gaussian_filter(white, s, mode="wrap") * s * 2 * np.sqrt(np.pi)).ravel()


@cache
def _areas(length_mm: float) -> np.ndarray:
    found = []
    for seed in range(15):
        sums = sum_pairs(*[_scores(_field(SIDE, length_mm, seed))] * 2)
        found.append(noise_covariance(sums, np.zeros((len(sums.product),) * 2)).area_mm2)
    return np.array(found)


def test_white_noise_counts_every_point():
    value = np.random.default_rng(1).standard_normal(150 * 150)
    sums = sum_pairs(*[_scores(value)] * 2)
    found = noise_covariance(sums, np.zeros((len(sums.product),) * 2))
    assert_allclose(found.variance_mm2, value.var(), rtol=0.1, atol=0)
    assert_allclose(found.area_mm2, STEP_MM**2, rtol=0.1, atol=0)


def test_gaussian_correlation_has_its_closed_area():
    # rho = exp(-d^2 / (2 L^2)) integrates over the plane to 2 pi L^2; less the share of it that
    # lies beyond the margins of a square of side s: each margin loses L / sqrt(2 pi) of s
    for length in (0.2, 0.4):
        side = SIDE * STEP_MM
        wanted = 2 * np.pi * length**2 * (1 - 2 * length / np.sqrt(2 * np.pi) / side) ** 2
        spread = _areas(length).std() / np.sqrt(15)
        assert abs(_areas(length).mean() - wanted) < 3 * spread
        assert spread < 0.06 * wanted


def test_what_the_fit_took_away_is_added_again():
    # two unknowns fitted to a patch of 16 mm2 take a known share of the noise's sum with them
    n, length, found, raw = 40, 0.3, [], []
    x = np.tile(np.arange(n) - 0.5 * (n - 1), n) * STEP_MM
    rows = np.zeros((n * n, 6))
    rows[:, 1], rows[:, 5] = x, 1.0
    inverse = np.zeros((6, 6))
    design = rows[:, [1, 5]]
    inverse[np.ix_([1, 5], [1, 5])] = np.linalg.inv(design.T @ design) / STEP_MM**2
    for seed in range(60):
        value = _field(n, length, seed)
        left = value - design @ np.linalg.lstsq(design, value, rcond=None)[0]
        sums = sum_pairs(*[_scores(left, rows)] * 2)
        pulls = np.array([inverse, np.zeros((6, 6))])
        back = np.einsum("ab,rbc,cd->rad", inverse, sums.rows[0], inverse)
        back = np.stack([back, np.zeros_like(back)], axis=1)
        lost = lost_products(sums, pulls, back, np.zeros((2, 6, 6)))
        found.append(noise_covariance(sums, lost).sum_mm4)
        raw.append(noise_covariance(sums, NOTHING_FITTED * lost).sum_mm4)
    side = n * STEP_MM
    wanted = 2 * np.pi * length**2 * (1 - 2 * length / np.sqrt(2 * np.pi) / side) ** 2
    spread = np.std(found) / np.sqrt(60)
    assert abs(np.mean(found) - wanted) < 3 * spread
    assert np.mean(raw) < wanted - 3 * spread


def test_two_scans_share_what_their_common_arch_adds():
    common = [_field(80, 0.3, seed) for seed in range(12)]
    sums = []
    for seed, shared in enumerate(common):
        a, b = (_scores(shared + _field(80, 0.3, k + seed)) for k in (100, 200))
        pairs = sum_pairs(a, b)
        none = np.zeros(len(pairs.product))
        own = noise_covariance(sum_pairs(a, a), np.zeros((len(none), len(none))))
        sums.append(shared_covariance(pairs, none, own).sum_mm4 / own.sum_mm4)
    assert_allclose(np.mean(sums), 0.5, rtol=0, atol=3 * np.std(sums) / np.sqrt(12))


def test_pairs_are_of_one_arch():
    value = np.ones(100)
    a, b = _scores(value), _scores(value)
    other = Scores(b.points, b.rows, b.value_mm, b.area_mm2, ~b.is_lower)
    assert sum_pairs(a, other).pair_area.sum() == 0
    assert sum_pairs(a, b).pair_area.sum() > 0


def test_ring_sums_are_those_of_the_slow_twin():
    rng = np.random.default_rng(3)
    points, centres = rng.uniform(0, 2, (400, 3)), rng.uniform(0, 2, (30, 3))
    points = points[np.argsort(points[:, 0])]
    centres[:5] = points[100:105]
    values = rng.standard_normal((400, 3))
    begin = np.searchsorted(points[:, 0], centres[:, 0] - 0.8)
    end = np.searchsorted(points[:, 0], centres[:, 0] + 0.8)
    out = np.empty((30, 5, 3))
    ring_sums(30, centres, begin, end, points, values, 0.2, out)
    assert_allclose(out, slow_ring_sums(centres, points, values, 0.2, 5), rtol=0, atol=1e-12)
    assert (np.abs(out[:5, 0]) > 0).all()


def test_lost_products_are_those_of_the_projection():
    # two patches fitted with the same six unknowns; the other's noise is white and sums to the same
    rng = np.random.default_rng(5)
    n = 36
    a, b = (_scores(np.zeros(n), rng.standard_normal((n, 6))) for _ in range(2))
    a.points[:, :2] = rng.uniform(0, 0.6, (n, 2))  # no distance on the edge of a ring
    sums = sum_pairs(a, a)
    by_ring = rng.standard_normal(len(sums.product)) * (np.arange(len(sums.product)) < 5)
    away = np.linalg.norm(a.points[:, None] - a.points, axis=2)
    ring = np.ceil(away / STEP_MM).astype(int)
    noise = np.zeros((2 * n, 2 * n))
    noise[:n, :n] = by_ring[ring]
    noise[n:, n:] = by_ring @ sums.pair_area / sums.area_mm2 / STEP_MM**2 * np.eye(n)
    rows, area = np.concatenate([a.rows, b.rows]), STEP_MM**2
    inverse = np.linalg.inv(area * rows.T @ rows)
    left = np.eye(2 * n) - area * rows @ inverse @ rows.T
    residual = (left @ noise @ left.T)[:n, :n]
    wanted = [area**2 * residual[ring == r].sum() for r in range(len(by_ring))]
    pulls, none = np.array([inverse, np.zeros((6, 6))]), np.zeros((len(by_ring), 6, 6))
    back = np.stack([np.einsum("ab,rbc,cd->rad", inverse, sums.rows[0], inverse), none], axis=1)
    aside = np.array([inverse @ (area * b.rows.T @ b.rows) @ inverse, np.zeros((6, 6))])
    lost = lost_products(sums, pulls, back, aside)
    assert_allclose(sums.pair_area * by_ring - lost @ by_ring, wanted, rtol=0, atol=1e-12)
    assert np.abs(lost @ by_ring).max() > 1e-5
