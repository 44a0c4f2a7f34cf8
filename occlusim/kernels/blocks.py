"""Filling blocks of a distance grid from triangles, tile by tile, and reading the blocks back.

A block is 8 cells a side and owns 9 nodes a side, so that a cell never needs two blocks. A tile
is 4 blocks a side; each tile is filled in a buffer of its own, so the result does not depend on
threads. Inside, lengths are counted in voxels from the tile's corner.
"""

import math

import numpy as np

from occlusim.kernels.jit import kernel, parallel_kernel, prange

ROUNDING_MM = 1e-6  # of values held in float32
CELLS = 8
NODES = 9
TILE_BLOCKS = 4
TILE_NODES = CELLS * TILE_BLOCKS + 1
FAR = np.float32(1e9)
SLACK = 1e-4


@kernel
def _fill_face(
    near,
    is_open,
    corner_at,
    box,
    slope,
    k,
    feature_normal,
    feature_open,
    plane,
    band,
):
    """Lower `near` (signed, voxels) at the nodes of one triangle's prism.

    `corner_at` (3, 3) and `box` (6,) are in voxels from the tile; `feature_normal` (7, 3) and
    `feature_open` (7,) belong to the seven features; `plane` is zero for a face without a
    trustworthy normal of its own.
    """
    u, v = (k + 1) % 3, (k + 2) % 3
    stride = (TILE_NODES * TILE_NODES, TILE_NODES, 1)
    su, sv, sk = stride[u], stride[v], stride[k]
    au, av, ak = corner_at[0, u], corner_at[0, v], corner_at[0, k]
    bu, bv, bk = corner_at[1, u], corner_at[1, v], corner_at[1, k]
    cu, cv, ck = corner_at[2, u], corner_at[2, v], corner_at[2, k]
    abu, abv, abk = bu - au, bv - av, bk - ak
    acu, acv, ack = cu - au, cv - av, ck - ak
    ab_sq = abu * abu + abv * abv + abk * abk
    ac_sq = acu * acu + acv * acv + ack * ack
    ab_ac = abu * acu + abv * acv + abk * ack
    nu, nv, nk = plane[u], plane[v], plane[k]
    has_plane = nu != 0.0 or nv != 0.0 or nk != 0.0
    last = TILE_NODES - 1.0
    low_u, high_u = max(0.0, box[u]), min(last, box[3 + u])
    low_v, high_v = max(0.0, box[v]), min(last, box[3 + v])
    first_k = math.ceil(max(0.0, box[k] - SLACK))
    last_k = math.floor(min(last, box[3 + k] + SLACK))
    for node_k in range(first_k, last_k + 1):
        ul = vl = np.inf
        uh = vh = -np.inf
        for j in range(3):
            step = node_k - corner_at[j, k]
            p, q = step * slope[j, 0], step * slope[j, 1]
            ul = min(ul, corner_at[j, u] + min(p, q))
            uh = max(uh, corner_at[j, u] + max(p, q))
            p, q = step * slope[j, 2], step * slope[j, 3]
            vl = min(vl, corner_at[j, v] + min(p, q))
            vh = max(vh, corner_at[j, v] + max(p, q))
        first_u = math.ceil(max(ul, low_u) - SLACK)
        last_u = math.floor(min(uh, high_u) + SLACK)
        first_v = math.ceil(max(vl, low_v) - SLACK)
        last_v = math.floor(min(vh, high_v) + SLACK)
        z = node_k - ak
        for node_v in range(first_v, last_v + 1):
            y = node_v - av
            height_yz = nv * y + nk * z
            e1 = abv * y + abk * z
            e2 = acv * y + ack * z
            row = node_k * sk + node_v * sv
            for node_u in range(first_u, last_u + 1):
                x = node_u - au
                place = row + node_u * su
                bound = min(float(abs(near[place])), band)
                height = height_yz + nu * x
                if abs(height) >= bound:
                    continue
                d1 = e1 + abu * x
                d2 = e2 + acu * x
                d3 = d1 - ab_sq
                d4 = d2 - ab_ac
                d5 = d1 - ab_ac
                d6 = d2 - ac_sq
                vc = d1 * d4 - d3 * d2
                vb = d5 * d2 - d1 * d6
                va = d3 * d6 - d5 * d4
                if va > 0.0 and vb > 0.0 and vc > 0.0:
                    if has_plane:
                        near[place] = height
                        is_open[place] = False
                        continue
                    feature = 0
                    p = vb / (va + vb + vc)
                    q = min(1.0 - p, vc / (va + vb + vc))
                elif d1 <= 0.0 and d2 <= 0.0:
                    feature, p, q = 4, 0.0, 0.0
                elif d3 >= 0.0 and d4 <= d3:
                    feature, p, q = 5, 1.0, 0.0
                elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
                    feature, p, q = 1, d1 / (d1 - d3), 0.0
                elif d6 >= 0.0 and d5 <= d6:
                    feature, p, q = 6, 0.0, 1.0
                elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
                    feature, p, q = 3, 0.0, d2 / (d2 - d6)
                else:
                    q = min(1.0, max(0.0, (d4 - d3) / ((d4 - d3) + (d5 - d6))))
                    feature, p = 2, 1.0 - q
                rx = x - p * abu - q * acu
                ry = y - p * abv - q * acv
                rz = z - p * abk - q * ack
                d_sq = rx * rx + ry * ry + rz * rz
                if d_sq < bound * bound:
                    side = (
                        rx * feature_normal[feature, u]
                        + ry * feature_normal[feature, v]
                        + rz * feature_normal[feature, k]
                    )
                    near[place] = math.sqrt(d_sq) if side >= 0.0 else -math.sqrt(d_sq)
                    is_open[place] = feature_open[feature]


@kernel
def _fill_open_edge(near, is_open, start, end, band):
    """Lower `near` at the nodes around an open edge; their side is unknown."""
    first = np.empty(3, np.int64)
    last = np.empty(3, np.int64)
    for d in range(3):
        first[d] = math.ceil(max(0.0, min(start[d], end[d]) - band))
        last[d] = math.floor(min(TILE_NODES - 1.0, max(start[d], end[d]) + band))
    ex, ey, ez = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    inverse = 1.0 / (ex * ex + ey * ey + ez * ez)
    for node_x in range(first[0], last[0] + 1):
        x = node_x - start[0]
        for node_y in range(first[1], last[1] + 1):
            y = node_y - start[1]
            along = (x * ex + y * ey) * inverse
            row = (node_x * TILE_NODES + node_y) * TILE_NODES
            for node_z in range(first[2], last[2] + 1):
                z = node_z - start[2]
                s = min(1.0, max(0.0, along + z * ez * inverse))
                rx, ry, rz = x - s * ex, y - s * ey, z - s * ez
                d_sq = rx * rx + ry * ry + rz * rz
                bound = min(float(abs(near[row + node_z])), band)
                if d_sq < bound * bound:
                    near[row + node_z] = math.sqrt(d_sq)
                    is_open[row + node_z] = True


@parallel_kernel
def fill_tiles(
    vertices,
    faces,
    kept,
    normal,
    is_flat,
    edge_normals,
    fan,
    fan_normals,
    is_open_edge,
    is_open_fan,
    axis,
    slope,
    reach,
    open_edge,
    first,
    item,
    tiles,
    origin,
    n_tiles,
    voxel_mm,
    band_mm,
    n_workers,
    values,
    is_used,
):
    """Write nodes (tiles * 64, 729), mm, and which of those blocks hold any (tiles * 64,).

    Items below `len(kept)` are faces, the rest rows (face, edge) of `open_edge`. Unknown nodes
    are NaN: beyond the band, or nearest to an open feature.
    """
    per_mm = 1.0 / voxel_mm
    band = band_mm * per_mm
    n_kept = len(kept)
    blocks = TILE_BLOCKS * TILE_BLOCKS * TILE_BLOCKS
    for worker in prange(n_workers):
        near = np.empty(TILE_NODES**3, np.float32)
        is_open = np.empty(TILE_NODES**3, np.bool_)
        corner_at = np.empty((3, 3))
        box = np.empty(6)
        feature_normal = np.empty((7, 3))
        feature_open = np.zeros(7, np.bool_)
        plane = np.empty(3)
        tile_at = np.empty(3)
        for t in range(worker, len(tiles), n_workers):
            tile = tiles[t]
            tile_x = tile // (n_tiles[1] * n_tiles[2])
            tile_y = (tile // n_tiles[2]) % n_tiles[1]
            tile_z = tile % n_tiles[2]
            size_mm = CELLS * TILE_BLOCKS * voxel_mm
            tile_at[0] = origin[0] + tile_x * size_mm
            tile_at[1] = origin[1] + tile_y * size_mm
            tile_at[2] = origin[2] + tile_z * size_mm
            near[:] = FAR
            for e in range(first[tile], first[tile + 1]):
                i = item[e]
                if i >= n_kept:
                    f, k = open_edge[i - n_kept, 0], open_edge[i - n_kept, 1]
                    for d in range(3):
                        a, b = faces[f, k], faces[f, (k + 1) % 3]
                        corner_at[0, d] = (vertices[a, d] - tile_at[d]) * per_mm
                        corner_at[1, d] = (vertices[b, d] - tile_at[d]) * per_mm
                    _fill_open_edge(near, is_open, corner_at[0], corner_at[1], band)
                    continue
                f = kept[i]
                for d in range(3):
                    box[d] = (reach[i, d] - tile_at[d]) * per_mm
                    box[3 + d] = (reach[i, 3 + d] - tile_at[d]) * per_mm
                    plane[d] = 0.0 if is_flat[f] else normal[f, d]
                    feature_normal[0, d] = normal[f, d]
                    for j in range(3):
                        corner_at[j, d] = (vertices[faces[f, j], d] - tile_at[d]) * per_mm
                        feature_normal[1 + j, d] = edge_normals[f, j, d]
                        feature_normal[4 + j, d] = fan_normals[fan[f, j], d]
                for j in range(3):
                    feature_open[1 + j] = is_open_edge[f, j]
                    feature_open[4 + j] = is_open_fan[fan[f, j]]
                _fill_face(
                    near,
                    is_open,
                    corner_at,
                    box,
                    slope[i],
                    axis[i],
                    feature_normal,
                    feature_open,
                    plane,
                    band,
                )
            for block in range(blocks):
                bx = (block // (TILE_BLOCKS * TILE_BLOCKS)) * CELLS
                by = ((block // TILE_BLOCKS) % TILE_BLOCKS) * CELLS
                bz = (block % TILE_BLOCKS) * CELLS
                slot = t * blocks + block
                used = False
                for x in range(bx, bx + NODES):
                    for y in range(by, by + NODES):
                        row = (x * TILE_NODES + y) * TILE_NODES
                        for z in range(bz, bz + NODES):
                            used |= near[row + z] < FAR and not is_open[row + z]
                is_used[slot] = used
                if not used:
                    continue
                n = 0
                for x in range(bx, bx + NODES):
                    for y in range(by, by + NODES):
                        row = (x * TILE_NODES + y) * TILE_NODES
                        for z in range(bz, bz + NODES):
                            value = near[row + z]
                            known = value < FAR and not is_open[row + z]
                            values[slot, n] = value * voxel_mm if known else np.nan
                            n += 1


@kernel
def read_value(px, py, pz, origin, per_mm, block_index, values):
    """Return the interpolated distance at a point of the field's frame, mm; NaN where unknown."""
    x = (px - origin[0]) * per_mm
    y = (py - origin[1]) * per_mm
    z = (pz - origin[2]) * per_mm
    if not (x >= 0.0 and y >= 0.0 and z >= 0.0):
        return np.nan
    n = block_index.shape
    if not (x < n[0] * 8.0 and y < n[1] * 8.0 and z < n[2] * 8.0):
        return np.nan
    i, j, k = int(x), int(y), int(z)
    block = block_index[i >> 3, j >> 3, k >> 3]
    if block < 0:
        return np.nan
    o = ((i & 7) * 9 + (j & 7)) * 9 + (k & 7)
    fx, fy, fz = x - i, y - j, z - k
    row = values[block]
    c00 = row[o] + fz * (row[o + 1] - row[o])
    c01 = row[o + 9] + fz * (row[o + 10] - row[o + 9])
    c10 = row[o + 81] + fz * (row[o + 82] - row[o + 81])
    c11 = row[o + 90] + fz * (row[o + 91] - row[o + 90])
    c0 = c00 + fy * (c01 - c00)
    c1 = c10 + fy * (c11 - c10)
    return c0 + fx * (c1 - c0)


@parallel_kernel
def sample_values(points, rotation, translation, origin, per_mm, block_index, values, out):
    """Write distances (n,), mm, of points carried into the field's frame first."""
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
        py = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
        pz = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
        out[i] = read_value(px, py, pz, origin, per_mm, block_index, values)


@parallel_kernel
def sample_gradients(
    points, rotation, translation, origin, per_mm, block_index, values, out, gradient
):
    """Write distances (n,), mm, and their gradients (n, 3) in the field's frame."""
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
        py = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
        pz = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
        out[i] = read_value(px, py, pz, origin, per_mm, block_index, values)
        if out[i] != out[i]:
            gradient[i, 0] = gradient[i, 1] = gradient[i, 2] = np.nan
            continue
        x = (px - origin[0]) * per_mm
        y = (py - origin[1]) * per_mm
        z = (pz - origin[2]) * per_mm
        a, b, c = int(x), int(y), int(z)
        o = ((a & 7) * 9 + (b & 7)) * 9 + (c & 7)
        fx, fy, fz = x - a, y - b, z - c
        row = values[block_index[a >> 3, b >> 3, c >> 3]]
        d00, d01 = row[o + 1] - row[o], row[o + 10] - row[o + 9]
        d10, d11 = row[o + 82] - row[o + 81], row[o + 91] - row[o + 90]
        c00, c01 = row[o] + fz * d00, row[o + 9] + fz * d01
        c10, c11 = row[o + 81] + fz * d10, row[o + 90] + fz * d11
        c0, c1 = c00 + fy * (c01 - c00), c10 + fy * (c11 - c10)
        gradient[i, 0] = (c1 - c0) * per_mm
        gradient[i, 1] = ((c01 - c00) + fx * ((c11 - c10) - (c01 - c00))) * per_mm
        low = d00 + fy * (d01 - d00)
        gradient[i, 2] = (low + fx * (d10 + fy * (d11 - d10) - low)) * per_mm


@kernel
def read_lower(px, py, pz, origin, voxel_mm, block_index, values):
    """Return the greatest lower bound of the distance at a point, mm, that the nodes around give.

    A distance is 1-Lipschitz: it is at least a node's less the way to that node. NaN where none of
    the eight nodes is known.
    """
    x = (px - origin[0]) / voxel_mm
    y = (py - origin[1]) / voxel_mm
    z = (pz - origin[2]) / voxel_mm
    n = block_index.shape
    if not (x >= 0.0 and y >= 0.0 and z >= 0.0):
        return np.nan
    if not (x < n[0] * 8.0 and y < n[1] * 8.0 and z < n[2] * 8.0):
        return np.nan
    i, j, k = int(x), int(y), int(z)
    block = block_index[i >> 3, j >> 3, k >> 3]
    if block < 0:
        return np.nan
    row = values[block]
    o = ((i & 7) * 9 + (j & 7)) * 9 + (k & 7)
    ax, ay, az = (x - i) ** 2, (y - j) ** 2, (z - k) ** 2
    bx, by, bz = (1.0 - x + i) ** 2, (1.0 - y + j) ** 2, (1.0 - z + k) ** 2
    # Written out: a loop over the corners takes half as long again.
    f000 = row[o] - voxel_mm * math.sqrt(ax + ay + az)
    f001 = row[o + 1] - voxel_mm * math.sqrt(ax + ay + bz)
    f010 = row[o + 9] - voxel_mm * math.sqrt(ax + by + az)
    f011 = row[o + 10] - voxel_mm * math.sqrt(ax + by + bz)
    f100 = row[o + 81] - voxel_mm * math.sqrt(bx + ay + az)
    f101 = row[o + 82] - voxel_mm * math.sqrt(bx + ay + bz)
    f110 = row[o + 90] - voxel_mm * math.sqrt(bx + by + az)
    f111 = row[o + 91] - voxel_mm * math.sqrt(bx + by + bz)
    best = -np.inf
    # Unknown nodes, NaN, fail every comparison.
    best = f000 if f000 > best else best
    best = f001 if f001 > best else best
    best = f010 if f010 > best else best
    best = f011 if f011 > best else best
    best = f100 if f100 > best else best
    best = f101 if f101 > best else best
    best = f110 if f110 > best else best
    best = f111 if f111 > best else best
    return best - ROUNDING_MM if best > -np.inf else np.nan


@parallel_kernel
def sample_lower(points, rotation, translation, origin, voxel_mm, block_index, values, out):
    """Write `read_lower` (n,), mm, of points carried into the field's frame first."""
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
        py = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
        pz = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
        out[i] = read_lower(px, py, pz, origin, voxel_mm, block_index, values)
