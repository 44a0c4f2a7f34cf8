"""Slow twins, written for clarity: every triangle for every point, in float64."""

import numpy as np


def closest_on_segment(points, a, b):
    """Return the nearest points (n, 3) of the segment ab."""
    ab = b - a
    size = ab @ ab
    s = np.zeros(len(points)) if size == 0 else np.clip((points - a) @ ab / size, 0, 1)
    return a + s[:, None] * ab


def closest_on_triangle(points, a, b, c):
    """Return the nearest points (n, 3) of triangle abc: its plane, else its three edges."""
    tries = [closest_on_segment(points, *ends) for ends in ((a, b), (b, c), (c, a))]
    n = np.cross(b - a, c - a)
    if n @ n > 0:
        foot = points - ((points - a) @ n / (n @ n))[:, None] * n
        inside = np.ones(len(points), bool)
        for p, q in ((a, b), (b, c), (c, a)):
            inside &= np.cross(q - p, foot - p) @ n >= 0
        foot[~inside] = np.inf
        tries.append(foot)
    d = np.stack([np.linalg.norm(points - t, axis=1) for t in tries])
    return np.stack(tries)[np.argmin(d, axis=0), np.arange(len(points))]


def unsigned_distance(points, mesh):
    """Return distances (n,) to the mesh, faces without area included."""
    best = np.full(len(points), np.inf)
    for face in mesh.faces:
        q = closest_on_triangle(points, *mesh.vertices[face])
        best = np.minimum(best, np.linalg.norm(points - q, axis=1))
    return best


def winding_number(points, mesh):
    """Return how often a closed mesh winds around each point: 1 inside, 0 outside.

    Solid angles: Van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30, 1983, 125-126.
    """
    total = np.zeros(len(points))
    for face in mesh.faces:
        a, b, c = (mesh.vertices[v] - points for v in face)
        la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
        top = np.einsum("ij,ij->i", a, np.cross(b, c))
        bottom = (
            la * lb * lc
            + np.einsum("ij,ij->i", a, b) * lc
            + np.einsum("ij,ij->i", b, c) * la
            + np.einsum("ij,ij->i", c, a) * lb
        )
        total += 2 * np.arctan2(top, bottom)
    return total / (4 * np.pi)


def signed_distance(points, closed_mesh):
    """Return signed distances (n,) of a closed mesh, the side told by the winding number."""
    inside = winding_number(points, closed_mesh) > 0.5
    return np.where(inside, -1.0, 1.0) * unsigned_distance(points, closed_mesh)


def clipped_integrals(corner, phi, level, n=400):
    """Return area, volume, area moment and volume moment below a level by midpoint quadrature."""
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    up = np.stack([(i + 1 / 3) / n, (j + 1 / 3) / n], -1)[i + j < n]
    down = np.stack([(i + 2 / 3) / n, (j + 2 / 3) / n], -1)[i + j < n - 1]
    uv = np.concatenate([up, down])
    w = np.column_stack([1 - uv.sum(axis=1), uv])
    area = 0.5 * np.linalg.norm(np.cross(corner[1] - corner[0], corner[2] - corner[0])) / n**2
    depth = np.maximum(level - w @ phi, 0)
    below = (level - w @ phi > 0).astype(float)
    x = w @ corner
    return area * below.sum(), area * depth.sum(), area * below @ x, area * depth @ x
