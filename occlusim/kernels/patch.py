"""Quadratic patches over the facets of a scan; `registration.correspondence` says what for."""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel


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


@inner_kernel
def _edge_lift(ex, ey, ez, ix, iy, iz, jx, jy, jz, share):
    """Return `share` of the vector by which a patch rises over an edge e with normals i and j."""
    mx, my, mz = ix + jx, iy + jy, iz + jz
    along = (mx * ex + my * ey + mz * ez) / (ex * ex + ey * ey + ez * ez)
    mx, my, mz = mx - along * ex, my - along * ey, mz - along * ez
    on_i, on_j = mx * ix + my * iy + mz * iz, mx * jx + my * jy + mz * jz
    rise_i, rise_j = ex * ix + ey * iy + ez * iz, ex * jx + ey * jy + ez * jz
    # m is not of unit length here: its length leaves the slopes and the lift alone.
    height = 0.5 * share * (rise_j * on_i - rise_i * on_j) / (on_i * on_j)
    return height * mx, height * my, height * mz


@kernel
def patch_lift(
    ax, ay, az, bx, by, bz, cx, cy, cz, kx, ky, kz, mx, my, mz, nx, ny, nz, of_a, of_b, of_c
):  # fmt: skip
    """Return the vector (x, y, z), mm, from a facet to its quadratic patch at a place.

    Of the facet a b c with unit normals k m n at its corners, at barycentric coordinates. Zero at
    the corners. Along the edge e from i to j the patch rises by a t (1 - t) along m, the
    direction halfway between the corners' unit normals and across e, with the mean of the slopes
    that these normals ask for: a = (e . n_j / m . n_j - e . n_i / m . n_i) / 2. On an edge only
    that edge's own term is left, so neighbouring patches meet.
    """
    x, y, z = _edge_lift(bx - ax, by - ay, bz - az, kx, ky, kz, mx, my, mz, of_a * of_b)
    p, q, r = _edge_lift(cx - bx, cy - by, cz - bz, mx, my, mz, nx, ny, nz, of_b * of_c)
    u, v, w = _edge_lift(ax - cx, ay - cy, az - cz, nx, ny, nz, kx, ky, kz, of_c * of_a)
    return x + p + u, y + q + v, z + r + w


@kernel
def barycentric(ux, uy, uz, vx, vy, vz, wx, wy, wz):
    """Return the barycentric coordinates, not below 0, of a point in a triangle.

    u and v are its edges from the first corner, w leads from there to the point.
    """
    uu, uv, vv = (
        ux * ux + uy * uy + uz * uz,
        ux * vx + uy * vy + uz * vz,
        vx * vx + vy * vy + vz * vz,
    )
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    area_sq = uu * vv - uv * uv
    b = (vv * wu - uv * wv) / area_sq
    c = (uu * wv - uv * wu) / area_sq
    a = min(1.0, max(0.0, 1.0 - b - c))
    b, c = min(1.0, max(0.0, b)), min(1.0, max(0.0, c))
    total = a + b + c
    return a / total, b / total, c / total


@inner_kernel
def patch_distance(px, py, pz, fx, fy, fz, face, vertices, faces, vertex_normals, least_cosine,
                   is_curved):  # fmt: skip
    """Return a point's distance from the patch over its foot f on a face, and the patch's normal.

    The distance is along the patch's normal (x, y, z) at the foot. A facet with a corner whose
    normal is farther from its own than `least_cosine` is taken as flat, as all are unless
    `is_curved`.
    """
    i, j, k = faces[face, 0], faces[face, 1], faces[face, 2]
    ax, ay, az = vertices[i, 0], vertices[i, 1], vertices[i, 2]
    bx, by, bz = vertices[j, 0], vertices[j, 1], vertices[j, 2]
    cx, cy, cz = vertices[k, 0], vertices[k, 1], vertices[k, 2]
    kx, ky, kz = vertex_normals[i, 0], vertex_normals[i, 1], vertex_normals[i, 2]
    mx, my, mz = vertex_normals[j, 0], vertex_normals[j, 1], vertex_normals[j, 2]
    nx, ny, nz = vertex_normals[k, 0], vertex_normals[k, 1], vertex_normals[k, 2]
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - ax, cy - ay, cz - az
    gx, gy, gz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    size = math.sqrt(gx * gx + gy * gy + gz * gz)
    gx, gy, gz = gx / size, gy / size, gz / size
    cosine = min(
        min(kx * gx + ky * gy + kz * gz, mx * gx + my * gy + mz * gz), nx * gx + ny * gy + nz * gz
    )
    dx, dy, dz = px - fx, py - fy, pz - fz
    if not (is_curved and cosine > least_cosine):
        return gx * dx + gy * dy + gz * dz, gx, gy, gz
    a, b, c = barycentric(ux, uy, uz, vx, vy, vz, fx - ax, fy - ay, fz - az)
    x, y, z = patch_lift(
        ax, ay, az, bx, by, bz, cx, cy, cz, kx, ky, kz, mx, my, mz, nx, ny, nz, a, b, c
    )  # fmt: skip
    gx, gy, gz = a * kx + b * mx + c * nx, a * ky + b * my + c * ny, a * kz + b * mz + c * nz
    size = math.sqrt(gx * gx + gy * gy + gz * gz)
    gx, gy, gz = gx / size, gy / size, gz / size
    return gx * (dx - x) + gy * (dy - y) + gz * (dz - z), gx, gy, gz
