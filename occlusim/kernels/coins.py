"""Coins: flat round boxes around the nodes of a tree, which lie close to a smooth surface.

A coin is a disc of some radius across a normal and some half height along it. Around a patch of
size s on a surface of radius R its height falls with s^2 / R, so that two surfaces a hair apart are
told apart by pieces far larger than the hair (Gottschalk, Lin & Manocha, OBBTree, 1996, on boxes).
Rows are centre (3), unit normal (3), half height and radius, mm.
"""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, kernel, shared_kernel

ROUNDING_MM = 1e-7


@kernel
def slot_spans(links, span):
    """Write the first slot and the one past the last (nodes, 2) of every node."""
    for node in range(len(links) - 1, -1, -1):
        first, count = links[node, 0], links[node, 1]
        if count > 0:
            span[node, 0], span[node, 1] = first, first + count
        else:
            span[node, 0], span[node, 1] = span[first, 0], span[first + 1, 1]


@shared_kernel(least=1000)
def fit_coins(first_turn, stop_turn, corners, span, most, coin):
    """Write the coin (nodes, 8) of every node of at most `most` slots; of the rest nothing."""
    for node in range(first_turn, stop_turn):
        low, high = span[node, 0], span[node, 1]
        if high - low > most:
            continue
        # The mean normal by area.
        nx = ny = nz = 0.0
        for s in range(low, high):
            x, y, z = corners[s, 0], corners[s, 1], corners[s, 2]
            ux, uy, uz = corners[s, 3] - x, corners[s, 4] - y, corners[s, 5] - z
            vx, vy, vz = corners[s, 6] - x, corners[s, 7] - y, corners[s, 8] - z
            nx += uy * vz - uz * vy
            ny += uz * vx - ux * vz
            nz += ux * vy - uy * vx
        size = math.sqrt(nx * nx + ny * ny + nz * nz)
        if size > 0.0:
            nx, ny, nz = nx / size, ny / size, nz / size
        else:
            nx, ny, nz = 0.0, 0.0, 1.0
        if abs(nx) < 0.6:
            ux, uy, uz = 0.0, nz, -ny
        else:
            ux, uy, uz = -nz, 0.0, nx
        size = math.sqrt(ux * ux + uy * uy + uz * uz)
        ux, uy, uz = ux / size, uy / size, uz / size
        vx, vy, vz = ny * uz - nz * uy, nz * ux - nx * uz, nx * uy - ny * ux
        ox, oy, oz = corners[low, 0], corners[low, 1], corners[low, 2]
        low_u = low_v = low_n = np.inf
        high_u = high_v = high_n = -np.inf
        for s in range(low, high):
            for k in range(0, 9, 3):
                x, y, z = corners[s, k] - ox, corners[s, k + 1] - oy, corners[s, k + 2] - oz
                u = x * ux + y * uy + z * uz
                v = x * vx + y * vy + z * vz
                n = x * nx + y * ny + z * nz
                low_u, high_u = min(low_u, u), max(high_u, u)
                low_v, high_v = min(low_v, v), max(high_v, v)
                low_n, high_n = min(low_n, n), max(high_n, n)
        u, v, n = 0.5 * (low_u + high_u), 0.5 * (low_v + high_v), 0.5 * (low_n + high_n)
        cx = ox + u * ux + v * vx + n * nx
        cy = oy + u * uy + v * vy + n * ny
        cz = oz + u * uz + v * vz + n * nz
        radius_sq = 0.0
        for s in range(low, high):
            for k in range(0, 9, 3):
                x, y, z = corners[s, k] - cx, corners[s, k + 1] - cy, corners[s, k + 2] - cz
                along = x * nx + y * ny + z * nz
                radius_sq = max(radius_sq, x * x + y * y + z * z - along * along)
        coin[node, 0], coin[node, 1], coin[node, 2] = cx, cy, cz
        coin[node, 3], coin[node, 4], coin[node, 5] = nx, ny, nz
        coin[node, 6] = 0.5 * (high_n - low_n) + ROUNDING_MM
        coin[node, 7] = math.sqrt(radius_sq) + ROUNDING_MM


@inner_kernel
def place_coin(coin, node, rotation, translation, out):
    """Write a node's coin (8,), carried by rotation and translation."""
    x, y, z = coin[node, 0], coin[node, 1], coin[node, 2]
    u, v, w = coin[node, 3], coin[node, 4], coin[node, 5]
    for d in range(3):
        out[d] = rotation[d, 0] * x + rotation[d, 1] * y + rotation[d, 2] * z + translation[d]
        out[3 + d] = rotation[d, 0] * u + rotation[d, 1] * v + rotation[d, 2] * w
    out[6] = coin[node, 6]
    out[7] = coin[node, 7]


@inner_kernel
def coins_near(coin, node, b, reach):
    """Return False where a node's coin and coin `b` (8,) surely are farther apart than `reach`, mm.

    Asked along both normals and along the line of centres.
    """
    x, y, z = b[0] - coin[node, 0], b[1] - coin[node, 1], b[2] - coin[node, 2]
    half_a, radius_a, half_b, radius_b = coin[node, 6], coin[node, 7], b[6], b[7]
    reach += ROUNDING_MM
    length_sq = x * x + y * y + z * z
    far = half_a + radius_a + half_b + radius_b + reach
    if length_sq > far * far:
        return False
    on_a = abs(coin[node, 3] * x + coin[node, 4] * y + coin[node, 5] * z)
    on_b = abs(b[3] * x + b[4] * y + b[5] * z)
    turn = abs(coin[node, 3] * b[3] + coin[node, 4] * b[4] + coin[node, 5] * b[5])
    across = math.sqrt(max(1.0 - turn * turn, 0.0))
    if on_a > half_a + half_b * turn + radius_b * across + reach:
        return False
    if on_b > half_b + half_a * turn + radius_a * across + reach:
        return False
    # Along the line of centres; both sides times its length.
    off_a = math.sqrt(max(length_sq - on_a * on_a, 0.0))
    off_b = math.sqrt(max(length_sq - on_b * on_b, 0.0))
    extent = half_a * on_a + radius_a * off_a + half_b * on_b + radius_b * off_b
    return not length_sq > extent + reach * math.sqrt(length_sq)
