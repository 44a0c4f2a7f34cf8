"""How far a moving surface may surely go before it comes within a distance of another.

Conservative advancement (Mirtich, Impulse-based dynamic simulation, thesis, 1996; Tang, Kim &
Manocha, C2A, 2009): two pieces that stand apart along a direction stay so until one has moved by
as much along it. The velocity of a rigid motion and the bend of its paths bound that from above,
so a sliding piece, whose velocity lies across, is let far.

A motion (9,) is a turn, rad per unit, about a point, mm, that itself moves steadily, mm per unit:
turn (3), point (3), velocity (3), all in the still surface's frame.
"""

import math

import numpy as np

from occlusim.kernels.between import moved_triangle, still_triangle
from occlusim.kernels.bvh import STACK_SIZE, box_distance_sq
from occlusim.kernels.coins import ROUNDING_MM, place_coin
from occlusim.kernels.jit import inner_kernel, kernel, parallel_kernel, prange
from occlusim.kernels.pairs import triangle_distance_sq
from occlusim.kernels.triangle import closest_on_triangle

CHUNK = 8


@inner_kernel
def _until(apart, speed, bend):
    """Return the step up to which speed * step + bend / 2 * step^2 stays within `apart`, mm."""
    if not apart > 0.0:
        return 0.0
    root = math.sqrt(speed * speed + 2.0 * bend * apart)
    if speed > 0.0:
        return 2.0 * apart / (speed + root)
    return (root - speed) / bend if bend > 0.0 else np.inf


@inner_kernel
def _velocity(x, y, z, motion):
    """Return the velocity (x, y, z) of a point, mm per unit."""
    x, y, z = x - motion[3], y - motion[4], z - motion[5]
    return (
        motion[1] * z - motion[2] * y + motion[6],
        motion[2] * x - motion[0] * z + motion[7],
        motion[0] * y - motion[1] * x + motion[8],
    )


@kernel
def _bend(x, y, z, size, motion):
    """Return a bound of the acceleration within `size` of a point, mm per unit squared."""
    u, v, w = _velocity(x, y, z, motion)
    u, v, w = u - motion[6], v - motion[7], w - motion[8]
    turn = math.sqrt(motion[0] ** 2 + motion[1] ** 2 + motion[2] ** 2)
    return turn * (math.sqrt(u * u + v * v + w * w) + turn * size)


@inner_kernel
def _along(x, y, z, apart, b, bend, motion):
    """Return the safe step of a coin (8,) that stands apart along a unit direction (x, y, z)."""
    u, v, w = _velocity(b[0], b[1], b[2], motion)
    cx = motion[1] * z - motion[2] * y
    cy = motion[2] * x - motion[0] * z
    cz = motion[0] * y - motion[1] * x
    spread = math.sqrt(cx * cx + cy * cy + cz * cz) * (b[6] + b[7])
    return _until(apart, spread - (x * u + y * v + z * w), bend)


@kernel
def coin_step(coin, node, b, target, motion):
    """Return a safe step of coin `b` (8,) before a node's coin: the best of three directions."""
    x, y, z = b[0] - coin[node, 0], b[1] - coin[node, 1], b[2] - coin[node, 2]
    half_a, radius_a, half_b, radius_b = coin[node, 6], coin[node, 7], b[6], b[7]
    length = math.sqrt(x * x + y * y + z * z)
    on_a = coin[node, 3] * x + coin[node, 4] * y + coin[node, 5] * z
    on_b = b[3] * x + b[4] * y + b[5] * z
    turn = abs(coin[node, 3] * b[3] + coin[node, 4] * b[4] + coin[node, 5] * b[5])
    across = math.sqrt(max(1.0 - turn * turn, 0.0))
    bend = _bend(b[0], b[1], b[2], half_b + radius_b, motion)
    margin = target + ROUNDING_MM
    best = 0.0
    apart = abs(on_a) - half_a - half_b * turn - radius_b * across - margin
    if apart > 0.0:
        s = 1.0 if on_a > 0.0 else -1.0
        best = _along(
            s * coin[node, 3], s * coin[node, 4], s * coin[node, 5], apart, b, bend, motion
        )
    apart = abs(on_b) - half_b - half_a * turn - radius_a * across - margin
    if apart > 0.0:
        s = 1.0 if on_b > 0.0 else -1.0
        best = max(best, _along(s * b[3], s * b[4], s * b[5], apart, b, bend, motion))
    if length > 0.0:
        ca, cb = min(1.0, abs(on_a) / length), min(1.0, abs(on_b) / length)
        apart = length - half_a * ca - radius_a * math.sqrt(1.0 - ca * ca)
        apart -= half_b * cb + radius_b * math.sqrt(1.0 - cb * cb) + margin
        if apart > 0.0:
            s = 1.0 / length
            best = max(best, _along(s * x, s * y, s * z, apart, b, bend, motion))
    return best


@inner_kernel
def _directed(x, y, z, apart, s, bend, motion):
    """Return the safe step of a triangle (3, 3) that stands apart along a unit direction."""
    speed = -np.inf
    for k in range(3):
        u, v, w = _velocity(s[k, 0], s[k, 1], s[k, 2], motion)
        speed = max(speed, -(x * u + y * v + z * w))
    return _until(apart, speed, bend)


@kernel
def triangle_step(s, t, target, best, motion, work, on_s):
    """Return the safe step of triangle s before t (3, 3), and their distance, mm.

    A step of `best` or more is not worked out to its end: then the distance is infinite.
    """
    size = 0.0
    for k in range(1, 3):
        size = max(
            size, (s[k, 0] - s[0, 0]) ** 2 + (s[k, 1] - s[0, 1]) ** 2 + (s[k, 2] - s[0, 2]) ** 2
        )
    bend = _bend(s[0, 0], s[0, 1], s[0, 2], math.sqrt(size), motion)
    # Their boxes first.
    x = max(min(s[0, 0], s[1, 0], s[2, 0]) - max(t[0, 0], t[1, 0], t[2, 0]), 0.0)
    x -= max(min(t[0, 0], t[1, 0], t[2, 0]) - max(s[0, 0], s[1, 0], s[2, 0]), 0.0)
    y = max(min(s[0, 1], s[1, 1], s[2, 1]) - max(t[0, 1], t[1, 1], t[2, 1]), 0.0)
    y -= max(min(t[0, 1], t[1, 1], t[2, 1]) - max(s[0, 1], s[1, 1], s[2, 1]), 0.0)
    z = max(min(s[0, 2], s[1, 2], s[2, 2]) - max(t[0, 2], t[1, 2], t[2, 2]), 0.0)
    z -= max(min(t[0, 2], t[1, 2], t[2, 2]) - max(s[0, 2], s[1, 2], s[2, 2]), 0.0)
    apart = math.sqrt(x * x + y * y + z * z)
    if apart > target:
        step = _directed(x / apart, y / apart, z / apart, apart - target, s, bend, motion)
        if step >= best:
            return step, np.inf
    distance = math.sqrt(triangle_distance_sq(s, t, work, on_s))
    if not distance > target:
        return 0.0, distance
    x, y, z, _ = closest_on_triangle(
        on_s[0],
        on_s[1],
        on_s[2],
        t[0, 0],
        t[0, 1],
        t[0, 2],
        t[1, 0],
        t[1, 1],
        t[1, 2],
        t[2, 0],
        t[2, 1],
        t[2, 2],
    )
    x, y, z = (on_s[0] - x) / distance, (on_s[1] - y) / distance, (on_s[2] - z) / distance
    return _directed(x, y, z, distance - target, s, bend, motion), distance


@parallel_kernel
def safe_steps(
    clusters,
    moving,
    still,
    counts_moving,
    counts_still,
    rotation,
    translation,
    motion,
    target,
    longest,
    seed,
    step,
    distance,
    pair,
    where,
):
    """Write, per chunk of clusters, the least safe step and the pair of triangles that sets it.

    `moving` and `still` are (links, span, coin, corners, boxes) of two trees, `clusters` (n,) nodes
    of the moving one, `counts_moving`, `counts_still` (m,) the slots that count. Within a step no
    two counted triangles come to `target` or nearer, mm; steps are `longest` at most. `seed` (2,)
    are the slots, moving and still, of a pair to try first, or -1. Writes step (chunks,), the
    pair's distance, mm, infinite where no pair sets the step, its slots (chunks, 2), and the place
    (chunks, 3) on the moving triangle.
    """
    links_b, span_b, coin_b, corners_b, _ = moving
    links, span, coin, corners, boxes = still
    n = len(clusters)
    for chunk in prange((n + CHUNK - 1) // CHUNK):
        stack = np.empty((4 * STACK_SIZE, 2), np.int32)
        wait = np.empty(4 * STACK_SIZE)
        b = np.empty(8)
        s, t = np.empty((3, 3)), np.empty((3, 3))
        work, on_s = np.empty((2, 3)), np.empty(3)
        best = longest
        gap = np.inf
        i_best = j_best = -1
        for d in range(3):
            where[chunk, d] = np.nan
        if seed[0] >= 0:
            moved_triangle(corners_b, seed[0], rotation, translation, s)
            still_triangle(corners, seed[1], t)
            first, apart = triangle_step(s, t, target, best, motion, work, on_s)
            if first < best:
                best, gap = first, apart
                i_best, j_best = seed[0], seed[1]
                for d in range(3):
                    where[chunk, d] = on_s[d]
        for c in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            stack[0, 0], stack[0, 1] = clusters[c], 0
            wait[0] = 0.0
            depth = 1
            while depth > 0:
                depth -= 1
                if wait[depth] >= best:
                    continue
                q, p = np.uint32(stack[depth, 0]), np.uint32(stack[depth, 1])
                is_leaf_b, is_leaf = links_b[q, 1] > 0, links[p, 1] > 0
                if is_leaf_b and is_leaf:
                    for i in range(span_b[q, 0], span_b[q, 1]):
                        if not counts_moving[i]:
                            continue
                        moved_triangle(corners_b, i, rotation, translation, s)
                        for j in range(span[p, 0], span[p, 1]):
                            if not counts_still[j]:
                                continue
                            still_triangle(corners, j, t)
                            here, apart = triangle_step(s, t, target, best, motion, work, on_s)
                            if here < best:
                                best, gap = here, apart
                                i_best, j_best = i, j
                                for d in range(3):
                                    where[chunk, d] = on_s[d]
                    continue
                opens_b = is_leaf or (
                    not is_leaf_b and span_b[q, 1] - span_b[q, 0] > span[p, 1] - span[p, 0]
                )
                before = depth
                for k in range(2):
                    child_b = np.uint32(links_b[q, 0] + k) if opens_b else q
                    child = p if opens_b else np.uint32(links[p, 0] + k)
                    place_coin(coin_b, child_b, rotation, translation, b)
                    if coin[child, 0] == coin[child, 0]:
                        here = coin_step(coin, child, b, target, motion)
                    else:
                        # Too large for a coin: its box, from the ball around b.
                        size = b[6] + b[7]
                        apart = math.sqrt(box_distance_sq(b[0], b[1], b[2], boxes, child)) - size
                        u, v, w = _velocity(b[0], b[1], b[2], motion)
                        turn = math.sqrt(motion[0] ** 2 + motion[1] ** 2 + motion[2] ** 2)
                        speed = math.sqrt(u * u + v * v + w * w) + turn * size
                        bend = _bend(b[0], b[1], b[2], size, motion)
                        here = _until(apart - target, speed, bend)
                    if here < best:
                        stack[depth, 0], stack[depth, 1] = child_b, child
                        wait[depth] = here
                        depth += 1
                one, two = before, before + 1
                if depth == two + 1 and wait[two] > wait[one]:
                    # The sooner pair comes off the stack first.
                    for k in range(2):
                        stack[one, k], stack[two, k] = stack[two, k], stack[one, k]
                    wait[one], wait[two] = wait[two], wait[one]
        step[chunk], distance[chunk] = best, gap
        pair[chunk, 0], pair[chunk, 1] = i_best, j_best
