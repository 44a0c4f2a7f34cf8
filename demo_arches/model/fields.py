"""Implicit surfaces of teeth and gingiva, as kernels over arrays.

A tooth is a column (a stack of superellipses along its axis) met smoothly by an occlusal height
field: cusps and ridges are rounded roofs joined by a log-sum-exp, grooves and fossae are smooth
subtractions. Everything is smooth, negative inside, with a gradient near one, so that a Newton
step along the gradient reaches the surface and ``f / |grad f|`` is a distance close to it.
Local coordinates of a tooth are (m, b, w): mesial, buccal or labial, and occlusal; w = 0 is the
level of the tallest buccal cusp or the incisal edge, w = -length the neck.
"""

from __future__ import annotations

import numpy as np

from occlusim.kernels.jit import kernel, parallel_kernel, prange

FAR = 9.0
N_KNOTS = 7
EDGE_RADIUS_MM = 0.4
WIDEST_MM = 0.13
POSE_ROUNDING_MM = 0.02
NEAR_MM = 0.15
KNOTS = np.array([-0.35, 0.0, 0.2, 0.45, 0.75, 1.0, 2.2])


@kernel
def smooth_min(a, b, k):
    """Return the smaller of two numbers, rounded where they differ by less than k."""
    h = k - abs(a - b)
    if h <= 0.0:
        return min(a, b)
    return min(a, b) - h * h / (4.0 * k)


@kernel
def smooth_max(a, b, k):
    """Return the larger of two numbers, rounded where they differ by less than k."""
    h = k - abs(a - b)
    if h <= 0.0:
        return max(a, b)
    return max(a, b) + h * h / (4.0 * k)


@kernel
def _spline(coef, t):
    """Return a cubic spline over the fixed knots; linear beyond them."""
    j = 0
    while j < 5 and t > KNOTS[j + 1]:
        j += 1
    u = t - KNOTS[j]
    c = coef[j]
    if u < 0.0:
        return c[0] + c[1] * u
    last = KNOTS[j + 1] - KNOTS[j]
    if u > last:
        slope = c[1] + last * (2 * c[2] + last * 3 * c[3])
        return c[0] + last * (c[1] + last * (c[2] + last * c[3])) + slope * (u - last)
    return c[0] + u * (c[1] + u * (c[2] + u * c[3]))


@kernel
def _segment(m, b, m1, b1, m2, b2):
    """Return the distance to a segment and the share along it."""
    dm = m2 - m1
    db = b2 - b1
    sq = dm * dm + db * db
    s = 0.0
    if sq > 1e-12:
        s = ((m - m1) * dm + (b - b1) * db) / sq
        s = min(1.0, max(0.0, s))
    qm = m - m1 - s * dm
    qb = b - b1 - s * db
    return np.sqrt(qm * qm + qb * qb), s, qm, qb


@kernel
def occlusal_height(m, b, lobes, grooves, kappa):
    """Return the height of the occlusal surface over (m, b)."""
    top = -1e9
    total = 0.0
    for i in range(len(lobes)):
        lobe = lobes[i]
        if lobe[8] == 0.0:
            break
        r, s, qm, qb = _segment(m, b, lobe[0], lobe[1], lobe[3], lobe[4])
        rho = lobe[7]
        drop = np.sqrt(r * r + rho * rho) - rho
        if lobe[9] != 0.0 and r > 1e-9:
            # four ridges run down from a cusp: cos(4 angle), fading at the tip
            cx = (qm * lobe[10] + qb * lobe[11]) / r
            c2 = 2 * cx * cx - 1
            c4 = 2 * c2 * c2 - 1
            drop *= 1.0 + lobe[9] * 0.5 * (1.0 - c4) * r * r / (r * r + 1.0)
        h = lobe[2] + s * (lobe[5] - lobe[2]) - lobe[6] * drop
        if h > top:
            total = total * np.exp(kappa * (top - h)) + 1.0
            top = h
        else:
            total += np.exp(kappa * (h - top))
    height = top + np.log(total) / kappa
    for i in range(len(grooves)):
        g = grooves[i]
        if g[4] == 0.0:
            break
        r, _s, _qm, _qb = _segment(m, b, g[0], g[1], g[2], g[3])
        x = r / g[5]
        height -= g[4] * np.exp(-x * x)
    return height


@kernel
def occlusal_heights(m, b, lobes, grooves, kappa):
    """Return occlusal heights (n,) over many places."""
    out = np.empty(len(m))
    for i in range(len(m)):
        out[i] = occlusal_height(m[i], b[i], lobes, grooves, kappa)
    return out


@kernel
def tooth_value(m, b, w, spl, lobes, grooves, dents, scalars):
    """Return the field of one tooth at local coordinates.

    Scalars: length, exponent, lingual taper, rounding k, kappa, reach in m and in b.
    """
    length = scalars[0]
    t = -w / length
    half_m = max(_spline(spl[0], t), 0.25)
    labial = _spline(spl[1], t)
    lingual = _spline(spl[2], t)
    half_b = max(0.5 * (labial - lingual), 0.25)
    mid = 0.5 * (labial + lingual)
    y = (b - mid) / half_b
    e = scalars[1]
    half_m = half_m * (1.0 + scalars[2] * min(1.5, max(-1.5, y)))
    x = m / half_m
    r = (np.abs(x) ** e + np.abs(y) ** e) ** (1.0 / e)
    # scale by the local gradient of the superellipse so that the value is near a distance
    column = (
        (r - 1.0)
        * (half_m * half_b)
        / np.sqrt(half_m * half_m * y * y + half_b * half_b * x * x + 1e-3)
        * np.sqrt(x * x + y * y + 1e-3)
    )
    column = min(column, FAR)
    for i in range(len(dents)):
        d = dents[i]
        if d[4] == 0.0:
            break
        gate = 1.0 / (1.0 + np.exp(-4.0 * d[5] * (b - mid) / 1.0))
        u = (m - d[0]) / d[2]
        v = (t - d[1]) / d[3]
        q = u * u + v * v
        if q < 20.0:
            column += d[4] * gate * np.exp(-q)
    if t > 0.75 and column > -0.8:
        return column  # the occlusal surface is too far away to matter
    occlusal = (w - occlusal_height(m, b, lobes, grooves, scalars[4])) * 0.93
    return smooth_max(column, occlusal, scalars[3])


@kernel
def teeth_value(px, py, pz, teeth):
    """Return the field of a row of teeth: the smooth union of those near the point."""
    origin, axes, spl, lobes, grooves, dents, scalars, _gum, _pap = teeth
    value = FAR
    for i in range(len(origin)):
        dx = px - origin[i, 0]
        dy = py - origin[i, 1]
        dz = pz - origin[i, 2]
        a = axes[i]
        w = a[2, 0] * dx + a[2, 1] * dy + a[2, 2] * dz
        mid = w + 0.5 * scalars[i, 0]
        m = a[0, 0] * dx + a[0, 1] * dy + a[0, 2] * dz
        b = a[1, 0] * dx + a[1, 1] * dy + a[1, 2] * dz
        if abs(m) > scalars[i, 5] or abs(b) > scalars[i, 6] or abs(mid) > 11.0:
            continue
        f = tooth_value(m, b, w, spl[i], lobes[i], grooves[i], dents[i], scalars[i])
        value = smooth_min(value, f, 0.12)
    return value


@kernel
def gum_value(px, py, pz, teeth):
    """Return the field of the gingiva: collars around the necks, and papillae between teeth."""
    origin, axes, _spl, _lobes, _grooves, _dents, _scalars, gum, pap = teeth
    value = FAR
    for i in range(len(origin)):
        dx = px - origin[i, 0]
        dy = py - origin[i, 1]
        dz = pz - origin[i, 2]
        a = axes[i]
        m = a[0, 0] * dx + a[0, 1] * dy + a[0, 2] * dz
        b = a[1, 0] * dx + a[1, 1] * dy + a[1, 2] * dz
        w = a[2, 0] * dx + a[2, 1] * dy + a[2, 2] * dz
        if m * m + b * b > 169.0:
            continue
        g = gum[i]
        depth = g[3] - w
        flare = 0.16 * max(depth, -1.5) + 0.9 * (1.0 - np.exp(-max(depth, 0.0) / 2.0))
        x = (m - g[5]) / max(0.3, g[0] + 0.35 * depth)
        y = (b - g[4]) / max(0.3, g[1] + flare)
        r = np.sqrt(np.sqrt(x * x * x * x + y * y * y * y) + 1e-9)
        side = (r - 1.0) * (g[1] + 0.5)
        value = smooth_min(value, smooth_max(min(side, FAR), -depth * 0.9, 0.9), 2.6)
    for i in range(len(pap)):
        p = pap[i]
        dx = px - p[0]
        dy = py - p[1]
        s = p[3] * dx + p[4] * dy
        n = -p[4] * dx + p[3] * dy
        depth = (p[2] - pz) * p[7]
        if depth < -4.0 or s * s + n * n > 80.0:
            continue
        wide = 0.30 + 0.42 * max(depth, -0.4)
        deep = p[5] + 0.55 * max(depth, -0.4)
        r = np.sqrt((s / wide) ** 2 + (n / deep) ** 2 + 1e-6)
        f = smooth_max((r - 1.0) * wide, -depth, 0.8)
        value = smooth_min(value, f, 0.9)
    return value


@kernel
def raw_value(px, py, pz, teeth):
    """Return the field of an arch before wear: teeth and gingiva."""
    value = teeth_value(px, py, pz, teeth)
    pap = teeth[8]
    if len(pap) > 0 and value < 1.2 and (pz - pap[0, 6]) * pap[0, 7] > 0.0:
        return value  # the gingiva is too far below to matter
    return smooth_min(value, gum_value(px, py, pz, teeth), 0.25)


@kernel
def arch_value(px, py, pz, teeth, other, poses, windows):
    """Return the field of an arch, worn by the other arch at every pose (n, 4, 4)."""
    value = raw_value(px, py, pz, teeth)
    if len(poses) == 0 or value > 1.0 or value < -1.5:
        return value
    return cut_value(px, py, pz, value, teeth, other, poses, windows)


@kernel
def group_cut(px, py, pz, other, poses, start, stop, windows):
    """Return the field that a group of poses cuts with: the outside of the other arch's teeth.

    The first three rows of a pose carry a point of this arch into the other one's frame; its last
    row begins with its group. Windows (w, 5) are middle, radius and group: a pose wears only in
    the windows of its group, fading out towards their rims. Group 0 wears everywhere.
    """
    fade = 0.0
    group = poses[start, 3, 0]
    if group != 0.0:
        rim = 2.0
        for j in range(len(windows)):
            t = windows[j]
            if t[4] == group:
                dx, dy, dz = px - t[0], py - t[1], pz - t[2]
                rim = min(rim, np.sqrt(dx * dx + dy * dy + dz * dz) / t[3])
        fade = min(1.0, max(0.0, rim - 0.7) / 0.3)
        fade = fade * fade * (3.0 - 2.0 * fade)
    cut = -FAR
    if fade >= 1.0:
        return cut
    for i in range(start, stop):
        q = poses[i]
        ox = q[0, 0] * px + q[0, 1] * py + q[0, 2] * pz + q[0, 3]
        oy = q[1, 0] * px + q[1, 1] * py + q[1, 2] * pz + q[1, 3]
        oz = q[2, 0] * px + q[2, 1] * py + q[2, 2] * pz + q[2, 3]
        cut = smooth_max(cut, -teeth_value(ox, oy, oz, other), POSE_ROUNDING_MM)
    return cut - fade


@kernel
def _part(px, py, pz, teeth, other, poses, start, stop, windows):
    """Return this arch's teeth (start < 0), or what a group of poses cuts with."""
    if start < 0:
        return teeth_value(px, py, pz, teeth)
    return group_cut(px, py, pz, other, poses, start, stop, windows)


@kernel
def _part_gradient(px, py, pz, teeth, other, poses, start, stop, windows):
    h = 1e-4
    f = _part(px, py, pz, teeth, other, poses, start, stop, windows)
    gx = _part(px + h, py, pz, teeth, other, poses, start, stop, windows) - f
    gy = _part(px, py + h, pz, teeth, other, poses, start, stop, windows) - f
    gz = _part(px, py, pz + h, teeth, other, poses, start, stop, windows) - f
    return gx / h, gy / h, gz / h


@kernel
def rounding_width(ax, ay, az, bx, by, bz):
    """Return the width at which `smooth_max` of two fields has an edge of EDGE_RADIUS_MM.

    With normals at an angle of 2 t the edge's radius is width * cos t / (2 sin^2 t).
    """
    norm = np.sqrt((ax * ax + ay * ay + az * az) * (bx * bx + by * by + bz * bz)) + 1e-12
    cosine = (ax * bx + ay * by + az * bz) / norm
    half = np.sqrt(max(0.5 * (1.0 + cosine), 0.05))
    return min(WIDEST_MM, 0.002 + EDGE_RADIUS_MM * (1.0 - cosine) / half)


@kernel
def cut_value(px, py, pz, value, teeth, other, poses, windows):
    """Return a field cut back by the other arch's teeth, group by group, with rounded edges."""
    known = False
    gx = gy = gz = 0.0
    s0, s1 = -1, 0  # the part that the value is, while its gradient is not known
    i = 0
    while i < len(poses):
        j = i + 1
        while j < len(poses) and poses[j, 3, 0] == poses[i, 3, 0]:
            j += 1
        cut = group_cut(px, py, pz, other, poses, i, j, windows)
        if abs(value - cut) < WIDEST_MM and abs(max(value, cut)) < NEAR_MM:
            if not known:
                gx, gy, gz = _part_gradient(px, py, pz, teeth, other, poses, s0, s1, windows)
                known = True
            cx, cy, cz = _part_gradient(px, py, pz, teeth, other, poses, i, j, windows)
            k = rounding_width(gx, gy, gz, cx, cy, cz)
            t = min(1.0, max(0.0, 0.5 + 0.5 * (cut - value) / k))
            gx, gy, gz = gx + t * (cx - gx), gy + t * (cy - gy), gz + t * (cz - gz)
            value = smooth_max(value, cut, k)
        elif cut > value:
            value, s0, s1, known = cut, i, j, False
        i = j
    return value


@kernel
def _value(x, y, z, teeth, other, poses, windows, what):
    """Return one of the fields; what: 0 arch, 1 teeth only, 2 gum."""
    if what == 0:
        return arch_value(x, y, z, teeth, other, poses, windows)
    if what == 1:
        f = teeth_value(x, y, z, teeth)
        if len(poses) > 0 and -1.5 < f < 1.0:
            f = cut_value(x, y, z, f, teeth, other, poses, windows)
        return f
    return gum_value(x, y, z, teeth)


@parallel_kernel
def rounding_widths(a, b):
    """Return `rounding_width` for gradients a and b (n, 3)."""
    out = np.empty(len(a))
    for i in prange(len(a)):
        out[i] = rounding_width(a[i, 0], a[i, 1], a[i, 2], b[i, 0], b[i, 1], b[i, 2])
    return out


@parallel_kernel
def evaluate(points, teeth, other, poses, windows, what):
    """Return values (n,) and gradients (n, 3) of a field; what: 0 arch, 1 teeth only, 2 gum."""
    n = len(points)
    value = np.empty(n)
    gradient = np.empty((n, 3))
    h = 1e-5
    for i in prange(n):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        f0 = _value(x, y, z, teeth, other, poses, windows, what)
        value[i] = f0
        gradient[i, 0] = (_value(x + h, y, z, teeth, other, poses, windows, what) - f0) / h
        gradient[i, 1] = (_value(x, y + h, z, teeth, other, poses, windows, what) - f0) / h
        gradient[i, 2] = (_value(x, y, z + h, teeth, other, poses, windows, what) - f0) / h
    return value, gradient


@parallel_kernel
def values(points, teeth, other, poses, windows, what):
    """Return values (n,) of a field alone."""
    n = len(points)
    value = np.empty(n)
    for i in prange(n):
        value[i] = _value(
            points[i, 0], points[i, 1], points[i, 2], teeth, other, poses, windows, what
        )
    return value
