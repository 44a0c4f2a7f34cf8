"""Exact distances of many points from a surface, by its tree."""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE, closest_in_slot, closest_in_tree
from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel
from occlusim.kernels.sign import pseudonormal

CHUNK = 64
DIGIT = 12
LAST_CELL = 255.0


@kernel
def _spread(x):
    """Return the lowest eight bits of an unsigned number, two zeros between them."""
    x = (x | (x << np.uint32(8))) & np.uint32(0x00F00F)
    x = (x | (x << np.uint32(4))) & np.uint32(0x0C30C3)
    return (x | (x << np.uint32(2))) & np.uint32(0x249249)


@kernel
def near_order(points, code, other, order):
    """Write an order (n,) of points (n, 3) in which neighbours in the list are near in space.

    Morton 1966: by the bits of the three coordinates in turn, eight of each. Points that are not
    finite come first. `code` and `other` (n,) are scratch.
    """
    n = len(points)
    low = np.empty(3)
    size = 0.0
    for k in range(3):
        least, most = math.inf, -math.inf
        for i in range(n):
            if math.isfinite(points[i, k]):
                least, most = min(least, points[i, k]), max(most, points[i, k])
        low[k] = least
        size = max(size, most - least)
    per_mm = LAST_CELL / size if size > 0.0 else 0.0
    buckets = 1 << DIGIT
    start = np.empty((2, buckets), np.int64)
    for d in range(buckets):
        start[0, d] = start[1, d] = 0
    for i in range(n):
        c = np.uint32(0)
        x, y, z = points[i, 0] - low[0], points[i, 1] - low[1], points[i, 2] - low[2]
        if math.isfinite(x + y + z):
            c = _spread(np.uint32(x * per_mm)) << np.uint32(2)
            c |= _spread(np.uint32(y * per_mm)) << np.uint32(1)
            c |= _spread(np.uint32(z * per_mm))
        code[i] = c
        start[0, c & np.uint32(buckets - 1)] += 1
        start[1, c >> np.uint32(DIGIT)] += 1
    for turn in range(2):
        total = 0
        for d in range(buckets):
            total += start[turn, d]
            start[turn, d] = total - start[turn, d]
    # By the lower digit, then, keeping that order, by the upper one.
    for i in range(n):
        digit = code[i] & np.uint32(buckets - 1)
        other[start[0, digit]] = i
        start[0, digit] += 1
    for j in range(n):
        i = other[j]
        digit = code[i] >> np.uint32(DIGIT)
        order[start[1, digit]] = i
        start[1, digit] += 1


@inner_kernel
def write_answer(
    i, px, py, pz, found, tree, distance, unsigned, closest, face, feature, normal, is_open
):
    """Write, at row i, what `found` (squared distance, slot, feature, closest point) says."""
    d_sq, slot, f, qx, qy, qz = found
    if slot < 0:
        distance[i] = unsigned[i] = np.nan
        face[i] = -1
        feature[i] = 0
        is_open[i] = False
        for k in range(3):
            closest[i, k] = np.nan
            normal[i, k] = np.nan
        return
    t = tree[3][slot]
    nx, ny, nz, opened = pseudonormal(t, f, tree[4], tree[5], tree[6], tree[7], tree[8], tree[9])
    length = math.sqrt(d_sq)
    side = (px - qx) * nx + (py - qy) * ny + (pz - qz) * nz
    unsigned[i] = length
    distance[i] = np.nan if opened else (length if side >= 0.0 else -length)
    closest[i, 0], closest[i, 1], closest[i, 2] = qx, qy, qz
    normal[i, 0], normal[i, 1], normal[i, 2] = nx, ny, nz
    face[i] = t
    feature[i] = f
    is_open[i] = opened


@kernel
def signed(px, py, pz, found, tree):
    """Return the signed distance of what `found` says, mm; NaN where none or not known."""
    d_sq, slot, f, qx, qy, qz = found
    if slot < 0:
        return np.nan
    nx, ny, nz, opened = pseudonormal(
        tree[3][slot], f, tree[4], tree[5], tree[6], tree[7], tree[8], tree[9]
    )
    if opened:
        return np.nan
    side = (px - qx) * nx + (py - qy) * ny + (pz - qz) * nz
    length = math.sqrt(d_sq)
    return length if side >= 0.0 else -length


@inner_kernel
def closest_after(px, py, pz, bound_sq, previous, tree, stack, stack_sq):
    """Return squared distance, slot, feature and closest point; slot -1 beyond the bound.

    `previous` is a slot that bounds the distance from above, or -1. A point that is not finite is
    beyond every bound.
    """
    if not math.isfinite(px + py + pz):
        return np.nan, np.int64(-1), 0, np.nan, np.nan, np.nan
    if previous >= 0:
        seed = closest_in_slot(px, py, pz, tree[2], np.uint32(previous))[0]
        bound_sq = min(bound_sq, seed * (1.0 + 1e-12) + 1e-300)
    return closest_in_tree(px, py, pz, bound_sq, tree[0], tree[1], tree[2], stack, stack_sq)


@kernel
def carry(points, i, rotation, translation):
    """Return point i carried by rotation (3, 3) and translation (3,)."""
    x, y, z = points[i, 0], points[i, 1], points[i, 2]
    return (
        rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0],
        rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1],
        rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2],
    )


@shared_kernel(least=4)
def closest_batch(
    first_turn,
    stop_turn,
    points,
    order,
    rotation,
    translation,
    max_distance_mm,
    tree,
    distance,
    unsigned,
    closest,
    face,
    feature,
    normal,
    is_open,
):
    """Write, per point (n, 3), the signed distance and where the nearest feature lies.

    Points are taken in an order (n,), best one in which neighbours are near, and carried by
    `rotation` (3, 3) and `translation` (3,) into the tree's frame first. `tree` is (boxes, links,
    corners, slot_face, face_normals, edge_normals, corner_index, corner_normals, is_open_edge,
    is_open_corner). Writes distance (n,), unsigned (n,), closest (n, 3), face (n,), feature (n,),
    normal (n, 3) and is_open (n,). A point that is not finite, or farther than the bound, gets NaN
    and face -1.
    """
    n = len(points)
    bound_sq = max_distance_mm * max_distance_mm
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        previous = np.int64(-1)
        for at in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            i = order[at]
            x, y, z = carry(points, i, rotation, translation)
            found = closest_after(x, y, z, bound_sq, previous, tree, stack, stack_sq)
            if found[1] >= 0:
                previous = found[1]
            write_answer(
                i, x, y, z, found, tree, distance, unsigned, closest, face, feature, normal, is_open
            )


@shared_kernel(least=4)
def distance_batch(
    first_turn, stop_turn, points, order, rotation, translation, max_distance_mm, tree, distance
):
    """Write signed distances (n,) alone, as `closest_batch` does."""
    n = len(points)
    bound_sq = max_distance_mm * max_distance_mm
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        previous = np.int64(-1)
        for at in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            i = order[at]
            x, y, z = carry(points, i, rotation, translation)
            found = closest_after(x, y, z, bound_sq, previous, tree, stack, stack_sq)
            if found[1] >= 0:
                previous = found[1]
            distance[i] = signed(x, y, z, found, tree)
