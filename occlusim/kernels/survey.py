"""Which faces of a moving surface may hold a signed distance below a level: whole nodes ruled out.

A node of the moving tree holds nothing below the level

- where the band's lower bound at its coin's centre, less the coin's size, is not below it;
- for a level of 0 or more: where its coin keeps farther than the level from every coin of the
  field, and one of its points is outside;
- for a level below 0: where this holds, with no distance, for the node moved by as much as the
  level: the signed distance changes no faster than the point, so what is outside once moved by
  10 um was no deeper than 10 um. Nodes move against their own normal, out of the other surface.

One point speaks for its node where no open feature of the field lies so near that it could be
nearest to any point of the node; elsewhere the node's faces are kept.
"""

import math

import numpy as np

from occlusim.kernels.band import read_lower
from occlusim.kernels.bvh import STACK_SIZE, box_distance_sq, closest_in_tree
from occlusim.kernels.coins import coins_near, place_coin
from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel
from occlusim.kernels.sign import pseudonormal

LIST_SIZE = 512
LEVELS = 48
CHUNK = 8
SMALL_MM = 0.2


@kernel
def lower_at(x, y, z, band):
    """Return a lower bound of the distance at a point from a band, mm; NaN where it knows none."""
    lattice, block_index, octants, nodes, plane = band
    return read_lower(x, y, z, lattice, block_index, octants, nodes, plane)


@inner_kernel
def near_nodes(b, reach, most, boxes, links, span, coin, stack, lists):
    """List the largest nodes of at most `most` slots within `reach` of coin `b`; -1: too many."""
    far = b[6] + b[7] + reach
    n = 0
    depth = 1
    stack[0] = 0
    while depth > 0:
        depth -= 1
        node = np.uint32(stack[depth])
        if box_distance_sq(b[0], b[1], b[2], boxes, node) > far * far:
            continue
        if links[node, 1] > 0 or span[node, 1] - span[node, 0] <= most:
            if coins_near(coin, node, b, reach):
                if n == LIST_SIZE:
                    return -1
                lists[0, n] = node
                n += 1
            continue
        stack[depth] = links[node, 0]
        stack[depth + 1] = links[node, 0] + 1
        depth += 2
    return n


@inner_kernel
def nearer_nodes(b, reach, most, links, span, coin, lists, level, count, stack):
    """List which parts, of at most `most` slots, of a list's nodes are in reach; -1: too many."""
    n = 0
    for g in range(count):
        depth = 1
        stack[0] = lists[level - 1, g]
        while depth > 0:
            depth -= 1
            node = np.uint32(stack[depth])
            if not coins_near(coin, node, b, reach):
                continue
            if links[node, 1] > 0 or span[node, 1] - span[node, 0] <= most:
                if n == LIST_SIZE:
                    return -1
                lists[level, n] = node
                n += 1
                continue
            stack[depth] = links[node, 0]
            stack[depth + 1] = links[node, 0] + 1
            depth += 2
    return n


@inner_kernel
def some_distance(x, y, z, boxes, links, corners):
    """Return the distance of a point from some corner of the tree that is not far, mm."""
    node = np.uint32(0)
    while links[node, 1] == 0:
        first = np.uint32(links[node, 0])
        second = np.uint32(first + 1)
        one = box_distance_sq(x, y, z, boxes, first)
        two = box_distance_sq(x, y, z, boxes, second)
        node = first if one <= two else second
    s = links[node, 0]
    return math.sqrt((corners[s, 0] - x) ** 2 + (corners[s, 1] - y) ** 2 + (corners[s, 2] - z) ** 2)


@inner_kernel
def is_rim_within(x, y, z, reach, boxes, links, is_rim, stack):
    """Return whether a leaf that touches an open feature lies within `reach` of a point, mm."""
    depth = 1
    stack[0] = 0
    while depth > 0:
        depth -= 1
        node = np.uint32(stack[depth])
        if not is_rim[node] or box_distance_sq(x, y, z, boxes, node) > reach * reach:
            continue
        if links[node, 1] > 0:
            return True
        stack[depth] = links[node, 0]
        stack[depth + 1] = links[node, 0] + 1
        depth += 2
    return False


@kernel
def is_far(x, y, z, reach, boxes, links, stack):
    """Return whether no leaf of the tree lies within `reach` of a point, mm."""
    depth = 1
    stack[0] = 0
    while depth > 0:
        depth -= 1
        node = np.uint32(stack[depth])
        if box_distance_sq(x, y, z, boxes, node) > reach * reach:
            continue
        if links[node, 1] > 0:
            return False
        stack[depth] = links[node, 0]
        stack[depth + 1] = links[node, 0] + 1
        depth += 2
    return True


@inner_kernel
def is_outside(p, reach, band, tree, normals, stack, stack_sq):
    """Return whether a point (3,) is known to be outside; its nearest place is within `reach`."""
    if lower_at(p[0], p[1], p[2], band) > 0.0:
        return True
    boxes, links, corners, slot_face = tree
    _, slot, feature, x, y, z = closest_in_tree(
        p[0], p[1], p[2], reach * reach, boxes, links, corners, stack, stack_sq
    )
    if slot < 0:
        return False
    nx, ny, nz, is_open = pseudonormal(
        slot_face[slot],
        feature,
        normals[0],
        normals[1],
        normals[2],
        normals[3],
        normals[4],
        normals[5],
    )
    return not is_open and (p[0] - x) * nx + (p[1] - y) * ny + (p[2] - z) * nz >= 0.0


@shared_kernel(least=2)
def faces_below(
    first_turn,
    stop_turn,
    clusters,
    moving,
    field,
    tree,
    normals,
    band,
    rotation,
    translation,
    level_mm,
    known_mm,
    is_deep,
    is_near,
):
    """Write which slots (m,) of the moving tree may hold a distance below a level, mm.

    `moving` is (links, span, coin, corners) and `field` (span, coin, is_rim) of the two trees;
    `clusters` are nodes of the moving tree, none within another, that hold all slots. `is_near`
    must be False before. A node that is nowhere within `known_mm`, up to which the band knows all
    but places beside open features, is taken to be outside; if `is_deep`, its side is asked.
    """
    links_b, span_b, coin_b, corners_b = moving
    span, coin, is_rim = field
    boxes, links, corners, _ = tree
    n = len(clusters)
    reach = max(level_mm, 0.0)
    back = max(-level_mm, 0.0)
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(2 * STACK_SIZE, np.int32)
        stack_sq = np.empty(STACK_SIZE)
        lists = np.empty((LEVELS, LIST_SIZE), np.int32)
        count = np.empty(LEVELS, np.int64)
        nodes = np.empty((LEVELS + 2, 2), np.int64)
        b, p, moved = np.empty(8), np.empty(3), np.empty(3)
        for c in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            nodes[0, 0], nodes[0, 1] = clusters[c], 0
            depth = 1
            speaks = False
            far = 0.0
            while depth > 0:
                depth -= 1
                node, level = np.uint32(nodes[depth, 0]), nodes[depth, 1]
                s0, s1 = span_b[node, 0], span_b[node, 1]
                place_coin(coin_b, node, rotation, translation, b)
                size = b[6] + b[7]
                lower = lower_at(b[0], b[1], b[2], band)
                if lower - size > level_mm:
                    continue
                is_leaf = links_b[node, 1] > 0
                is_blind = lower != lower and not is_deep
                x, y, z = b[0], b[1], b[2]
                for d in range(3):
                    if level == 0:
                        moved[d] = -back * b[3 + d]
                    b[d] += moved[d]
                if level == 0:
                    away = max(known_mm, reach + back) + size
                    if is_blind and is_far(x, y, z, away, boxes, links, stack):
                        continue
                    m = near_nodes(b, reach, s1 - s0, boxes, links, span, coin, stack, lists)
                    far = some_distance(b[0], b[1], b[2], boxes, links, corners) + size
                    speaks = not is_rim_within(
                        b[0], b[1], b[2], far + size, boxes, links, is_rim, stack
                    )
                else:
                    m = nearer_nodes(
                        b, reach, s1 - s0, links, span, coin, lists, level, count[level - 1], stack
                    )
                if m == 0:
                    if is_blind:
                        # With no open feature near, beyond the band; else a leaf near it is kept.
                        away = known_mm if is_leaf else known_mm + size
                        if speaks or is_far(x, y, z, away, boxes, links, stack):
                            continue
                    elif speaks:
                        x, y, z = corners_b[s0, 0], corners_b[s0, 1], corners_b[s0, 2]
                        for d in range(3):
                            turned = rotation[d, 0] * x + rotation[d, 1] * y + rotation[d, 2] * z
                            p[d] = turned + translation[d] + moved[d]
                        if is_outside(p, far + 1e-6, band, tree, normals, stack, stack_sq):
                            continue
                if is_leaf or m < 0 or level + 1 == LEVELS:
                    for s in range(s0, s1):
                        is_near[s] = True
                    continue
                count[level] = m
                for k in range(2):
                    nodes[depth, 0], nodes[depth, 1] = links_b[node, 0] + k, level + 1
                    depth += 1


@shared_kernel(least=16)
def lowest_nodes(
    first_turn, stop_turn, clusters, moving, band, large_mm, rotation, translation, lower, where
):
    """Write, per cluster (n,), the least lower bound at a small node's centre, mm, and the node.

    Infinite where the band knows nothing, or nothing as low as a neighbouring cluster's. Where it
    knows nothing at a node's centre only nodes larger than `large_mm` are opened. Says where to
    ask first; proves nothing.
    """
    links, _, coin, _ = moving
    n = len(clusters)
    for chunk in range(first_turn, stop_turn):
        stack = np.empty(STACK_SIZE, np.int32)
        b = np.empty(8)
        best = np.inf
        for c in range(chunk * CHUNK, min(n, (chunk + 1) * CHUNK)):
            lower[c] = np.inf
            where[c] = clusters[c]
            stack[0] = clusters[c]
            depth = 1
            while depth > 0:
                depth -= 1
                node = np.uint32(stack[depth])
                place_coin(coin, node, rotation, translation, b)
                here = lower_at(b[0], b[1], b[2], band)
                size = b[6] + b[7]
                if here - size > best or (here != here and size < large_mm):
                    continue
                if links[node, 1] == 0 and size > SMALL_MM:
                    stack[depth] = links[node, 0]
                    stack[depth + 1] = links[node, 0] + 1
                    depth += 2
                elif here < best:
                    best = here
                    lower[c] = here
                    where[c] = node
