"""Evidence of a fit: residual and overlap per bite scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.joint import JointFit
from occlusim.registration.matches import PartMatches
from occlusim.registration.pose_covariance import PoseUncertainty

CLOSE_MM = 0.1
"""A residual that agrees closely: some times scanner noise of 15-30 um (from memory). A scan that
lies where it does not belong has residuals of any size: a sixth of them is as small."""


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
        Of one residual as the robust estimate feels it, what the fit took away added again.
    agreement_upper, agreement_lower : float
        Share of what lies loosely on either arch that agrees with it closely (`CLOSE_MM`), weighed
        as in the fit; NaN where nothing does.
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
    agreement_upper: float
    agreement_lower: float
    vertex: Int64Array
    residual_mm: Float64Array

    @property
    def agreement(self) -> float:
        """The agreement with the arch that it agrees with less; 0 without any surface on one."""
        return float(np.nan_to_num(min(self.agreement_upper, self.agreement_lower)))


def part_evidence(fit: JointFit, k: int, uncertainty: PoseUncertainty) -> BiteEvidence:
    """Return the evidence of bite scan `k` at a fit that includes it, with the fit's noise."""
    part, pose, noise = fit.parts[k], fit.poses.T_upper_bites[k], uncertainty.noise[k]
    good = part.pick(part.is_inlier)
    on_upper, on_lower = (close_share(part, is_lower) for is_lower in (False, True))
    if noise is None:
        nan = float("nan")
        return BiteEvidence(
            pose, nan, nan, 0.0, 0.0, 0, 0.0, nan, nan, on_upper, on_lower, part.vertex,
            part.residual_mm,
        )  # fmt: skip
    area = float(good.area_mm2.sum())
    rms_mm = float(np.sqrt(good.area_mm2 @ good.residual_mm**2 / area))
    size = np.abs(good.residual_mm)
    order = np.argsort(size, kind="stable")
    rank = np.cumsum(good.area_mm2[order])
    p95_mm = float(size[order[min(np.searchsorted(rank, 0.95 * area), len(order) - 1)]])
    n_independent = float(good.weight_mm2.sum()) / noise.area_mm2
    return BiteEvidence(
        T_upper_bite=pose,
        rms_um=1000.0 * rms_mm,
        p95_um=1000.0 * p95_mm,
        area_upper_mm2=float(good.area_mm2[~good.is_lower].sum()),
        area_lower_mm2=float(good.area_mm2[good.is_lower].sum()),
        n_points=len(good.vertex),
        n_independent=n_independent,
        correlation_area_mm2=area / n_independent,
        variance_mm2=noise.variance_mm2,
        agreement_upper=on_upper,
        agreement_lower=on_lower,
        vertex=part.vertex,
        residual_mm=part.residual_mm,
    )


def close_share(part: PartMatches, is_lower: bool) -> float:
    """Return the share of the loosely matched surface on one arch that agrees closely, by weight.

    NaN where nothing is matched.
    """
    weight = part.weight_mm2 * (part.is_lower == is_lower)
    close = np.abs(part.residual_mm) <= CLOSE_MM
    total = float(weight.sum())
    return float(weight[close].sum()) / total if total > 0 else float("nan")
