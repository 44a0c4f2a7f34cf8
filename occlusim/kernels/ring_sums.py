"""Sums of values over the points around a place, by distance."""

import math

from occlusim.kernels.jit import shared_kernel


@shared_kernel(least=50)
def ring_sums(first, stop, centres, begin, end, points, values, ring_mm, out):
    """Write, per centre (m, 3), the sums of values (n, k) over the points in rings around it.

    out (m, R, k): ring 0 holds what lies on the centre itself, ring r what is farther than
    (r - 1) ring_mm and not farther than r ring_mm. Only points begin[i] to end[i] are looked at.
    """
    n_rings, n_values = out.shape[1], out.shape[2]
    reach_sq = ((n_rings - 1) * ring_mm) ** 2
    for i in range(first, stop):
        for r in range(n_rings):
            for k in range(n_values):
                out[i, r, k] = 0.0
        for j in range(begin[i], end[i]):
            square = 0.0
            for d in range(3):
                away = points[j, d] - centres[i, d]
                square += away * away
            if square > reach_sq:
                continue
            ring = min(math.ceil(math.sqrt(square) / ring_mm), n_rings - 1)
            for k in range(n_values):
                out[i, ring, k] += values[j, k]
