"""The nearest of some thousand places, for many points."""

import math

import numpy as np

from occlusim.kernels.closest import CHUNK, carry
from occlusim.kernels.jit import inner_kernel, shared_kernel

MANY, SOME, FEW = 1024, 128, 16


@inner_kernel
def _least(values, n):
    """Return the least of the first n values, infinite of none, and the first place of it.

    Four at a time, as processors can.
    """
    a = b = c = d = np.inf
    whole = n - n % 4
    for q in range(0, whole, 4):
        a = values[q] if values[q] < a else a
        b = values[q + 1] if values[q + 1] < b else b
        c = values[q + 2] if values[q + 2] < c else c
        d = values[q + 3] if values[q + 3] < d else d
    for q in range(whole, n):
        a = values[q] if values[q] < a else a
    a, c = a if a < b else b, c if c < d else d
    least = a if a < c else c
    for q in range(n):
        if values[q] == least:
            return least, q
    return least, 0


@inner_kernel
def _possible(there, first, stop, number, places, n_places, limits, far_sq, chosen, at):
    """Write numbers and places of those, of n, that can be nearest to a point of a few.

    The points are there[first:stop]. What is nearest to one of them is no farther from their middle
    than the middle's own nearest place and twice the spread of the points. `number` (m,) and
    `places` (3, m) are chosen from, `chosen` (m,) and `at` (3, m) written; returns
    how many. `limits` are the distance beyond which none counts, and that within which any
    place will do for a point.
    """
    x = y = z = spread_sq = 0.0
    for k in range(first, stop):
        x, y, z = x + there[k, 0], y + there[k, 1], z + there[k, 2]
    n = stop - first
    x, y, z = x / n, y / n, z / n
    for k in range(first, stop):
        a, b, c = there[k, 0] - x, there[k, 1] - y, there[k, 2] - z
        spread_sq = max(spread_sq, a * a + b * b + c * c)
    for q in range(n_places):
        a, b, c = places[0, q] - x, places[1, q] - y, places[2, q] - z
        far_sq[q] = a * a + b * b + c * c
    least, nearest = _least(far_sq, n_places)
    spread = math.sqrt(spread_sq)
    reached = math.sqrt(least) + spread
    if reached <= limits[1]:
        chosen[0] = number[nearest]
        for d in range(3):
            at[d, 0] = places[d, nearest]
        return 1
    limit = min(reached, limits[0]) + spread
    limit_sq = limit * limit * (1.0 + 1e-9)
    count = 0
    for q in range(n_places):
        if far_sq[q] <= limit_sq:
            chosen[count] = number[q]
            at[0, count], at[1, count], at[2, count] = places[0, q], places[1, q], places[2, q]
            count += 1
    return count


@shared_kernel(least=6)
def nearest_place(
    first_turn, stop_turn, points, rotation, translation, places, limits, nearest, away
):
    """Write which of the places (3, m) is nearest to each point (n, 3), and how far away it is.

    -1 and infinite where none lies within limits[0], mm; within limits[1] another place may be
    named than the nearest. Points are carried by a pose first; many at a time, then some, then few
    leave out the places that cannot be nearest to any of them.
    """
    n, m = len(points), places.shape[1]
    far_sq, every = np.empty(m), np.arange(m)
    numbers, at = np.empty((3, m), np.int64), np.empty((3, 3, m))
    there = np.empty((MANY, 3))
    for turn in range(first_turn, stop_turn):
        start = turn * MANY
        count = min(n - start, MANY)
        for k in range(count):
            there[k, 0], there[k, 1], there[k, 2] = carry(points, start + k, rotation, translation)
        n_many = _possible(there, 0, count, every, places, m, limits, far_sq, numbers[0], at[0])
        n_some = 0
        for first in range(0, count, FEW):
            if first % SOME == 0:
                n_some = _possible(
                    there, first, min(count, first + SOME), numbers[0], at[0], n_many, limits,
                    far_sq, numbers[1], at[1],
                )  # fmt: skip
            stop = min(count, first + FEW)
            n_few = _possible(
                there, first, stop, numbers[1], at[1], n_some, limits, far_sq, numbers[2], at[2]
            )
            for k in range(first, stop):
                x, y, z = there[k, 0], there[k, 1], there[k, 2]
                for e in range(n_few):
                    a, b, c = at[2, 0, e] - x, at[2, 1, e] - y, at[2, 2, e] - z
                    far_sq[e] = a * a + b * b + c * c
                best_sq, at_best = _least(far_sq, n_few)
                best = numbers[2, at_best] if n_few > 0 else np.int64(-1)
                distance = math.sqrt(best_sq)
                is_within = distance <= limits[0]
                nearest[start + k] = best if is_within else -1
                away[start + k] = distance if is_within else np.inf


@shared_kernel(least=64)
def farther_of_two(first_turn, stop_turn, points, row, upper, lower, rotation, translation, away):
    """Write how far points (n, 3) are from the farther of two places of theirs.

    Those of point p are rows row[p] of `upper` (V, 3) and of `lower` (V, 3), this one carried by
    a pose first. NaN where one of them is none.
    """
    for p in range(first_turn * CHUNK, min(len(points), stop_turn * CHUNK)):
        v = row[p]
        x, y, z = carry(lower, v, rotation, translation)
        a, b, c = points[p, 0] - x, points[p, 1] - y, points[p, 2] - z
        to_lower = a * a + b * b + c * c
        a, b, c = points[p, 0] - upper[v, 0], points[p, 1] - upper[v, 1], points[p, 2] - upper[v, 2]
        to_upper = a * a + b * b + c * c
        if math.isnan(to_lower) or to_upper <= to_lower:
            away[p] = math.sqrt(to_lower)
        else:
            away[p] = math.sqrt(to_upper)
