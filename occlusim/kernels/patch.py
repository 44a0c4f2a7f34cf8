"""Quadratic patches over the facets of a scan; `registration.correspondence` says what for."""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE
from occlusim.kernels.closest import carry, closest_after
from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel
from occlusim.kernels.sign import pseudonormal


@kernel
def corner_normals(vertices, faces, normals):
    """Write unit vertex normals (V, 3) weighted after Max 1999; zero at vertices of no area.

    A corner between edges a and b counts with a x b / (|a|^2 |b|^2).
    """
    for v in range(len(normals)):
        for d in range(3):
            normals[v, d] = 0.0
    length_sq, vector = np.empty(3), np.empty(3)
    for f in range(len(faces)):
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        for d in range(3):
            length_sq[d] = 0.0
            a, b = (d + 1) % 3, (d + 2) % 3
            ua, ub = vertices[j, a] - vertices[i, a], vertices[j, b] - vertices[i, b]
            va, vb = vertices[k, a] - vertices[j, a], vertices[k, b] - vertices[j, b]
            vector[d] = ua * vb - ub * va
        for d in range(3):
            u, v, w = vertices[i, d], vertices[j, d], vertices[k, d]
            length_sq[0] += (v - u) * (v - u)
            length_sq[1] += (w - v) * (w - v)
            length_sq[2] += (u - w) * (u - w)
        for corner in range(3):
            product = length_sq[corner] * length_sq[(corner + 2) % 3]
            if product > 0.0:
                for d in range(3):
                    normals[faces[f, corner], d] += vector[d] / product
    for v in range(len(normals)):
        size = 0.0
        for d in range(3):
            size += normals[v, d] * normals[v, d]
        if size > 0.0:
            size = math.sqrt(size)
            for d in range(3):
                normals[v, d] /= size


@kernel
def patch_lift(corner, normal, bary, out):
    """Write the vector (3,), mm, from a facet (3, 3) to its quadratic patch at a place (3,).

    Zero at the corners. Along the edge e from i to j the patch rises by a t (1 - t) along m, the
    direction halfway between the corners' unit normals and across e, with the mean of the slopes
    that these normals ask for: a = (e . n_j / m . n_j - e . n_i / m . n_i) / 2. On an edge only
    that edge's own term is left, so neighbouring patches meet.
    """
    out[0] = out[1] = out[2] = 0.0
    for i in range(3):
        j = (i + 1) % 3
        along = length_sq = 0.0
        for d in range(3):
            e = corner[j, d] - corner[i, d]
            along += (normal[i, d] + normal[j, d]) * e
            length_sq += e * e
        along /= length_sq
        on_i = on_j = 0.0
        for d in range(3):
            e = corner[j, d] - corner[i, d]
            m = normal[i, d] + normal[j, d] - along * e
            on_i += m * normal[i, d]
            on_j += m * normal[j, d]
        rise_i = rise_j = 0.0
        for d in range(3):
            e = corner[j, d] - corner[i, d]
            rise_i += e * normal[i, d]
            rise_j += e * normal[j, d]
        # m is not of unit length here: its length leaves the slopes and the lift alone.
        height = 0.5 * (rise_j / on_j - rise_i / on_i) * bary[i] * bary[j]
        for d in range(3):
            e = corner[j, d] - corner[i, d]
            out[d] += height * (normal[i, d] + normal[j, d] - along * e)


@kernel
def barycentric(corner, foot, out):
    """Write the barycentric coordinates (3,) of a point in a triangle (3, 3), not below 0."""
    uu = uv = vv = wu = wv = 0.0
    for d in range(3):
        u, v = corner[1, d] - corner[0, d], corner[2, d] - corner[0, d]
        w = foot[d] - corner[0, d]
        uu += u * u
        uv += u * v
        vv += v * v
        wu += w * u
        wv += w * v
    area_sq = uu * vv - uv * uv
    out[1] = (vv * wu - uv * wv) / area_sq
    out[2] = (uu * wv - uv * wu) / area_sq
    out[0] = 1.0 - out[1] - out[2]
    total = 0.0
    for k in range(3):
        out[k] = min(1.0, max(0.0, out[k]))
        total += out[k]
    for k in range(3):
        out[k] /= total


@inner_kernel
def patch_distance(point, foot, face, vertices, faces, vertex_normals, least_cosine, is_curved,
                   scratch, normal):  # fmt: skip
    """Return a point's distance from the patch over its foot on a face; write the patch's normal.

    The distance is along the patch's normal (3,) at the foot. A facet with a corner whose normal is
    farther from its own than `least_cosine` is taken as flat, as all are unless `is_curved`.
    `scratch` (8, 3) is written over.
    """
    corner, own, bary, lift = scratch[:3], scratch[3:6], scratch[6], scratch[7]
    for k in range(3):
        v = faces[face, k]
        for d in range(3):
            corner[k, d] = vertices[v, d]
            own[k, d] = vertex_normals[v, d]
    size = 0.0
    for d in range(3):
        a, b = (d + 1) % 3, (d + 2) % 3
        ua, ub = corner[1, a] - corner[0, a], corner[1, b] - corner[0, b]
        va, vb = corner[2, a] - corner[0, a], corner[2, b] - corner[0, b]
        normal[d] = ua * vb - ub * va
        size += normal[d] * normal[d]
    size = math.sqrt(size)
    curved = is_curved
    for d in range(3):
        normal[d] /= size
    for k in range(3):
        cosine = 0.0
        for d in range(3):
            cosine += own[k, d] * normal[d]
        curved = curved and cosine > least_cosine
    total = 0.0
    if not curved:
        for d in range(3):
            total += normal[d] * (point[d] - foot[d])
        return total
    barycentric(corner, foot, bary)
    patch_lift(corner, own, bary, lift)
    size = 0.0
    for d in range(3):
        normal[d] = bary[0] * own[0, d] + bary[1] * own[1, d] + bary[2] * own[2, d]
        size += normal[d] * normal[d]
    size = math.sqrt(size)
    for d in range(3):
        normal[d] /= size
        total += normal[d] * (point[d] - foot[d] - lift[d])
    return total


@shared_kernel(least=500)
def patch_matches(
    first, stop, points, rotation, translation, max_distance_mm, hint, tree, vertices, faces,
    vertex_normals, least_cosine, is_curved, distance, residual, normal, slot,
):  # fmt: skip
    """Write, per point (n, 3), the nearest place of a surface and the distance from its patch.

    `rotation` (3, 3) and `translation` (3,) carry the points into the surface's frame; `tree` is as
    in `closest_batch`; `hint` (n,) is a slot that may be near, or -1. Writes the distance (n,) from
    the facets and its slot (n,), NaN and -1 beyond the reach, and the residual (n,) from the patch
    along its normal (n, 3) in the points' own frame, NaN also where a trimmed edge is nearest.
    """
    stack, stack_sq = np.empty(STACK_SIZE, np.int32), np.empty(STACK_SIZE)
    scratch, point, foot, own = np.empty((8, 3)), np.empty(3), np.empty(3), np.empty(3)
    bound_sq = max_distance_mm * max_distance_mm
    previous = np.int64(-1)
    for p in range(first, stop):
        point[0], point[1], point[2] = carry(points, p, rotation, translation)
        if hint[p] >= 0:
            previous = np.int64(hint[p])
        found = closest_after(
            point[0], point[1], point[2], bound_sq, previous, tree, stack, stack_sq
        )
        slot[p] = found[1]
        distance[p] = residual[p] = np.nan
        for d in range(3):
            normal[p, d] = np.nan
        if found[1] < 0:
            continue
        previous = found[1]
        distance[p] = math.sqrt(found[0])
        face = tree[3][found[1]]
        opened = pseudonormal(face, found[2], tree[4], tree[5], tree[6], tree[7], tree[8], tree[9])[
            3
        ]
        if opened:
            continue
        foot[0], foot[1], foot[2] = found[3], found[4], found[5]
        residual[p] = patch_distance(
            point, foot, face, vertices, faces, vertex_normals, least_cosine, is_curved, scratch,
            own,
        )  # fmt: skip
        for d in range(3):
            normal[p, d] = (
                rotation[0, d] * own[0] + rotation[1, d] * own[1] + rotation[2, d] * own[2]
            )
