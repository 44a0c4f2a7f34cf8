"""Evidence of a fit: residual and overlap per bite scan, and the pose's covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.joint import JointFit
from occlusim.registration.point_to_plane import (
    NormalEquations,
    assemble,
    carry_twist,
    jacobian_rows,
    tukey_variance,
)
from occlusim.registration.uncertainty import correlation_area_mm2

CLOSE_MM = 0.1
"""A residual that agrees closely: some times scanner noise of 15-30 um (from memory), so that
noise-free records, whose robust cut is far below, are not blamed for their triangulation."""


@dataclass(frozen=True, slots=True)
class BiteEvidence:
    """How one bite scan fits.

    Attributes
    ----------
    T_upper_bite : RigidTransform
        Its pose in the upper scan's frame.
    rms_um, p95_um : float
        Root mean square and 95th percentile (area-weighted) of the inliers' distances; NaN
        without inliers.
    area_upper_mm2, area_lower_mm2 : float
        Surface of the bite scan that agrees with each arch.
    n_points, n_independent : int, float
        Inlier vertices, and how many independent residuals they are worth.
    correlation_area_mm2 : float
        Surface area of one independent residual.
    variance_mm2 : float
        Of one residual as the robust estimate feels it.
    agreement : float
        Share of the surface lying loosely on an arch that agrees with it closely (`CLOSE_MM`, or
        the robust cut where that is wider).
    vertex, residual_mm : (n,)
        The loosely matched vertices of the bite scan and their signed distances: the map.
    """

    T_upper_bite: RigidTransform
    rms_um: float
    p95_um: float
    area_upper_mm2: float
    area_lower_mm2: float
    n_points: int
    n_independent: float
    correlation_area_mm2: float
    variance_mm2: float
    agreement: float
    vertex: Int64Array
    residual_mm: Float64Array


@dataclass(frozen=True, slots=True)
class PoseUncertainty:
    """Covariance (6, 6) about the upper origin, information about the centre, and its arm."""

    covariance: Float64Array
    hessian: Float64Array
    arm_mm: float


def part_evidence(fit: JointFit, k: int) -> BiteEvidence:
    """Return the evidence of bite scan `k` at a fit that includes it."""
    part = fit.parts[k]
    good = part.pick(part.is_inlier)
    pose = fit.poses.T_upper_bites[k]
    loose = float(part.area_mm2.sum())
    if len(good.vertex) < 10:
        nan = float("nan")
        return BiteEvidence(
            pose, nan, nan, 0.0, 0.0, 0, 0.0, nan, nan, 0.0, part.vertex, part.residual_mm
        )
    area = float(good.area_mm2.sum())
    rms_mm = float(np.sqrt(good.area_mm2 @ good.residual_mm**2 / area))
    size = np.abs(good.residual_mm)
    order = np.argsort(size, kind="stable")
    rank = np.cumsum(good.area_mm2[order])
    p95_mm = float(size[order[min(np.searchsorted(rank, 0.95 * area), len(order) - 1)]])
    is_close = np.abs(part.residual_mm) <= max(good.cut_mm, CLOSE_MM)
    one = correlation_area_mm2(good.points, good.residual_mm, good.area_mm2)
    return BiteEvidence(
        T_upper_bite=pose,
        rms_um=1000.0 * rms_mm,
        p95_um=1000.0 * p95_mm,
        area_upper_mm2=float(good.area_mm2[~good.is_lower].sum()),
        area_lower_mm2=float(good.area_mm2[good.is_lower].sum()),
        n_points=len(good.vertex),
        n_independent=area / one,
        correlation_area_mm2=one,
        variance_mm2=tukey_variance(good.residual_mm, good.area_mm2, good.cut_mm),
        agreement=float(part.area_mm2[is_close].sum()) / loose if loose > 0 else 0.0,
        vertex=part.vertex,
        residual_mm=part.residual_mm,
    )


def pose_covariance(fit: JointFit, evidence: list[BiteEvidence]) -> PoseUncertainty:
    """Return the lower pose's uncertainty at a fit; `evidence` in the order of its parts.

    The sandwich H^-1 G H^-1. H sums over bite scans the products of the rows seen by the arch's
    normals and by the bite scan's own, whose noises are independent, so that roughness is not
    taken for shape; G sums the Gauss-Newton matrices, each weighted by its residual variance and
    the area of one independent residual.
    """
    n = len(fit.parts)
    total = NormalEquations(np.zeros((6 + 6 * n, 6 + 6 * n)), np.zeros(6 + 6 * n))
    spread = np.zeros_like(total.matrix)
    points, area = [np.zeros((0, 3))], [np.zeros(0)]
    for i, (part, seen) in enumerate(zip(fit.parts.values(), evidence, strict=True)):
        good = part.pick(part.is_inlier)
        rows = jacobian_rows(good.points, good.normals, fit.centre)
        twin = jacobian_rows(good.points, good.directions, fit.centre)
        own = assemble(rows, good.residual_mm, good.area_mm2, good.is_lower, (i, n))
        total += assemble(rows, good.residual_mm, good.area_mm2, good.is_lower, (i, n), twin)
        if np.isfinite(seen.variance_mm2):
            spread += seen.variance_mm2 * seen.correlation_area_mm2 * own.matrix
        points.append(good.points[good.is_lower])
        area.append(good.area_mm2[good.is_lower])
    hessian = total.lower_information()
    around, mass = np.concatenate(points) - fit.centre, np.concatenate(area)
    nothing = PoseUncertainty(np.full((6, 6), np.nan), hessian, float("nan"))
    if mass.sum() <= 0 or any(e.n_points == 0 for e in evidence):
        return nothing
    arm_mm = float(np.sqrt(mass @ np.einsum("ij,ij->i", around, around) / mass.sum()))
    scale = np.tile([1 / arm_mm] * 3 + [1.0] * 3, 1 + n)
    values = np.linalg.eigvalsh(total.matrix * scale[:, None] * scale)
    if values[0] <= 1e-12 * values[-1]:
        return PoseUncertainty(nothing.covariance, hessian, arm_mm)
    inverse = np.linalg.inv(total.matrix)
    carry = carry_twist(fit.centre)
    covariance = carry @ (inverse @ spread @ inverse)[:6, :6] @ carry.T
    return PoseUncertainty(0.5 * (covariance + covariance.T), hessian, arm_mm)
