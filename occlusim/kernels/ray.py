"""First hit of a ray on a surface's tree.

Boxes by slabs, triangles by Moeller & Trumbore, Fast, minimum storage ray/triangle intersection,
Journal of Graphics Tools 2, 1997, 21-28.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE
from occlusim.kernels.jit import inner_kernel, shared_kernel


@inner_kernel
def _enters(boxes, node, origin, direction, most):
    """Return whether a ray meets a node's box before `most`."""
    low = 0.0
    high = most
    for k in range(3):
        if direction[k] == 0.0:
            if origin[k] < boxes[node, k] or origin[k] > boxes[node, 3 + k]:
                return False
            continue
        inverse = 1.0 / direction[k]
        a = (boxes[node, k] - origin[k]) * inverse
        b = (boxes[node, 3 + k] - origin[k]) * inverse
        if a > b:
            a, b = b, a
        low = max(low, a * (1.0 - 1e-12) - 1e-12)
        high = min(high, b * (1.0 + 1e-12) + 1e-12)
        if low > high:
            return False
    return True


@inner_kernel
def _crosses(corners, slot, origin, direction):
    """Return the ray parameter at which it crosses a triangle, infinity if it does not."""
    ax, ay, az = corners[slot, 0], corners[slot, 1], corners[slot, 2]
    ux, uy, uz = corners[slot, 3] - ax, corners[slot, 4] - ay, corners[slot, 5] - az
    vx, vy, vz = corners[slot, 6] - ax, corners[slot, 7] - ay, corners[slot, 8] - az
    dx, dy, dz = direction[0], direction[1], direction[2]
    px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
    det = ux * px + uy * py + uz * pz
    if det == 0.0:
        return math.inf
    sx, sy, sz = origin[0] - ax, origin[1] - ay, origin[2] - az
    u = (sx * px + sy * py + sz * pz) / det
    if u < -1e-9 or u > 1.0 + 1e-9:
        return math.inf
    qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
    v = (dx * qx + dy * qy + dz * qz) / det
    if v < -1e-9 or u + v > 1.0 + 1e-9:
        return math.inf
    return (vx * qx + vy * qy + vz * qz) / det


@inner_kernel
def first_hit(origin, direction, least, boxes, links, corners, stack):
    """Return the smallest ray parameter above `least` at which it crosses the surface, or inf."""
    best = math.inf
    stack[0] = 0
    depth = 1
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if not _enters(boxes, node, origin, direction, best):
            continue
        first = links[node, 0]
        count = links[node, 1]
        if count == 0:
            stack[depth] = first
            stack[depth + 1] = first + 1
            depth += 2
            continue
        for slot in range(first, first + count):
            t = _crosses(corners, slot, origin, direction)
            if t > least and t < best:
                best = t
    return best


@shared_kernel(least=200)
def first_hits(first, stop, origins, directions, least, boxes, links, corners, length):
    """Write length (n,), the way from origins (n, 3) along unit directions to the surface, mm."""
    stack = np.empty(2 * STACK_SIZE, np.int32)
    for i in range(first, stop):
        length[i] = first_hit(origins[i], directions[i], least, boxes, links, corners, stack)


@shared_kernel(least=20)
def escapes(first, stop, origins, normals, views, least, boxes, links, corners, free):
    """Write free (n,): whether some of the views (k, 3) in front of a face leaves the surface."""
    stack = np.empty(2 * STACK_SIZE, np.int32)
    for i in range(first, stop):
        free[i] = False
        for k in range(len(views)):
            facing = (
                normals[i, 0] * views[k, 0]
                + normals[i, 1] * views[k, 1]
                + normals[i, 2] * views[k, 2]
            )
            if facing < 0.02:
                continue
            if math.isinf(first_hit(origins[i], views[k], least, boxes, links, corners, stack)):
                free[i] = True
                break
