"""One pass from a bite scan's vertices to their matches on an arch, and from matches to a step.

What is nearest to a vertex is remembered as in `occlusim.kernels.recall`: the memory of a scan's V
vertices is the tuple (origin, side, rest, count, slots, away). `origin` (V, 3), mm, in the frame of
the arch, is the place where the vertex was last searched for; `side` (V,) is that arch, 1 the lower
one; the others are as there. A count of 0 says that nothing is remembered. A vertex that has moved
by less than what the memory has to spare is not searched for again.

Everything is done in turns of fixed length, so that the number of threads changes no bit.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE, closest_in_slot
from occlusim.kernels.closest import CHUNK, carry
from occlusim.kernels.jit import kernel, shared_kernel
from occlusim.kernels.patch import patch_distance
from occlusim.kernels.recall import FEW, few_in_tree, recalled
from occlusim.kernels.sign import pseudonormal

SUMMED = 1024
N_SUMS = 27


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


@shared_kernel(least=4)
def match_nearer(
    first_turn, stop_turn, row, points, directions, rotation, translation, side, is_asked,
    reach_mm, margin_mm, least_cosine, tree, arch, least_corner_cosine, is_curved, memory, best,
    residual, normals, is_lower,
):  # fmt: skip
    """Match points (n, 3) with an arch where that is nearer than what they are matched with.

    `rotation` and `translation` carry the points into the frame of the arch, which is (vertices,
    faces, vertex normals) and whose `side` is 1 for the lower; its `tree` is as in `closest_batch`.
    Only those of `is_asked` (n,) are matched, or all where it is empty. `best` (n,), mm, is the
    distance from the facets, infinite before the first arch. Better is what is nearer, within
    `reach_mm`, off the trimmed edge, and faces as `directions` (n, 3) do. Writes for those also
    the residual (n,), mm, from the patch along its normal (n, 3) in the points' frame and the side,
    and remembers what lies within `margin_mm` of the nearest.
    """
    stack, stack_sq = np.empty(STACK_SIZE, np.int32), np.empty(STACK_SIZE)
    few, few_away = np.empty(FEW, np.int32), np.empty(FEW)
    origin, side_of, rest, count, slots, away = memory
    for chunk in range(first_turn, stop_turn):
        previous = np.int64(-1)
        for p in range(chunk * CHUNK, min(len(row), (chunk + 1) * CHUNK)):
            if len(is_asked) > 0 and not is_asked[p]:
                continue
            v = row[p]
            x, y, z = carry(points, p, rotation, translation)
            bound = min(reach_mm, best[p])
            found = (np.inf, np.int64(-1), 0, np.nan, np.nan, np.nan)
            seed_sq = np.inf
            n_few = -1
            if count[v] > 0 and side_of[v] == side:
                ox, oy, oz = x - origin[v, 0], y - origin[v, 1], z - origin[v, 2]
                moved = math.sqrt(ox * ox + oy * oy + oz * oz)
                found = recalled(v, x, y, z, moved, tree[2], memory)
                seed_sq = found[0]
            elif previous >= 0:
                seed_sq = closest_in_slot(x, y, z, tree[2], np.uint32(previous))[0]
            reached = 0.0
            if found[1] < 0:
                limit = min(bound, math.sqrt(seed_sq) * (1.0 + 1e-12) + 1e-300)
                d_sq, at, feature, qx, qy, qz, n_few, reached = few_in_tree(
                    x, y, z, limit, margin_mm, tree[0], tree[1], tree[2], stack, stack_sq, few,
                    few_away,
                )  # fmt: skip
                found = (d_sq, at, feature, qx, qy, qz)
            if found[1] < 0:
                continue
            previous = found[1]
            distance = math.sqrt(found[0])
            if not (distance <= reach_mm and distance < best[p]):
                continue
            face = tree[3][found[1]]
            if pseudonormal(face, found[2], tree[4], tree[5], tree[6], tree[7], tree[8], tree[9])[
                3
            ]:
                continue
            above, gx, gy, gz = patch_distance(
                x, y, z, found[3], found[4], found[5], face, arch[0], arch[1], arch[2],
                least_corner_cosine, is_curved,
            )  # fmt: skip
            nx = rotation[0, 0] * gx + rotation[1, 0] * gy + rotation[2, 0] * gz
            ny = rotation[0, 1] * gx + rotation[1, 1] * gy + rotation[2, 1] * gz
            nz = rotation[0, 2] * gx + rotation[1, 2] * gy + rotation[2, 2] * gz
            facing = nx * directions[p, 0] + ny * directions[p, 1] + nz * directions[p, 2]
            if not (math.isfinite(above) and facing >= least_cosine):
                continue
            best[p] = distance
            residual[p] = above
            normals[p, 0], normals[p, 1], normals[p, 2] = nx, ny, nz
            is_lower[p] = side == 1
            if n_few >= 0:
                origin[v, 0], origin[v, 1], origin[v, 2] = x, y, z
                side_of[v], rest[v], count[v] = side, reached, n_few
                for e in range(n_few):
                    slots[v, e], away[v, e] = few[e], few_away[e]


@shared_kernel(least=4)
def step_sums(
    first_turn, stop_turn, points, normals, directions, residual, weight, is_lower, cut_mm, centre,
    twist, twist_lower, sums,
):  # fmt: skip
    """Write sums over matches (n,), those of the upper and of the lower arch apart.

    Rows are those of `jacobian_rows` about `centre` (3,), with normals halfway between both
    surfaces'; residuals follow the twists (6,) of the scan and of the lower jaw, and their weights
    are Tukey's. A turn's `sums` (2, 27): the lower triangle of weighted row products, row by row,
    then weighted row times residual.
    """
    row, step = np.empty(6), np.empty((2, 6))
    per_cut_sq = 1.0 / (cut_mm * cut_mm)
    for k in range(6):
        step[0, k] = twist[k]
        step[1, k] = twist[k] - twist_lower[k]
    for turn in range(first_turn, stop_turn):
        for side in range(2):
            for k in range(N_SUMS):
                sums[turn, side, k] = 0.0
        for p in range(turn * SUMMED, min(len(points), (turn + 1) * SUMMED)):
            side = 1 if is_lower[p] else 0
            x, y, z = points[p, 0] - centre[0], points[p, 1] - centre[1], points[p, 2] - centre[2]
            nx = normals[p, 0] + directions[p, 0]
            ny = normals[p, 1] + directions[p, 1]
            nz = normals[p, 2] + directions[p, 2]
            scale = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
            nx, ny, nz = nx * scale, ny * scale, nz * scale
            row[0], row[1], row[2] = y * nz - z * ny, z * nx - x * nz, x * ny - y * nx
            row[3], row[4], row[5] = nx, ny, nz
            left = residual[p]
            for k in range(6):
                left += row[k] * step[side, k]
            u = 1.0 - left * left * per_cut_sq
            if u <= 0.0:
                continue
            w = weight[p] * u * u
            at = 0
            for k in range(6):
                weighed = w * row[k]
                for m in range(k + 1):
                    sums[turn, side, at] += weighed * row[m]
                    at += 1
                sums[turn, side, 21 + k] += weighed * left


@kernel
def halving_value(values, weights):
    """Return the least value up to which lie half of the weights (n,); writes over both."""
    first, last = 0, len(values) - 1
    half = 0.0
    for i in range(len(values)):
        half += 0.5 * weights[i]
    below = 0.0
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
