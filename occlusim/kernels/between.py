"""The nearest triangles of two trees at many poses, by descending both at once.

Gottschalk, Collision queries using oriented bounding boxes, thesis, 2000, chapter 3: pairs of
nodes are opened while their boxes may hold a nearer pair. Here the boxes of the moving tree are
carried into the still one's axes.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE
from occlusim.kernels.jit import inner_kernel, shared_kernel
from occlusim.kernels.pairs import triangle_distance_sq

CHUNK = 8
ROOT = np.int64(0)  # of one type with other nodes: a literal makes a compilation of its own


@inner_kernel
def moved_triangle(corners, slot, rotation, translation, out):
    """Write the triangle (3, 3) of a slot, carried by rotation and translation."""
    for k in range(3):
        x, y, z = corners[slot, 3 * k], corners[slot, 3 * k + 1], corners[slot, 3 * k + 2]
        for d in range(3):
            r = rotation[d]
            out[k, d] = r[0] * x + r[1] * y + r[2] * z + translation[d]


@inner_kernel
def still_triangle(corners, slot, out):
    """Write the triangle (3, 3) of a slot."""
    for k in range(3):
        for d in range(3):
            out[k, d] = corners[slot, 3 * k + d]


@inner_kernel
def _node_distance_sq(still, a, moving, b, rotation, translation):
    """Return the squared distance of box a (6,) and box b carried into a's axes, from below."""
    total = 0.0
    for d in range(3):
        middle = translation[d]
        half = 0.0
        for k in range(3):
            middle += rotation[d, k] * 0.5 * (moving[b, k] + moving[b, 3 + k])
            half += abs(rotation[d, k]) * 0.5 * (moving[b, 3 + k] - moving[b, k])
        side = max(still[a, d] - middle - half, middle - half - still[a, 3 + d], 0.0)
        total += side * side
    return total


@inner_kernel
def _boxes_apart_sq(s, t):
    """Return the squared distance of the boxes of two triangles (3, 3)."""
    total = 0.0
    for d in range(3):
        low_s, high_s = min(s[0, d], s[1, d], s[2, d]), max(s[0, d], s[1, d], s[2, d])
        low_t, high_t = min(t[0, d], t[1, d], t[2, d]), max(t[0, d], t[1, d], t[2, d])
        side = max(low_s - high_t, low_t - high_s, 0.0)
        total += side * side
    return total


@inner_kernel
def _over_plane(s, t):
    """Return the least height of triangle s over the plane of t, on either side; 0 across it."""
    ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
    vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    low, high = math.inf, -math.inf
    for k in range(3):
        h = nx * (s[k, 0] - t[0, 0]) + ny * (s[k, 1] - t[0, 1]) + nz * (s[k, 2] - t[0, 2])
        low, high = min(low, h), max(high, h)
    return max(low, -high, 0.0) / math.sqrt(nx * nx + ny * ny + nz * nz)


@inner_kernel
def nearest_between(still, moving, rotation, translation, bound_sq, work, where):
    """Return the squared distance of two trees and the slots of the nearest pair, -1 beyond bound.

    `still` and `moving` are (boxes, links, corners). Writes the nearest point of the moving
    surface, in the still one's frame, into `where` (3,). 0 where they meet.
    """
    boxes_a, links_a, corners_a = still
    boxes_b, links_b, corners_b = moving
    stack, stack_sq, s, t, pair_work, on_s = work
    best = bound_sq
    slot_a = slot_b = np.int64(-1)
    stack[0, 0] = stack[0, 1] = 0
    stack_sq[0] = _node_distance_sq(boxes_a, ROOT, boxes_b, ROOT, rotation, translation)
    depth = 1
    while depth > 0:
        depth -= 1
        if stack_sq[depth] > best:
            continue
        a, b = np.int64(stack[depth, 0]), np.int64(stack[depth, 1])
        n_a, n_b = links_a[a, 1], links_b[b, 1]
        if n_a > 0 and n_b > 0:
            for j in range(links_b[b, 0], links_b[b, 0] + n_b):
                moved_triangle(corners_b, j, rotation, translation, s)
                for i in range(links_a[a, 0], links_a[a, 0] + n_a):
                    still_triangle(corners_a, i, t)
                    if _boxes_apart_sq(s, t) > best:
                        continue
                    height = max(_over_plane(s, t), _over_plane(t, s)) * (1.0 - 1e-9)
                    if height * height > best:
                        continue
                    d_sq = triangle_distance_sq(s, t, pair_work, on_s)
                    if d_sq < best or (d_sq == best and slot_a < 0):
                        best = d_sq
                        slot_a, slot_b = i, j
                        where[0], where[1], where[2] = on_s[0], on_s[1], on_s[2]
                        if best == 0.0:
                            return 0.0, slot_a, slot_b
            continue
        size_a = size_b = 0.0
        for d in range(3):
            size_a += (boxes_a[a, 3 + d] - boxes_a[a, d]) ** 2
            size_b += (boxes_b[b, 3 + d] - boxes_b[b, d]) ** 2
        opens_a = n_b > 0 or (n_a == 0 and size_a > size_b)
        first = np.int64(links_a[a, 0] if opens_a else links_b[b, 0])
        one_a = first if opens_a else a
        one_b = b if opens_a else first
        two_a = first + 1 if opens_a else a
        two_b = b if opens_a else first + 1
        one = _node_distance_sq(boxes_a, one_a, boxes_b, one_b, rotation, translation)
        two = _node_distance_sq(boxes_a, two_a, boxes_b, two_b, rotation, translation)
        if one < two:
            one_a, one_b, two_a, two_b = two_a, two_b, one_a, one_b
            one, two = two, one
        # The nearer pair comes off the stack first.
        if one <= best:
            stack[depth, 0], stack[depth, 1] = one_a, one_b
            stack_sq[depth] = one
            depth += 1
        if two <= best:
            stack[depth, 0], stack[depth, 1] = two_a, two_b
            stack_sq[depth] = two
            depth += 1
    return best, slot_a, slot_b


@shared_kernel(least=1)
def nearest_at_poses(
    first_turn, stop_turn, still, moving, rotations, translations, limit, distance, where
):
    """Write per pose (n,) the distance of two surfaces, mm, and the place (n, 3) of the nearest.

    `limit`: farther than this is NaN. Neighbouring poses are best given in order: the nearest
    pair of one bounds the next.
    """
    n = len(rotations)
    for chunk in range(first_turn, stop_turn):
        s, t = np.empty((3, 3)), np.empty((3, 3))
        pair_work, on_s = np.empty((2, 3)), np.empty(3)
        work = (
            np.empty((4 * STACK_SIZE, 2), np.int32),
            np.empty(4 * STACK_SIZE),
            s,
            t,
            pair_work,
            on_s,
        )
        slot_a = slot_b = np.int64(-1)
        for i in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            bound = limit * limit
            if slot_a >= 0:
                moved_triangle(moving[2], slot_b, rotations[i], translations[i], s)
                still_triangle(still[2], slot_a, t)
                seed = triangle_distance_sq(s, t, pair_work, on_s)
                bound = min(bound, seed * (1.0 + 1e-12) + 1e-300)
            where[i, 0] = where[i, 1] = where[i, 2] = np.nan
            d_sq, new_a, new_b = nearest_between(
                still, moving, rotations[i], translations[i], bound, work, where[i]
            )
            distance[i] = math.sqrt(d_sq) if new_a >= 0 else np.nan
            if new_a >= 0:
                slot_a, slot_b = new_a, new_b
