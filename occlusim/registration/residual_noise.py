"""What the residuals of a fit say about its noise: their covariance by distance.

Neighbouring residuals are correlated, so that n of them are worth fewer. The covariance of two
residuals is taken to depend on their distance alone and is measured, ring by ring, on the
residuals themselves; its sum over the neighbours of a point, weighted by area, is what a sum of
residuals feels (Newey & West 1987, Econometrica 55:703-708, along time; Conley 1999, J Econometrics
92:1-45, over places; from memory). Two corrections make it honest:

- Residuals of a fit are smaller than their noise, the more so the farther one sums: with the
  projection P = J H^-1 J^T A of the fit, E[r r^T] = (I - P) C (I - P)^T. What each ring has lost is
  linear in the covariance of all rings, and is solved for.
- Rows of a curved surface turn within the reach of the correlation, so the sum is taken over
  J_i J_j^T of pairs, not over J_i J_i^T.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.kernels.ring_sums import ring_sums

CHOSEN_POINTS = 1000
"""Places around which is summed: as many as a bite scan has independent residuals, or more."""

REACH_MM = 3.0
"""Farthest distance looked at; scanner noise is correlated over some tenths of a millimetre (from
memory), and what reaches farther is a scan's warp, which no residual covariance can tell."""

LEAST_RING_MM = 0.1
MOST_LOSS = 0.5
"""Share of the noise that a fit may have swallowed; a patch of fewer residuals tells no more."""


@dataclass(frozen=True, slots=True)
class Scores:
    """The residuals of one bite scan as the fit feels them, all in one frame.

    Attributes
    ----------
    points : (n, 3), mm
    rows : (n, 6)
        Of `jacobian_rows`.
    value_mm, area_mm2 : (n,)
        Influence of the residual (psi over the mean of its slope); area that the point counts
        for in the fit.
    is_lower : (n,)
        Which arch it lies on: pairs are of one arch.
    """

    points: Float64Array
    rows: Float64Array
    value_mm: Float64Array
    area_mm2: Float64Array
    is_lower: BoolArray


@dataclass(frozen=True, slots=True)
class PairSums:
    """Sums over pairs (i, j) of residuals in rings of their distance, ring 0 the point itself.

    Attributes
    ----------
    pair_area : (R,), mm4
        Of a_i a_j.
    product : (R,), mm6
        Of a_i a_j u_i u_j.
    rows : (2, R, 6, 6)
        Of a_i a_j J_i J_j^T, on the upper and on the lower arch.
    triples : (2, R, 6, R, 6)
        Of a_i (a_j J_j) (a_k J_k)^T over j in one ring about i and k in another.
    area_mm2 : float
        Of all points i.
    """

    pair_area: Float64Array
    product: Float64Array
    rows: Float64Array
    triples: Float64Array
    area_mm2: float


@dataclass(frozen=True, slots=True)
class NoiseCovariance:
    """The covariance of two residuals by distance.

    Attributes
    ----------
    by_ring : (R,), mm2
        In each ring, tapered.
    sum_mm4 : float
        Its sum over the neighbours of a point: the variance of one residual times the area that
        one independent residual takes.
    flat_rings : int
        How far the taper is 1.
    relative_variance : float
        Of `sum_mm4`: it is measured on a patch of so many independent residuals only.
    """

    by_ring: Float64Array
    sum_mm4: float
    area_mm2: float
    flat_rings: int
    relative_variance: float

    @property
    def variance_mm2(self) -> float:
        """Of one residual."""
        return float(self.by_ring[0])


def sum_pairs(a: Scores, b: Scores) -> PairSums:
    """Return the sums over pairs of points of `a` and `b` (the same scan, or two), by distance.

    Rings are as wide as the spacing of the points of `a`.
    """
    spacing_mm = float(np.sqrt(a.area_mm2 @ a.area_mm2 / a.area_mm2.sum()))
    ring_mm = max(spacing_mm, LEAST_RING_MM)
    n_rings = 2 + int(REACH_MM / ring_mm)
    pair_area, product = np.zeros(n_rings), np.zeros(n_rings)
    rows, triples = np.zeros((2, n_rings, 6, 6)), np.zeros((2, n_rings, 6, n_rings, 6))
    chosen = np.arange(0, len(a.value_mm), max(1, len(a.value_mm) // CHOSEN_POINTS))
    for is_low in (False, True):
        i = chosen[a.is_lower[chosen] == is_low]
        j = np.flatnonzero(b.is_lower == is_low)
        if len(i) == 0 or len(j) == 0:
            continue
        axis = int(np.argmax(np.ptp(b.points[j], axis=0)))
        j = j[np.argsort(b.points[j, axis], kind="stable")]
        reach = (n_rings - 1) * ring_mm
        begin = np.searchsorted(b.points[j, axis], a.points[i, axis] - reach, side="left")
        end = np.searchsorted(b.points[j, axis], a.points[i, axis] + reach, side="right")
        weight = b.area_mm2[j, None]
        values = weight * np.column_stack([np.ones(len(j)), b.value_mm[j], b.rows[j]])
        around = np.empty((len(i), n_rings, values.shape[1]))
        ring_sums(len(i), a.points[i], begin, end, b.points[j], values, ring_mm, around)
        own = a.area_mm2[i, None] * np.column_stack([np.ones(len(i)), a.value_mm[i], a.rows[i]])
        pair_area += own[:, 0] @ around[:, :, 0]
        product += own[:, 1] @ around[:, :, 1]
        rows[int(is_low)] = np.einsum("ik,irl->rkl", own[:, 2:], around[:, :, 2:])
        flat = np.ascontiguousarray(around[:, :, 2:]).reshape(len(i), -1)
        triples[int(is_low)] = (flat.T @ (own[:, :1] * flat)).reshape(n_rings, 6, n_rings, 6)
    area = float(a.area_mm2.sum())
    share = area / float(a.area_mm2[chosen].sum())
    return PairSums(share * pair_area, share * product, share * rows, share * triples, area)


def noise_covariance(sums: PairSums, lost: Float64Array) -> NoiseCovariance:
    """Return the covariance by distance, tapered where it drowns in its own noise.

    Weights are 1 out to the first ring whose mean is below its standard deviation, and fall to 0
    at twice that distance: the flat top keeps what is still to come of the sum (Politis & Romano
    1995, J Time Ser Anal 16:67-103, and Politis 2003, J Nonparametr Stat 15:703-723; from memory).

    Parameters
    ----------
    sums : PairSums
        Of a fit's residuals.
    lost : (R, R), mm4
        What each ring's product has lost per unit of covariance in each ring; see `lost_products`.
        Zero where nothing was fitted.
    """
    flat = _flat_rings(sums, lost)
    return _tapered(sums, _solved(sums, lost, _weights(len(lost), flat)), flat)


def shared_covariance(sums: PairSums, lost: Float64Array, own: NoiseCovariance) -> NoiseCovariance:
    """Return the covariance of the residuals of two scans, which share an arch's noise.

    `own` is that of the first scan with itself: its taper is used, and its size for what the fit
    took away, `lost` (R,), mm4 per unit of `sum_mm4`; this is small, for the scans move freely.
    """
    weight = _weights(len(lost), own.flat_rings)
    met = np.where(sums.pair_area > 0, sums.pair_area, np.inf)
    return _tapered(sums, weight * (sums.product + own.sum_mm4 * lost) / met, own.flat_rings)


def lost_products(
    sums: PairSums, pulls: Float64Array, back: Float64Array, others: Float64Array
) -> Float64Array:
    """Return what a fit took from every ring's product (R, R), mm4 per unit covariance in a ring.

    E[r r^T] = C - P C - C P^T + P C P^T, with P = J H^-1 J^T A. A pair's share of P C is J_i^T H^-1
    times the sum of a_k J_k C_kj over the points about j; of P C P^T, J_i^T H^-1 G H^-1 J_j with G
    the sum of a_i a_j J_i J_j^T C_ij.

    Parameters
    ----------
    sums : PairSums
        Of one bite scan.
    pulls : (2, 6, 6)
        H^-1 as rows on the upper and on the lower arch feel it.
    back : (R, 2, 6, 6)
        The same of H^-1 G H^-1, with G of pairs in one ring.
    others : (2, 6, 6)
        The same of H^-1 H' H^-1, with H' the information of the other bite scans, whose noise is
        taken to be like this one's.
    """
    lost = 2.0 * np.einsum("jab,jrasb->rs", pulls, sums.triples)
    lost -= np.einsum("sjab,jrab->rs", back, sums.rows)
    along = np.einsum("jab,jrab->r", others, sums.rows)
    return np.asarray(lost - np.outer(along, sums.pair_area) / sums.area_mm2, dtype=np.float64)


def _tapered(sums: PairSums, by_ring: Float64Array, flat: int) -> NoiseCovariance:
    weight = _weights(len(by_ring), flat)
    spread = 2.0 * float(weight**2 @ sums.pair_area) / sums.area_mm2**2
    total = float(by_ring @ sums.pair_area) / sums.area_mm2
    area = total / by_ring[0] if by_ring[0] > 0 else sums.pair_area[0] / sums.area_mm2
    return NoiseCovariance(by_ring, total, float(area), flat, spread)


def _flat_rings(sums: PairSums, lost: Float64Array) -> int:
    """Return out to which ring the covariance stands out of its noise.

    Pairs whose ends both lie within one independent area of each other's repeat one another, so
    the mean of a ring has the variance 2 sum^2 / (area of its pairs), or of pairs as many as one
    independent area holds, where the ring is narrower; the 2 for each pair counts twice.
    """
    rings = np.arange(len(lost))
    for r in rings[1:][sums.pair_area[1:] > 0]:
        by_ring = _solved(sums, lost, (rings <= r) * 1.0)
        one = float(by_ring @ sums.pair_area) / sums.area_mm2
        pairs = max(sums.pair_area[r], sums.area_mm2 * one / max(by_ring[0], 1e-300))
        if not by_ring[r] >= one * np.sqrt(2.0 / pairs):
            return int(r - 1)
    return len(lost)


def _weights(n_rings: int, flat: int) -> Float64Array:
    middle = np.arange(n_rings) - 0.5
    return np.asarray(np.clip(2.0 - middle / max(flat, 1e-3), 0.0, 1.0), dtype=np.float64)


def _solved(sums: PairSums, lost: Float64Array, weight: Float64Array) -> Float64Array:
    """Return the weighted covariance by ring (R,), with what the fit took away added again.

    Where the fit took more than `MOST_LOSS` there is nothing left to tell by: so much is added.
    """
    by_ring = np.zeros(len(lost))
    met = (weight > 0) & (sums.pair_area > 0)
    area, raw = sums.pair_area[met], sums.product[met]
    plain = weight[met] * raw / area
    system = np.diag(area / weight[met]) - lost[np.ix_(met, met)]
    solved = np.linalg.solve(system, raw)
    before, after = float(area @ plain), float(area @ solved)
    is_told = 0.0 < after * (1.0 - MOST_LOSS) <= before
    by_ring[met] = solved if is_told else plain / (1.0 - MOST_LOSS)
    return by_ring
