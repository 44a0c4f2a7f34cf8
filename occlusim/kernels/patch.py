"""Quadratic patches over the facets of a scan; `registration.correspondence` says what for."""

import math

from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel

PARTS, PATCH = 2, 27


@shared_kernel(least=1)
def sum_corners(first_turn, stop_turn, vertices, faces, sums):
    """Write, for each part of the faces, the normals (V, 3) that their corners add up to.

    After Max 1999: a corner between edges a and b counts with a x b / (|a|^2 |b|^2).
    """
    n = len(faces)
    for part in range(first_turn, stop_turn):
        out = sums[part]
        for v in range(len(vertices)):
            for d in range(3):
                out[v, d] = 0.0
        for f in range(n * part // PARTS, n * (part + 1) // PARTS):
            i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
            ax, ay, az = vertices[i, 0], vertices[i, 1], vertices[i, 2]
            bx, by, bz = vertices[j, 0], vertices[j, 1], vertices[j, 2]
            cx, cy, cz = vertices[k, 0], vertices[k, 1], vertices[k, 2]
            ux, uy, uz = bx - ax, by - ay, bz - az
            vx, vy, vz = cx - bx, cy - by, cz - bz
            wx, wy, wz = ax - cx, ay - cy, az - cz
            gx, gy, gz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
            uu, vv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz
            ww = wx * wx + wy * wy + wz * wz
            product = uu * vv * ww
            if product > 0.0:
                # The edges that meet in a corner are all but the one across from it.
                scale = 1.0 / product
                at_i, at_j, at_k = vv * scale, ww * scale, uu * scale
                out[i, 0] += at_i * gx
                out[i, 1] += at_i * gy
                out[i, 2] += at_i * gz
                out[j, 0] += at_j * gx
                out[j, 1] += at_j * gy
                out[j, 2] += at_j * gz
                out[k, 0] += at_k * gx
                out[k, 1] += at_k * gy
                out[k, 2] += at_k * gz


@shared_kernel(least=5000)
def unite_normals(first, stop, sums, normals):
    """Write unit vectors (V, 3) along the sums over parts (PARTS, V, 3); zero where they are."""
    for v in range(first, stop):
        x, y, z = sums[0, v, 0], sums[0, v, 1], sums[0, v, 2]
        for part in range(1, PARTS):
            x, y, z = x + sums[part, v, 0], y + sums[part, v, 1], z + sums[part, v, 2]
        size = math.sqrt(x * x + y * y + z * z)
        scale = 1.0 / size if size > 0.0 else 0.0
        normals[v, 0], normals[v, 1], normals[v, 2] = x * scale, y * scale, z * scale


@kernel
def middle_and_reach(vertices, normals, middle):
    """Write the middle (3,) of the vertices (V, 3) that have a normal; return how far they reach.

    That is the largest distance from the middle, mm; vertices of no face have none.
    """
    x = y = z = reach_sq = 0.0
    n = 0
    for v in range(len(vertices)):
        if normals[v, 0] != 0.0 or normals[v, 1] != 0.0 or normals[v, 2] != 0.0:
            x, y, z = x + vertices[v, 0], y + vertices[v, 1], z + vertices[v, 2]
            n += 1
    x, y, z = x / n, y / n, z / n
    for v in range(len(vertices)):
        if normals[v, 0] != 0.0 or normals[v, 1] != 0.0 or normals[v, 2] != 0.0:
            a, b, c = vertices[v, 0] - x, vertices[v, 1] - y, vertices[v, 2] - z
            reach_sq = max(reach_sq, a * a + b * b + c * c)
    middle[0], middle[1], middle[2] = x, y, z
    return math.sqrt(reach_sq)


@inner_kernel
def _edge_lift(ex, ey, ez, ix, iy, iz, jx, jy, jz):
    """Return the vector by which a patch rises over an edge e with normals i and j, a t (1 - t)."""
    mx, my, mz = ix + jx, iy + jy, iz + jz
    along = (mx * ex + my * ey + mz * ez) / (ex * ex + ey * ey + ez * ez)
    mx, my, mz = mx - along * ex, my - along * ey, mz - along * ez
    on_i, on_j = mx * ix + my * iy + mz * iz, mx * jx + my * jy + mz * jz
    rise_i, rise_j = ex * ix + ey * iy + ez * iz, ex * jx + ey * jy + ez * jz
    # m is not of unit length here: its length leaves the slopes and the lift alone.
    height = 0.5 * (rise_j * on_i - rise_i * on_j) / (on_i * on_j)
    return height * mx, height * my, height * mz


@kernel
def lay_patch(corners, slot, face, faces, vertex_normals, least_cosine, is_curved, patch):
    """Write what the patch over a facet follows from (1, PATCH): corners, normals there, lifts.

    Along the edge e from i to j the patch rises by a t (1 - t) along m, the direction halfway
    between the corners' unit normals and across e, with the mean of the slopes that these normals
    ask for: a = (e . n_j / m . n_j - e . n_i / m . n_i) / 2. On an edge only that edge's own term
    is left, so neighbouring patches meet. A facet with a corner whose normal is farther from its
    own than `least_cosine` is laid flat, as all are unless `is_curved`.
    """
    for d in range(9):
        patch[0, d] = corners[slot, d]
    ax, ay, az = corners[slot, 0], corners[slot, 1], corners[slot, 2]
    bx, by, bz = corners[slot, 3], corners[slot, 4], corners[slot, 5]
    cx, cy, cz = corners[slot, 6], corners[slot, 7], corners[slot, 8]
    i, j, k = faces[face, 0], faces[face, 1], faces[face, 2]
    kx, ky, kz = vertex_normals[i, 0], vertex_normals[i, 1], vertex_normals[i, 2]
    mx, my, mz = vertex_normals[j, 0], vertex_normals[j, 1], vertex_normals[j, 2]
    nx, ny, nz = vertex_normals[k, 0], vertex_normals[k, 1], vertex_normals[k, 2]
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - ax, cy - ay, cz - az
    gx, gy, gz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    size = math.sqrt(gx * gx + gy * gy + gz * gz)
    gx, gy, gz = gx / size, gy / size, gz / size
    on_a, on_b = kx * gx + ky * gy + kz * gz, mx * gx + my * gy + mz * gz
    on_c = nx * gx + ny * gy + nz * gz
    if is_curved and on_a > least_cosine and on_b > least_cosine and on_c > least_cosine:
        lift = _edge_lift(ux, uy, uz, kx, ky, kz, mx, my, mz)
        patch[0, 18], patch[0, 19], patch[0, 20] = lift
        lift = _edge_lift(cx - bx, cy - by, cz - bz, mx, my, mz, nx, ny, nz)
        patch[0, 21], patch[0, 22], patch[0, 23] = lift
        lift = _edge_lift(-vx, -vy, -vz, nx, ny, nz, kx, ky, kz)
        patch[0, 24], patch[0, 25], patch[0, 26] = lift
    else:
        kx, ky, kz = mx, my, mz = nx, ny, nz = gx, gy, gz
        for d in range(18, PATCH):
            patch[0, d] = 0.0
    patch[0, 9], patch[0, 10], patch[0, 11] = kx, ky, kz
    patch[0, 12], patch[0, 13], patch[0, 14] = mx, my, mz
    patch[0, 15], patch[0, 16], patch[0, 17] = nx, ny, nz


@kernel
def above_patch(px, py, pz, fx, fy, fz, patches, at):
    """Return a point's distance from a patch over its foot f on the facet, and the patch's normal.

    The distance is along the patch's normal (x, y, z) at the foot. `patches` (n, PATCH) are those
    of `lay_patch`, row `at` is taken.
    """
    ax, ay, az = patches[at, 0], patches[at, 1], patches[at, 2]
    ux, uy, uz = patches[at, 3] - ax, patches[at, 4] - ay, patches[at, 5] - az
    vx, vy, vz = patches[at, 6] - ax, patches[at, 7] - ay, patches[at, 8] - az
    wx, wy, wz = fx - ax, fy - ay, fz - az
    uu, vv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz
    uv = ux * vx + uy * vy + uz * vz
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    per_area_sq = 1.0 / (uu * vv - uv * uv)
    # The foot's barycentric coordinates, not below 0.
    b, c = (vv * wu - uv * wv) * per_area_sq, (uu * wv - uv * wu) * per_area_sq
    a = min(1.0, max(0.0, 1.0 - b - c))
    b, c = min(1.0, max(0.0, b)), min(1.0, max(0.0, c))
    scale = 1.0 / (a + b + c)
    a, b, c = a * scale, b * scale, c * scale
    ab, bc, ca = a * b, b * c, c * a
    x = px - fx - ab * patches[at, 18] - bc * patches[at, 21] - ca * patches[at, 24]
    y = py - fy - ab * patches[at, 19] - bc * patches[at, 22] - ca * patches[at, 25]
    z = pz - fz - ab * patches[at, 20] - bc * patches[at, 23] - ca * patches[at, 26]
    nx = a * patches[at, 9] + b * patches[at, 12] + c * patches[at, 15]
    ny = a * patches[at, 10] + b * patches[at, 13] + c * patches[at, 16]
    nz = a * patches[at, 11] + b * patches[at, 14] + c * patches[at, 17]
    scale = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
    nx, ny, nz = nx * scale, ny * scale, nz * scale
    return nx * x + ny * y + nz * z, nx, ny, nz
