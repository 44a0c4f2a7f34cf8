"""How sure a registered pose is: correlation of residuals, covariances, displacements, words.

A pose's covariance is that of a left perturbation, rotation (rad) before translation (mm), about a
stated point in stated axes.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import KDTree

from occlusim.arrays import Float64Array, points_array
from occlusim.geometry.transform import RigidTransform, skew

_CORRELATION_POINTS = 2000
_LEAST_CORRELATION = 0.05


def correlation_area_mm2(
    points: Float64Array,
    residual_mm: Float64Array,
    area_mm2: Float64Array,
    reach_mm: float = 1.5,
) -> float:
    """Return the surface area that counts as one independent residual, mm2.

    The area-weighted sum of n residuals of variance s^2 has the variance s^2 A (sum of areas),
    where A sums a_j rho(d_ij) over the neighbours j of a typical point i, itself included. The
    correlation rho is estimated in rings as wide as the point spacing and summed outwards until
    it falls below 0.05 or the reach is met.

    Parameters
    ----------
    points : (n, 3), mm
        In any one frame.
    residual_mm, area_mm2 : (n,)
        Residual and the surface area that each point stands for.
    reach_mm : float
        Farthest separation looked at; scanner noise is correlated over some tenths of a
        millimetre (from memory).

    Returns
    -------
    area_mm2 : float
        At least the mean area of one point; NaN below 10 points.
    """
    n = len(points)
    if n < 10:
        return float("nan")
    self_area = float(area_mm2 @ area_mm2 / area_mm2.sum())
    variance = float(area_mm2 @ residual_mm**2 / area_mm2.sum())
    if variance <= 0:
        return self_area
    stride = -(-n // _CORRELATION_POINTS)
    start = np.arange(0, n, stride)
    pairs = KDTree(points[start]).sparse_distance_matrix(
        KDTree(points), reach_mm, output_type="coo_matrix"
    )
    i, j, lag = start[pairs.row], pairs.col, pairs.data
    other = i != j
    i, j, lag = i[other], j[other], lag[other]
    ring_mm = float(np.sqrt(self_area))
    n_rings = max(1, int(reach_mm / ring_mm))
    ring = np.minimum((lag / ring_mm).astype(np.int64), n_rings)
    weight = area_mm2[i] * area_mm2[j]
    around = np.bincount(ring, weight, minlength=n_rings + 1)[:n_rings]
    product = np.bincount(ring, weight * residual_mm[i] * residual_mm[j], minlength=n_rings + 1)[
        :n_rings
    ]
    rho = np.divide(product, around * variance, out=np.zeros(n_rings), where=around > 0)
    below = np.flatnonzero((rho < _LEAST_CORRELATION) & (around > 0))
    last = int(below[0]) if len(below) else n_rings
    per_point = around[:last] / area_mm2[start].sum()
    return self_area + float(rho[:last] @ per_point)


def covariance_about(
    covariance: Float64Array,
    point: Float64Array,
    T_axes_upper: RigidTransform | None = None,
) -> Float64Array:
    """Return a pose's covariance about another point and in other axes.

    Parameters
    ----------
    covariance : (6, 6)
        About the upper frame's origin, in the upper frame's axes.
    point : (3,), mm, upper frame
        Such as the crown's centroid.
    T_axes_upper : RigidTransform, optional
        Its rotation carries directions into the wanted axes (the jaw frame); upper axes if absent.
    """
    rotation = np.eye(3) if T_axes_upper is None else T_axes_upper.rotation
    carry = np.zeros((6, 6))
    carry[:3, :3] = carry[3:, 3:] = rotation
    carry[3:, :3] = -rotation @ skew(np.asarray(point, dtype=np.float64))
    return carry @ covariance @ carry.T


def spread(covariance: Float64Array) -> Float64Array:
    """Return the motions (6, n), each of one standard deviation, that a covariance is made of.

    A rotation counts by what it does some 30 mm away, so that lengths and angles compare; motions
    without variance are left out.
    """
    scale = np.array([30.0] * 3 + [1.0] * 3)
    value, vector = np.linalg.eigh(covariance * scale[:, None] * scale)
    kept = value > 1e-12 * value.max()
    return (vector[:, kept] * np.sqrt(value[kept])) / scale[:, None]


def displacement_sigma_um(
    covariance: Float64Array,
    points: Float64Array,
    T_axes_upper: RigidTransform | None = None,
) -> Float64Array:
    """Return the standard deviations (n, 3), um, of the displacement of points of the lower jaw.

    Parameters
    ----------
    covariance : (6, 6)
        About the upper frame's origin, in its axes.
    points : (n, 3), mm, upper frame
        Such as the crown's centroid and both first molars.
    T_axes_upper : RigidTransform, optional
        Axes of the answer's columns; with the jaw frame: across, along and height.
    """
    points = points_array(points)
    return np.array(
        [
            1000.0 * np.sqrt(np.diag(covariance_about(covariance, p, T_axes_upper))[3:])
            for p in points
        ]
    ).reshape(-1, 3)


def weakest_motion(
    matrix: Float64Array, point: Float64Array, arm_mm: float
) -> tuple[Float64Array, float]:
    """Return the unit motion (6,) that a covariance leaves loosest, and its sigma in mm.

    Rotations are counted as the displacement (mm) they cause at `arm_mm` from `point`.
    """
    about = covariance_about(matrix, point)
    scale = np.array([arm_mm] * 3 + [1.0] * 3)
    values, vectors = np.linalg.eigh(about * scale[:, None] * scale)
    motion = vectors[:, -1]
    motion = motion * np.sign(motion[np.argmax(np.abs(motion))])
    return motion, float(np.sqrt(max(values[-1], 0.0)))


_SLIDE = ("sliding from side to side", "sliding from front to back", "moving up and down")
_TURN = (
    "pitching about the left-right axis",
    "rolling about the front-back axis",
    "turning about the vertical axis",
)


def describe_motion(motion: Float64Array, T_axes_upper: RigidTransform | None = None) -> str:
    """Return a motion (6,), rotation part scaled to lengths, in words.

    With jaw axes the words are anatomical; without, the direction is given in the upper scan's
    coordinates. A mixed motion names its sliding and its turning part, the larger one first.
    """
    turn, slide = motion[:3], motion[3:]
    if T_axes_upper is not None:
        turn, slide = T_axes_upper.rotate(turn), T_axes_upper.rotate(slide)
    parts = []
    for vector, kind, words in ((slide, "sliding along", _SLIDE), (turn, "turning about", _TURN)):
        size = float(np.linalg.norm(vector))
        if size < 0.4:
            continue
        if T_axes_upper is not None:
            text = words[int(np.argmax(np.abs(vector)))]
        else:
            x, y, z = vector / size
            text = f"{kind} ({x:+.2f}, {y:+.2f}, {z:+.2f}) of the upper scan"
        parts.append((-size, text))
    return " with ".join(text for _, text in sorted(parts, key=lambda part: part[0]))
