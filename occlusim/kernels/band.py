"""Reading a sparse band of distances: which block, which cell, what value, what bound.

A band is the tuple (lattice, block_index, octants, nodes, plane):
`lattice` (5,): first node of the first block (3), voxel size, mm, and one over it;
`block_index` (X, Y, Z): for each place of 8 cells a side a row of `nodes`, -1 where there is none,
or -2 - r: row r of `octants`;
`octants` (O, 8): the eight places of half the size (x slowest), each again a row of `nodes`, -1, or
-2 - r: so blocks are as fine as they need to be;
`nodes` (B, 729): 9 x 9 x 9 steps above the block's plane, z fastest, UNKNOWN where unknown;
`plane` (B, 5), mm: value at the first node, change per cell along x, y and z, and the size of a
step. A distance field is nearly flat over a block, so what is left above the plane is small and
16 bits hold it to nanometres.
"""

import math

import numpy as np

from occlusim.kernels.jit import inner_kernel, parallel_kernel, prange

CELLS = 8
NODES = 9
UNKNOWN = np.int16(-32768)
ROUNDING_MM = 1e-6  # of the filling, in float32, and of the planes


@inner_kernel
def find_cell(px, py, pz, lattice, block_index, octants):
    """Return block row (-1: none), cell (i, j, k), place in the block (x, y, z), cells, and voxel.

    The voxel is that of the block's level, mm.
    """
    x = (px - lattice[0]) * lattice[4]
    y = (py - lattice[1]) * lattice[4]
    z = (pz - lattice[2]) * lattice[4]
    voxel = lattice[3]
    if not (x >= 0.0 and y >= 0.0 and z >= 0.0):
        return -1, 0, 0, 0, x, y, z, voxel
    n = block_index.shape
    if not (x < n[0] * 8.0 and y < n[1] * 8.0 and z < n[2] * 8.0):
        return -1, 0, 0, 0, x, y, z, voxel
    # Unsigned: an index that cannot be negative is read without a test for it.
    a, b, c = np.uint32(x), np.uint32(y), np.uint32(z)
    row = np.int64(block_index[a >> np.uint32(3), b >> np.uint32(3), c >> np.uint32(3)])
    x -= a & np.uint32(0xFFFFFFF8)
    y -= b & np.uint32(0xFFFFFFF8)
    z -= c & np.uint32(0xFFFFFFF8)
    while row < -1:
        octant = 0
        x, y, z = 2.0 * x, 2.0 * y, 2.0 * z
        voxel *= 0.5
        if x >= 8.0:
            x -= 8.0
            octant += 4
        if y >= 8.0:
            y -= 8.0
            octant += 2
        if z >= 8.0:
            z -= 8.0
            octant += 1
        row = np.int64(octants[np.uint64(-2 - row), np.uint64(octant)])
    return row, np.int64(x), np.int64(y), np.int64(z), x, y, z, voxel


@inner_kernel
def read_value(px, py, pz, lattice, block_index, octants, nodes, plane):
    """Return the interpolated distance at a point of the field's frame, mm; NaN where unknown."""
    row, i, j, k, x, y, z, _ = find_cell(px, py, pz, lattice, block_index, octants)
    if row < 0:
        return np.nan
    n = nodes[np.uint64(row)]
    o = np.uint64((i * 9 + j) * 9 + k)
    a, b, c, d = n[o], n[o + np.uint64(1)], n[o + np.uint64(9)], n[o + np.uint64(10)]
    e, f, g, h = (
        n[o + np.uint64(81)],
        n[o + np.uint64(82)],
        n[o + np.uint64(90)],
        n[o + np.uint64(91)],
    )
    if min(min(min(a, b), min(c, d)), min(min(e, f), min(g, h))) == UNKNOWN:
        return np.nan
    fx, fy, fz = x - i, y - j, z - k
    low = a + fz * (b - a)
    low += fy * (c + fz * (d - c) - low)
    high = e + fz * (f - e)
    high += fy * (g + fz * (h - g) - high)
    p = plane[np.uint64(row)]
    return p[0] + p[1] * x + p[2] * y + p[3] * z + p[4] * (low + fx * (high - low))


@inner_kernel
def read_lower(px, py, pz, lattice, block_index, octants, nodes, plane):
    """Return the greatest lower bound of the distance at a point, mm, that the nodes around give.

    A distance is 1-Lipschitz: it is at least a node's less the way to that node. NaN where none of
    the eight nodes is known.
    """
    row, i, j, k, x, y, z, voxel = find_cell(px, py, pz, lattice, block_index, octants)
    if row < 0:
        return np.nan
    n = nodes[np.uint64(row)]
    p = plane[np.uint64(row)]
    o = np.uint64((i * 9 + j) * 9 + k)
    fx, fy, fz = x - i, y - j, z - k
    ax, ay, az = fx**2, fy**2, fz**2
    bx, by, bz = (1.0 - fx) ** 2, (1.0 - fy) ** 2, (1.0 - fz) ** 2
    ground = p[0] + p[1] * i + p[2] * j + p[3] * k
    best = -np.inf
    # Written out: a loop over the corners takes half as long again.
    v = n[o]
    if v != UNKNOWN:
        best = max(best, ground + p[4] * v - voxel * math.sqrt(ax + ay + az))
    v = n[o + np.uint64(1)]
    if v != UNKNOWN:
        best = max(best, ground + p[3] + p[4] * v - voxel * math.sqrt(ax + ay + bz))
    v = n[o + np.uint64(9)]
    if v != UNKNOWN:
        best = max(best, ground + p[2] + p[4] * v - voxel * math.sqrt(ax + by + az))
    v = n[o + np.uint64(10)]
    if v != UNKNOWN:
        best = max(best, ground + p[2] + p[3] + p[4] * v - voxel * math.sqrt(ax + by + bz))
    v = n[o + np.uint64(81)]
    ground += p[1]
    if v != UNKNOWN:
        best = max(best, ground + p[4] * v - voxel * math.sqrt(bx + ay + az))
    v = n[o + np.uint64(82)]
    if v != UNKNOWN:
        best = max(best, ground + p[3] + p[4] * v - voxel * math.sqrt(bx + ay + bz))
    v = n[o + np.uint64(90)]
    if v != UNKNOWN:
        best = max(best, ground + p[2] + p[4] * v - voxel * math.sqrt(bx + by + az))
    v = n[o + np.uint64(91)]
    if v != UNKNOWN:
        best = max(best, ground + p[2] + p[3] + p[4] * v - voxel * math.sqrt(bx + by + bz))
    return best - 0.51 * p[4] - ROUNDING_MM if best > -np.inf else np.nan


@inner_kernel
def read_gradient(px, py, pz, lattice, block_index, octants, nodes, plane):
    """Return the gradient (x, y, z) of the interpolated distance; NaN where it is unknown."""
    row, i, j, k, x, y, z, voxel = find_cell(px, py, pz, lattice, block_index, octants)
    if row < 0:
        return np.nan, np.nan, np.nan
    n = nodes[np.uint64(row)]
    o = np.uint64((i * 9 + j) * 9 + k)
    a, b, c, d = n[o], n[o + np.uint64(1)], n[o + np.uint64(9)], n[o + np.uint64(10)]
    e, f, g, h = (
        n[o + np.uint64(81)],
        n[o + np.uint64(82)],
        n[o + np.uint64(90)],
        n[o + np.uint64(91)],
    )
    if min(min(min(a, b), min(c, d)), min(min(e, f), min(g, h))) == UNKNOWN:
        return np.nan, np.nan, np.nan
    fx, fy, fz = x - i, y - j, z - k
    ab, cd, ef, gh = a + fz * (b - a), c + fz * (d - c), e + fz * (f - e), g + fz * (h - g)
    slope_x = ef - ab + fy * (gh - ef - cd + ab)
    slope_y = cd - ab + fx * (gh - ef - cd + ab)
    low, high = b - a + fy * (d - c - b + a), f - e + fy * (h - g - f + e)
    slope_z = low + fx * (high - low)
    p = plane[np.uint64(row)]
    return (
        (p[1] + p[4] * slope_x) / voxel,
        (p[2] + p[4] * slope_y) / voxel,
        (p[3] + p[4] * slope_z) / voxel,
    )


@parallel_kernel
def sample_values(points, rotation, translation, lattice, block_index, octants, nodes, plane, out):
    """Write distances (n,), mm, of points carried into the field's frame first."""
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
        py = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
        pz = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
        out[i] = read_value(px, py, pz, lattice, block_index, octants, nodes, plane)


@parallel_kernel
def sample_lower(points, rotation, translation, lattice, block_index, octants, nodes, plane, out):
    """Write `read_lower` (n,), mm, of points carried into the field's frame first."""
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
        py = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
        pz = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
        out[i] = read_lower(px, py, pz, lattice, block_index, octants, nodes, plane)


@parallel_kernel
def sample_gradients(
    points, rotation, translation, lattice, block_index, octants, nodes, plane, gradient
):
    """Write gradients (n, 3), in the field's frame, of points carried into it first."""
    for i in prange(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px = rotation[0, 0] * x + rotation[0, 1] * y + rotation[0, 2] * z + translation[0]
        py = rotation[1, 0] * x + rotation[1, 1] * y + rotation[1, 2] * z + translation[1]
        pz = rotation[2, 0] * x + rotation[2, 1] * y + rotation[2, 2] * z + translation[2]
        gx, gy, gz = read_gradient(px, py, pz, lattice, block_index, octants, nodes, plane)
        gradient[i, 0], gradient[i, 1], gradient[i, 2] = gx, gy, gz
