"""Lists of the triangles that can be nearest, cell by cell, and exact distances from them.

Space near a surface is cut into blocks of 8 cells a side. Each cell lists the triangles that can be
nearest to a place in it: those whose prism meets the cell (see `occlusim.kernels.prisms`) and that
lie within the middle's distance plus the cell's diagonal of its middle. A query weighs its cell's
triangles in float32, many at a time and without a branch, and takes those that could be nearest
again in float64.

The lists are the tuple (grid, block_index, first, item, flat): `grid` (6,): low corner of the
first cell (3), cell size, one over it, and the distance up to which the lists hold, mm;
`block_index` (X, Y, Z): row of `first`, -1 where nothing is near; `first` (B, 513): where each
cell's part of `item` (slots of the tree) begins, z fastest; `flat` (m, 9) float32 of each slot:
corner a and edges ab and ac.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE, closest_in_slot
from occlusim.kernels.closest import CHUNK, carry, closest_after, signed, write_answer
from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel

CELLS = 8
PER_BLOCK = CELLS**3
# Weighed at once; a longer list is weighed in pieces.
MOST = 128
WEIGHTS = 9
SCRATCH = (WEIGHTS + 2) * MOST
THIN = 0.01  # the least squared sine between two edges that is weighed
MARGIN = 1e-6  # of the largest coordinate: what float32 may hide in a distance


@inner_kernel
def _cells_of(low, high, low_tile, per_mm, out):
    """Write first and last cell (2,) that an interval meets in a block; none: first > last."""
    out[0] = max(0, math.floor((low - low_tile) * per_mm - 1e-6))
    out[1] = min(CELLS - 1, math.floor((high - low_tile) * per_mm + 1e-6))


@inner_kernel
def _mark_prism(vertices, corner, axis, slope, reach, tile_at, per_mm, count, place, slot, item):
    """Count, or enter where `place` is not empty, the cells of a block that a prism meets.

    `corner` (3,) are the face's vertices. The prism is cut in slabs of a cell along its axis; in
    each, its box is that of both ends.
    """
    u, v = (axis + 1) % 3, (axis + 2) % 3
    size = 1.0 / per_mm
    span = np.empty(2, np.int64)
    along = np.empty(2, np.int64)
    across = np.empty(2, np.int64)
    _cells_of(reach[axis], reach[3 + axis], tile_at[axis], per_mm, span)
    stride_k = CELLS * CELLS if axis == 0 else (CELLS if axis == 1 else 1)
    stride_u = CELLS * CELLS if u == 0 else (CELLS if u == 1 else 1)
    stride_v = CELLS * CELLS if v == 0 else (CELLS if v == 1 else 1)
    for k in range(span[0], span[1] + 1):
        bottom = max(tile_at[axis] + k * size, reach[axis])
        top = min(tile_at[axis] + (k + 1) * size, reach[3 + axis])
        ul = vl = np.inf
        uh = vh = -np.inf
        for j in range(3):
            w = corner[j]
            for end in range(2):
                step = (top if end == 1 else bottom) - vertices[w, axis]
                p, q = step * slope[j, 0], step * slope[j, 1]
                ul = min(ul, vertices[w, u] + min(p, q))
                uh = max(uh, vertices[w, u] + max(p, q))
                p, q = step * slope[j, 2], step * slope[j, 3]
                vl = min(vl, vertices[w, v] + min(p, q))
                vh = max(vh, vertices[w, v] + max(p, q))
        _cells_of(max(ul, reach[u]), min(uh, reach[3 + u]), tile_at[u], per_mm, along)
        _cells_of(max(vl, reach[v]), min(vh, reach[3 + v]), tile_at[v], per_mm, across)
        for i in range(along[0], along[1] + 1):
            for j in range(across[0], across[1] + 1):
                cell = k * stride_k + i * stride_u + j * stride_v
                if len(item) > 0:
                    item[place[cell]] = slot
                    place[cell] += 1
                else:
                    count[cell] += 1


@inner_kernel
def _mark_box(reach, tile_at, per_mm, count, place, slot, item):
    """Count, or enter where `place` is not empty, the cells of a block that a box (6,) meets."""
    span = np.empty((3, 2), np.int64)
    for d in range(3):
        _cells_of(reach[d], reach[3 + d], tile_at[d], per_mm, span[d])
    for x in range(span[0, 0], span[0, 1] + 1):
        for y in range(span[1, 0], span[1, 1] + 1):
            for z in range(span[2, 0], span[2, 1] + 1):
                cell = (x * CELLS + y) * CELLS + z
                if len(item) > 0:
                    item[place[cell]] = slot
                    place[cell] += 1
                else:
                    count[cell] += 1


@inner_kernel
def _mark_all(
    vertices,
    faces,
    kept,
    slot_of,
    axis,
    slope,
    reach,
    open_edge,
    items,
    tile_at,
    per_mm,
    count,
    place,
    item,
):
    """Count or enter all prisms and open edges of a block in its cells."""
    n_kept = len(kept)
    for e in range(len(items)):
        i = items[e]
        if i < n_kept:
            f = kept[i]
            _mark_prism(
                vertices,
                faces[f],
                axis[i],
                slope[i],
                reach[i],
                tile_at,
                per_mm,
                count,
                place,
                slot_of[f],
                item,
            )
        else:
            f = open_edge[i - n_kept, 0]
            if slot_of[f] >= 0:
                _mark_box(reach[i], tile_at, per_mm, count, place, slot_of[f], item)


@inner_kernel
def _thin_cell(middle, diagonal, corners, item, first, last, distance):
    """Keep, at the front of item[first:last], what can be nearest in a cell; return how many.

    `middle` (3,) and the diagonal are the cell's.
    """
    least = np.inf
    for e in range(first, last):
        d_sq = closest_in_slot(middle[0], middle[1], middle[2], corners, np.uint32(item[e]))[0]
        distance[e - first] = math.sqrt(d_sq)
        least = min(least, distance[e - first])
    n = 0
    for e in range(first, last):
        if distance[e - first] <= least + diagonal * (1.0 + 1e-9):
            slot = item[e]
            # A face is listed once, also where it comes by its prism and its open edges.
            is_new = True
            for other in range(first, first + n):
                if item[other] == slot:
                    is_new = False
                    break
            if is_new:
                item[first + n] = slot
                n += 1
    return n


@shared_kernel(least=4)
def list_blocks(
    first_turn,
    stop_turn,
    vertices,
    faces,
    kept,
    slot_of,
    axis,
    slope,
    reach,
    open_edge,
    first,
    item,
    tiles,
    origin,
    n_tiles,
    cell_mm,
    corners,
    begin,
    listed,
    n_listed,
    pass_,
):
    """Write the lists of the blocks `tiles` (t,).

    Pass 0 writes how many entries each block takes before thinning, into `n_listed` (t, 513), the
    last of a row. Pass 1, with `begin` (t,) where a block's part of `listed` begins, enters and
    thins them and writes where each cell's entries begin, within the block.
    """
    per_mm = 1.0 / cell_mm
    for t in range(first_turn, stop_turn):
        tile = tiles[t]
        tile_at = np.empty(3)
        tile_at[0] = origin[0] + (tile // (n_tiles[1] * n_tiles[2])) * CELLS * cell_mm
        tile_at[1] = origin[1] + ((tile // n_tiles[2]) % n_tiles[1]) * CELLS * cell_mm
        tile_at[2] = origin[2] + (tile % n_tiles[2]) * CELLS * cell_mm
        count = np.zeros(PER_BLOCK, np.int64)
        place = np.empty(PER_BLOCK, np.int64)
        items = item[first[tile] : first[tile + 1]]
        _mark_all(
            vertices,
            faces,
            kept,
            slot_of,
            axis,
            slope,
            reach,
            open_edge,
            items,
            tile_at,
            per_mm,
            count,
            place,
            listed[:0],
        )
        total = most = 0
        for c in range(PER_BLOCK):
            place[c] = begin[t] + total
            total += count[c]
            most = max(most, count[c])
        n_listed[t, PER_BLOCK] = total
        if pass_ == 0:
            continue
        _mark_all(
            vertices,
            faces,
            kept,
            slot_of,
            axis,
            slope,
            reach,
            open_edge,
            items,
            tile_at,
            per_mm,
            count,
            place,
            listed,
        )
        distance = np.empty(most)
        middle = np.empty(3)
        diagonal = math.sqrt(3.0) * cell_mm
        n = 0
        for c in range(PER_BLOCK):
            n_listed[t, c] = n
            middle[0] = tile_at[0] + (c // (CELLS * CELLS) + 0.5) * cell_mm
            middle[1] = tile_at[1] + ((c // CELLS) % CELLS + 0.5) * cell_mm
            middle[2] = tile_at[2] + (c % CELLS + 0.5) * cell_mm
            start = place[c] - count[c]
            kept_here = _thin_cell(middle, diagonal, corners, listed, start, place[c], distance)
            for e in range(kept_here):
                listed[begin[t] + n + e] = listed[start + e]
            n += kept_here
        n_listed[t, PER_BLOCK] = n


@shared_kernel(least=64)
def pack_lists(first_turn, stop_turn, begin, n_listed, offset, listed, first, item):
    """Write the entries of each block, which begin at `begin`, one block after the other."""
    for t in range(first_turn, stop_turn):
        for c in range(PER_BLOCK + 1):
            first[t, c] = offset[t] + n_listed[t, c]
        for e in range(n_listed[t, PER_BLOCK]):
            item[offset[t] + e] = listed[begin[t] + e]


@kernel
def _lay(item, start, n, flat, beside):
    """Lay the numbers of n triangles beside each other: number k of triangle t at k * MOST + t."""
    for t in range(n):
        slot = np.uint32(item[start + t])
        for k in range(WEIGHTS):
            beside[k * MOST + t] = flat[slot, k]


@inner_kernel
def _weigh(n, x, y, z, beside):
    """Write the squared distances (n,) of a place from the triangles laid beside each other.

    In float32, and without a branch, so that the compiler takes many at a time. They follow the
    numbers, twice; of a triangle too thin for float32 they are -1 and infinite.
    """
    zero, one = np.float32(0.0), np.float32(1.0)
    for t in range(n):
        px, py, pz = x - beside[t], y - beside[MOST + t], z - beside[2 * MOST + t]
        ux, uy, uz = beside[3 * MOST + t], beside[4 * MOST + t], beside[5 * MOST + t]
        vx, vy, vz = beside[6 * MOST + t], beside[7 * MOST + t], beside[8 * MOST + t]
        aa, bb = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz
        ab = ux * vx + uy * vy + uz * vz
        square = aa * bb - ab * ab
        d1 = ux * px + uy * py + uz * pz
        d2 = vx * px + vy * py + vz * pz
        # Edge ab.
        s = min(one, max(zero, d1 / aa))
        rx, ry, rz = px - s * ux, py - s * uy, pz - s * uz
        best = rx * rx + ry * ry + rz * rz
        # Edge ac.
        s = min(one, max(zero, d2 / bb))
        rx, ry, rz = px - s * vx, py - s * vy, pz - s * vz
        best = min(best, rx * rx + ry * ry + rz * rz)
        # Edge bc.
        s = min(one, max(zero, (d2 - d1 + aa - ab) / (aa + bb - ab - ab)))
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        rx, ry, rz = px - ux - s * wx, py - uy - s * wy, pz - uz - s * wz
        best = min(best, rx * rx + ry * ry + rz * rz)
        # The face itself.
        q = (bb * d1 - ab * d2) / square
        r = (aa * d2 - ab * d1) / square
        rx, ry, rz = px - q * ux - r * vx, py - q * uy - r * vy, pz - q * uz - r * vz
        face = rx * rx + ry * ry + rz * rz
        inside = min(min(q, r), one - q - r)
        face = face if inside > zero else best
        # A triangle too thin for float32 is always taken again.
        is_thin = square < np.float32(THIN) * aa * bb
        beside[WEIGHTS * MOST + t] = -one if is_thin else min(best, face)
        beside[(WEIGHTS + 1) * MOST + t] = np.float32(np.inf) if is_thin else min(best, face)


@kernel
def _least(n, beside):
    """Return the least of the n squared distances, by halves: many at a time too."""
    at = (WEIGHTS + 1) * MOST
    while n > 1:
        half = (n + 1) // 2
        for t in range(n - half):
            a, b = beside[at + t], beside[at + half + t]
            beside[at + t] = a if a < b else b
        n = half
    return beside[at]


@inner_kernel
def closest_listed(px, py, pz, lists, middle, corners, beside):
    """Return squared distance, slot, feature and closest point; slot -1 where no list answers.

    `middle` (4,): the place from which `flat` counts, and the margin of float32, mm. `beside` is
    scratch of SCRATCH float32. Of equally near triangles the first of the list wins.
    """
    grid, block_index, first, item, flat = lists
    x, y, z = (px - grid[0]) * grid[4], (py - grid[1]) * grid[4], (pz - grid[2]) * grid[4]
    n = block_index.shape
    none = (np.inf, np.int64(-1), 0, np.nan, np.nan, np.nan)
    if not (x >= 0.0 and y >= 0.0 and z >= 0.0):
        return none
    if not (x < n[0] * 8.0 and y < n[1] * 8.0 and z < n[2] * 8.0):
        return none
    i, j, k = np.uint32(x), np.uint32(y), np.uint32(z)
    three, seven, eight = np.uint32(3), np.uint32(7), np.uint32(8)
    block = block_index[i >> three, j >> three, k >> three]
    if block < 0:
        return none
    cell = ((i & seven) * eight + (j & seven)) * eight + (k & seven)
    start, end = first[np.uint32(block), cell], first[np.uint32(block), cell + np.uint32(1)]
    best_sq = np.inf
    best_slot = np.int64(-1)
    best_feature = 0
    best_x = best_y = best_z = np.nan
    fx, fy, fz = np.float32(px - middle[0]), np.float32(py - middle[1]), np.float32(pz - middle[2])
    while start < end:
        many = min(MOST, end - start)
        _lay(item, start, many, flat, beside)
        _weigh(many, fx, fy, fz, beside)
        least = min(np.float64(_least(many, beside)), best_sq)
        limit = np.float32((math.sqrt(least) + middle[3]) ** 2)
        for t in range(many):
            if beside[WEIGHTS * MOST + t] <= limit:
                slot = item[start + t]
                d_sq, qx, qy, qz, feature = closest_in_slot(px, py, pz, corners, np.uint32(slot))
                if d_sq < best_sq:
                    best_sq, best_slot, best_feature = d_sq, np.int64(slot), feature
                    best_x, best_y, best_z = qx, qy, qz
        start += many
    if best_sq > grid[5] * grid[5]:
        return none
    return best_sq, best_slot, best_feature, best_x, best_y, best_z


@kernel
def _closest(px, py, pz, bound_sq, previous, tree, lists, middle, stack, stack_sq, beside):
    """Return what the lists say, and where they say nothing, what the tree says."""
    found = closest_listed(px, py, pz, lists, middle, tree[2], beside)
    if found[1] < 0 or not found[0] <= bound_sq:
        found = closest_after(px, py, pz, bound_sq, previous, tree, stack, stack_sq)
    return found


@shared_kernel(least=4)
def closest_near(
    first_turn,
    stop_turn,
    points,
    order,
    rotation,
    translation,
    max_distance_mm,
    tree,
    lists,
    middle,
    distance,
    unsigned,
    closest,
    face,
    feature,
    normal,
    is_open,
):
    """Write what `closest_batch` of `occlusim.kernels.closest` does, by lists where they answer."""
    n = len(points)
    bound_sq = max_distance_mm * max_distance_mm
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        beside = np.empty(SCRATCH, np.float32)
        previous = np.int64(-1)
        for at in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            i = order[at]
            x, y, z = carry(points, i, rotation, translation)
            found = _closest(
                x, y, z, bound_sq, previous, tree, lists, middle, stack, stack_sq, beside
            )
            if found[1] >= 0:
                previous = found[1]
            write_answer(
                i, x, y, z, found, tree, distance, unsigned, closest, face, feature, normal, is_open
            )


@shared_kernel(least=4)
def distance_near(
    first_turn,
    stop_turn,
    points,
    order,
    rotation,
    translation,
    max_distance_mm,
    tree,
    lists,
    middle,
    distance,
):
    """Write signed distances (n,) alone, as `closest_near` does."""
    n = len(points)
    bound_sq = max_distance_mm * max_distance_mm
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        beside = np.empty(SCRATCH, np.float32)
        previous = np.int64(-1)
        for at in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            i = order[at]
            x, y, z = carry(points, i, rotation, translation)
            found = _closest(
                x, y, z, bound_sq, previous, tree, lists, middle, stack, stack_sq, beside
            )
            if found[1] >= 0:
                previous = found[1]
            distance[i] = signed(x, y, z, found, tree)
