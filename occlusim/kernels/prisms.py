"""Which nodes of a grid can have a given triangle as their nearest, and which tiles hold them.

A node whose nearest feature is a face, an edge or an inner vertex lies in the cone of the normals
around that feature, on either side. Cut by a plane across the triangle's dominant axis, the nodes
of a triangle lie in the box of its three corners, each shifted by the range of slopes of the
normals around it. The range is unlimited where a neighbour stands too steep on the axis, or where
the vertex is marked rough. Nodes nearest to an open edge are found from the edge instead.
The idea of converting features by slices: Mauch, Efficient algorithms for solving static
Hamilton-Jacobi equations, thesis, 2003, chapter on the closest point transform.
"""

import math

import numpy as np

from occlusim.kernels.jit import kernel, shared_kernel

STEEP = 0.02
UNLIMITED = 1e6


@shared_kernel(least=2000)
def face_prisms(
    first_turn,
    stop_turn,
    vertices,
    faces,
    kept,
    normal,
    start,
    corner,
    is_rough,
    band_mm,
    axis,
    slope,
    reach,
):
    """Write dominant axis (m,), slope ranges (m, 3, 4) and reach (m, 6), mm, of the kept faces.

    `slope` holds, per corner, low and high shift of the two other axes (axis + 1, axis + 2) for
    a step of one along the axis. `reach` is the low and high corner of the triangle's nodes.
    """
    for i in range(first_turn, stop_turn):
        face = kept[i]
        k = 0
        for d in range(1, 3):
            if abs(normal[face, d]) > abs(normal[face, k]):
                k = d
        u, v = (k + 1) % 3, (k + 2) % 3
        axis[i] = k
        low, high = np.empty(3), np.empty(3)
        for d in range(3):
            low[d], high[d] = np.inf, -np.inf
        for j in range(3):
            w = faces[face, j]
            ul = vl = np.inf
            uh = vh = -np.inf
            limited = not is_rough[w]
            for q in range(start[w], start[w + 1]):
                g = corner[q] // 3
                along = normal[g, k]
                if along * normal[face, k] <= STEEP:
                    limited = False
                    break
                su, sv = normal[g, u] / along, normal[g, v] / along
                ul, uh = min(ul, su), max(uh, su)
                vl, vh = min(vl, sv), max(vh, sv)
            if not limited:
                ul = vl = -UNLIMITED
                uh = vh = UNLIMITED
            slope[i, j, 0], slope[i, j, 1] = ul, uh
            slope[i, j, 2], slope[i, j, 3] = vl, vh
            for d in range(3):
                low[d] = min(low[d], vertices[w, d])
                high[d] = max(high[d], vertices[w, d])
        reach[i, k] = low[k] - band_mm
        reach[i, 3 + k] = high[k] + band_mm
        ul = vl = np.inf
        uh = vh = -np.inf
        for j in range(3):
            w = faces[face, j]
            for end in range(2):
                step = (reach[i, k + 3 * end]) - vertices[w, k]
                for side in range(2):
                    p = vertices[w, u] + step * slope[i, j, side]
                    ul, uh = min(ul, p), max(uh, p)
                    p = vertices[w, v] + step * slope[i, j, 2 + side]
                    vl, vh = min(vl, p), max(vh, p)
        reach[i, u] = max(ul, low[u] - band_mm)
        reach[i, 3 + u] = min(uh, high[u] + band_mm)
        reach[i, v] = max(vl, low[v] - band_mm)
        reach[i, 3 + v] = min(vh, high[v] + band_mm)


@kernel
def tile_lists(reach, origin, tile_mm, voxel_mm, n_tiles):
    """Return `first` (tiles + 1,) and `item`: the boxes (n, 6) that reach into each tile.

    A tile owns its nodes on both ends, so neighbours share the nodes of a side.
    """
    total = n_tiles[0] * n_tiles[1] * n_tiles[2]
    first = np.empty(total + 1, np.int64)
    for t in range(total + 1):
        first[t] = 0
    item = np.empty(0, np.int32)
    place = np.empty(0, np.int64)
    low = np.empty(3, np.int64)
    high = np.empty(3, np.int64)
    for step in range(2):
        for i in range(len(reach)):
            for d in range(3):
                a = math.floor((reach[i, d] - origin[d] - 0.5 * voxel_mm) / tile_mm)
                b = math.floor((reach[i, 3 + d] - origin[d] + 0.5 * voxel_mm) / tile_mm)
                low[d] = max(0, int(a))
                high[d] = min(n_tiles[d] - 1, int(b))
            for x in range(low[0], high[0] + 1):
                for y in range(low[1], high[1] + 1):
                    for z in range(low[2], high[2] + 1):
                        t = (x * n_tiles[1] + y) * n_tiles[2] + z
                        if step == 0:
                            first[t + 1] += 1
                        else:
                            item[place[t]] = i
                            place[t] += 1
        if step == 0:
            for t in range(total):
                first[t + 1] += first[t]
            place = np.empty(total, np.int64)
            for t in range(total):
                place[t] = first[t]
            item = np.empty(first[total], np.int32)
    return first, item
