"""Bounds from below of what a facet may hold, from values and gradients at its corners."""

import math

import numpy as np

from occlusim.kernels.jit import kernel

DOUBT_PER_MM = 0.25
"""Tangents bound a facet of side s from below where the distance is convex or hollow over it. Where
it is both they miss by up to this times s squared: at most 19 um at 0.3 mm on invented crowns."""


@kernel
def facet_lows(points, faces, value, gradient, low):
    """Write, per face (F, 3), a bound from below (F,) of its values, the least over M movements.

    `points` (V, 3) have values (V, M) and gradients (V, M, 3), NaN where there is none. A convex
    function lies above its corners' tangent planes and above their mean; without a tangent it
    falls no faster than the way from the nearest corner, at most 1 / sqrt(3) of the longest edge.
    Where corners stand above one tangent plane and below another, it is neither convex nor hollow,
    and the lesser of both is taken off besides.
    """
    n_movements = value.shape[1]
    mean = np.empty(3)
    for f in range(len(faces)):
        longest = 0.0
        for i in range(3):
            a, b = points[faces[f, i]], points[faces[f, (i + 1) % 3]]
            total = 0.0
            for d in range(3):
                total += (a[d] - b[d]) ** 2
            longest = max(longest, total)
        safe = math.sqrt(longest / 3.0)
        doubt = DOUBT_PER_MM * longest
        low[f] = math.inf
        for k in range(n_movements):
            least = math.inf
            single = -math.inf
            mean[0] = mean[1] = mean[2] = 0.0
            above = below = 0.0
            for i in range(3):
                v = faces[f, i]
                least = min(least, value[v, k])
                lowest = math.inf
                for j in range(3):
                    plane = value[v, k]
                    for d in range(3):
                        plane += gradient[v, k, d] * (points[faces[f, j], d] - points[v, d])
                    mean[j] += plane / 3.0
                    stands = value[faces[f, j], k] - plane
                    above = max(above, stands) if stands == stands else above
                    # A corner without a gradient stands at least so high.
                    if stands < 0.0 and not math.isnan(gradient[faces[f, j], k, 0]):
                        below = max(below, -stands)
                    # NaN fails the comparison and is kept.
                    lowest = lowest if plane >= lowest else plane
                if lowest > single:
                    single = lowest
            together = min(mean[0], mean[1], mean[2])
            tangents = together if together > single else single
            low[f] = min(low[f], max(tangents - doubt - min(above, below), least - safe), least)
