"""Closest point of a triangle, and which of its seven features holds it.

Features are numbered 0 face; 1, 2, 3 edge ab, bc, ca; 4, 5, 6 vertex a, b, c.
Source: Ericson, Real-Time Collision Detection, 2004, section 5.1.5.
"""

from occlusim.kernels.jit import kernel


@kernel
def closest_on_triangle(px, py, pz, ax, ay, az, bx, by, bz, cx, cy, cz):
    """Return the closest point (x, y, z) of triangle abc to p, and its feature.

    The triangle must have area: one without is not in the tree (see `occlusim.kernels.bvh`).
    """
    abx, aby, abz = bx - ax, by - ay, bz - az
    acx, acy, acz = cx - ax, cy - ay, cz - az
    apx, apy, apz = px - ax, py - ay, pz - az
    d1 = abx * apx + aby * apy + abz * apz
    d2 = acx * apx + acy * apy + acz * apz
    if d1 <= 0.0 and d2 <= 0.0:
        return ax, ay, az, 4
    bpx, bpy, bpz = px - bx, py - by, pz - bz
    d3 = abx * bpx + aby * bpy + abz * bpz
    d4 = acx * bpx + acy * bpy + acz * bpz
    if d3 >= 0.0 and d4 <= d3:
        return bx, by, bz, 5
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        v = d1 / (d1 - d3)
        return ax + v * abx, ay + v * aby, az + v * abz, 1
    cpx, cpy, cpz = px - cx, py - cy, pz - cz
    d5 = abx * cpx + aby * cpy + abz * cpz
    d6 = acx * cpx + acy * cpy + acz * cpz
    if d6 >= 0.0 and d5 <= d6:
        return cx, cy, cz, 6
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        w = d2 / (d2 - d6)
        return ax + w * acx, ay + w * acy, az + w * acz, 3
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        w = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        return bx + w * (cx - bx), by + w * (cy - by), bz + w * (cz - bz), 2
    inverse = 1.0 / (va + vb + vc)
    # Clamped: rounding must not carry the answer off a sliver.
    v = min(1.0, max(0.0, vb * inverse))
    w = min(1.0 - v, max(0.0, vc * inverse))
    return ax + abx * v + acx * w, ay + aby * v + acy * w, az + abz * v + acz * w, 0
