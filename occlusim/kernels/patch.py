"""Quadratic patches over the facets of a scan; `registration.correspondence` says what for."""

import math

import numpy as np

from occlusim.kernels.jit import kernel, shared_kernel


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


@shared_kernel(least=1000)
def patch_distances(
    first, stop, points, foot, face, vertices, faces, vertex_normals, least_cosine, is_curved,
    distance, normal,
):  # fmt: skip
    """Write, per point (n, 3) over its foot on a face, the distance from the patch and its normal.

    Distances are along the patch's normal (n, 3) at the foot. A facet with a corner whose normal
    is farther from its own than `least_cosine` is taken as flat, as all are unless `is_curved`.
    """
    corner, own = np.empty((3, 3)), np.empty((3, 3))
    bary, lift = np.empty(3), np.empty(3)
    for p in range(first, stop):
        for k in range(3):
            v = faces[face[p], k]
            for d in range(3):
                corner[k, d] = vertices[v, d]
                own[k, d] = vertex_normals[v, d]
        size = 0.0
        for d in range(3):
            a, b = (d + 1) % 3, (d + 2) % 3
            ua, ub = corner[1, a] - corner[0, a], corner[1, b] - corner[0, b]
            va, vb = corner[2, a] - corner[0, a], corner[2, b] - corner[0, b]
            normal[p, d] = ua * vb - ub * va
            size += normal[p, d] * normal[p, d]
        size = math.sqrt(size)
        curved = is_curved
        for d in range(3):
            normal[p, d] /= size
        for k in range(3):
            cosine = 0.0
            for d in range(3):
                cosine += own[k, d] * normal[p, d]
            curved = curved and cosine > least_cosine
        total = 0.0
        if not curved:
            for d in range(3):
                total += normal[p, d] * (points[p, d] - foot[p, d])
            distance[p] = total
            continue
        barycentric(corner, foot[p], bary)
        patch_lift(corner, own, bary, lift)
        size = 0.0
        for d in range(3):
            normal[p, d] = bary[0] * own[0, d] + bary[1] * own[1, d] + bary[2] * own[2, d]
            size += normal[p, d] * normal[p, d]
        size = math.sqrt(size)
        for d in range(3):
            normal[p, d] /= size
            total += normal[p, d] * (points[p, d] - foot[p, d] - lift[d])
        distance[p] = total
