"""Do the bite scans of a record agree: each alone against all together, and against each other.

Bite scans are independent of each other, so the poses that they give alone differ by chance with
the sum of their covariances. The joint pose is made of them: it weighs each with its information,
so that the difference of one of them from the joint pose has the covariance

    (1 - W_k) C_k (1 - W_k)' + sum over the others W_j C_j W_j',   W_k = (sum H)^-1 H_k,

which is C_k - C where the weights are efficient (H_k = C_k^-1). What one rigid pose leaves over is
judged by chi-square (Wald's test; Rao, Linear Statistical Inference, 1973, section 6e).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from occlusim.arrays import Float64Array, points_array
from occlusim.registration.bite import BiteRegistration
from occlusim.registration.point_to_plane import carry_twist
from occlusim.registration.uncertainty import covariance_about

CHANCE = 0.0027
"""Probability below which noise is no explanation: three standard deviations of a normal one."""


@dataclass(frozen=True, slots=True)
class ChanceTest:
    """How likely noise alone makes a disagreement as large: chi-square and its probability."""

    statistic: float
    degrees_of_freedom: int
    p_value: float

    @property
    def is_chance(self) -> bool:
        """Whether noise explains it."""
        return not self.p_value < CHANCE


@dataclass(frozen=True, slots=True)
class Shift:
    """A displacement of the lower jaw at places (n, 3), um, and its covariance (n, 3, 3), um2.

    Both in the upper scan's axes.
    """

    shift_um: Float64Array
    covariance_um2: Float64Array

    @property
    def size_um(self) -> Float64Array:
        """Length (n,) of the displacement."""
        return np.linalg.norm(self.shift_um, axis=1)

    @property
    def sigma_um(self) -> Float64Array:
        """Standard deviation (n,) along the displacement found."""
        along = self.shift_um / np.maximum(self.size_um, 1e-12)[:, None]
        return np.sqrt(np.einsum("ni,nij,nj->n", along, self.covariance_um2, along))


@dataclass(frozen=True, slots=True)
class Disagreement:
    """The worst of what two bite scans say of the lower jaw's place, beyond their noise.

    `pair` are their numbers, `place` the number of the point, `shift_um` there.
    """

    pair: tuple[int, int]
    place: int
    shift_um: float
    sigma_um: float


def alone_against_joint(registration: BiteRegistration, points: ArrayLike) -> list[Shift]:
    """Return where each bite scan alone puts points of the lower jaw, against the joint pose.

    Parameters
    ----------
    registration : BiteRegistration
        Empty with fewer than two bite scans: a single one is the joint pose.
    points : (n, 3), mm, upper frame
        At the joint pose.
    """
    points = points_array(points)
    if len(registration.bites) < 2:
        return []
    covariances = [np.asarray(c) for c in registration.covariance_alone]
    differences = covariance_from_joint(
        covariances, registration.information_alone, registration.centre
    )
    back = registration.T_upper_lower.inverse()
    found = []
    for alone, covariance in zip(registration.T_upper_lower_alone, differences, strict=True):
        shift = 1e3 * ((alone @ back).apply(points) - points)
        found.append(Shift(shift, displacement_covariances(covariance, points)))
    return found


def covariance_from_joint(
    covariances: Sequence[Float64Array],
    informations: Sequence[Float64Array],
    centre: Float64Array,
) -> list[Float64Array]:
    """Return the covariances (6, 6) of (each alone less the joint pose).

    Parameters
    ----------
    covariances : (6, 6) each
        Of independent poses alone, about the upper frame's origin.
    informations : (6, 6) each
        The weights that these poses have in the joint one, about the same origin.
    centre : (3,), mm
        Middle of the record: there rotation and translation are least mixed, which keeps digits.
    """
    there, here = carry_twist(-centre), carry_twist(centre)
    local = [there @ c @ there.T for c in covariances]
    weights = [here.T @ h @ here for h in informations]
    if not np.isfinite(local).all() or not np.isfinite(weights).all():
        return [np.full((6, 6), np.nan) for _ in local]
    total = np.linalg.pinv(np.sum(weights, axis=0), hermitian=True)
    shares = [total @ h for h in weights]
    found = []
    for k in range(len(local)):
        factors = [(np.eye(6) if j == k else 0.0) - share for j, share in enumerate(shares)]
        mixed = sum(f @ c @ f.T for f, c in zip(factors, local, strict=True))
        found.append(here @ mixed @ here.T)
    return found


def same_pose_test(registration: BiteRegistration) -> ChanceTest | None:
    """Return whether noise explains that the bite scans, each alone, give different poses.

    The squared differences from their weighted mean over the covariances; 6 degrees of freedom for
    every bite scan but one. None with fewer than two, or an unknown covariance.
    """
    alone = registration.T_upper_lower_alone
    if len(registration.bites) < 2 or not np.isfinite(registration.covariance_alone).all():
        return None
    there = carry_twist(-registration.centre)
    back = registration.T_upper_lower.inverse()
    twists = [there @ (a @ back).log() for a in alone]
    weights = [
        np.linalg.pinv(there @ c @ there.T, hermitian=True) for c in registration.covariance_alone
    ]
    pulled = np.sum([w @ t for w, t in zip(weights, twists, strict=True)], axis=0)
    mean = np.linalg.pinv(np.sum(weights, axis=0), hermitian=True) @ pulled
    statistic = sum((t - mean) @ w @ (t - mean) for t, w in zip(twists, weights, strict=True))
    return chance_of(float(statistic), 6 * (len(alone) - 1))


def worst_disagreement(registration: BiteRegistration, points: ArrayLike) -> Disagreement | None:
    """Return the largest displacement between two bite scans that noise does not explain.

    Twice its own standard deviation at the point, and a pose as a whole that noise does not
    explain; None where there is none.
    """
    points = points_array(points)
    test = same_pose_test(registration)
    if test is None or test.is_chance:
        return None
    worst: Disagreement | None = None
    alone, covariance = registration.T_upper_lower_alone, registration.covariance_alone
    for i, j in combinations(range(len(alone)), 2):
        between = Shift(
            1e3 * ((alone[i] @ alone[j].inverse()).apply(points) - points),
            displacement_covariances(covariance[i] + covariance[j], points),
        )
        size, sigma = between.size_um, between.sigma_um
        for k in np.flatnonzero(size > 2.0 * sigma):
            if worst is None or size[k] > worst.shift_um:
                worst = Disagreement((i, j), int(k), float(size[k]), float(sigma[k]))
    return worst


def displacement_covariances(covariance: Float64Array, points: Float64Array) -> Float64Array:
    """Return the covariances (n, 3, 3), um2, of the displacement at points (n, 3), mm."""
    return np.array([1e6 * covariance_about(covariance, p)[3:, 3:] for p in points])


def chance_of(statistic: float, degrees: int) -> ChanceTest:
    """Return the test of a chi-square statistic of some degrees of freedom."""
    return ChanceTest(statistic, degrees, float(chi2.sf(statistic, degrees)))
