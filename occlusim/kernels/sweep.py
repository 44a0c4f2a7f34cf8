"""Least gap between moving points or facets and a surface over continuous paths.

A path is a table of poses read by linear interpolation; "row" is a fractional index into it.
A signed distance changes no faster than its point moves, so rows that cannot hold a lower value
are passed over by the length of the chord; what is left is refined between rows. Safe stepping:
Hart, Sphere tracing, The Visual Computer 12, 1996, 527-545.

`tree` is the tuple (boxes, links, corners, slot_face, face_normals, edge_normals, corner_index,
corner_normals, is_open_edge, is_open_corner, lattice, block_index, octants, nodes, plane) of a
surface; the last five are its band (see `occlusim.kernels.band`), without a block where there is
none. `path` is (start (M + 1,), rotations (N, 3, 3), translations (N, 3), wanted (N,),
travel (N,), starts_alike (M,)); no value changes by more than the travel between two rows, and a
movement that starts alike has the first movement's first pose. A value is gap minus wanted
gap, mm.
"""

import math

import numpy as np

from occlusim.kernels.band import read_lower
from occlusim.kernels.bounds import DOUBT_PER_MM
from occlusim.kernels.bvh import STACK_SIZE, closest_in_slot, closest_in_tree
from occlusim.kernels.jit import inner_kernel, shared_kernel
from occlusim.kernels.sign import pseudonormal

REACH_MM = 2.0
# How far a grid point of a facet may stand above the least value beside it.
GRID_HIDES_MM = 0.006
# A minimum is searched until its tangents prove it to this, or its place is this sure.
TANGENT_MM = 5e-5
PLACE_MM = 2e-4
MOST_TANGENTS = 40
# Of a type, unlike -1 itself: a literal that is passed on makes a compilation of its own.
NO_SLOT = np.int64(-1)


@inner_kernel
def signed_gap(px, py, pz, reach, previous, tree, stack, stack_sq):
    """Return signed gap, slot, unknown sign, and gradient (x, y, z) at a point of the tree's frame.

    Beyond `reach` the gap is `reach` and the slot -1. Where the sign is unknown the gap is
    unsigned. `previous` is a slot that bounds the distance from above, or -1.
    """
    bound = reach * reach
    if previous >= 0:
        seed = closest_in_slot(px, py, pz, tree[2], previous)[0]
        bound = min(bound, seed * (1.0 + 1e-12) + 1e-300)
    d, slot, feature, qx, qy, qz = closest_in_tree(
        px, py, pz, bound, tree[0], tree[1], tree[2], stack, stack_sq
    )
    if slot < 0:
        return reach, -1, False, np.nan, np.nan, np.nan
    nx, ny, nz, opened = pseudonormal(
        tree[3][slot], feature, tree[4], tree[5], tree[6], tree[7], tree[8], tree[9]
    )
    gap = math.sqrt(d)
    x, y, z = px - qx, py - qy, pz - qz
    if opened:
        return gap, slot, True, nx, ny, nz
    if x * nx + y * ny + z * nz < 0.0:
        gap = -gap
    if abs(gap) > 1e-6:
        nx, ny, nz = x / gap, y / gap, z / gap
    return gap, slot, False, nx, ny, nz


@inner_kernel
def _place(x, y, z, row, rotations, translations):
    r = rotations[row]
    t = translations[row]
    return (
        r[0, 0] * x + r[0, 1] * y + r[0, 2] * z + t[0],
        r[1, 0] * x + r[1, 1] * y + r[1, 2] * z + t[1],
        r[2, 0] * x + r[2, 1] * y + r[2, 2] * z + t[2],
    )


@inner_kernel
def _value(x, y, z, row, previous, tree, path, stack, stack_sq):
    """Return value, slot, unknown and gradient in the tree's frame at a fractional row."""
    low = int(row)
    u = row - low
    px, py, pz = _place(x, y, z, low, path[1], path[2])
    wanted = path[3][low]
    if u > 0.0:
        ax, ay, az = _place(x, y, z, low + 1, path[1], path[2])
        px += u * (ax - px)
        py += u * (ay - py)
        pz += u * (az - pz)
        wanted += u * (path[3][low + 1] - wanted)
    gap, slot, opened, gx, gy, gz = signed_gap(
        px, py, pz, REACH_MM, previous, tree, stack, stack_sq
    )
    return gap - wanted, slot, opened, gx, gy, gz


@inner_kernel
def _travel(x, y, z, row, path):
    """Return how far the point moves, and the wanted gap changes, from a row to the next, mm."""
    ax, ay, az = _place(x, y, z, row, path[1], path[2])
    bx, by, bz = _place(x, y, z, row + 1, path[1], path[2])
    chord = math.sqrt((ax - bx) ** 2 + (ay - by) ** 2 + (az - bz) ** 2)
    return chord + abs(path[3][row + 1] - path[3][row])


@inner_kernel
def _lower(x, y, z, row, tree, path):
    """Return a bound from below of the value at a row, from the band; NaN where it holds none."""
    px, py, pz = _place(x, y, z, row, path[1], path[2])
    lower = read_lower(px, py, pz, tree[10], tree[11], tree[12], tree[13], tree[14])
    return lower - path[3][row]


@inner_kernel
def _passed(row, last, slack, travel):
    """Return the last row up to which no value can lie more than `slack` below that at a row."""
    most = travel[row] + slack
    while row < last and travel[row + 1] < most:
        row += 1
    return row


@inner_kernel
def _meeting(ta, fa, ga, tb, fb, gb):
    """Return where between two places the tangents there meet, and how low.

    A function that is convex between falls no lower than that (Kelley, The cutting-plane method
    for solving convex programs, J. SIAM 8, 1960, 703-712). Where the tangents show that it is not
    convex: the middle, and no bound.
    """
    t = (fb - fa + ga * ta - gb * tb) / (ga - gb)
    if ta < t < tb:
        return t, fa + ga * (t - ta)
    return 0.5 * (ta + tb), -math.inf


@inner_kernel
def _row_slope(x, y, z, interval, gx, gy, gz, path):
    """Return how the value changes per row, between a row and the next, from the gap's gradient."""
    ax, ay, az = _place(x, y, z, interval, path[1], path[2])
    bx, by, bz = _place(x, y, z, interval + 1, path[1], path[2])
    wanted = path[3][interval + 1] - path[3][interval]
    slope = gx * (bx - ax) + gy * (by - ay) + gz * (bz - az) - wanted
    return slope if slope == slope else 0.0


@inner_kernel
def _refine(x, y, z, start, low, high, slot, tree, path, stack, stack_sq):
    """Return the least value and its row near a start, between two rows no more than one from it.

    Found by tangents, to TANGENT_MM where the value is convex on the way down from the start.
    """
    f, s, opened, gx, gy, gz = _value(x, y, z, start, slot, tree, path, stack, stack_sq)
    if opened or s < 0:
        return math.inf, start
    slot = s
    sense = 0.0
    interval = int(start)
    ga = 0.0
    if start < high:
        ga = _row_slope(x, y, z, interval, gx, gy, gz, path)
        if ga < 0.0:
            sense = 1.0
    if sense == 0.0 and start > low:
        interval = math.ceil(start) - 1
        ga = -_row_slope(x, y, z, interval, gx, gy, gz, path)
        if ga < 0.0:
            sense = -1.0
    best, where = f, start
    if sense == 0.0:
        return best, where
    step = _travel(x, y, z, interval, path)
    ta, fa = 0.0, f
    tb = t = high - start if sense > 0.0 else start - low
    fb = gb = bound = math.inf
    for turn in range(MOST_TANGENTS):
        f, s, opened, gx, gy, gz = _value(
            x, y, z, start + sense * t, slot, tree, path, stack, stack_sq
        )
        if s >= 0:
            slot = s
        g = sense * _row_slope(x, y, z, interval, gx, gy, gz, path)
        if opened:
            f = math.inf
        if f < best:
            best, where = f, start + sense * t
        if g < 0.0 and f <= fa:
            if turn == 0:
                break
            ta, fa, ga = t, f, g
        else:
            # Not lower, and falling: there is a lower place before, whatever the tangent here.
            tb, fb, gb = t, f, (math.inf if g < 0.0 or f == math.inf else g)
        if gb == math.inf:
            t, bound = 0.5 * (ta + tb), -math.inf
        else:
            t, bound = _meeting(ta, fa, ga, tb, fb, gb)
        if best - bound < TANGENT_MM or (tb - ta) * step < PLACE_MM:
            break
    return best, where


@inner_kernel
def _sweep_point(x, y, z, movement, limit, tree, path, stack, stack_sq, begun):
    """Return the least value below `limit`, its row (NaN if none), and whether a sign was unknown.

    Local minima among the rows are refined between their neighbours. `begun` (3,) holds gap, slot
    and unknown at the first movement's first row once that is known, until then a gap of NaN.
    """
    first = path[0][movement]
    starts_alike = path[5][movement]
    last = path[0][movement + 1] - 1
    best = limit
    where = np.nan
    unknown = False
    slot = NO_SLOT
    row = first
    cleared_left = True
    before = math.inf
    held = False
    held_row = 0
    held_left = 0.0
    held_value = 0.0
    held_length = 0.0
    while True:
        if cleared_left and not held:
            # Nothing waits for the value here: the band may prove that it is beyond the limit.
            room = _lower(x, y, z, row, tree, path) - limit
            ahead = _passed(row, last, room, path[4])
            if ahead == last and room > 0.0:
                return best, where, unknown
            if ahead > row:
                row = ahead
                continue
        is_start = row == first and starts_alike
        if is_start and begun[0] == begun[0]:
            value, new_slot, opened = begun[0] - path[3][row], int(begun[1]), begun[2] > 0.0
        else:
            value, new_slot, opened, _, _, _ = _value(
                x, y, z, float(row), slot, tree, path, stack, stack_sq
            )
            if is_start:
                begun[0], begun[1] = value + path[3][row], new_slot
                begun[2] = 1.0 if opened else 0.0
        if new_slot >= 0:
            slot = new_slot
        if opened:
            if value < limit:
                unknown = True
        elif value < best:
            best, where = value, float(row)
        # A row no higher than its neighbours: look between them.
        look = held and value >= held_value
        start, low, high = float(held_row), held_left, float(row)
        ground, length = held_value, held_length
        if look:
            length += _travel(x, y, z, held_row, path)
        elif row == last and row > first and not cleared_left and value <= before:
            look = True
            start, low, ground = high, row - 1.0, value
            length = _travel(x, y, z, row - 1, path)
        if look and ground - 0.5 * length < best:
            f, r = _refine(x, y, z, start, low, high, slot, tree, path, stack, stack_sq)
            if f < best:
                best, where = f, r
        held = False
        if row == last:
            return best, where, unknown
        ahead = _passed(row, last, value - best, path[4])
        if ahead == last:
            # Nothing up to the end can be lower.
            return best, where, unknown
        if ahead > row:
            row = ahead
            cleared_left = True
            before = math.inf
        else:
            if value <= before:
                held = True
                held_row = row
                held_value = value
                held_left = float(row) if cleared_left else row - 1.0
                held_length = 0.0 if cleared_left else _travel(x, y, z, row - 1, path)
            before = value
            cleared_left = False
            row += 1


@inner_kernel
def _gradient(x, y, z, row, tree, path, stack, stack_sq, out):
    """Write out (3,): the direction, in the point's own frame, in which the gap grows."""
    _, _, _, gx, gy, gz = _value(x, y, z, row, NO_SLOT, tree, path, stack, stack_sq)
    rotation = path[1][int(row)]
    for k in range(3):
        out[k] = rotation[0, k] * gx + rotation[1, k] * gy + rotation[2, k] * gz


@shared_kernel(least=16)
def swept_minimum(first, stop, points, limit, tree, path, value, row, unknown, gradient):
    """Write per point (n, 3) and movement the least value below `limit`, its row, its unknown flag.

    Writes value (n, M), clipped at `limit`, row (n, M), NaN where clipped, unknown (n, M), and
    gradient (n, M, 3), the direction in the points' frame in which the gap grows.
    """
    n_movements = len(path[0]) - 1
    stack = np.empty(STACK_SIZE, np.int32)
    stack_sq = np.empty(STACK_SIZE)
    begun = np.empty(3)
    for i in range(first, stop):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        begun[0] = np.nan
        for k in range(n_movements):
            f, r, u = _sweep_point(x, y, z, k, limit, tree, path, stack, stack_sq, begun)
            value[i, k] = f
            row[i, k] = r
            unknown[i, k] = u
            if math.isnan(r):
                for d in range(3):
                    gradient[i, k, d] = np.nan
            else:
                _gradient(x, y, z, r, tree, path, stack, stack_sq, gradient[i, k])


@shared_kernel(least=4)
def swept_depth(first, stop, points, directions, target, most, tree, path, depth, settled):
    """Write the least t >= 0 at which point + t * direction has no value below `target`.

    For one pose the first root after t is reached by safe steps; the pose is then replaced by the
    worst one at the new t. t never passes the answer. Writes depth (n,), at most `most`, and
    settled (n,), False where `most` or the step count ended the search.
    """
    n_movements = len(path[0]) - 1
    tolerance = 1e-5
    stack = np.empty(STACK_SIZE, np.int32)
    stack_sq = np.empty(STACK_SIZE)
    begun = np.empty(3)
    for i in range(first, stop):
        t = 0.0
        done = False
        for _ in range(80):
            x = points[i, 0] + t * directions[i, 0]
            y = points[i, 1] + t * directions[i, 1]
            z = points[i, 2] + t * directions[i, 2]
            worst = target - tolerance
            where = np.nan
            begun[0] = np.nan
            for k in range(n_movements):
                f, r, _ = _sweep_point(x, y, z, k, worst, tree, path, stack, stack_sq, begun)
                if f < worst:
                    worst, where = f, r
            if math.isnan(where):
                done = True
                break
            slot = NO_SLOT
            for _ in range(200):
                t += max(target - worst, 1e-6)
                if t >= most:
                    break
                worst, slot, opened, _, _, _ = _value(
                    points[i, 0] + t * directions[i, 0],
                    points[i, 1] + t * directions[i, 1],
                    points[i, 2] + t * directions[i, 2],
                    where,
                    slot,
                    tree,
                    path,
                    stack,
                    stack_sq,
                )
                if worst >= target - 0.5 * tolerance or opened:
                    break
            if t >= most:
                t = most
                break
        depth[i] = t
        settled[i] = done


@inner_kernel
def _at(corner, b1, b2, row, slot, tree, path, stack, stack_sq):
    """Return value, slot and unknown at barycentric (1 - b1 - b2, b1, b2) of a facet (3, 3)."""
    b0 = 1.0 - b1 - b2
    f, s, opened, _, _, _ = _value(
        b0 * corner[0, 0] + b1 * corner[1, 0] + b2 * corner[2, 0],
        b0 * corner[0, 1] + b1 * corner[1, 1] + b2 * corner[2, 1],
        b0 * corner[0, 2] + b1 * corner[1, 2] + b2 * corner[2, 2],
        row,
        slot,
        tree,
        path,
        stack,
        stack_sq,
    )
    if opened:
        f = math.inf
    return f, s


@inner_kernel
def _facet_at_row(corner, row, path, frame):
    """Write frame (3, 3): the first corner and both edges from it, in the tree's frame at a row.

    Returns the wanted gap there.
    """
    low = int(row)
    u = row - low
    for k in range(3):
        x, y, z = _place(corner[k, 0], corner[k, 1], corner[k, 2], low, path[1], path[2])
        if u > 0.0:
            ax, ay, az = _place(corner[k, 0], corner[k, 1], corner[k, 2], low + 1, path[1], path[2])
            x, y, z = x + u * (ax - x), y + u * (ay - y), z + u * (az - z)
        frame[k, 0], frame[k, 1], frame[k, 2] = x, y, z
    for k in range(1, 3):
        for d in range(3):
            frame[k, d] -= frame[0, d]
    if u > 0.0:
        return path[3][low] + u * (path[3][low + 1] - path[3][low])
    return path[3][low]


@inner_kernel
def _gap_on_facet(frame, b1, b2, slot, tree, stack, stack_sq):
    """Return gap, its slopes along b1 and b2, and a slot near, at a place of a facet.

    An unknown gap is infinite.
    """
    gap, s, opened, gx, gy, gz = signed_gap(
        frame[0, 0] + b1 * frame[1, 0] + b2 * frame[2, 0],
        frame[0, 1] + b1 * frame[1, 1] + b2 * frame[2, 1],
        frame[0, 2] + b1 * frame[1, 2] + b2 * frame[2, 2],
        REACH_MM,
        slot,
        tree,
        stack,
        stack_sq,
    )
    if opened or s < 0:
        return math.inf, 0.0, 0.0, s
    h = gx * frame[1, 0] + gy * frame[1, 1] + gz * frame[1, 2]
    g = gx * frame[2, 0] + gy * frame[2, 1] + gz * frame[2, 2]
    return gap, h, g, s


@inner_kernel
def _line_minimum(frame, b1, start, low, high, size, slot, tree, stack, stack_sq):
    """Return the least gap over b2 in [low, high] at fixed b1: gap, b2, bound, slope, slot.

    Searched by tangents down from `start`. The bound lies below the gap; the slope is the one
    along b1 of the tangents that give it, so bound and slope are a tangent of the least gap as a
    function of b1.
    """
    f, ha, ga, slot = _gap_on_facet(frame, b1, start, slot, tree, stack, stack_sq)
    best, where = f, start
    sense = 1.0 if ga < 0.0 else -1.0
    ga *= sense
    ta, fa = 0.0, f
    tb = high - start if sense > 0.0 else start - low
    # The end of a line that ends on the third edge moves with b1.
    moves = 1.0 if sense > 0.0 and high >= 1.0 - b1 else 0.0
    if ga == 0.0 or f == math.inf:
        return best, where, f, ha, slot
    if tb <= 0.0:
        return best, where, f, ha - moves * ga, slot
    t = tb
    fb = gb = hb = math.inf
    bound, slope = f, ha
    for turn in range(MOST_TANGENTS):
        f, h, g, s = _gap_on_facet(frame, b1, start + sense * t, slot, tree, stack, stack_sq)
        g *= sense
        if s >= 0:
            slot = s
        if f < best:
            best, where = f, start + sense * t
        if g < 0.0 and f <= fa:
            if turn == 0:
                return best, where, f, h - moves * g, slot
            ta, fa, ga, ha = t, f, g, h
        else:
            tb, fb, gb, hb = t, f, (math.inf if g < 0.0 or f == math.inf else g), h
        if gb == math.inf:
            t, bound, slope = 0.5 * (ta + tb), -math.inf, ha
        else:
            t, bound = _meeting(ta, fa, ga, tb, fb, gb)
            share = gb / (gb - ga)
            slope = share * ha + (1.0 - share) * hb
        if best - bound < TANGENT_MM or (tb - ta) * size < PLACE_MM:
            break
    return best, where, min(best, max(bound, best - TANGENT_MM)), slope, slot


@inner_kernel
def _facet_minimum(frame, b1, b2, width, size, slot, tree, stack, stack_sq):
    """Return the least gap near (b1, b2) of a facet in the tree's frame, and where.

    Lines by tangents, and by the tangents of the lines' least gaps across them: exact to twice
    TANGENT_MM where the distance is convex near the start, as it is in front of a convex part of
    the surface. Where it is concave the grid's own places hold the minimum.
    """
    low, high = max(0.0, b2 - 2.0 * width), b2 + 2.0 * width
    best, best2, fa, ga, slot = _line_minimum(
        frame, b1, b2, low, min(high, 1.0 - b1), size, slot, tree, stack, stack_sq
    )
    best1 = b1
    sense = 1.0 if ga < 0.0 else -1.0
    ga *= sense
    ta = 0.0
    tb = min(width, 1.0 - low - b1) if sense > 0.0 else min(width, b1)
    if ga == 0.0 or best == math.inf or tb <= 0.0:
        return best, best1, best2
    t = tb
    fb = gb = bound = math.inf
    e2 = best2
    for turn in range(MOST_TANGENTS):
        e1 = b1 + sense * t
        top = max(low, min(high, 1.0 - e1))
        e2 = min(max(e2, low), top)
        f, e2, m, g, s = _line_minimum(frame, e1, e2, low, top, size, slot, tree, stack, stack_sq)
        g *= sense
        if s >= 0:
            slot = s
        if f < best:
            best, best1, best2 = f, e1, e2
        if g < 0.0 and m <= fa:
            if turn == 0:
                break
            ta, fa, ga = t, m, g
        else:
            tb, fb, gb = t, m, (math.inf if g < 0.0 or f == math.inf else g)
        if gb == math.inf:
            t, bound = 0.5 * (ta + tb), -math.inf
        else:
            t, bound = _meeting(ta, fa, ga, tb, fb, gb)
        if best - bound < 2.0 * TANGENT_MM or (tb - ta) * size < PLACE_MM:
            break
    return best, best1, best2


@inner_kernel
def _facet_samples(corner, n, centre_value, best, row, slot, tree, path, stack, stack_sq):
    """Return the least value over a grid of n intervals a side, and its b1, b2, at one row."""
    least = math.inf
    at1 = at2 = 1.0 / 3.0
    for i in range(n + 1):
        for j in range(n + 1 - i):
            b1 = i / n
            b2 = j / n
            b0 = 1.0 - b1 - b2
            far = 0.0
            for k in range(3):
                middle = (corner[0, k] + corner[1, k] + corner[2, k]) / 3.0
                x = b0 * corner[0, k] + b1 * corner[1, k] + b2 * corner[2, k]
                far += (x - middle) ** 2
            if centre_value - math.sqrt(far) > min(best, least):
                continue
            f, slot = _at(corner, b1, b2, row, slot, tree, path, stack, stack_sq)
            if f < least:
                least, at1, at2 = f, b1, b2
    return least, at1, at2


@inner_kernel
def _hidden(corner, b1, b2, width, value, row, slot, tree, path, stack, stack_sq):
    """Return how far the least value beside a place may lie below it, at most GRID_HIDES_MM.

    Where the distance is convex its fall on one side is no larger than its rise on the other.
    """
    rise = 0.0
    for k in range(6):
        d1 = width if k in (0, 1) else (-width if k in (3, 4) else 0.0)
        d2 = width if k in (2, 3) else (-width if k in (0, 5) else 0.0)
        e1, e2 = b1 + d1, b2 + d2
        if e1 < 0.0 or e2 < 0.0 or e1 + e2 > 1.0:
            continue
        f, slot = _at(corner, e1, e2, row, slot, tree, path, stack, stack_sq)
        if f - value > rise:
            rise = f - value
        elif f < value:
            return GRID_HIDES_MM
    return min(rise, GRID_HIDES_MM)


@inner_kernel
def _facet_between(
    corner, b1, b2, width, size, low, high, promising, slot, tree, path, stack, stack_sq, frame
):
    """Return the least value of a facet between two rows, with row, b1, b2.

    In turn the best row for a place and the best place for a row. A facet that slides past shows
    the surface the same strip again, so few turns reach the minimum that grid and rows bracket.
    """
    best = math.inf
    row, best1, best2 = low, b1, b2
    for _ in range(4):
        b0 = 1.0 - best1 - best2
        f, r = _refine(
            b0 * corner[0, 0] + best1 * corner[1, 0] + best2 * corner[2, 0],
            b0 * corner[0, 1] + best1 * corner[1, 1] + best2 * corner[2, 1],
            b0 * corner[0, 2] + best1 * corner[1, 2] + best2 * corner[2, 2],
            row,
            low,
            high,
            slot,
            tree,
            path,
            stack,
            stack_sq,
        )
        if f < best:
            best, row = f, r
        hidden = _hidden(corner, best1, best2, width, best, row, slot, tree, path, stack, stack_sq)
        if best - hidden > promising:
            break
        wanted = _facet_at_row(corner, row, path, frame)
        gap, e1, e2 = _facet_minimum(frame, best1, best2, width, size, slot, tree, stack, stack_sq)
        f = gap - wanted
        gain = best - f
        if gain > 0.0:
            best, best1, best2 = f, e1, e2
        if gain < 5e-5 or high == low:
            break
    return best, row, best1, best2


@inner_kernel
def _read_corners(corner, row, slot, tree, path, stack, stack_sq, out):
    """Write out (3, 8) per corner: value, wanted, place (3), gradient (3); return a slot."""
    for k in range(3):
        f, new_slot, opened, gx, gy, gz = _value(
            corner[k, 0], corner[k, 1], corner[k, 2], float(row), slot, tree, path, stack, stack_sq
        )
        if new_slot >= 0:
            slot = new_slot
        out[k, 0] = f
        out[k, 1] = path[3][row]
        out[k, 2], out[k, 3], out[k, 4] = _place(
            corner[k, 0], corner[k, 1], corner[k, 2], row, path[1], path[2]
        )
        out[k, 5], out[k, 6], out[k, 7] = gx, gy, gz
        if opened or new_slot < 0:
            out[k, 5] = np.nan
    return slot


@inner_kernel
def _prism_bound(a, b):
    """Return a bound from below of a facet's value between two rows, from its corners' tangents.

    A convex function lies above its tangent planes and above their mean; a concave one has its
    minimum at a corner. Planes are linear over the prism of facet times rows, so their least value
    is at one of its six corners. What stands above one plane and below another is neither convex
    nor concave: the lesser of both is taken off.
    """
    best_single = -math.inf
    mean = np.empty(6)
    for j in range(6):
        mean[j] = 0.0
    n = 0
    above = below = 0.0
    for i in range(6):
        own = a[i] if i < 3 else b[i - 3]
        if math.isnan(own[5]):
            continue
        n += 1
        low = math.inf
        for j in range(6):
            at = a[j] if j < 3 else b[j - 3]
            plane = own[0] + own[1] - at[1]
            for d in range(3):
                plane += own[5 + d] * (at[2 + d] - own[2 + d])
            mean[j] += plane
            low = min(low, plane)
            if not math.isnan(at[5]):
                above = max(above, at[0] - plane)
                below = max(below, plane - at[0])
        best_single = max(best_single, low)
    if n == 0:
        return math.inf
    least = mean[0]
    for j in range(1, 6):
        least = min(least, mean[j])
    return max(best_single, least / n) - min(above, below)


@inner_kernel
def _sweep_facet(corner, movement, limit, spacing, tree, path, stack, stack_sq, waiting):
    """Return the least value below `limit` of a facet (3, 3) over a movement, with row, b1, b2.

    Intervals of rows are passed over by the centre's safe steps, then by the tangents' bound; the
    rest, lowest bound first, is searched from the lowest place of a grid at each end. `waiting`
    (N, 5) is scratch: bound, value and row of what waits, and by row the grid's lowest place.
    """
    first = path[0][movement]
    last = path[0][movement + 1] - 1
    x = (corner[0, 0] + corner[1, 0] + corner[2, 0]) / 3.0
    y = (corner[0, 1] + corner[1, 1] + corner[2, 1]) / 3.0
    z = (corner[0, 2] + corner[1, 2] + corner[2, 2]) / 3.0
    radius = 0.0
    size = 0.0
    for k in range(3):
        d = corner[k]
        e = corner[(k + 1) % 3]
        radius = max(radius, math.sqrt((d[0] - x) ** 2 + (d[1] - y) ** 2 + (d[2] - z) ** 2))
        size = max(size, math.sqrt((d[0] - e[0]) ** 2 + (d[1] - e[1]) ** 2 + (d[2] - e[2]) ** 2))
    n = min(12, max(2, math.ceil(size / spacing)))
    width = 1.0 / n
    best = limit
    where = best1 = best2 = np.nan
    slot = NO_SLOT
    row = first
    here = np.empty((3, 8))
    there = np.empty((3, 8))
    frame = np.empty((3, 3))
    is_read = False
    n_waiting = 0
    while True:
        if not is_read:
            room = _lower(x, y, z, row, tree, path) - radius - best
            ahead = _passed(row, last, room, path[4])
            if ahead == last and room > 0.0:
                break
            if ahead > row:
                row = ahead
                continue
        value, new_slot, _, _, _, _ = _value(x, y, z, float(row), slot, tree, path, stack, stack_sq)
        if new_slot >= 0:
            slot = new_slot
        room = value - radius - best
        ahead = _passed(row, last, room, path[4])
        if ahead == last and (room > 0.0 or (row == last and is_read)):
            break
        if ahead > row:
            row = ahead
            is_read = False
            continue
        if not is_read:
            slot = _read_corners(corner, row, slot, tree, path, stack, stack_sq, here)
        after = min(row + 1, last)
        slot = _read_corners(corner, after, slot, tree, path, stack, stack_sq, there)
        bound = _prism_bound(here, there) - DOUBT_PER_MM * size * size
        if bound < best:
            waiting[n_waiting, 0], waiting[n_waiting, 1] = bound, value
            waiting[n_waiting, 2] = row
            waiting[row, 3] = waiting[after, 3] = np.nan
            n_waiting += 1
        if row == last:
            break
        for k in range(3):
            for d in range(8):
                here[k, d] = there[k, d]
        is_read = True
        row += 1
    while True:
        lowest = -1
        for i in range(n_waiting):
            if waiting[i, 0] < best and (lowest < 0 or waiting[i, 0] < waiting[lowest, 0]):
                lowest = i
        if lowest < 0:
            return best, where, best1, best2
        value, row = waiting[lowest, 1], int(waiting[lowest, 2])
        waiting[lowest, 0] = math.inf
        after = min(row + 1, last)
        for at in range(row, after + 1):
            if math.isnan(waiting[at, 3]):
                centre = value - (path[4][at] - path[4][row])
                _, waiting[at, 3], waiting[at, 4] = _facet_samples(
                    corner, n, centre, math.inf, float(at), NO_SLOT, tree, path, stack, stack_sq
                )
            b1, b2 = waiting[at, 3], waiting[at, 4]
            if at > row and b1 == waiting[row, 3] and b2 == waiting[row, 4]:
                # The search from the row before began at the same place.
                continue
            f, r, e1, e2 = _facet_between(
                corner, b1, b2, width, size, float(row), float(after), best, NO_SLOT, tree, path,
                stack, stack_sq, frame,
            )  # fmt: skip
            if f < best:
                best, where, best1, best2 = f, r, e1, e2


@shared_kernel(least=4)
def swept_facets(first, stop, corners, limit, spacing, tree, path, value, row, bary, gradient):
    """Write per facet (n, 3, 3) the least value below `limit` over all movements and where it is.

    Writes value (n,), clipped at `limit`, row (n,), NaN where clipped, bary (n, 3) and
    gradient (n, 3), the direction in the facet's frame in which the gap grows.
    """
    n_movements = len(path[0]) - 1
    stack = np.empty(STACK_SIZE, np.int32)
    stack_sq = np.empty(STACK_SIZE)
    waiting = np.empty((len(path[3]), 5))
    for i in range(first, stop):
        best = limit
        where = b1 = b2 = np.nan
        for k in range(n_movements):
            f, r, e1, e2 = _sweep_facet(
                corners[i], k, best, spacing, tree, path, stack, stack_sq, waiting
            )
            if f < best:
                best, where, b1, b2 = f, r, e1, e2
        value[i] = best
        row[i] = where
        bary[i, 0], bary[i, 1], bary[i, 2] = 1.0 - b1 - b2, b1, b2
        gradient[i, 0] = gradient[i, 1] = gradient[i, 2] = np.nan
        if math.isnan(where):
            continue
        b0 = 1.0 - b1 - b2
        c = corners[i]
        _gradient(
            b0 * c[0, 0] + b1 * c[1, 0] + b2 * c[2, 0],
            b0 * c[0, 1] + b1 * c[1, 1] + b2 * c[2, 1],
            b0 * c[0, 2] + b1 * c[1, 2] + b2 * c[2, 2],
            where,
            tree,
            path,
            stack,
            stack_sq,
            gradient[i],
        )
