"""Exact gaps of points that move little: what can be nearest to a point is remembered.

A search keeps all triangles that lie within a margin of the nearest one, and the distance from the
point within which there are no others. A distance changes no faster than its point: until the point
has moved so far that another triangle could be nearest, the few that are kept answer for the whole
surface, exactly.

The memory of n points is the tuple (origin, lower, rest, count, slots, away): `origin` (n, 3), mm,
the place where a point was last asked for; `lower` (n,), mm, the gap there, or a lower bound of it;
`rest` (n,), mm, within which only the `count` (n,) first of `slots` (n, FEW) of the tree lie, by
their distances `away` (n, FEW), mm, the nearest first.
A count of `UNSEEN` says that the band knows nothing there.
What is known at this pose is the tuple (is_exact, place, gap, direction, face): whether a point was
asked for (n,), where it lies (n, 3), its gap (n,), the direction in which that grows (n, 3) and the
nearest face (n,).
"""

import math

import numpy as np

from occlusim.kernels.band import read_lower
from occlusim.kernels.bvh import STACK_SIZE, box_distance_sq, closest_in_slot, slot_box_distance_sq
from occlusim.kernels.closest import CHUNK, carry
from occlusim.kernels.jit import inner_kernel, shared_kernel
from occlusim.kernels.sign import pseudonormal

FEW = 6
MARGIN_MM = 0.004
UNSEEN = np.int8(-1)


@inner_kernel
def few_in_tree(px, py, pz, bound, margin, boxes, links, corners, stack, stack_sq, slots, away):
    """Return squared distance, slot, feature, closest point; how many are kept; and up to where.

    Writes the slots, FEW at most, that lie within `margin` of the nearest one; no other triangle
    lies within the distance that is returned last. Slot -1 where nothing is within `bound`, mm.
    The nearest comes first; `away` (FEW,) are their distances.
    """
    best_sq = bound * bound
    limit_sq = (bound + margin) ** 2
    best_slot = np.int64(-1)
    best_feature = 0
    best_x = best_y = best_z = np.nan
    n_kept = 0
    depth = 0
    # Unsigned: an index that cannot be negative is read without a test for it.
    node = np.uint32(0)
    is_done = not box_distance_sq(px, py, pz, boxes, node) <= limit_sq
    while not is_done:
        first = np.uint32(links[node, 0])
        count = links[node, 1]
        if count > 0:
            for k in range(count):
                slot = np.uint32(first + k)
                if slot_box_distance_sq(px, py, pz, corners, slot) > limit_sq:
                    continue
                d, qx, qy, qz, feature = closest_in_slot(px, py, pz, corners, slot)
                if not d <= limit_sq:
                    continue
                if d < best_sq or (d == best_sq and best_slot < 0):
                    best_sq = d
                    best_slot = np.int64(slot)
                    best_feature = feature
                    best_x, best_y, best_z = qx, qy, qz
                    limit_sq = min(limit_sq, (math.sqrt(d) + margin) ** 2)
                if n_kept == FEW:
                    # The farthest makes room; what is left out lies no nearer than it.
                    limit_sq = min(limit_sq, max(d, away[FEW - 1]))
                    if d >= away[FEW - 1]:
                        continue
                    n_kept -= 1
                at = n_kept
                while at > 0 and away[at - 1] > d:
                    away[at], slots[at] = away[at - 1], slots[at - 1]
                    at -= 1
                away[at], slots[at] = d, slot
                n_kept += 1
        else:
            second = np.uint32(first + 1)
            left = box_distance_sq(px, py, pz, boxes, first)
            right = box_distance_sq(px, py, pz, boxes, second)
            is_left_near = left <= right
            nearer = left if is_left_near else right
            farther = right if is_left_near else left
            if nearer <= limit_sq:
                stack[depth] = second if is_left_near else first
                stack_sq[depth] = farther
                depth += 1 if farther <= limit_sq else 0
                node = first if is_left_near else second
                continue
        is_done = True
        while depth > 0:
            depth -= 1
            if stack_sq[depth] <= limit_sq:
                node = np.uint32(stack[depth])
                is_done = False
                break
    n = 0
    while n < n_kept and away[n] <= limit_sq:
        away[n] = math.sqrt(away[n])
        n += 1
    # A hair less, for what rounding hides.
    rest = math.sqrt(limit_sq) * (1.0 - 1e-12)
    return best_sq, best_slot, best_feature, best_x, best_y, best_z, n, rest


@inner_kernel
def _write(i, x, y, z, found, tree, known):
    """Write gap, direction and face of a point at (x, y, z); return the gap."""
    _, place, gap, direction, face = known
    d_sq, slot, feature, qx, qy, qz = found
    place[i, 0], place[i, 1], place[i, 2] = x, y, z
    if slot < 0:
        gap[i] = np.nan
        face[i] = -1
        direction[i, 0] = direction[i, 1] = direction[i, 2] = np.nan
        return np.nan
    t = tree[3][slot]
    nx, ny, nz, opened = pseudonormal(
        t, feature, tree[4], tree[5], tree[6], tree[7], tree[8], tree[9]
    )
    dx, dy, dz = x - qx, y - qy, z - qz
    length = math.sqrt(d_sq)
    sign = 1.0 if dx * nx + dy * ny + dz * nz >= 0.0 else -1.0
    gap[i] = np.nan if opened else sign * length
    face[i] = t
    if length > 1e-9:
        scale = sign / length
        direction[i, 0], direction[i, 1], direction[i, 2] = scale * dx, scale * dy, scale * dz
    else:
        direction[i, 0], direction[i, 1], direction[i, 2] = nx, ny, nz
    return gap[i]


@inner_kernel
def _recalled(i, x, y, z, moved, corners, memory):
    """Return what the remembered triangles say, as `closest_in_slot`; slot -1 where not sure."""
    best_sq = best = np.inf
    best_slot = np.int64(-1)
    best_feature = 0
    best_x = best_y = best_z = np.nan
    for e in range(memory[3][i]):
        # None comes nearer than the point has moved; the rest are farther still.
        if memory[5][i, e] - moved > best:
            break
        slot = np.int64(memory[4][i, e])
        d, qx, qy, qz, feature = closest_in_slot(x, y, z, corners, np.uint32(slot))
        if d < best_sq:
            best_sq, best_slot, best_feature = d, slot, feature
            best_x, best_y, best_z = qx, qy, qz
            best = math.sqrt(d)
    left = memory[2][i] - moved
    is_sure = best <= left
    return best_sq, best_slot if is_sure else np.int64(-1), best_feature, best_x, best_y, best_z


@shared_kernel(least=4)
def look(
    first_turn,
    stop_turn,
    points,
    order,
    rotation,
    translation,
    table,
    plus,
    minus,
    reach,
    farthest,
    unseen,
    tree,
    band,
    memory,
    known,
):
    """Write what is known of points whose gap may lie below `reach`, mm; infinite: of all.

    Of the points (n, 3) those of `order` (k,) are looked at, carried into the field's frame and
    shifted there by table[plus[i]] - table[minus[i]], `table` (t, 3), mm. Gaps are exact up to
    `farthest`, mm; beyond it, and where the side is not known, they are NaN. Where the band knows
    nothing, a gap of `unseen`, mm, is taken for granted until the point has moved.
    """
    n = len(order)
    origin, lower, rest, count, slots, away = memory
    is_exact = known[0]
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        previous = np.int64(-1)
        for at in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            i = order[at]
            a, b = plus[i], minus[i]
            x, y, z = carry(points, i, rotation, translation)
            x += table[a, 0] - table[b, 0]
            y += table[a, 1] - table[b, 1]
            z += table[a, 2] - table[b, 2]
            ox, oy, oz = x - origin[i, 0], y - origin[i, 1], z - origin[i, 2]
            moved = math.sqrt(ox * ox + oy * oy + oz * oz)
            is_exact[i] = False
            if lower[i] - moved >= reach:
                continue
            found = _recalled(i, x, y, z, moved, tree[2], memory)
            if found[1] < 0:
                if math.isfinite(reach):
                    # What is remembered does not do; the band may.
                    least = read_lower(x, y, z, band[0], band[1], band[2], band[3], band[4])
                    is_seen = math.isfinite(least)
                    least = least if is_seen else unseen
                    if least >= reach:
                        lower[i] = least
                        count[i] = 0 if is_seen else UNSEEN
                        rest[i] = 0.0
                        origin[i, 0], origin[i, 1], origin[i, 2] = x, y, z
                        continue
                bound = farthest
                if found[0] < bound * bound:
                    bound = math.sqrt(found[0]) * (1.0 + 1e-12) + 1e-150
                if previous >= 0:
                    near_sq = closest_in_slot(x, y, z, tree[2], np.uint32(previous))[0]
                    if near_sq < bound * bound:
                        bound = math.sqrt(near_sq) * (1.0 + 1e-12) + 1e-150
                d_sq, slot, feature, qx, qy, qz, n_kept, within = few_in_tree(
                    x, y, z, bound, MARGIN_MM, tree[0], tree[1], tree[2], stack, stack_sq,
                    slots[i], away[i],
                )  # fmt: skip
                found = d_sq, slot, feature, qx, qy, qz
                origin[i, 0], origin[i, 1], origin[i, 2] = x, y, z
                count[i], rest[i] = n_kept, within
                if slot < 0:
                    lower[i] = -farthest
                    count[i] = 0
                else:
                    least = _write(i, x, y, z, found, tree, known)
                    lower[i] = least if math.isfinite(least) else -math.sqrt(d_sq)
                    previous = slot
                    is_exact[i] = True
                    continue
            else:
                previous = found[1]
            _write(i, x, y, z, found, tree, known)
            is_exact[i] = True
