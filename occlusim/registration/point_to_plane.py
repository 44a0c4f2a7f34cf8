"""Robust point-to-plane least squares on rigid poses: weights, normal equations, one step.

A point q = T p of a moving part meets a plane of normal n fixed in another part. For left
perturbations (rotation, translation) about a centre c, the residual r = n . (q - foot) changes by
[(q - c) x n, n] . twist of the point's part, minus the same row times the twist of the plane's
part. Weights are vertex areas times Tukey's biweight, so that the density of a triangulation does
not count. Sources: Chen & Medioni 1992 (Image Vision Comput 10:145-155) for point to plane;
Huber & Ronchetti, Robust Statistics, 2009 (chapter 7) for the scale and the variance factor.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.geometry.transform import RigidTransform, skew
from occlusim.kernels.match import N_SUMS, SUMMED, halving_value, step_sums
from occlusim.registration.matches import PartMatches

TUKEY_CUT = 4.685
"""Tukey's cut in units of sigma: 95 % efficient on normal noise (Huber & Ronchetti 2009)."""

N_PRODUCTS = 21
BLOCK = np.zeros((6, 6), dtype=np.intp)
BLOCK[np.tril_indices(6)] = np.arange(N_PRODUCTS)
BLOCK = np.maximum(BLOCK, BLOCK.T)
"""Where a symmetric (6, 6) block finds its numbers in the sums of `step_sums`."""

MAD_TO_SIGMA = 1.4826
"""Median absolute deviation of a normal distribution to its sigma."""


def weighted_median(values: Float64Array, weights: Float64Array) -> float:
    """Return the value that halves the weight; NaN of nothing."""
    if len(values) == 0:
        return float("nan")
    return float(halving_value(np.array(values, np.float64), np.array(weights, np.float64)))


def tukey_weight(residual_mm: Float64Array, cut_mm: float) -> Float64Array:
    """Return Tukey's biweight (1 - (r / cut)^2)^2, zero beyond the cut."""
    u = np.clip(1.0 - (residual_mm / cut_mm) ** 2, 0.0, None)
    return u * u


def tukey_influence(
    residual_mm: Float64Array, area_mm2: Float64Array, cut_mm: float
) -> Float64Array:
    """Return psi(r) / E[psi'] (n,), mm: the residuals as a Tukey estimate feels them.

    Their variance is that which the estimate of one unknown has per independent residual. E, a
    mean by area, is held above 0.1: below, the cut is far too narrow for the residuals.
    """
    u = np.clip(1.0 - (residual_mm / cut_mm) ** 2, 0.0, None)
    slope = u * u - 4.0 * u * (residual_mm / cut_mm) ** 2
    mean_slope = float(area_mm2 @ slope) / max(float(area_mm2.sum()), 1e-300)
    return residual_mm * u * u / max(mean_slope, 0.1)


def tukey_variance(residual_mm: Float64Array, area_mm2: Float64Array, cut_mm: float) -> float:
    """Return E[psi^2] / E[psi']^2, mm2: the variance that a Tukey estimate feels."""
    influence = tukey_influence(residual_mm, area_mm2, cut_mm)
    return float(area_mm2 @ influence**2 / area_mm2.sum())


def jacobian_rows(
    points: Float64Array, normals: Float64Array, centre: Float64Array
) -> Float64Array:
    """Return rows (n, 6): change of n . q for a left twist about `centre`, rotation first."""
    rows = np.empty((len(points), 6))
    rows[:, :3] = np.cross(points - centre, normals)
    rows[:, 3:] = normals
    return rows


@dataclass(frozen=True, slots=True)
class NormalEquations:
    """Sums over matches: block `i` is the moving part i, block 0 the lower jaw.

    Attributes
    ----------
    matrix : (6 + 6 K, 6 + 6 K)
        Gauss-Newton matrix, mm2 of area times (mm, 1) squared.
    gradient : (6 + 6 K,)
        Row sums times residual.
    """

    matrix: Float64Array
    gradient: Float64Array

    def __add__(self, other: NormalEquations) -> NormalEquations:
        return NormalEquations(self.matrix + other.matrix, self.gradient + other.gradient)

    @property
    def is_positive(self) -> bool:
        """Whether the matrix is positive, so that a step leads downhill."""
        return bool(np.linalg.eigvalsh(self.matrix)[0] > 0)

    def step(self, reach_mm: float, damping: float) -> Float64Array:
        """Return the twists (1 + K, 6) of the next Levenberg-Marquardt step.

        Rotations are scaled by `reach_mm` so that all unknowns are lengths; `damping` is relative
        to the mean diagonal, which bounds the step along what the data do not fix.
        """
        scale = np.tile([1 / reach_mm] * 3 + [1.0] * 3, len(self.gradient) // 6)
        matrix = self.matrix * scale[:, None] * scale
        matrix[np.diag_indices_from(matrix)] += damping * np.trace(matrix) / len(matrix) + 1e-300
        twists = -np.linalg.solve(matrix, self.gradient * scale) * scale
        return np.asarray(twists, dtype=np.float64).reshape(-1, 6)

    def lower_information(self) -> Float64Array:
        """Return the (6, 6) information on the lower jaw with every bite scan free."""
        h = self.matrix
        if len(h) == 6:
            return h.copy()
        inner = np.linalg.pinv(h[6:, 6:], rcond=1e-13, hermitian=True)
        schur = h[:6, :6] - h[:6, 6:] @ inner @ h[6:, :6]
        return 0.5 * (schur + schur.T)


def assemble(
    rows: Float64Array,
    residual_mm: Float64Array,
    weight: Float64Array,
    is_lower: BoolArray,
    part: tuple[int, int],
    twin: Float64Array | None = None,
) -> NormalEquations:
    """Return the normal equations of one bite scan.

    Parameters
    ----------
    rows : (n, 6)
        Of `jacobian_rows`.
    residual_mm, weight, is_lower : (n,)
        Residual; area times robust weight, mm2; 1 where the plane moves with the lower jaw.
    part : (int, int)
        Which bite scan, and of how many.
    twin : (n, 6), optional
        The same rows seen by other, independent normals: the matrix is then the symmetric part of
        rows times twin. Noise of the normals makes rows times rows too large (a rough flat patch
        seems to resist sliding); in the product of independent rows it averages out.
    """
    k, n_parts = part
    b = slice(6 + 6 * k, 12 + 6 * k)
    weighted = rows * weight[:, None]
    low = weighted * is_lower[:, None]
    other = rows if twin is None else twin
    lower = other.T @ low
    matrix = placed_blocks(other.T @ weighted - lower, lower, (k, k), n_parts)
    gradient = np.zeros(len(matrix))
    gradient[b] = weighted.T @ residual_mm
    gradient[:6] = -(low.T @ residual_mm)
    return NormalEquations(0.5 * (matrix + matrix.T), gradient)


def assemble_moved(
    parts: Iterable[PartMatches],
    centre: Float64Array,
    twists: Float64Array,
    *,
    is_newton: bool = False,
) -> NormalEquations:
    """Return the normal equations of K bite scans after twists, without matching anew.

    `twists` (1 + K, 6) are those of the lower jaw and of the scans about `centre`; residuals follow
    them, and robust weights the residuals. Rows have normals halfway between both surfaces' (see
    `matches.mean_normals`). With `is_newton` the matrix is the gradient's derivative, weights
    included, which far from the end need not be positive. As `assemble`, in one compiled pass.
    """
    n = len(twists) - 1
    matrix, gradient = np.zeros((6 + 6 * n, 6 + 6 * n)), np.zeros(6 + 6 * n)
    for k, part in enumerate(parts):
        sums = np.empty((-(-len(part.vertex) // SUMMED), 2, N_SUMS))
        step_sums(
            len(sums),
            part.points,
            part.normals,
            part.directions,
            part.residual_mm,
            part.weight_mm2,
            part.is_lower,
            part.cut_mm,
            centre,
            twists[1 + k],
            twists[0],
            is_newton,
            sums,
        )
        upper, lower = sums.sum(axis=0)
        matrix += placed_blocks(upper[BLOCK], lower[BLOCK], (k, k), n)
        gradient[6 + 6 * k : 12 + 6 * k] = upper[N_PRODUCTS:] + lower[N_PRODUCTS:]
        gradient[:6] -= lower[N_PRODUCTS:]
    return NormalEquations(matrix, gradient)


def placed_blocks(
    upper: Float64Array, lower: Float64Array, pair: tuple[int, int], n_parts: int
) -> Float64Array:
    """Return sums of row products (6, 6) of two of n bite scans in their place in the whole matrix.

    `upper` sums over matches with the upper arch, which stands still; `lower` over those with the
    lower arch, whose rows count for the lower jaw with the opposite sign.
    """
    size = 6 + 6 * n_parts
    a, b = (slice(6 + 6 * k, 12 + 6 * k) for k in pair)
    matrix = np.zeros((size, size))
    matrix[a, b] = upper + lower
    matrix[:6, :6] = lower
    matrix[:6, b] = matrix[a, :6] = -lower
    return matrix


def move_about(twist: Float64Array, centre: Float64Array, pose: RigidTransform) -> RigidTransform:
    """Return `pose` after a left twist (rotation, translation) about `centre`."""
    moved = twist.copy()
    moved[3:] -= skew(twist[:3]) @ centre
    return orthonormal(RigidTransform.exp(moved) @ pose)


def orthonormal(pose: RigidTransform) -> RigidTransform:
    """Return the pose with its rotation made orthonormal again (rounding of many products)."""
    u, _, vt = np.linalg.svd(pose.rotation)
    return RigidTransform.trusted(u @ vt, pose.translation)


def carry_twist(centre: Float64Array) -> Float64Array:
    """Return the (6, 6) matrix from a twist about `centre` to the same twist about the origin."""
    m = np.eye(6)
    m[3:, :3] = skew(centre)
    return m
