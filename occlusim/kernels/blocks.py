"""Filling blocks of a distance grid from triangles, tile by tile.

A block is 8 cells a side and owns 9 nodes a side, so that a cell never needs two blocks. A tile
is 4 blocks a side; each tile is filled in a buffer of its own, so the result does not depend on
threads. Inside, lengths are counted in voxels from the tile's corner. A filled block is stored as
a plane and 16-bit steps from it (see `occlusim.kernels.band`).
"""

import math

import numpy as np

from occlusim.kernels.band import CELLS, NODES, UNKNOWN
from occlusim.kernels.jit import inner_kernel, shared_kernel

TILE_BLOCKS = 4
TILE_NODES = CELLS * TILE_BLOCKS + 1
FAR = np.float32(1e9)
SLACK = 1e-4
# Between neighbouring nodes a distance changes by one voxel at most; more is a change of side.
JUMP = 1.001
MOST_STEPS = 32767
LEAST_STEP = 1e-9
WIDE = 0.93  # of a block's diagonal: 10 nm in each value, for voxels of 0.1 mm


@inner_kernel
def _above_plane(known, jumps, voxel_mm, plane):
    """Return the least and greatest height, mm, of known nodes above a plane through 0."""
    low, high = math.inf, -math.inf
    for x in range(NODES):
        for y in range(NODES):
            row = (x * NODES + y) * NODES
            ground = plane[1] * x + plane[2] * y
            for z in range(NODES):
                if known[row + z] < FAR and not jumps[row + z]:
                    rest = known[row + z] * voxel_mm - ground - plane[3] * z
                    low = min(low, rest)
                    high = max(high, rest)
    return low, high


@inner_kernel
def _store_block(known, jumps, voxel_mm, nodes, plane):
    """Write a block's nodes (729,) and plane (5,) from known (729,), voxels; FAR is unknown.

    Neighbours whose values differ by more than their distance stand on either side of a place
    where the sign changes without a crossing, as past a scan's rim: what is between them is not
    known, so both become unknown. Returns whether any node is known.
    """
    n_nodes = NODES * NODES * NODES
    for n in range(n_nodes):
        jumps[n] = False
    slope_x = slope_y = slope_z = 0.0
    step = n_nodes // NODES
    for axis in range(3):
        total = 0.0
        count = 0
        for first in range(0, n_nodes, step * NODES):
            for n in range(first, first + step * (NODES - 1)):
                a, b = known[n], known[n + step]
                if a < FAR and b < FAR:
                    change = b - a
                    if abs(change) > JUMP:
                        jumps[n] = True
                        jumps[n + step] = True
                    else:
                        total += change
                        count += 1
        slope = total / count if count > 0 else 0.0
        if axis == 0:
            slope_x = slope
        elif axis == 1:
            slope_y = slope
        else:
            slope_z = slope
        step //= NODES
    plane[1], plane[2], plane[3] = slope_x * voxel_mm, slope_y * voxel_mm, slope_z * voxel_mm
    low, high = _above_plane(known, jumps, voxel_mm, plane)
    diagonal = math.sqrt(3.0) * CELLS * voxel_mm
    if high - low > WIDE * diagonal:
        plane[1] = plane[2] = plane[3] = 0.0
        low, high = _above_plane(known, jumps, voxel_mm, plane)
        if high - low > diagonal:
            # More than the way through the block: both sides of a rim, apart. The nearer one stays.
            for n in range(n_nodes):
                jumps[n] |= abs(known[n]) * voxel_mm > 0.5 * WIDE * diagonal
            low, high = _above_plane(known, jumps, voxel_mm, plane)
    plane[0] = 0.5 * (low + high)
    # The middle is held in float32: what that takes off must not carry a step past the last one.
    slack = 1e-6 + 2e-7 * abs(plane[0])
    plane[4] = max((0.5 * (high - low) + slack) / MOST_STEPS, LEAST_STEP)
    if not low <= high:
        return False
    for x in range(NODES):
        for y in range(NODES):
            row = (x * NODES + y) * NODES
            ground = plane[0] + plane[1] * x + plane[2] * y
            for z in range(NODES):
                if known[row + z] < FAR and not jumps[row + z]:
                    rest = known[row + z] * voxel_mm - ground - plane[3] * z
                    nodes[row + z] = np.int16(np.rint(rest / plane[4]))
                else:
                    nodes[row + z] = UNKNOWN
    return True


@inner_kernel
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


@inner_kernel
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


@shared_kernel(least=1)
def fill_tiles(
    first_turn,
    stop_turn,
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
    nodes,
    plane,
    is_used,
):
    """Write nodes (blocks, 729), planes (blocks, 5) and which hold any (blocks,), 64 a tile.

    Items below `len(kept)` are faces, the rest rows (face, edge) of `open_edge`. Unknown are
    nodes beyond the band, nearest to an open feature, or beside a jump of the sign.
    """
    per_mm = 1.0 / voxel_mm
    band = band_mm * per_mm
    n_kept = len(kept)
    blocks = TILE_BLOCKS * TILE_BLOCKS * TILE_BLOCKS
    near = np.empty(TILE_NODES**3, np.float32)
    is_open = np.empty(TILE_NODES**3, np.bool_)
    corner_at = np.empty((3, 3))
    box = np.empty(6)
    feature_normal = np.empty((7, 3))
    feature_open = np.empty(7, np.bool_)
    feature_open[0] = False
    normal_at = np.empty(3)
    known = np.empty(NODES**3, np.float32)
    jumps = np.empty(NODES**3, np.bool_)
    tile_at = np.empty(3)
    for t in range(first_turn, stop_turn):
        tile = tiles[t]
        tile_x = tile // (n_tiles[1] * n_tiles[2])
        tile_y = (tile // n_tiles[2]) % n_tiles[1]
        tile_z = tile % n_tiles[2]
        size_mm = CELLS * TILE_BLOCKS * voxel_mm
        tile_at[0] = origin[0] + tile_x * size_mm
        tile_at[1] = origin[1] + tile_y * size_mm
        tile_at[2] = origin[2] + tile_z * size_mm
        for n in range(TILE_NODES**3):
            near[n] = FAR
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
                normal_at[d] = 0.0 if is_flat[f] else normal[f, d]
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
                normal_at,
                band,
            )
        for block in range(blocks):
            bx = (block // (TILE_BLOCKS * TILE_BLOCKS)) * CELLS
            by = ((block // TILE_BLOCKS) % TILE_BLOCKS) * CELLS
            bz = (block % TILE_BLOCKS) * CELLS
            slot = t * blocks + block
            n = 0
            used = False
            for x in range(bx, bx + NODES):
                for y in range(by, by + NODES):
                    row = (x * TILE_NODES + y) * TILE_NODES
                    for z in range(bz, bz + NODES):
                        value = near[row + z]
                        is_known = value < FAR and not is_open[row + z]
                        known[n] = value if is_known else FAR
                        used |= is_known
                        n += 1
            if used:
                used = _store_block(known, jumps, voxel_mm, nodes[slot], plane[slot])
            is_used[slot] = used
