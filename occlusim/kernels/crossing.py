"""Faces of a mesh that pass through one another.

Two triangles cross where an edge of one passes through the other. Pairs that share
a corner are left out: neighbours touch by right.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE
from occlusim.kernels.jit import inner_kernel, shared_kernel

# An end nearer than this to the other triangle's plane lies in it.
CLEAR_MM = 1e-7


@inner_kernel
def _volume(a, b, c, d):
    """Return six times the signed volume of the tetrahedron abcd, mm3."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    wx, wy, wz = d[0] - a[0], d[1] - a[1], d[2] - a[2]
    return ux * (vy * wz - vz * wy) - uy * (vx * wz - vz * wx) + uz * (vx * wy - vy * wx)


@inner_kernel
def _pierces(p, q, a, b, c):
    """Return whether the segment pq passes through triangle abc, its border included."""
    before = _volume(p, a, b, c)
    after = _volume(q, a, b, c)
    x = (b[1] - a[1]) * (c[2] - a[2]) - (b[2] - a[2]) * (c[1] - a[1])
    y = (b[2] - a[2]) * (c[0] - a[0]) - (b[0] - a[0]) * (c[2] - a[2])
    z = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    least = CLEAR_MM * math.sqrt(x * x + y * y + z * z)
    if before * after >= 0.0 or abs(before) < least or abs(after) < least:
        return False
    u = _volume(p, q, a, b)
    v = _volume(p, q, b, c)
    w = _volume(p, q, c, a)
    if u == 0.0 and v == 0.0 and w == 0.0:
        return False
    return (u >= 0.0 and v >= 0.0 and w >= 0.0) or (u <= 0.0 and v <= 0.0 and w <= 0.0)


@shared_kernel(least=50)
def crossing_partner(first, stop, vertices, faces, wanted, boxes, links, slot_face, partner):
    """Write, per wanted face (n,), a face that crosses it, or -1: partner (n,)."""
    stack = np.empty(2 * STACK_SIZE, np.int32)
    low = np.empty(3)
    high = np.empty(3)
    for i in range(first, stop):
        f = wanted[i]
        for d in range(3):
            a, b, c = (
                vertices[faces[f, 0], d],
                vertices[faces[f, 1], d],
                vertices[faces[f, 2], d],
            )
            low[d] = min(a, b, c)
            high[d] = max(a, b, c)
        partner[i] = -1
        stack[0] = 0
        depth = 1
        while depth > 0 and partner[i] < 0:
            depth -= 1
            node = stack[depth]
            apart = False
            for d in range(3):
                if boxes[node, d] > high[d] or boxes[node, 3 + d] < low[d]:
                    apart = True
            if apart:
                continue
            child = links[node, 0]
            count = links[node, 1]
            if count == 0:
                stack[depth] = child
                stack[depth + 1] = child + 1
                depth += 2
                continue
            for slot in range(child, child + count):
                g = slot_face[slot]
                shared = False
                for j in range(3):
                    for k in range(3):
                        if faces[f, j] == faces[g, k]:
                            shared = True
                if shared:
                    continue
                for j in range(6):
                    one, two = (f, g) if j < 3 else (g, f)
                    if _pierces(
                        vertices[faces[one, j % 3]],
                        vertices[faces[one, (j + 1) % 3]],
                        vertices[faces[two, 0]],
                        vertices[faces[two, 1]],
                        vertices[faces[two, 2]],
                    ):
                        partner[i] = g
                        break
                if partner[i] >= 0:
                    break
