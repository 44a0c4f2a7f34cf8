"""Do the two halves of a bite scan agree on each arch: a test for scans that are warped.

One rigid pose fits a scan only where neither it nor the arch is distorted. A long scan drifts, and
its two halves then want two poses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.registration.bite import BiteRegistration
from occlusim.registration.consistency import (
    ChanceTest,
    Shift,
    chance_of,
    displacement_covariances,
)
from occlusim.registration.correspondence import CurvedSurface
from occlusim.registration.evidence import BiteEvidence
from occlusim.registration.point_to_plane import (
    MAD_TO_SIGMA,
    TUKEY_CUT,
    carry_twist,
    jacobian_rows,
    tukey_variance,
    tukey_weight,
    weighted_median,
)
from occlusim.registration.uncertainty import correlation_area_mm2

Arch = Literal["upper", "lower"]

LEAST_COSINE = 0.7
"""Normals of a bite scan and an arch that match differ by less than about 45 degrees."""

HALF_REACH_MM = 0.25
"""How far a half may lie from the arch: some times a warp that matters, far less than a groove."""

HALF_ROUNDS = 10
"""Rounds of robust weights; they settle in five or so."""

HALF_AREA_MM2 = 20.0
"""Least surface of a half: less fixes no pose of its own (as for a whole bite scan)."""


@dataclass(frozen=True, slots=True)
class HalvesTest:
    """Whether one rigid pose explains both halves of a bite scan on one arch.

    `shift_um` is the larger of the displacements between the halves at their two middles, `at`
    the middle, upper frame, where it was found, `sigma_um` what noise alone makes there.
    """

    bite: int
    arch: Arch
    test: ChanceTest
    shift_um: float
    sigma_um: float
    at: Float64Array

    @property
    def is_real(self) -> bool:
        """Whether the halves disagree by more than noise explains."""
        return not self.test.is_chance and self.shift_um > 2.0 * self.sigma_um


def halves_tests(
    registration: BiteRegistration, upper: Surface, lower: Surface, bites: Sequence[Surface]
) -> tuple[HalvesTest, ...]:
    """Return, for every bite scan on either arch, whether its two halves agree.

    The matched surface is halved across its longest direction. Each half's own best small motion
    against the arch is solved from the residuals at the joint pose; a bite scan or an arch that is
    warped there gives two different ones. The noise is that of what each half's own motion leaves,
    so that a warp is not taken for noise. Parts too small to halve are left out.
    """
    found = []
    arches: tuple[tuple[Arch, Surface, RigidTransform], ...] = (
        ("upper", upper, RigidTransform.identity()),
        ("lower", lower, registration.T_upper_lower),
    )
    for name, arch, T_upper_arch in arches:
        curved = CurvedSurface(arch)
        for k, bite in enumerate(bites):
            matched = _matched(registration.bites[k], bite, curved, T_upper_arch)
            tested = None if matched is None else _halves(k, name, matched)
            if tested is not None:
                found.append(tested)
    return tuple(sorted(found, key=lambda half: half.bite))


@dataclass(frozen=True, slots=True)
class _Matched:
    """A bite scan's vertices on one arch, upper frame: points, normals of the arch (n, 3).

    residual_mm, area_mm2 (n,).
    """

    points: Float64Array
    normals: Float64Array
    residual_mm: Float64Array
    area_mm2: Float64Array

    def pick(self, keep: BoolArray) -> _Matched:
        """Return the vertices where `keep` (n,) is true."""
        return _Matched(
            self.points[keep], self.normals[keep], self.residual_mm[keep], self.area_mm2[keep]
        )

    @property
    def middle(self) -> Float64Array:
        """Middle (3,) of the surface."""
        return self.area_mm2 @ self.points / self.area_mm2.sum()


@dataclass(frozen=True, slots=True)
class _Motion:
    """The small motion (6,) of a half about a centre, its information and what it leaves."""

    twist: Float64Array
    information: Float64Array
    variance_mm2: float
    left_mm: Float64Array
    is_inlier: BoolArray


def _matched(
    seen: BiteEvidence, bite: Surface, arch: CurvedSurface, T_upper_arch: RigidTransform
) -> _Matched | None:
    """Return a bite scan's vertices that lie on an arch; None where they are too few to halve."""
    if seen.n_points == 0:
        return None
    points = seen.T_upper_bite.apply(bite.mesh.vertices[seen.vertex])
    directions = seen.T_upper_bite.rotate(bite.vertex_normals[seen.vertex])
    match = arch.match(T_upper_arch.inverse().apply(points), HALF_REACH_MM)
    normals = T_upper_arch.rotate(match.normals)
    kept = match.is_usable & (np.einsum("ij,ij->i", normals, directions) > LEAST_COSINE)
    kept &= np.abs(match.residual_mm) < HALF_REACH_MM
    area = np.asarray(bite.vertex_area_mm2)[seen.vertex[kept]]
    if area.sum() < 2 * HALF_AREA_MM2:
        return None
    return _Matched(points[kept], normals[kept], match.residual_mm[kept], area)


def _halves(k: int, arch: Arch, on: _Matched) -> HalvesTest | None:
    """Return the test of one bite scan on one arch; None where a half fixes no motion."""
    centre = on.middle
    around = on.points - centre
    longest = np.linalg.eigh((around * on.area_mm2[:, None]).T @ around)[1][:, -1]
    along = around @ longest
    parts = [on.pick(half) for half in _split(along, on.area_mm2)]
    motions = [_own_motion(part, centre) for part in parts]
    first, second = motions
    if first is None or second is None:
        return None
    inliers = [p.pick(m.is_inlier) for p, m in zip(parts, (first, second), strict=True)]
    one_mm2 = _noise_area_mm2(inliers, (first, second))
    twist = first.twist - second.twist
    covariance = one_mm2 * sum(
        m.variance_mm2 * np.linalg.inv(m.information) for m in (first, second)
    )
    test = chance_of(float(twist @ np.linalg.solve(covariance, twist)), 6)
    places = np.array([p.middle for p in inliers])
    shift = 1e3 * (np.cross(twist[:3], places - centre) + twist[3:])
    here = carry_twist(centre)
    between = Shift(shift, displacement_covariances(here @ covariance @ here.T, places))
    worst = int(np.argmax(between.size_um))
    return HalvesTest(
        k, arch, test, float(between.size_um[worst]), float(between.sigma_um[worst]), places[worst]
    )


def _noise_area_mm2(parts: Sequence[_Matched], motions: Sequence[_Motion]) -> float:
    """Return the surface area of one independent residual of both halves' inliers, mm2.

    Both motions were solved from the same residuals, which takes about 12 / n off every
    correlation of n independent ones. Over the disc where the sum of correlations runs this adds
    up, and is given back. Of a normal correlation exp(-r^2 / 2 l^2), summed to 2 pi l^2, the disc
    down to 0.05 has ln 20 = 3 times that area.
    """
    area = np.concatenate([p.area_mm2 for p in parts])
    one_mm2 = correlation_area_mm2(
        np.concatenate([p.points for p in parts]),
        np.concatenate([m.left_mm[m.is_inlier] for m in motions]),
        area,
    )
    return one_mm2 * (1.0 + 12.0 * np.log(20.0) * one_mm2 / float(area.sum()))


def _split(along: Float64Array, area_mm2: Float64Array) -> tuple[BoolArray, BoolArray]:
    """Return two masks (n,) that halve the area along a coordinate."""
    order = np.argsort(along, kind="stable")
    total = np.cumsum(area_mm2[order])
    middle = along[order[np.searchsorted(total, 0.5 * total[-1])]]
    return along < middle, along >= middle


def _own_motion(part: _Matched, centre: Float64Array) -> _Motion | None:
    """Return a half's own small motion against the arch; None where it is not fixed."""
    rows = jacobian_rows(part.points, part.normals, centre)
    twist, left, cut = np.zeros(6), part.residual_mm, HALF_REACH_MM
    for _ in range(HALF_ROUNDS):
        sigma_mm = MAD_TO_SIGMA * weighted_median(np.abs(left), part.area_mm2)
        cut = TUKEY_CUT * max(sigma_mm, 1e-9)
        weighted = rows * (part.area_mm2 * tukey_weight(left, cut))[:, None]
        matrix = rows.T @ weighted
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
        if np.linalg.eigvalsh(matrix * scale[:, None] * scale)[0] < 1e-8:
            return None
        twist = twist - np.linalg.solve(matrix, weighted.T @ left)
        left = part.residual_mm + rows @ twist
    good = np.abs(left) < cut
    own = rows[good]
    information = own.T @ (own * part.area_mm2[good][:, None])
    variance = tukey_variance(left[good], part.area_mm2[good], cut)
    return _Motion(twist, information, variance, left, good)
