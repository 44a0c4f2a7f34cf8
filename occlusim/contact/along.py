"""The least gap at many poses: apart, by one descent of both trees; in overlap, by `least_gap`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from occlusim.arrays import BoolArray, Float64Array
from occlusim.contact.field import GapField
from occlusim.contact.least import least_gap
from occlusim.geometry.transform import RigidTransform
from occlusim.kernels.between import nearest_at_poses

FAR_MM = 100.0


def least_gaps(
    a: GapField,
    b: GapField,
    poses: Sequence[RigidTransform],
    *,
    faces_a: BoolArray,
    tolerance_mm: float = 1e-4,
) -> Float64Array:
    """Return the least gap (n,), mm, of two surfaces at poses T_a_b, as `least_gap` gives it.

    Parameters
    ----------
    a, b : GapField
    poses : (n,)
        Best in the order of a path: the nearest place of one bounds the next.
    faces_a : (F,)
        Faces of `a` that count; all of `b` do.
    tolerance_mm
        Where the surfaces overlap, the value is within this of the true least; apart it is exact.

    Notes
    -----
    The nearest pair of all triangles is below every counted place. Where that pair itself counts
    and its side is known, it is the answer; else the pose is left to `least_gap`.
    """
    n = len(poses)
    distance, where = np.empty(n), np.empty((n, 3))
    nearest_at_poses(
        (a.surface.boxes, a.surface.links, a.surface.corners),
        (b.surface.boxes, b.surface.links, b.surface.corners),
        np.stack([pose.rotation for pose in poses]),
        np.stack([pose.translation for pose in poses]),
        FAR_MM,
        distance,
        where,
    )
    gap = np.full(n, np.nan)
    apart = np.flatnonzero(distance > 0)
    if len(apart):
        found = a.surface.closest(where[apart])
        counts = (found.distance_mm > 0) & faces_a[found.faces]
        gap[apart[counts]] = distance[apart[counts]]
    for i in np.flatnonzero(np.isnan(gap)).tolist():
        gap[i] = least_gap(a, b, poses[i], faces_a=faces_a, tolerance_mm=tolerance_mm).gap_mm
    return gap
