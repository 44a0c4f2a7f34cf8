"""Bounding-volume tree over triangles: binned surface-area splits, ordered descent.

Split rule: Wald, On fast construction of SAH-based bounding volume hierarchies, 2007.
Arrays of a tree over m triangles: `boxes` (nodes, 6) low and high corner, mm; `links` (nodes, 2)
first and count: a leaf holds `count` triangles from slot `first`, an inner node has count 0 and
children `first` and `first + 1`; `corners` (m, 9) triangle corners in slot order, mm;
`slot_face` (m,) the mesh's face in each slot.
"""

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel
from occlusim.kernels.triangle import closest_on_triangle

LEAF_SIZE = 4
N_BINS = 16
STACK_SIZE = 128


@inner_kernel
def _half_area(low, high):
    x = max(high[0] - low[0], 0.0)
    y = max(high[1] - low[1], 0.0)
    z = max(high[2] - low[2], 0.0)
    return x * y + y * z + z * x


@inner_kernel
def _split_place(order, first, count, axis, low, width, centre, face_box):
    """Return the bin after which to split, by the surface-area rule; -1 where nothing splits."""
    bin_count = np.empty(N_BINS, np.int64)
    bin_low = np.empty((N_BINS, 3))
    bin_high = np.empty((N_BINS, 3))
    for b in range(N_BINS):
        bin_count[b] = 0
        for d in range(3):
            bin_low[b, d] = np.inf
            bin_high[b, d] = -np.inf
    scale = N_BINS / width
    for i in range(first, first + count):
        f = order[i]
        b = min(N_BINS - 1, int((centre[f, axis] - low) * scale))
        bin_count[b] += 1
        for d in range(3):
            bin_low[b, d] = min(bin_low[b, d], face_box[f, d])
            bin_high[b, d] = max(bin_high[b, d], face_box[f, 3 + d])
    right_cost = np.empty(N_BINS)
    box_low = np.empty(3)
    box_high = np.empty(3)
    for d in range(3):
        box_low[d] = np.inf
        box_high[d] = -np.inf
    n = 0
    for b in range(N_BINS - 1, 0, -1):
        n += bin_count[b]
        for d in range(3):
            box_low[d] = min(box_low[d], bin_low[b, d])
            box_high[d] = max(box_high[d], bin_high[b, d])
        right_cost[b - 1] = n * _half_area(box_low, box_high) if n > 0 else np.inf
    for d in range(3):
        box_low[d] = np.inf
        box_high[d] = -np.inf
    n = 0
    best = np.inf
    place = -1
    for b in range(N_BINS - 1):
        n += bin_count[b]
        for d in range(3):
            box_low[d] = min(box_low[d], bin_low[b, d])
            box_high[d] = max(box_high[d], bin_high[b, d])
        if n == 0 or n == count:
            continue
        cost = n * _half_area(box_low, box_high) + right_cost[b]
        if cost < best:
            best = cost
            place = b
    return place


@kernel
def build_tree(vertices, faces, kept):
    """Return boxes, links, corners and slot_face of a tree over the faces named in `kept`."""
    m = len(kept)
    centre = np.empty((m, 3))
    face_box = np.empty((m, 6))
    for i in range(m):
        for d in range(3):
            a = vertices[faces[kept[i], 0], d]
            b = vertices[faces[kept[i], 1], d]
            c = vertices[faces[kept[i], 2], d]
            face_box[i, d] = min(a, b, c)
            face_box[i, 3 + d] = max(a, b, c)
            centre[i, d] = 0.5 * (face_box[i, d] + face_box[i, 3 + d])
    order = np.empty(m, np.int64)
    for i in range(m):
        order[i] = i
    boxes = np.empty((2 * m, 6))
    links = np.empty((2 * m, 2), np.int32)
    stack = np.empty((4 * STACK_SIZE, 4), np.int64)
    # A node yet to be split: its number, its first item, how many, and how deep it lies.
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = 0, 0, m, 0
    low, high = np.empty(3), np.empty(3)
    centre_low, centre_high = np.empty(3), np.empty(3)
    depth = 1
    n_nodes = 1
    while depth > 0:
        depth -= 1
        node, first = stack[depth, 0], stack[depth, 1]
        count, level = stack[depth, 2], stack[depth, 3]
        for d in range(3):
            low[d] = centre_low[d] = np.inf
            high[d] = centre_high[d] = -np.inf
        for i in range(first, first + count):
            f = order[i]
            for d in range(3):
                low[d] = min(low[d], face_box[f, d])
                high[d] = max(high[d], face_box[f, 3 + d])
                centre_low[d] = min(centre_low[d], centre[f, d])
                centre_high[d] = max(centre_high[d], centre[f, d])
        for d in range(3):
            boxes[node, d] = low[d]
            boxes[node, 3 + d] = high[d]
        if count <= LEAF_SIZE:
            links[node, 0] = first
            links[node, 1] = count
            continue
        axis = np.int64(0)
        for d in range(1, 3):
            if centre_high[d] - centre_low[d] > centre_high[axis] - centre_low[axis]:
                axis = d
        width = centre_high[axis] - centre_low[axis]
        place = -1
        # Past 60 levels only halving is allowed, so the depth stays within the stack.
        if width > 1e-300 and level < 60:
            place = _split_place(
                order, first, count, axis, centre_low[axis], width, centre, face_box
            )
        middle = first + count // 2
        if place >= 0:
            scale = N_BINS / width
            i = first
            j = first + count - 1
            while i <= j:
                b = min(N_BINS - 1, int((centre[order[i], axis] - centre_low[axis]) * scale))
                if b <= place:
                    i += 1
                else:
                    order[i], order[j] = order[j], order[i]
                    j -= 1
            middle = i
        links[node, 0] = n_nodes
        links[node, 1] = 0
        for side in range(2):
            at = depth + side
            stack[at, 0], stack[at, 3] = n_nodes + side, level + 1
            stack[at, 1] = first if side == 0 else middle
            stack[at, 2] = middle - first if side == 0 else first + count - middle
        depth += 2
        n_nodes += 2
    corners = np.empty((m, 9))
    slot_face = np.empty(m, np.int32)
    for i in range(m):
        f = kept[order[i]]
        slot_face[i] = f
        for k in range(3):
            for d in range(3):
                corners[i, 3 * k + d] = vertices[faces[f, k], d]
    return boxes[:n_nodes], links[:n_nodes], corners, slot_face


@inner_kernel
def box_distance_sq(px, py, pz, boxes, node):
    """Return the squared distance of p from a node's box, mm2; 0 inside."""
    # Comparisons in place of max(): a number that is none need not be passed on here.
    low, high = boxes[node, 0] - px, px - boxes[node, 3]
    x = low if low > high else high
    low, high = boxes[node, 1] - py, py - boxes[node, 4]
    y = low if low > high else high
    low, high = boxes[node, 2] - pz, pz - boxes[node, 5]
    z = low if low > high else high
    x = x if x > 0.0 else 0.0
    y = y if y > 0.0 else 0.0
    z = z if z > 0.0 else 0.0
    return x * x + y * y + z * z


@inner_kernel
def slot_box_distance_sq(px, py, pz, corners, slot):
    """Return the squared distance of p from the box of a slot's triangle, mm2; 0 inside.

    No more than that from the triangle, and far less work.
    """
    a, b, c = corners[slot, 0], corners[slot, 3], corners[slot, 6]
    low, high = a if a < b else b, b if a < b else a
    low, high = (low if low < c else c) - px, px - (high if high > c else c)
    x = low if low > high else high
    a, b, c = corners[slot, 1], corners[slot, 4], corners[slot, 7]
    low, high = a if a < b else b, b if a < b else a
    low, high = (low if low < c else c) - py, py - (high if high > c else c)
    y = low if low > high else high
    a, b, c = corners[slot, 2], corners[slot, 5], corners[slot, 8]
    low, high = a if a < b else b, b if a < b else a
    low, high = (low if low < c else c) - pz, pz - (high if high > c else c)
    z = low if low > high else high
    x = x if x > 0.0 else 0.0
    y = y if y > 0.0 else 0.0
    z = z if z > 0.0 else 0.0
    return x * x + y * y + z * z


@inner_kernel
def closest_in_slot(px, py, pz, corners, slot):
    """Return squared distance, closest point and feature of the triangle in a slot."""
    qx, qy, qz, feature = closest_on_triangle(
        px,
        py,
        pz,
        corners[slot, 0],
        corners[slot, 1],
        corners[slot, 2],
        corners[slot, 3],
        corners[slot, 4],
        corners[slot, 5],
        corners[slot, 6],
        corners[slot, 7],
        corners[slot, 8],
    )
    x, y, z = px - qx, py - qy, pz - qz
    return x * x + y * y + z * z, qx, qy, qz, feature


@inner_kernel
def closest_in_tree(px, py, pz, bound_sq, boxes, links, corners, stack, stack_sq):
    """Return squared distance, slot, feature and closest point; slot -1 beyond `bound_sq`.

    Of equally near triangles the first in the order of descent wins, whatever the bound.
    """
    best_sq = bound_sq
    best_slot = -1
    best_feature = 0
    best_x = best_y = best_z = np.nan
    depth = 0
    # Unsigned: an index that cannot be negative is read without a test for it.
    node = np.uint32(0)
    if not box_distance_sq(px, py, pz, boxes, node) <= best_sq:
        return best_sq, best_slot, best_feature, best_x, best_y, best_z
    while True:
        first = np.uint32(links[node, 0])
        count = links[node, 1]
        if count > 0:
            for k in range(count):
                slot = np.uint32(first + k)
                d, qx, qy, qz, feature = closest_in_slot(px, py, pz, corners, slot)
                if d < best_sq or (d == best_sq and best_slot < 0):
                    best_sq = d
                    best_slot = np.int64(slot)
                    best_feature = feature
                    best_x, best_y, best_z = qx, qy, qz
        else:
            second = np.uint32(first + 1)
            left = box_distance_sq(px, py, pz, boxes, first)
            right = box_distance_sq(px, py, pz, boxes, second)
            is_left_near = left <= right
            nearer = left if is_left_near else right
            farther = right if is_left_near else left
            if nearer <= best_sq:
                stack[depth] = second if is_left_near else first
                stack_sq[depth] = farther
                depth += 1 if farther <= best_sq else 0
                node = first if is_left_near else second
                continue
        found = False
        while depth > 0:
            depth -= 1
            if stack_sq[depth] <= best_sq:
                node = np.uint32(stack[depth])
                found = True
                break
        if not found:
            break
    return best_sq, best_slot, best_feature, best_x, best_y, best_z
