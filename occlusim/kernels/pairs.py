"""Distances between two triangles, and columns of one surface above a triangle of another.

Sources: Ericson, Real-Time Collision Detection, 2004, sections 5.1.9 (segments), 5.3.6 (segment
and triangle); Sutherland & Hodgman, Reentrant polygon clipping, 1974.
"""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel
from occlusim.kernels.triangle import closest_on_triangle


@inner_kernel
def segment_distance_sq(p, q, a, b, on_p, on_a):
    """Return the squared distance of segments pq and ab; write the nearest points of each."""
    ux, uy, uz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    vx, vy, vz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    rx, ry, rz = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    uv = ux * vx + uy * vy + uz * vz
    ur = ux * rx + uy * ry + uz * rz
    vr = vx * rx + vy * ry + vz * rz
    s = t = 0.0
    if uu <= 0.0 and vv <= 0.0:
        s = t = 0.0
    elif uu <= 0.0:
        t = min(1.0, max(0.0, vr / vv))
    elif vv <= 0.0:
        s = min(1.0, max(0.0, -ur / uu))
    else:
        size = uu * vv - uv * uv
        if size > 1e-14 * uu * vv:
            s = min(1.0, max(0.0, (uv * vr - ur * vv) / size))
        t = (uv * s + vr) / vv
        if t < 0.0:
            t = 0.0
            s = min(1.0, max(0.0, -ur / uu))
        elif t > 1.0:
            t = 1.0
            s = min(1.0, max(0.0, (uv - ur) / uu))
    total = 0.0
    for d in range(3):
        on_p[d] = p[d] + s * (q[d] - p[d])
        on_a[d] = a[d] + t * (b[d] - a[d])
        total += (on_p[d] - on_a[d]) ** 2
    return total


@inner_kernel
def segment_pierces(p, q, a, b, c, where):
    """Return whether segment pq passes through triangle abc; write where."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    hp = nx * (p[0] - a[0]) + ny * (p[1] - a[1]) + nz * (p[2] - a[2])
    hq = nx * (q[0] - a[0]) + ny * (q[1] - a[1]) + nz * (q[2] - a[2])
    if hp * hq > 0.0 or hp == hq:
        return False
    s = hp / (hp - hq)
    for d in range(3):
        where[d] = p[d] + s * (q[d] - p[d])
    wx, wy, wz = where[0] - a[0], where[1] - a[1], where[2] - a[2]
    size = nx * nx + ny * ny + nz * nz
    beta = ((wy * vz - wz * vy) * nx + (wz * vx - wx * vz) * ny + (wx * vy - wy * vx) * nz) / size
    gamma = ((uy * wz - uz * wy) * nx + (uz * wx - ux * wz) * ny + (ux * wy - uy * wx) * nz) / size
    return beta >= 0.0 and gamma >= 0.0 and beta + gamma <= 1.0


@kernel
def triangle_distance_sq(s, t, work, on_s):
    """Return the squared distance of triangles s and t (3, 3), 0 where they meet.

    Writes the point of s into `on_s` (3,); `work` (2, 3) is scratch.
    """
    best = np.inf
    for i in range(3):
        x, y, z, _ = closest_on_triangle(
            s[i, 0],
            s[i, 1],
            s[i, 2],
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
        d = (s[i, 0] - x) ** 2 + (s[i, 1] - y) ** 2 + (s[i, 2] - z) ** 2
        if d < best:
            best = d
            on_s[0], on_s[1], on_s[2] = s[i, 0], s[i, 1], s[i, 2]
        x, y, z, _ = closest_on_triangle(
            t[i, 0],
            t[i, 1],
            t[i, 2],
            s[0, 0],
            s[0, 1],
            s[0, 2],
            s[1, 0],
            s[1, 1],
            s[1, 2],
            s[2, 0],
            s[2, 1],
            s[2, 2],
        )
        d = (t[i, 0] - x) ** 2 + (t[i, 1] - y) ** 2 + (t[i, 2] - z) ** 2
        if d < best:
            best = d
            on_s[0], on_s[1], on_s[2] = x, y, z
    for i in range(3):
        for j in range(3):
            d = segment_distance_sq(s[i], s[(i + 1) % 3], t[j], t[(j + 1) % 3], work[0], work[1])
            if d < best:
                best = d
                on_s[0], on_s[1], on_s[2] = work[0, 0], work[0, 1], work[0, 2]
    for i in range(3):
        j = (i + 1) % 3
        if segment_pierces(s[i], s[j], t[0], t[1], t[2], work[0]) or segment_pierces(
            t[i], t[j], s[0], s[1], s[2], work[0]
        ):
            on_s[0], on_s[1], on_s[2] = work[0, 0], work[0, 1], work[0, 2]
            return 0.0
    return best


@inner_kernel
def nearest_pair(s, bound_sq, boxes, links, corners, stack, work, t, on_s, on_best):
    """Return the squared distance of triangle s (3, 3) and the tree, `bound_sq` if none is less.

    Writes the nearest point of s into `on_best` (3,); `t` (3, 3), `work` (2, 3), `on_s` (3,) and
    `stack` are scratch. A distance equal to the bound counts only where both are 0.
    """
    low0 = min(s[0, 0], s[1, 0], s[2, 0])
    low1 = min(s[0, 1], s[1, 1], s[2, 1])
    low2 = min(s[0, 2], s[1, 2], s[2, 2])
    high0 = max(s[0, 0], s[1, 0], s[2, 0])
    high1 = max(s[0, 1], s[1, 1], s[2, 1])
    high2 = max(s[0, 2], s[1, 2], s[2, 2])
    best = bound_sq
    found = False
    depth = 1
    stack[0] = 0
    while depth > 0:
        depth -= 1
        node = stack[depth]
        x = max(boxes[node, 0] - high0, low0 - boxes[node, 3], 0.0)
        y = max(boxes[node, 1] - high1, low1 - boxes[node, 4], 0.0)
        z = max(boxes[node, 2] - high2, low2 - boxes[node, 5], 0.0)
        if x * x + y * y + z * z > best:
            continue
        first, count = links[node, 0], links[node, 1]
        if count == 0:
            stack[depth] = first
            stack[depth + 1] = first + 1
            depth += 2
            continue
        for slot in range(first, first + count):
            for k in range(3):
                for d in range(3):
                    t[k, d] = corners[slot, 3 * k + d]
            x = max(min(t[0, 0], t[1, 0], t[2, 0]) - high0, low0 - max(t[0, 0], t[1, 0], t[2, 0]))
            y = max(min(t[0, 1], t[1, 1], t[2, 1]) - high1, low1 - max(t[0, 1], t[1, 1], t[2, 1]))
            z = max(min(t[0, 2], t[1, 2], t[2, 2]) - high2, low2 - max(t[0, 2], t[1, 2], t[2, 2]))
            x, y, z = max(x, 0.0), max(y, 0.0), max(z, 0.0)
            if x * x + y * y + z * z > best:
                continue
            d_sq = triangle_distance_sq(s, t, work, on_s)
            if d_sq < best or (d_sq == 0.0 and not found):
                best = d_sq
                found = True
                on_best[0], on_best[1], on_best[2] = on_s[0], on_s[1], on_s[2]
                if best == 0.0:
                    return 0.0, True
    return best, found


@inner_kernel
def clip_by_triangle(polygon, n, other, cell):
    """Clip a polygon (9, 3), rows x, y, height, by a triangle `cell` (3, 2) turning left.

    Returns the number of corners left; `other` is scratch. The result is in `polygon`.
    """
    for k in range(3):
        j = (k + 1) % 3
        ex, ey = cell[j, 0] - cell[k, 0], cell[j, 1] - cell[k, 1]
        m = 0
        for i in range(n):
            h = (i + 1) % n
            here = ex * (polygon[i, 1] - cell[k, 1]) - ey * (polygon[i, 0] - cell[k, 0])
            following = ex * (polygon[h, 1] - cell[k, 1]) - ey * (polygon[h, 0] - cell[k, 0])
            if here >= 0.0:
                for d in range(3):
                    other[m, d] = polygon[i, d]
                m += 1
            if (here > 0.0 and following < 0.0) or (here < 0.0 and following > 0.0):
                w = here / (here - following)
                for d in range(3):
                    other[m, d] = polygon[i, d] + w * (polygon[h, d] - polygon[i, d])
                m += 1
        n = m
        for i in range(n):
            for d in range(3):
                polygon[i, d] = other[i, d]
        if n < 3:
            return 0
    return n


@inner_kernel
def column_height(s, n, below, above, boxes, links, corners, stack, cell, polygon, other, frame):
    """Return how far the surface in the tree lies above triangle s (3, 3) along n (3,), at most.

    The column of s reaches from `below` under it to `above` over it, mm. Returns the largest
    height and whether the surface covers s once and faces along n everywhere: only then is the
    height a bound on the depth of every point of s. `cell` (3, 2), `polygon` and `other` (9, 3)
    and `frame` (2, 3) are scratch.
    """
    # Two directions across n.
    k = 0
    for d in range(1, 3):
        if abs(n[d]) < abs(n[k]):
            k = d
    u, v = frame[0], frame[1]
    u[0] = u[1] = u[2] = 0.0
    u[k] = 1.0
    along = n[k]
    for d in range(3):
        u[d] -= along * n[d]
    size = math.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
    for d in range(3):
        u[d] /= size
    v[0], v[1], v[2] = (
        n[1] * u[2] - n[2] * u[1],
        n[2] * u[0] - n[0] * u[2],
        n[0] * u[1] - n[1] * u[0],
    )
    h = np.empty(3)
    for i in range(3):
        x, y, z = s[i, 0] - s[0, 0], s[i, 1] - s[0, 1], s[i, 2] - s[0, 2]
        cell[i, 0] = x * u[0] + y * u[1] + z * u[2]
        cell[i, 1] = x * v[0] + y * v[1] + z * v[2]
        h[i] = x * n[0] + y * n[1] + z * n[2]
    twice = cell[1, 0] * cell[2, 1] - cell[1, 1] * cell[2, 0]
    if twice < 0.0:
        cell[1, 0], cell[2, 0] = cell[2, 0], cell[1, 0]
        cell[1, 1], cell[2, 1] = cell[2, 1], cell[1, 1]
        h[1], h[2] = h[2], h[1]
        twice = -twice
    widest = max(
        (cell[1, 0] - cell[0, 0]) ** 2 + (cell[1, 1] - cell[0, 1]) ** 2,
        (cell[2, 0] - cell[0, 0]) ** 2 + (cell[2, 1] - cell[0, 1]) ** 2,
        (cell[2, 0] - cell[1, 0]) ** 2 + (cell[2, 1] - cell[1, 1]) ** 2,
    )
    if not twice > 1e-6 * widest:
        return np.inf, False
    # The plane of s as a height over (u, v).
    gu = (h[1] * cell[2, 1] - h[2] * cell[1, 1]) / twice
    gv = (h[2] * cell[1, 0] - h[1] * cell[2, 0]) / twice
    low = np.empty(3)
    high = np.empty(3)
    for d in range(3):
        smallest = min(s[0, d], s[1, d], s[2, d])
        largest = max(s[0, d], s[1, d], s[2, d])
        low[d] = smallest + min(-below * n[d], above * n[d])
        high[d] = largest + max(-below * n[d], above * n[d])
    covered = 0.0
    top = -np.inf
    depth = 1
    stack[0] = 0
    while depth > 0:
        depth -= 1
        node = stack[depth]
        outside = False
        for d in range(3):
            outside |= boxes[node, d] > high[d] or boxes[node, 3 + d] < low[d]
        if outside:
            continue
        first, count = links[node, 0], links[node, 1]
        if count == 0:
            stack[depth] = first
            stack[depth + 1] = first + 1
            depth += 2
            continue
        for slot in range(first, first + count):
            for i in range(3):
                x = corners[slot, 3 * i] - s[0, 0]
                y = corners[slot, 3 * i + 1] - s[0, 1]
                z = corners[slot, 3 * i + 2] - s[0, 2]
                polygon[i, 0] = x * u[0] + y * u[1] + z * u[2]
                polygon[i, 1] = x * v[0] + y * v[1] + z * v[2]
                polygon[i, 2] = x * n[0] + y * n[1] + z * n[2]
            turn = (polygon[1, 0] - polygon[0, 0]) * (polygon[2, 1] - polygon[0, 1]) - (
                polygon[1, 1] - polygon[0, 1]
            ) * (polygon[2, 0] - polygon[0, 0])
            m = clip_by_triangle(polygon, 3, other, cell)
            if m < 3:
                continue
            lowest = np.inf
            highest = -np.inf
            for i in range(m):
                rise = polygon[i, 2] - gu * polygon[i, 0] - gv * polygon[i, 1]
                lowest, highest = min(lowest, rise), max(highest, rise)
            if lowest > above or highest < -below:
                continue
            part = 0.0
            for i in range(1, m - 1):
                part += (polygon[i, 0] - polygon[0, 0]) * (polygon[i + 1, 1] - polygon[0, 1]) - (
                    polygon[i, 1] - polygon[0, 1]
                ) * (polygon[i + 1, 0] - polygon[0, 0])
            if abs(part) < 1e-12 * twice:
                continue
            if turn <= 0.0:
                return np.inf, False
            covered += abs(part)
            top = max(top, highest)
    return top, abs(covered - twice) <= 1e-7 * twice
