"""The covariance of a registered pose: a sandwich with the noise as it is correlated."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from occlusim.arrays import Float64Array
from occlusim.registration.joint import JointFit
from occlusim.registration.matches import PartMatches, mean_normals
from occlusim.registration.point_to_plane import (
    NormalEquations,
    assemble,
    carry_twist,
    jacobian_rows,
    placed_blocks,
    tukey_influence,
)
from occlusim.registration.residual_noise import (
    NoiseCovariance,
    PairSums,
    Scores,
    lost_products,
    noise_covariance,
    shared_covariance,
    sum_pairs,
)

LEAST_POINTS = 10
"""Fewer inliers say nothing about their noise."""


@dataclass(frozen=True, slots=True)
class PoseUncertainty:
    """What is known of the lower pose's error, and of the noise that makes it.

    Attributes
    ----------
    covariance : (6, 6)
        About the upper frame's origin, in its axes; NaN where the data fix nothing.
    hessian : (6, 6)
        Information on the lower pose about the fit's centre with every bite scan free.
    arm_mm : float
        Radius of gyration of the overlap with the lower arch; NaN without any.
    noise : dict
        Of the residuals of each bite scan, by its number; None below `LEAST_POINTS` inliers.
    """

    covariance: Float64Array
    hessian: Float64Array
    arm_mm: float
    noise: dict[int, NoiseCovariance | None]


def pose_uncertainty(fit: JointFit) -> PoseUncertainty:
    """Return the uncertainty of the lower pose at a fit.

    The covariance is the sandwich H^-1 G H^-1. H sums over bite scans the products of the rows
    seen by the arch's normals and by the bite scan's own, whose noises are independent, so that
    roughness is not taken for shape. G sums J_i J_j^T over pairs of residuals with the covariance
    that they have at their distance (`residual_noise`), in one bite scan and in two that lie on
    the same place of an arch, whose noise they then share.
    """
    n = len(fit.parts)
    good = [part.pick(part.is_inlier) for part in fit.parts.values()]
    each = [_information(part, fit.centre, (i, n)) for i, part in enumerate(good)]
    total = sum(each[1:], each[0])
    arm_mm = _arm_mm(good, fit.centre)
    inverse = _inverse(total.matrix, arm_mm)
    places = _Places(n, inverse)
    noise: dict[int, NoiseCovariance | None] = dict.fromkeys(fit.parts)
    measured: list[tuple[int, Scores, NoiseCovariance]] = []
    spreads = []
    for i, (k, part) in enumerate(zip(fit.parts, good, strict=True)):
        if len(part.vertex) < LEAST_POINTS or not part.weight_mm2.sum() > 0:
            continue
        scores = _scores(part, fit.centre)
        sums = sum_pairs(scores, scores)
        lost = places.lost(sums, i, total.matrix - each[i].matrix)
        noise[k] = found = noise_covariance(sums, lost)
        spread = places.spread(sums, found, i, i)
        spreads.append(positive(spread, found.sum_mm4 * each[i].matrix, arm_mm))
        measured.append((i, scores, found))
    common = np.zeros_like(total.matrix)
    for (i, a, found), (j, b, _) in combinations(measured, 2):
        sums = sum_pairs(a, b)
        shared = shared_covariance(sums, places.lost_between(sums, i, j), found)
        common += places.spread(sums, shared, i, j)
    covariance = np.full((6, 6), np.nan)
    if inverse is not None and len(measured) == n:
        relative = np.array([found.relative_variance for _, _, found in measured])
        carry = carry_twist(fit.centre)
        covariance = carry @ _lower_covariance(inverse, spreads, common, relative) @ carry.T
    covariance = 0.5 * (covariance + covariance.T)
    return PoseUncertainty(covariance, total.lower_information(), arm_mm, noise)


@dataclass(frozen=True, slots=True)
class _Places:
    """Where sums over pairs of two of n bite scans stand in the whole problem's matrices.

    `inverse` is that of the information, None where it fixes nothing.
    """

    n_parts: int
    inverse: Float64Array | None

    def lost(self, sums: PairSums, i: int, others: Float64Array) -> Float64Array:
        """Return what the fit took from the products of bite scan i, as `lost_products` (R, R).

        `others` is the information of the other bite scans.
        """
        n_rings = len(sums.pair_area)
        if self.inverse is None:
            return np.zeros((n_rings, n_rings))
        back = np.array([
            self._felt(self.inverse @ self._placed(sums, r, i, i) @ self.inverse, i)
            for r in range(n_rings)
        ])  # fmt: skip
        aside = self._felt(self.inverse @ others @ self.inverse, i)
        return lost_products(sums, self._felt(self.inverse, i), back, aside)

    def lost_between(self, sums: PairSums, i: int, j: int) -> Float64Array:
        """Return the sum of a_i a_j J_i^T H^-1 J_j by ring (R,), mm4, of two bite scans."""
        rings = range(len(sums.pair_area))
        if self.inverse is None:
            return np.zeros(len(rings))
        return np.array([np.sum(self.inverse * self._placed(sums, r, i, j)) for r in rings])

    def _placed(self, sums: PairSums, r: int, i: int, j: int) -> Float64Array:
        upper, lower = sums.rows[:, r]
        return placed_blocks(upper, lower, (i, j), self.n_parts)

    def _felt(self, matrix: Float64Array, i: int) -> Float64Array:
        """Return the matrix (2, 6, 6) that rows of bite scan i on either arch have between them."""
        own = slice(6 + 6 * i, 12 + 6 * i)
        upper = matrix[own, own]
        return np.array([upper, upper - matrix[:6, own] - matrix[own, :6] + matrix[:6, :6]])

    def spread(self, sums: PairSums, noise: NoiseCovariance, i: int, j: int) -> Float64Array:
        """Return what the pairs of bite scans i and j add to G; two are met from either end."""
        upper, lower = np.tensordot(sums.rows, noise.by_ring, axes=((1,), (0,)))
        block = placed_blocks(upper, lower, (i, j), self.n_parts)
        return 0.5 * (block + block.T) if i == j else block + block.T


def _information(part: PartMatches, centre: Float64Array, at: tuple[int, int]) -> NormalEquations:
    rows = jacobian_rows(part.points, part.normals, centre)
    twin = jacobian_rows(part.points, part.directions, centre)
    return assemble(rows, part.residual_mm, part.weight_mm2, part.is_lower, at, twin)


def _scores(part: PartMatches, centre: Float64Array) -> Scores:
    return Scores(
        part.points,
        jacobian_rows(part.points, mean_normals(part), centre),
        tukey_influence(part.residual_mm, part.weight_mm2, part.cut_mm),
        part.weight_mm2,
        part.is_lower,
    )


def _arm_mm(parts: list[PartMatches], centre: Float64Array) -> float:
    around = np.concatenate([p.points[p.is_lower] for p in parts]) - centre
    mass = np.concatenate([p.weight_mm2[p.is_lower] for p in parts])
    if not mass.sum() > 0:
        return float("nan")
    return float(np.sqrt(mass @ np.einsum("ij,ij->i", around, around) / mass.sum()))


def _inverse(matrix: Float64Array, arm_mm: float) -> Float64Array | None:
    """Return the inverse of the information, None where it fixes nothing."""
    if not arm_mm > 0:
        return None
    scale = np.tile([1 / arm_mm] * 3 + [1.0] * 3, len(matrix) // 6)
    values = np.linalg.eigvalsh(matrix * scale[:, None] * scale)
    if values[0] <= 1e-12 * values[-1]:
        return None
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def positive(spread: Float64Array, plain: Float64Array, arm_mm: float) -> Float64Array:
    """Return a spread that no direction makes negative: `plain` where the first one is.

    A measured covariance by distance need not be that of any noise; on few residuals it may go
    wrong. `plain` takes rows not to turn within its reach.
    """
    scale = np.tile([1 / arm_mm if arm_mm > 0 else 1.0] * 3 + [1.0] * 3, len(spread) // 6)
    values = np.linalg.eigvalsh(spread * scale[:, None] * scale)
    return spread if values[0] >= -1e-9 * values[-1] else plain


def _lower_covariance(
    inverse: Float64Array, own: list[Float64Array], common: Float64Array, relative: Float64Array
) -> Float64Array:
    """Return the lower pose's covariance (6, 6) from the spreads of bite scans and of their pairs.

    The noise's size is itself measured, with a relative variance v (n,). An error over its
    estimated deviation is then Student's t, whose variance is larger by 1 / (1 - v): with nu
    degrees of freedom v is 2 / nu and the variance nu / (nu - 2).
    """
    seen = [(inverse @ part @ inverse)[:6, :6] for part in own]
    total = np.sum(seen, axis=0) + (inverse @ common @ inverse)[:6, :6]
    weight = np.linalg.pinv(total, hermitian=True)
    share = np.array([np.trace(weight @ part) / 6 for part in seen])
    v = min(float(share**2 @ relative), 0.5)
    return np.asarray(total / (1.0 - v), dtype=np.float64)
