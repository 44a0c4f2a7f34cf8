"""Matches of features vote for poses; `registration.search` says how.

Two matches agree on a rigid pose where the points lie alike on both sides, as their normals see
them: this leaves a turn about the first one's normal, and every match votes for its own.
"""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, shared_kernel

N_TURNS = 72
"""Turns told apart: 5 degrees each, and each vote goes to both nearest."""


@inner_kernel
def across(nx, ny, nz):
    """Return a unit vector at right angles to a unit normal."""
    if abs(nx) < 0.6:
        length = math.sqrt(ny * ny + nz * nz)
        return 0.0, nz / length, -ny / length
    length = math.sqrt(nx * nx + nz * nz)
    return -nz / length, 0.0, nx / length


@inner_kernel
def turn_between(here, there, i, j, ex, ey, ez, fx, fy, fz, least_mm, slack_mm, least_cosine):
    """Return the turn (0 to 2 pi) by which match j fits match i; -1 where they do not agree.

    `here` and `there` (n, 6) hold places and normals on both sides; e and f are the vectors across
    the normals of i from which turns are counted.
    """
    ax, ay, az = here[j, 0] - here[i, 0], here[j, 1] - here[i, 1], here[j, 2] - here[i, 2]
    bx, by, bz = there[j, 0] - there[i, 0], there[j, 1] - there[i, 1], there[j, 2] - there[i, 2]
    nx, ny, nz = here[i, 3], here[i, 4], here[i, 5]
    mx, my, mz = there[i, 3], there[i, 4], there[i, 5]
    rise_a, rise_b = ax * nx + ay * ny + az * nz, bx * mx + by * my + bz * mz
    flat_a = math.sqrt(max(ax * ax + ay * ay + az * az - rise_a * rise_a, 0.0))
    flat_b = math.sqrt(max(bx * bx + by * by + bz * bz - rise_b * rise_b, 0.0))
    # A normal is known to some degrees: what it says of far places is worth less.
    slack = slack_mm + 0.1 * flat_a
    if flat_a < least_mm or flat_b < least_mm:
        return -1.0
    if abs(flat_a - flat_b) > slack_mm + 0.02 * flat_a or abs(rise_a - rise_b) > slack:
        return -1.0
    # Coordinates of places and normals in the frames (e, n x e, n) and (f, m x f, m).
    gx, gy, gz = ny * ez - nz * ey, nz * ex - nx * ez, nx * ey - ny * ex
    hx, hy, hz = my * fz - mz * fy, mz * fx - mx * fz, mx * fy - my * fx
    a1, a2 = ax * ex + ay * ey + az * ez, ax * gx + ay * gy + az * gz
    b1, b2 = bx * fx + by * fy + bz * fz, bx * hx + by * hy + bz * hz
    cosine = (a1 * b1 + a2 * b2) / (flat_a * flat_b)
    sine = (a1 * b2 - a2 * b1) / (flat_a * flat_b)
    ux, uy, uz = here[j, 3], here[j, 4], here[j, 5]
    vx, vy, vz = there[j, 3], there[j, 4], there[j, 5]
    u1, u2 = ux * ex + uy * ey + uz * ez, ux * gx + uy * gy + uz * gz
    u3 = ux * nx + uy * ny + uz * nz
    v1, v2 = vx * fx + vy * fy + vz * fz, vx * hx + vy * hy + vz * hz
    v3 = vx * mx + vy * my + vz * mz
    facing = (cosine * u1 - sine * u2) * v1 + (sine * u1 + cosine * u2) * v2 + u3 * v3
    if facing < least_cosine:
        return -1.0
    turn = math.atan2(sine, cosine)
    return turn if turn >= 0.0 else turn + 2.0 * math.pi


@shared_kernel(least=8)
def vote(
    first, stop, here, there, least_mm, slack_mm, least_cosine, votes, moments
):  # fmt: skip
    """Write, per match, how many others agree on one turn, and the moments of those that do.

    Matches of one surfel do not support each other, for they are nearer than `least_mm`. The
    `moments` (n, 16): the number; sums of places here (3), there (3) and of the products there
    times here (9, row by row): the pose that fits them best follows from these.
    """
    tally = np.empty(N_TURNS)
    step = 2.0 * math.pi / N_TURNS
    n = len(here)
    turns = np.empty(n)
    for i in range(first, stop):
        ex, ey, ez = across(here[i, 3], here[i, 4], here[i, 5])
        fx, fy, fz = across(there[i, 3], there[i, 4], there[i, 5])
        for k in range(N_TURNS):
            tally[k] = 0.0
        for j in range(n):
            turns[j] = turn_between(
                here, there, i, j, ex, ey, ez, fx, fy, fz, least_mm, slack_mm, least_cosine
            )
            if turns[j] >= 0.0:
                k = min(int(turns[j] / step), N_TURNS - 1)
                tally[k] += 1.0
        best, most = 0, -1.0
        for k in range(N_TURNS):
            three = tally[k] + tally[(k + 1) % N_TURNS] + tally[(k + N_TURNS - 1) % N_TURNS]
            if three > most:
                best, most = k, three
        votes[i] = most
        for d in range(16):
            moments[i, d] = 0.0
        middle = (best + 0.5) * step
        for j in range(n):
            away = abs(turns[j] - middle)
            if i != j and (turns[j] < 0.0 or min(away, 2.0 * math.pi - away) > 1.5 * step):
                continue
            moments[i, 0] += 1.0
            for r in range(3):
                moments[i, 1 + r] += here[j, r]
                moments[i, 4 + r] += there[j, r]
                for c in range(3):
                    moments[i, 7 + 3 * r + c] += there[j, r] * here[j, c]
