"""One pass from a bite scan's vertices to their matches on an arch, and from matches to a step.

What is nearest to a vertex is remembered as in `occlusim.kernels.recall`: the memory of a scan's V
vertices is the tuple (origin, side, rest, count, slots, away, patches). `origin` (V, 3), mm, in the
frame of the arch, is the place where the vertex was last searched for; `side` (V,) is that arch, 1
the lower one; `patches` (V, PATCH) are those over the nearest facets, of `occlusim.kernels.patch`;
the others are as there. A count of 0 says that nothing is remembered. A vertex that has moved by
less than what the memory has to spare is not searched for again.

Everything is done in turns of fixed length, so that the number of threads changes no bit.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE, closest_in_slot, closest_in_tree
from occlusim.kernels.closest import CHUNK, carry
from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel
from occlusim.kernels.patch import PATCH, above_patch, lay_patch
from occlusim.kernels.recall import FEW, few_in_tree
from occlusim.kernels.triangle import closest_on_triangle

SUMMED, LANES = 1024, 64
N_SUMS = 27
N_BINS = 1024
LONE = 8


@shared_kernel(least=64)
def place_vertices(
    first_turn, stop_turn, vertices, vertex_normals, row, rotation, translation, points, directions
):
    """Write where rows (n,) of a scan's vertices and their normals point to after a pose."""
    for p in range(first_turn * CHUNK, min(len(row), stop_turn * CHUNK)):
        v = row[p]
        points[p, 0], points[p, 1], points[p, 2] = carry(vertices, v, rotation, translation)
        x, y, z = vertex_normals[v, 0], vertex_normals[v, 1], vertex_normals[v, 2]
        for d in range(3):
            directions[p, d] = rotation[d, 0] * x + rotation[d, 1] * y + rotation[d, 2] * z


@shared_kernel(least=10)
def recall_nearer(
    first_turn, stop_turn, row, points, directions, rotation, translation, side, reach_mm,
    least_cosine, tree, memory, is_left, best, residual, normals, is_lower,
):  # fmt: skip
    """Match points with an arch where what is remembered tells for sure what is nearest.

    As `match_nearer`, which must be asked about those of the others that stay in `is_left` (n,).
    Nothing is called that takes many arrays: a call costs more than an answer.
    """
    origin, side_of, rest, count, slots, away, patch = memory
    corners, slot_face, corner_index = tree[2], tree[3], tree[6]
    is_open_edge, is_open_corner = tree[8], tree[9]
    for p in range(first_turn * CHUNK, min(len(row), stop_turn * CHUNK)):
        v = row[p]
        if not is_left[p] or count[v] == 0 or side_of[v] != side:
            continue
        x, y, z = carry(points, p, rotation, translation)
        ox, oy, oz = x - origin[v, 0], y - origin[v, 1], z - origin[v, 2]
        moved = math.sqrt(ox * ox + oy * oy + oz * oz)
        qx, qy, qz, feature = closest_on_triangle(
            x, y, z, patch[v, 0], patch[v, 1], patch[v, 2], patch[v, 3], patch[v, 4], patch[v, 5],
            patch[v, 6], patch[v, 7], patch[v, 8],
        )  # fmt: skip
        d_sq = (x - qx) ** 2 + (y - qy) ** 2 + (z - qz) ** 2
        distance = math.sqrt(d_sq)
        is_sure = distance <= rest[v] - moved
        for e in range(1, count[v]):
            # None comes nearer than the point has moved; the rest are farther still.
            if not is_sure or away[v, e] - moved > distance:
                break
            is_sure = closest_in_slot(x, y, z, corners, np.uint32(slots[v, e]))[0] >= d_sq
        if not is_sure:
            continue
        is_left[p] = False
        if not (distance <= reach_mm and distance < best[p]):
            continue
        if feature > 0:  # within a face no edge is near
            face = slot_face[slots[v, 0]]
            if feature <= 3 and is_open_edge[face, feature - 1]:
                continue
            if feature > 3 and is_open_corner[corner_index[face, feature - 4]]:
                continue
        above, gx, gy, gz = above_patch(x, y, z, qx, qy, qz, patch, v)
        nx = rotation[0, 0] * gx + rotation[1, 0] * gy + rotation[2, 0] * gz
        ny = rotation[0, 1] * gx + rotation[1, 1] * gy + rotation[2, 1] * gz
        nz = rotation[0, 2] * gx + rotation[1, 2] * gy + rotation[2, 2] * gz
        facing = nx * directions[p, 0] + ny * directions[p, 1] + nz * directions[p, 2]
        if math.isfinite(above) and facing >= least_cosine:
            best[p], residual[p], is_lower[p] = distance, above, side == 1
            normals[p, 0], normals[p, 1], normals[p, 2] = nx, ny, nz


@inner_kernel
def _meets(
    points, first, stop, rotation, translation, reach_mm, best, boxes, links, corners, stack,
    stack_sq,
):  # fmt: skip
    """Return whether the surface of a tree may be within any point's reach, or its best distance.

    Where nothing is near the middle of the points, by as much as they spread and reach, nothing is
    near any of them.
    """
    x = y = z = most = spread_sq = 0.0
    for p in range(first, stop):
        x, y, z = x + points[p, 0], y + points[p, 1], z + points[p, 2]
        most = max(most, min(best[p], reach_mm))
    n = stop - first
    x, y, z = x / n, y / n, z / n
    for p in range(first, stop):
        a, b, c = points[p, 0] - x, points[p, 1] - y, points[p, 2] - z
        spread_sq = max(spread_sq, a * a + b * b + c * c)
    bound = (math.sqrt(spread_sq) + most) * (1.0 + 1e-9) + 1e-9
    u = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
    v = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
    w = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
    found = closest_in_tree(u, v, w, bound * bound, boxes, links, corners, stack, stack_sq)
    return found[1] >= 0


@shared_kernel(least=10)
def match_nearer(
    first_turn, stop_turn, row, points, directions, rotation, translation, side, reach_mm,
    margin_mm, least_cosine, tree, faces, vertex_normals, least_corner_cosine, is_curved, memory,
    is_left, best, residual, normals, is_lower,
):  # fmt: skip
    """Match points (n, 3) with an arch where that is nearer than what they are matched with.

    `rotation` and `translation` carry the points into the frame of the arch, whose `side` is 1 for
    the lower; its `tree` is as in `closest_batch`.
    Only those of `is_left` (n,) are matched. `best` (n,), mm, is the
    distance from the facets, infinite before the first arch. Better is what is nearer, within
    `reach_mm`, off the trimmed edge, and faces as `directions` (n, 3) do. Writes for those also
    the residual (n,), mm, from the patch along its normal (n, 3) in the points' frame and the side,
    and remembers what lies within `margin_mm` of the nearest.
    """
    stack, stack_sq = np.empty(STACK_SIZE, np.int32), np.empty(STACK_SIZE)
    few, few_away, laid = np.empty(FEW, np.int32), np.empty(FEW), np.empty((1, PATCH))
    origin, side_of, rest, count, slots, away, patches = memory
    boxes, links, corners, slot_face, corner_index = tree[0], tree[1], tree[2], tree[3], tree[6]
    is_open_edge, is_open_corner = tree[8], tree[9]
    for chunk in range(first_turn, stop_turn):
        begin, end = chunk * CHUNK, min(len(row), (chunk + 1) * CHUNK)
        n_left = 0
        for p in range(begin, end):
            n_left += 1 if is_left[p] else 0
        if n_left == 0 or (
            n_left > LONE
            and not _meets(
                points,
                begin,
                end,
                rotation,
                translation,
                reach_mm,
                best,
                boxes,
                links,
                corners,
                stack,
                stack_sq,
            )
        ):
            continue
        previous = np.int64(-1)
        for p in range(begin, end):
            if not is_left[p]:
                continue
            v = row[p]
            x, y, z = carry(points, p, rotation, translation)
            limit = min(reach_mm, best[p])
            if previous >= 0:
                seed_sq = closest_in_slot(x, y, z, corners, np.uint32(previous))[0]
                limit = min(limit, math.sqrt(seed_sq) * (1.0 + 1e-12) + 1e-300)
            d_sq, at, feature, qx, qy, qz, n_few, reached = few_in_tree(
                x, y, z, limit, margin_mm, boxes, links, corners, stack, stack_sq, few, few_away
            )  # fmt: skip
            if at < 0:
                continue
            previous = at
            distance = math.sqrt(d_sq)
            if not (distance <= reach_mm and distance < best[p]):
                continue
            face = slot_face[at]
            if 1 <= feature <= 3 and is_open_edge[face, feature - 1]:
                continue
            if feature > 3 and is_open_corner[corner_index[face, feature - 4]]:
                continue
            lay_patch(
                corners, at, face, faces, vertex_normals, least_corner_cosine, is_curved, laid
            )
            above, gx, gy, gz = above_patch(x, y, z, qx, qy, qz, laid, 0)
            nx = rotation[0, 0] * gx + rotation[1, 0] * gy + rotation[2, 0] * gz
            ny = rotation[0, 1] * gx + rotation[1, 1] * gy + rotation[2, 1] * gz
            nz = rotation[0, 2] * gx + rotation[1, 2] * gy + rotation[2, 2] * gz
            facing = nx * directions[p, 0] + ny * directions[p, 1] + nz * directions[p, 2]
            if not (math.isfinite(above) and facing >= least_cosine):
                continue
            best[p], residual[p], is_lower[p] = distance, above, side == 1
            normals[p, 0], normals[p, 1], normals[p, 2] = nx, ny, nz
            origin[v, 0], origin[v, 1], origin[v, 2] = x, y, z
            side_of[v], rest[v], count[v] = side, reached, n_few
            for e in range(n_few):
                slots[v, e], away[v, e] = few[e], few_away[e]
            for d in range(PATCH):
                patches[v, d] = laid[0, d]


@shared_kernel(least=6)
def step_sums(
    first_turn, stop_turn, points, normals, directions, residual, weight, is_lower, cut_mm, centre,
    twist, twist_lower, is_newton, sums,
):  # fmt: skip
    """Write sums over matches (n,), those of the upper and of the lower arch apart.

    Rows are those of `jacobian_rows` about `centre` (3,), with normals halfway between both
    surfaces'; residuals follow the twists (6,) of the scan and of the lower jaw, and their weights
    are Tukey's. A turn's `sums` (2, 27): the lower triangle of weighted row products, row by row,
    then weighted row times residual. With `is_newton` the products are weighted by how fast
    weight times residual grows. Taken `LANES` matches at a time, as processors can.
    """
    row, step = np.empty((6, LANES)), np.empty((2, 6))
    slope, pull, weighed = np.empty((2, LANES)), np.empty((2, LANES)), np.empty(LANES)
    total = np.empty((2, N_SUMS, LANES))
    per_cut_sq = 1.0 / (cut_mm * cut_mm)
    for k in range(6):
        step[0, k] = twist[k]
        step[1, k] = twist[k] - twist_lower[k]
    for turn in range(first_turn, stop_turn):
        total[:] = 0.0
        stop = min(len(points), (turn + 1) * SUMMED)
        for begin in range(turn * SUMMED, stop, LANES):
            n_sides = np.zeros(2, np.int64)
            slope[:] = 0.0
            pull[:] = 0.0
            row[:] = 0.0
            for p in range(begin, min(stop, begin + LANES)):
                lane = p - begin
                side = 1 if is_lower[p] else 0
                x, y = points[p, 0] - centre[0], points[p, 1] - centre[1]
                z = points[p, 2] - centre[2]
                nx = normals[p, 0] + directions[p, 0]
                ny = normals[p, 1] + directions[p, 1]
                nz = normals[p, 2] + directions[p, 2]
                scale = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
                nx, ny, nz = nx * scale, ny * scale, nz * scale
                rx, ry, rz = y * nz - z * ny, z * nx - x * nz, x * ny - y * nx
                left = residual[p] + rx * step[side, 0] + ry * step[side, 1] + rz * step[side, 2]
                left += nx * step[side, 3] + ny * step[side, 4] + nz * step[side, 5]
                share = left * left * per_cut_sq
                u = max(0.0, 1.0 - share)
                row[0, lane], row[1, lane], row[2, lane] = rx, ry, rz
                row[3, lane], row[4, lane], row[5, lane] = nx, ny, nz
                pull[side, lane] = weight[p] * u * u * left
                slope[side, lane] = weight[p] * u * (u - 4.0 * share if is_newton else u)
                n_sides[side] += 1
            for side in range(2):
                if n_sides[side] == 0:
                    continue
                at = 0
                for k in range(6):
                    for e in range(LANES):
                        weighed[e] = slope[side, e] * row[k, e]
                    for m in range(k + 1):
                        for e in range(LANES):
                            total[side, at, e] += weighed[e] * row[m, e]
                        at += 1
                    for e in range(LANES):
                        total[side, 21 + k, e] += pull[side, e] * row[k, e]
        for side in range(2):
            for k in range(N_SUMS):
                sums[turn, side, k] = 0.0
                for e in range(LANES):
                    sums[turn, side, k] += total[side, k, e]


@kernel
def halving_value(values, weights):
    """Return the least value up to which lie half of the weights (n,); writes over both.

    Values are not negative. First the bin that holds it is found, then the value in that.
    """
    least, most, half, below = np.inf, 0.0, 0.0, 0.0
    for i in range(len(values)):
        least, most = min(least, values[i]), max(most, values[i])
        half += 0.5 * weights[i]
    if not half > 0.0:
        return least
    per_value = N_BINS / most if most > 0.0 else 0.0
    heavy = np.zeros(N_BINS + 1)
    for i in range(len(values)):
        heavy[int(values[i] * per_value)] += weights[i]
    chosen = 0
    while chosen < N_BINS and below + heavy[chosen] < half:
        below += heavy[chosen]
        chosen += 1
    first, last = 0, -1
    for i in range(len(values)):
        if int(values[i] * per_value) == chosen:
            last += 1
            values[last], weights[last] = values[i], weights[i]
    while first < last:
        a, b, c = values[first], values[(first + last) // 2], values[last]
        pivot = max(min(a, b), min(max(a, b), c))
        # Less than the pivot before `low`, more than it from `high` on.
        low, i, high = first, first, last + 1
        less = same = 0.0
        while i < high:
            value, weight = values[i], weights[i]
            if value < pivot:
                values[i], weights[i] = values[low], weights[low]
                values[low], weights[low] = value, weight
                less += weight
                low += 1
                i += 1
            elif value > pivot:
                high -= 1
                values[i], weights[i] = values[high], weights[high]
                values[high], weights[high] = value, weight
            else:
                same += weight
                i += 1
        if low > first and below + less >= half:
            last = low - 1
        elif high > last or below + less + same >= half:
            return pivot
        else:
            below += less + same
            first = high
    return values[first]
