"""Fast point feature histograms of surfels; `registration.features` says what for."""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel

N_BINS = 11
"""Bins of each of the three angles (Rusu, Blodow & Beetz 2009)."""

LEAST_FACING = -0.2
"""Least cosine between the normals of neighbours: the other jaw's teeth face away."""


@kernel
def fill_buckets(cell, order, start):
    """Write which points lie in which bucket: bucket b holds order[start[b]:start[b + 1]].

    `cell` (n,) is each point's bucket, `start` one longer than there are buckets.
    """
    for b in range(len(start)):
        start[b] = 0
    for i in range(len(cell)):
        start[cell[i] + 1] += 1
    for b in range(len(start) - 1):
        start[b + 1] += start[b]
    for i in range(len(cell)):
        order[start[cell[i]]] = i
        start[cell[i]] += 1
    for b in range(len(start) - 1, 0, -1):
        start[b] = start[b - 1]
    start[0] = 0


@inner_kernel
def add_angles(points, normals, i, j, histogram):
    """Add the three angles between point i and its neighbour j to a histogram (3 * N_BINS,)."""
    dx = points[j, 0] - points[i, 0]
    dy = points[j, 1] - points[i, 1]
    dz = points[j, 2] - points[i, 2]
    length = math.sqrt(dx * dx + dy * dy + dz * dz)
    if length < 1e-9:
        return 0
    ux, uy, uz = normals[i, 0], normals[i, 1], normals[i, 2]
    mx, my, mz = normals[j, 0], normals[j, 1], normals[j, 2]
    facing = ux * mx + uy * my + uz * mz
    if facing < LEAST_FACING:
        return 0
    dx, dy, dz = dx / length, dy / length, dz / length
    vx, vy, vz = uy * dz - uz * dy, uz * dx - ux * dz, ux * dy - uy * dx
    size = math.sqrt(vx * vx + vy * vy + vz * vz)
    if size < 1e-9:
        return 0
    vx, vy, vz = vx / size, vy / size, vz / size
    wx, wy, wz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    alpha = vx * mx + vy * my + vz * mz
    phi = ux * dx + uy * dy + uz * dz
    theta = math.atan2(wx * mx + wy * my + wz * mz, facing)
    last = N_BINS - 1
    histogram[max(0, min(last, int((alpha + 1.0) * 0.5 * N_BINS)))] += 1.0
    histogram[N_BINS + max(0, min(last, int((phi + 1.0) * 0.5 * N_BINS)))] += 1.0
    share = theta / (2.0 * math.pi) + 0.5
    histogram[2 * N_BINS + max(0, min(last, int(share * N_BINS)))] += 1.0
    return 1


@shared_kernel(least=200)
def point_histograms(
    first, stop, points, normals, cell, shape, order, start, reach_mm, histograms, n_around
):  # fmt: skip
    """Write the angles between each point and its neighbours (n, 3 * N_BINS), each third sums to 1.

    `cell` (n, 3) is each point's bucket of edge `reach_mm`, `shape` (3,) how many there are.
    """
    reach_sq = reach_mm * reach_mm
    for i in range(first, stop):
        n = 0
        for bx in range(max(0, cell[i, 0] - 1), min(shape[0], cell[i, 0] + 2)):
            for by in range(max(0, cell[i, 1] - 1), min(shape[1], cell[i, 1] + 2)):
                row = (bx * shape[1] + by) * shape[2]
                low = start[row + max(0, cell[i, 2] - 1)]
                high = start[row + min(shape[2], cell[i, 2] + 2)]
                for k in range(low, high):
                    j = order[k]
                    x = points[j, 0] - points[i, 0]
                    y = points[j, 1] - points[i, 1]
                    z = points[j, 2] - points[i, 2]
                    if x * x + y * y + z * z <= reach_sq:
                        n += add_angles(points, normals, i, j, histograms[i])
        n_around[i] = n
        for b in range(3 * N_BINS):
            histograms[i, b] /= max(n, 1)


@shared_kernel(least=200)
def neighbour_histograms(
    first, stop, points, normals, cell, shape, order, start, reach_mm, least_mm, histograms, out
):  # fmt: skip
    """Write each point's histogram plus its neighbours', weighted by one over their distance.

    The root of each bin is written, so that the distance of two features is Hellinger's.
    """
    reach_sq = reach_mm * reach_mm
    total = np.empty(3 * N_BINS)
    for i in range(first, stop):
        weight_sum = 0.0
        for b in range(3 * N_BINS):
            total[b] = 0.0
        for bx in range(max(0, cell[i, 0] - 1), min(shape[0], cell[i, 0] + 2)):
            for by in range(max(0, cell[i, 1] - 1), min(shape[1], cell[i, 1] + 2)):
                row = (bx * shape[1] + by) * shape[2]
                low = start[row + max(0, cell[i, 2] - 1)]
                high = start[row + min(shape[2], cell[i, 2] + 2)]
                for k in range(low, high):
                    j = order[k]
                    x = points[j, 0] - points[i, 0]
                    y = points[j, 1] - points[i, 1]
                    z = points[j, 2] - points[i, 2]
                    d_sq = x * x + y * y + z * z
                    facing = (
                        normals[i, 0] * normals[j, 0]
                        + normals[i, 1] * normals[j, 1]
                        + normals[i, 2] * normals[j, 2]
                    )
                    if i == j or d_sq > reach_sq or facing < LEAST_FACING:
                        continue
                    weight = 1.0 / max(math.sqrt(d_sq), least_mm)
                    weight_sum += 1.0
                    for b in range(3 * N_BINS):
                        total[b] += weight * histograms[j, b]
        for third in range(3):
            size = 0.0
            for b in range(third * N_BINS, (third + 1) * N_BINS):
                total[b] = histograms[i, b] + total[b] / max(weight_sum, 1.0)
                size += total[b]
            for b in range(third * N_BINS, (third + 1) * N_BINS):
                out[i, b] = math.sqrt(total[b] / size) if size > 0.0 else 0.0


@shared_kernel(least=50)
def largest(first, stop, values, best):
    """Write the columns of the largest values (n, m) of each row, (n, k), the largest first."""
    k_best = best.shape[1]
    top = np.empty(k_best)
    for i in range(first, stop):
        for k in range(k_best):
            top[k] = -np.inf
            best[i, k] = -1
        for j in range(values.shape[1]):
            value = values[i, j]
            if not value > top[k_best - 1]:
                continue
            k = k_best - 1
            while k > 0 and value > top[k - 1]:
                top[k] = top[k - 1]
                best[i, k] = best[i, k - 1]
                k -= 1
            top[k] = value
            best[i, k] = j
