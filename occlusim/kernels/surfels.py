"""Poses tried and improved on a grid of surfels; `registration.surfels` makes the grid."""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, shared_kernel


@inner_kernel
def nearest_surfel(x, y, z, origin, cell_mm, nearest):
    """Return the surfel kept for the place (x, y, z), mm; -1 outside the grid."""
    i = math.floor((x - origin[0]) / cell_mm)
    j = math.floor((y - origin[1]) / cell_mm)
    k = math.floor((z - origin[2]) / cell_mm)
    if i < 0 or j < 0 or k < 0:
        return -1
    if i >= nearest.shape[0] or j >= nearest.shape[1] or k >= nearest.shape[2]:
        return -1
    return nearest[int(i), int(j), int(k)]


@inner_kernel
def solve_six(matrix, vector):
    """Solve a symmetric positive (6, 6) system in place (Cholesky); False where it is singular."""
    for i in range(6):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                if total <= 0.0:
                    return False
                matrix[i, i] = math.sqrt(total)
            else:
                matrix[i, j] = total / matrix[j, j]
    for i in range(6):
        for k in range(i):
            vector[i] -= matrix[i, k] * vector[k]
        vector[i] /= matrix[i, i]
    for i in range(5, -1, -1):
        for k in range(i + 1, 6):
            vector[i] -= matrix[k, i] * vector[k]
        vector[i] /= matrix[i, i]
    return True


@inner_kernel
def turn_pose(twist, centre, pose):
    """Move a pose (3, 4) in place by a left twist (6,) about a centre (3,), rotation first."""
    angle = math.sqrt(twist[0] * twist[0] + twist[1] * twist[1] + twist[2] * twist[2])
    x = y = z = 0.0
    if angle > 1e-12:
        x, y, z = twist[0] / angle, twist[1] / angle, twist[2] / angle
    s, c = math.sin(angle), 1.0 - math.cos(angle)
    # Rodrigues' rotation: 1 + s K + c K K.
    a, b, d = 1.0 - c * (y * y + z * z), c * x * y - s * z, c * x * z + s * y
    e, f, g = c * x * y + s * z, 1.0 - c * (x * x + z * z), c * y * z - s * x
    h, i, j = c * x * z - s * y, c * y * z + s * x, 1.0 - c * (x * x + y * y)
    for col in range(4):
        shift = 1.0 if col == 3 else 0.0
        u = pose[0, col] - shift * centre[0]
        v = pose[1, col] - shift * centre[1]
        w = pose[2, col] - shift * centre[2]
        pose[0, col] = a * u + b * v + d * w + shift * (centre[0] + twist[3])
        pose[1, col] = e * u + f * v + g * w + shift * (centre[1] + twist[4])
        pose[2, col] = h * u + i * v + j * w + shift * (centre[2] + twist[5])


@inner_kernel
def meet(pose, points, normals, p, origin, cell_mm, nearest, places, facings, least_cosine, at):
    """Return the surfel that surfel p, moved by a pose (3, 4), meets, and how far it is above it.

    -1 where there is none that faces alike. `at` (6,) takes the moved place and the distance along
    the surface, in at[3].
    """
    for r in range(3):
        at[r] = pose[r, 3]
        for c in range(3):
            at[r] += pose[r, c] * points[p, c]
    q = nearest_surfel(at[0], at[1], at[2], origin, cell_mm, nearest)
    if q < 0:
        return -1, 0.0
    facing = above = apart = 0.0
    for r in range(3):
        turned = 0.0
        for c in range(3):
            turned += pose[r, c] * normals[p, c]
        facing += turned * facings[q, r]
        away = at[r] - places[q, r]
        above += away * facings[q, r]
        apart += away * away
    if facing < least_cosine:
        return -1, 0.0
    at[3] = math.sqrt(max(apart - above * above, 0.0))
    return q, above


@shared_kernel(least=2)
def improve_poses(
    first, stop, poses, points, normals, area, origin, cell_mm, nearest, places, facings,
    gates_mm, least_cosine, scores,
):  # fmt: skip
    """Improve poses (n, 3, 4) in place by point-to-plane steps, and write the area that agrees.

    One step for each of `gates_mm` (k,), the match distances. The last one is the gate of the score
    (n,), mm2: the area of the surfels within it, each weighed by how near it is (Tukey's biweight).
    Points are given about their middle, which a pose puts at its translation.
    """
    matrix, vector, at, row = np.empty((6, 6)), np.empty(6), np.empty(6), np.empty(6)
    centre = np.empty(3)
    for i in range(first, stop):
        for step in range(len(gates_mm)):
            gate = gates_mm[step]
            for r in range(3):
                centre[r] = poses[i, r, 3]
            for r in range(6):
                vector[r] = 0.0
                for c in range(6):
                    matrix[r, c] = 0.0
            total = 0.0
            for p in range(len(points)):
                q, above = meet(
                    poses[i], points, normals, p, origin, cell_mm, nearest, places, facings,
                    least_cosine, at,
                )  # fmt: skip
                if q < 0 or abs(above) > gate or at[3] > cell_mm + gate:
                    continue
                x, y, z = at[0] - centre[0], at[1] - centre[1], at[2] - centre[2]
                mx, my, mz = facings[q, 0], facings[q, 1], facings[q, 2]
                row[0], row[1], row[2] = y * mz - z * my, z * mx - x * mz, x * my - y * mx
                row[3], row[4], row[5] = mx, my, mz
                share = 1.0 - (above / gate) ** 2
                weight = area[p] * share * share
                total += weight
                for r in range(6):
                    vector[r] -= weight * above * row[r]
                    for c in range(r + 1):
                        matrix[r, c] += weight * row[r] * row[c]
            # Damped, rotations as lengths at 10 mm: what the surfels leave open does not move.
            for r in range(6):
                matrix[r, r] += (100.0 if r < 3 else 1.0) * 1e-3 * total + 1e-12
            if total <= 0.0 or not solve_six(matrix, vector):
                break
            turn_pose(vector, centre, poses[i])
        agreed = 0.0
        gate = gates_mm[len(gates_mm) - 1]
        for p in range(len(points)):
            q, above = meet(
                poses[i], points, normals, p, origin, cell_mm, nearest, places, facings,
                least_cosine, at,
            )  # fmt: skip
            if q >= 0 and abs(above) <= gate and at[3] <= cell_mm + gate:
                share = 1.0 - (above / gate) ** 2
                agreed += area[p] * share * share
        scores[i] = agreed


@shared_kernel(least=2000)
def mark_agreeing(
    first, stop, pose, points, normals, origin, cell_mm, nearest, places, facings, gate_mm,
    least_cosine, agrees,
):  # fmt: skip
    """Write which surfels (n,), moved by a pose (3, 4), agree with the surfels of a grid."""
    at = np.empty(6)
    for p in range(first, stop):
        q, above = meet(
            pose, points, normals, p, origin, cell_mm, nearest, places, facings, least_cosine, at
        )
        agrees[p] = q >= 0 and abs(above) <= gate_mm and at[3] <= cell_mm + gate_mm
