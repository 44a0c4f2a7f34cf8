"""What a surfel's surroundings look like, whatever the frame: fast point feature histograms.

The angles between a surfel's normal and those of its neighbours, in three histograms, smoothed over
the neighbours' own. Source: Rusu, Blodow & Beetz 2009 (Fast point feature histograms (FPFH) for 3D
registration, ICRA, 3212-3217). Two features are compared by Hellinger's distance, which on the demo
arches matches half as many again rightly as the plain one.
"""

from __future__ import annotations

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, frozen
from occlusim.kernels import features as kernels
from occlusim.registration.surfels import Surfels

REACH_MM = 3.5
"""Half a tooth's width: wide enough to tell cusps apart, narrow enough to see one jaw at a time."""

LEAST_MM = 0.3
"""Nearer neighbours weigh no more."""


def describe(surfels: Surfels, reach_mm: float = REACH_MM) -> Float64Array:
    """Return the features (n, 33) of surfels: roots of histograms, each third summing to 1."""
    n = len(surfels.points)
    points, normals = surfels.points, surfels.normals
    if n == 0:
        return np.zeros((0, 3 * kernels.N_BINS))
    cell = np.floor((points - points.min(axis=0)) / reach_mm).astype(np.int64)
    shape = cell.max(axis=0) + 1
    order = np.empty(n, dtype=np.int64)
    start = np.empty(int(shape.prod()) + 1, dtype=np.int64)
    kernels.fill_buckets(np.ravel_multi_index(tuple(cell.T), tuple(shape)), order, start)
    where = cell, shape, order, start, float(reach_mm)
    own = np.zeros((n, 3 * kernels.N_BINS))
    kernels.point_histograms(n, points, normals, *where, own, np.empty(n, dtype=np.int64))
    out = np.zeros_like(own)
    kernels.neighbour_histograms(n, points, normals, *where, LEAST_MM, own, out)
    return out


def best_matches(features: Float64Array, others: Float64Array, n_best: int) -> Int32Array:
    """Return which `n_best` of others (m, 33) are most like each feature (n, 33), best first."""
    best = np.empty((len(features), min(n_best, len(others))), dtype=np.int32)
    # Roots of histograms have one length, so the most alike have the largest product.
    likeness = features.astype(np.float32) @ others.astype(np.float32).T
    kernels.largest(len(features), likeness, best)
    return frozen(best, np.int32)
