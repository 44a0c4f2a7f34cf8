"""The recorded bite: one joint least squares over both arches and all bite scans.

Unknown are the lower jaw's pose in the upper scan's frame and the pose of every bite scan. They are
found on the arches from any frame (`coarse`), then fitted together: each vertex of a bite scan is
matched with the nearer arch whose normal agrees, on that arch's curved patches (`correspondence`),
and its distance from the tangent plane is a residual with a robust, area-proportional weight
(`point_to_plane`). The match distance shrinks on every n-th vertex; the last rounds use every
vertex and go on until the lower jaw moves by less than the tolerance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import Float64Array, points_array
from occlusim.errors import InputError
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.coarse import Start, StartSettings, find_start
from occlusim.registration.evidence import BiteEvidence, part_evidence
from occlusim.registration.joint import JointProblem, RegistrationSettings
from occlusim.registration.matches import Poses
from occlusim.registration.point_to_plane import carry_twist
from occlusim.registration.pose_covariance import pose_uncertainty
from occlusim.registration.uncertainty import covariance_about

__all__ = [
    "BiteEvidence",
    "BiteRegistration",
    "RegistrationSettings",
    "StartSettings",
    "register_bite",
]


@dataclass(frozen=True, slots=True)
class BiteRegistration:
    """A registered bite with its evidence; whether to trust it is `quality.judge_bite`.

    Attributes
    ----------
    T_upper_lower : RigidTransform
        Pose of the lower scan in the upper scan's frame.
    covariance : (6, 6)
        Of a left perturbation of `T_upper_lower`, rotation (rad) then translation (mm), about the
        upper frame's origin; random part only (a scan's own warp is not in it). NaN where the
        data fix nothing.
    hessian : (6, 6)
        Area-weighted information on the lower pose about `centre`, every bite scan free;
        mm2 times (mm, 1) squared.
    centre : (3,), mm, upper frame
        Middle of the overlap with the lower arch; `arm_mm` is that overlap's radius of gyration.
    bites : tuple of BiteEvidence
        One per bite scan, in the order given.
    T_upper_lower_alone : tuple of RigidTransform
        The lower pose that each bite scan alone would give; `covariance_alone` beside it, and
        `information_alone` (6, 6), its weight in the joint fit, mm2 times (mm, 1) squared, both
        about the upper frame's origin.
    rms_um : float
        Area-weighted over all inliers; NaN without any.
    last_change_um : float
        Largest movement of the lower scan in the last step.
    start : Start, optional
        Where the fit began and what spoke for it; None where nothing was fitted.
    """

    T_upper_lower: RigidTransform
    covariance: Float64Array
    hessian: Float64Array
    centre: Float64Array
    arm_mm: float
    bites: tuple[BiteEvidence, ...]
    T_upper_lower_alone: tuple[RigidTransform, ...]
    covariance_alone: tuple[Float64Array, ...]
    information_alone: tuple[Float64Array, ...]
    rms_um: float
    converged: bool
    n_rounds: int
    last_change_um: float
    start: Start | None = None

    def side_disagreement_um(self, points: ArrayLike) -> Float64Array:
        """Return how far the bite scans, each alone, disagree at points (n, 3) of the upper frame.

        The largest distance, over pairs of bite scans, between the two places where a point of
        the lower jaw would come to lie; NaN with fewer than two bite scans.
        """
        return self._disagreement(points)[0]

    def side_disagreement_sigma_um(self, points: ArrayLike) -> Float64Array:
        """Return the standard deviation (n,) that each disagreement has by noise alone.

        A bite scan of one side says little about the far side: there the disagreement is large
        without anything being wrong. Along the disagreement found; NaN where unknown.
        """
        return self._disagreement(points)[1]

    def side_chi_square(self) -> float:
        """Return how badly one rigid pose explains every pair of bite scans, the worst pair.

        Squared difference of the two poses over its covariance: by noise alone chi-square with 6
        degrees of freedom. NaN with fewer than two bite scans or an unknown covariance.
        """
        worst = float("nan")
        alone = list(zip(self.T_upper_lower_alone, self.covariance_alone, strict=True))
        for (a, cov_a), (b, cov_b) in combinations(alone, 2):
            carry = carry_twist(-self.centre)
            twist = carry @ (a @ b.inverse()).log()
            cov = carry @ (cov_a + cov_b) @ carry.T
            if np.isfinite(cov).all():
                worst = float(np.fmax(worst, twist @ np.linalg.pinv(cov, hermitian=True) @ twist))
        return worst

    def _disagreement(self, points: ArrayLike) -> tuple[Float64Array, Float64Array]:
        points = points_array(points)
        worst, sigma = np.full(len(points), np.nan), np.full(len(points), np.nan)
        alone = list(zip(self.T_upper_lower_alone, self.covariance_alone, strict=True))
        for (a, cov_a), (b, cov_b) in combinations(alone, 2):
            shift = 1000.0 * ((a @ b.inverse()).apply(points) - points)
            size = np.linalg.norm(shift, axis=1)
            for i in np.flatnonzero(~(size <= worst)):
                cov = 1e6 * covariance_about(cov_a + cov_b, points[i])[3:, 3:]
                along = shift[i] / max(size[i], 1e-12)
                worst[i], sigma[i] = size[i], np.sqrt(along @ cov @ along)
        return worst, sigma


def register_bite(
    upper: Surface,
    lower: Surface,
    bites: Sequence[Surface],
    *,
    T_upper_lower: RigidTransform | None = None,
    T_upper_bites: Sequence[RigidTransform] | None = None,
    settings: RegistrationSettings | None = None,
    start_settings: StartSettings | None = None,
) -> BiteRegistration:
    """Return the pose of the lower arch in the upper, from bite scans.

    Parameters
    ----------
    upper, lower : Surface
        The arches, each in its own frame.
    bites : sequence of Surface, at least one
        Scans of the teeth held together; each shows parts of both arches.
    T_upper_lower : RigidTransform, optional
        A pose of the lower arch that may be near: tried first, then searched for wherever it is.
        Identity, the scans' own frames, if absent.
    T_upper_bites : sequence of RigidTransform, optional
        The same of each bite scan; identity if absent.
    settings : RegistrationSettings, optional
        Match distances, robustness and tolerances.
    start_settings : StartSettings, optional
        When given poses are taken, and how wide the search is.

    Returns
    -------
    registration : BiteRegistration
        A record that fits badly or not at all is returned too: its evidence says so
        (`converged` false, no points, NaN covariance), and `quality.judge_bite` refuses it.

    Raises
    ------
    InputError
        If there is no bite scan, or not as many start poses as bite scans.
    """
    settings = settings or RegistrationSettings()
    if len(bites) == 0:
        raise InputError(
            "bite registration: no bite scan given, at least one wanted; arches that already "
            "share a frame need no registration (shared_frame_registration)"
        )
    starts = [RigidTransform.identity()] * len(bites) if T_upper_bites is None else T_upper_bites
    if len(starts) != len(bites):
        raise InputError(
            f"bite registration: {len(starts)} start poses given for {len(bites)} bite scans"
        )
    given = Poses(T_upper_lower or RigidTransform.identity(), tuple(starts))
    start = find_start(upper, lower, bites, given, start_settings)
    problem = JointProblem(upper, lower, bites, settings)
    poses = problem.approach(start.poses)
    fit = problem.seen_loosely(problem.refine(poses, tuple(range(len(bites)))))
    alone = (
        [problem.refine(fit.poses, (k,), fit) for k in range(len(bites))]
        if len(bites) > 1
        else [fit]
    )
    uncertainty = pose_uncertainty(fit)
    sure_alone = [pose_uncertainty(f) for f in alone] if len(bites) > 1 else [uncertainty]
    evidence = [part_evidence(fit, k, uncertainty) for k in range(len(bites))]
    total = sum(e.area_upper_mm2 + e.area_lower_mm2 for e in evidence)
    square = sum(
        e.rms_um**2 * (e.area_upper_mm2 + e.area_lower_mm2) for e in evidence if e.n_points
    )
    return BiteRegistration(
        T_upper_lower=fit.poses.T_upper_lower,
        covariance=uncertainty.covariance,
        hessian=uncertainty.hessian,
        centre=fit.centre,
        arm_mm=uncertainty.arm_mm,
        bites=tuple(evidence),
        T_upper_lower_alone=tuple(f.poses.T_upper_lower for f in alone),
        covariance_alone=tuple(one.covariance for one in sure_alone),
        information_alone=tuple(
            carry_twist(-f.centre).T @ one.hessian @ carry_twist(-f.centre)
            for f, one in zip(alone, sure_alone, strict=True)
        ),
        rms_um=float(np.sqrt(square / total)) if total > 0 else float("nan"),
        converged=fit.converged,
        n_rounds=fit.n_rounds,
        last_change_um=fit.last_change_um,
        start=start,
    )
