"""The least signed distance over whole faces, by certified branch and bound.

A signed distance changes no faster than the point moves, so a cell (a triangle on a face) with
known corners is bounded from below. Two sharper bounds end the search early: a cell that stays
outside is solved by its exact distance to the nearest triangle; a cell that lies under a single
sheet of the surface is no deeper than that sheet stands above it, along any direction.
"""

import math

import numpy as np

from occlusim.kernels.bvh import STACK_SIZE, closest_in_tree
from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel
from occlusim.kernels.pairs import column_height, nearest_pair
from occlusim.kernels.sign import pseudonormal

CELL_STACK = 256
CHUNK = 16
UNKNOWN_SIZE_MM = 0.05
COVER = 0.5773502691896258  # farthest place of a triangle from its corners, per longest edge


@inner_kernel
def signed_place(p, tree, normals, is_counted, stack, stack_sq, out):
    """Write into `out` (6,): signed and unsigned distance, pseudonormal, 0; signed NaN if unknown.

    `tree` is (boxes, links, corners, slot_face), `normals` (face_normals, edge_normals, fan,
    fan_normals, is_open_edge, is_open_fan). A face that is not counted is unknown too.
    """
    boxes, links, corners, slot_face = tree
    face_normals, edge_normals, fan, fan_normals, is_open_edge, is_open_fan = normals
    d_sq, slot, feature, x, y, z = closest_in_tree(
        p[0], p[1], p[2], np.inf, boxes, links, corners, stack, stack_sq
    )
    f = slot_face[slot]
    nx, ny, nz, opened = pseudonormal(
        f, feature, face_normals, edge_normals, fan, fan_normals, is_open_edge, is_open_fan
    )
    d = math.sqrt(d_sq)
    out[1] = d
    out[2], out[3], out[4] = nx, ny, nz
    if opened or not is_counted[f]:
        out[0] = np.nan
    else:
        side = (p[0] - x) * nx + (p[1] - y) * ny + (p[2] - z) * nz
        out[0] = d if side >= 0.0 else -d


@inner_kernel
def _longest_edge(cell):
    longest = 0.0
    for i in range(3):
        j = (i + 1) % 3
        total = 0.0
        for d in range(3):
            total += (cell[j, d] - cell[i, d]) ** 2
        longest = max(longest, total)
    return math.sqrt(longest)


@inner_kernel
def least_on_face(start_best, tolerance, max_cells, tree, normals, is_counted, where, work):
    """Return least value below `start_best`, lower bound, and cells looked at, on one face.

    Writes the place (3,) of the least value into `where`. `work` holds scratch arrays; cells[0]
    (3, 3) and known[0] (3, 6) are the face's corners and their `signed_place`. The lower bound is
    at most `tolerance` below the value unless the cells ran out.
    """
    boxes, links, corners, _ = tree
    stack, stack_sq, cells, known, pair_work, t, on_s, on_best, plane, polygon, other, frame = work
    best = start_best
    lost = np.inf
    n_cells = 0
    depth = 1
    middle = np.empty((3, 3))
    value = np.empty((3, 6))
    cell = np.empty((3, 3))
    here = np.empty((3, 6))
    place = np.empty(6)
    while depth > 0:
        depth -= 1
        n_cells += 1
        for i in range(3):
            for d in range(3):
                cell[i, d] = cells[depth, i, d]
            for d in range(6):
                here[i, d] = known[depth, i, d]
        size = _longest_edge(cell)
        n_known = 0
        n_inside = 0
        smallest, largest = np.inf, -np.inf
        deepest = 0
        farthest = 0.0
        for i in range(3):
            f = here[i, 0]
            farthest = max(farthest, here[i, 1])
            if f != f:
                continue
            n_known += 1
            n_inside += f < 0.0
            if f < smallest:
                smallest = f
                deepest = i
            largest = max(largest, f)
            if f < best:
                best = f
                where[0], where[1], where[2] = cell[i, 0], cell[i, 1], cell[i, 2]
        if n_known == 0 and size < 6.0 * UNKNOWN_SIZE_MM:
            continue
        bound = -np.inf
        if n_known > 0:
            bound = largest - size
        if n_known == 3:
            bound = max(bound, smallest - COVER * size)
        if bound >= best - tolerance:
            lost = min(lost, bound)
            continue
        is_crossed = n_inside > 0
        if n_known > 0 and n_inside == 0:
            limit = max(best, 0.0)
            d_sq, found = nearest_pair(
                cell, limit * limit, boxes, links, corners, stack, pair_work, t, on_s, on_best
            )
            if not found:
                # Nothing nearer, and no crossing: the whole cell is outside and farther.
                lost = min(lost, limit)
                continue
            is_crossed = d_sq == 0.0
            if not is_crossed:
                for d in range(3):
                    middle[0, d] = on_best[d]
                signed_place(middle[0], tree, normals, is_counted, stack, stack_sq, place)
                if place[0] == place[0]:
                    if place[0] < best:
                        best = place[0]
                        where[0], where[1], where[2] = on_best[0], on_best[1], on_best[2]
                    continue
                if size < UNKNOWN_SIZE_MM:
                    # The nearest place is unknown: only the known corners count.
                    continue
        if is_crossed:
            reach = farthest + COVER * size
            for attempt in range(2):
                i = deepest
                if attempt == 1:
                    # A second direction, from the corner whose normal differs most.
                    i = -1
                    turn = 0.999
                    for j in range(3):
                        along = 0.0
                        for d in range(3):
                            along += here[j, 2 + d] * here[deepest, 2 + d]
                        if here[j, 0] == here[j, 0] and along < turn:
                            turn = along
                            i = j
                    if i < 0:
                        break
                height, is_single = column_height(
                    cell,
                    here[i, 2:5],
                    1.2 * reach,
                    1.2 * reach,
                    boxes,
                    links,
                    corners,
                    stack,
                    plane,
                    polygon,
                    other,
                    frame,
                )
                if is_single:
                    bound = max(bound, -max(height, 0.0))
            if bound >= best - tolerance:
                lost = min(lost, bound)
                continue
        if size < tolerance or n_cells >= max_cells or depth + 4 > CELL_STACK:
            lost = min(lost, bound if bound == bound else -np.inf)
            continue
        for i in range(3):
            j = (i + 1) % 3
            for d in range(3):
                middle[i, d] = 0.5 * (cell[i, d] + cell[j, d])
            signed_place(middle[i], tree, normals, is_counted, stack, stack_sq, value[i])
        for child in range(4):
            for i in range(3):
                for d in range(3):
                    if child == 3:
                        cells[depth, i, d] = middle[i, d]
                    elif i == child:
                        cells[depth, i, d] = cell[i, d]
                    elif i == (child + 1) % 3:
                        cells[depth, i, d] = middle[child, d]
                    else:
                        cells[depth, i, d] = middle[(child + 2) % 3, d]
                for d in range(6):
                    if child == 3:
                        known[depth, i, d] = value[i, d]
                    elif i == child:
                        known[depth, i, d] = here[i, d]
                    elif i == (child + 1) % 3:
                        known[depth, i, d] = value[child, d]
                    else:
                        known[depth, i, d] = value[(child + 2) % 3, d]
            depth += 1
    return best, min(best, lost), n_cells


@shared_kernel(least=2)
def least_on_faces(
    first_turn,
    stop_turn,
    vertices,
    faces,
    chosen,
    facts,
    rotation,
    translation,
    start_best,
    tolerance,
    max_cells,
    tree,
    normals,
    is_counted,
    value,
    bound,
    where,
    n_cells,
):
    """Write, per chosen face (n,), its least value, lower bound, place (n, 3) and cells.

    `facts` (V, 6) holds `signed_place` of the chosen faces' corners. Within a chunk a face starts
    from the least of the faces before it: its place is NaN where it holds nothing lower.
    """
    n = len(chosen)
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(2 * STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        cells = np.empty((CELL_STACK, 3, 3))
        known = np.empty((CELL_STACK, 3, 6))
        work = (
            stack,
            stack_sq,
            cells,
            known,
            np.empty((2, 3)),
            np.empty((3, 3)),
            np.empty(3),
            np.empty(3),
            np.empty((3, 2)),
            np.empty((9, 3)),
            np.empty((9, 3)),
            np.empty((2, 3)),
        )
        best = start_best
        for c in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            for k in range(3):
                v = faces[chosen[c], k]
                x, y, z = vertices[v, 0], vertices[v, 1], vertices[v, 2]
                for d in range(3):
                    r = rotation[d]
                    cells[0, k, d] = r[0] * x + r[1] * y + r[2] * z + translation[d]
                for d in range(6):
                    known[0, k, d] = facts[v, d]
            where[c, 0] = where[c, 1] = where[c, 2] = np.nan
            best, lowest, cells_seen = least_on_face(
                best, tolerance, max_cells, tree, normals, is_counted, where[c], work
            )
            value[c] = best
            bound[c] = lowest
            n_cells[c] = cells_seen


@inner_kernel
def area_below(values, area_mm2, level):
    """Return the area, mm2, where linear values (n, 3) on faces lie at or below a level."""
    total = 0.0
    for i in range(len(values)):
        a, b, c = values[i, 0], values[i, 1], values[i, 2]
        low, high = min(a, b, c), max(a, b, c)
        middle = a + b + c - low - high
        if level >= high:
            total += area_mm2[i]
        elif level > low:
            if level <= middle:
                part = (level - low) ** 2 / ((middle - low) * (high - low))
            else:
                part = 1.0 - (high - level) ** 2 / ((high - middle) * (high - low))
            total += part * area_mm2[i]
    return total


@kernel
def level_of_area(values, area_mm2, wanted_mm2, low, high):
    """Return the level at which the area below reaches `wanted_mm2`, NaN if not up to `high`."""
    if not area_below(values, area_mm2, high) >= wanted_mm2:
        return np.nan
    for _ in range(60):
        middle = 0.5 * (low + high)
        if area_below(values, area_mm2, middle) >= wanted_mm2:
            high = middle
        else:
            low = middle
    return high
