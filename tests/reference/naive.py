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


def face_distances(points, mesh):
    """Return the distances (n, F) of points to every face."""
    corners = mesh.vertices[mesh.faces]
    feet = [closest_on_triangle(points, *corner) for corner in corners]
    return np.linalg.norm(points[:, None] - np.stack(feet, axis=1), axis=2)


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


def patch_distance(points, foot, corner, normal, least_cosine):
    """Return distances (n,) from, and normals (n, 3) of, the quadratic patches over facets.

    corner, normal (n, 3, 3): the facets' corners and the unit normals there.
    """
    facet = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    facet /= np.linalg.norm(facet, axis=1, keepdims=True)
    is_curve = (np.einsum("nki,ni->nk", normal, facet) > least_cosine).all(axis=1)
    normal = np.where(is_curve[:, None, None], normal, facet[:, None])
    u, v, w = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0], foot - corner[:, 0]
    bary = np.array([np.linalg.lstsq(np.stack([a, b], 1), c, rcond=None)[0]
                     for a, b, c in zip(u, v, w, strict=True)])  # fmt: skip
    bary = np.column_stack([1 - bary.sum(axis=1), bary])
    lift = np.zeros_like(points)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        edge, n_i, n_j = corner[:, j] - corner[:, i], normal[:, i], normal[:, j]
        between = n_i + n_j
        along = (between * edge).sum(axis=1) / (edge * edge).sum(axis=1)
        between = between - along[:, None] * edge
        between /= np.linalg.norm(between, axis=1, keepdims=True)
        slope_j, slope_i = ((edge * n).sum(axis=1) / (between * n).sum(axis=1) for n in (n_j, n_i))
        height = 0.5 * (slope_j - slope_i) * bary[:, i] * bary[:, j]
        lift += height[:, None] * between
    smooth = np.einsum("nk,nki->ni", bary, normal)
    smooth /= np.linalg.norm(smooth, axis=1, keepdims=True)
    return np.einsum("ij,ij->i", smooth, points - foot - lift), smooth


def ring_sums(centres, points, values, ring_mm, n_rings):
    """Return the sums (m, R, k) of values over points in rings around each centre."""
    out = np.zeros((len(centres), n_rings, values.shape[1]))
    for i, centre in enumerate(centres):
        away = np.linalg.norm(points - centre, axis=1)
        out[i, 0] = values[away == 0].sum(axis=0)
        for r in range(1, n_rings):
            out[i, r] = values[(away > (r - 1) * ring_mm) & (away <= r * ring_mm)].sum(axis=0)
    return out


def corner_normals(vertices, faces):
    """Return unit vertex normals (V, 3): corners between edges a, b count a x b / (a^2 b^2)."""
    normals = np.zeros_like(vertices)
    for face in faces:
        for k in range(3):
            at, after, before = vertices[face[k]], vertices[face[k - 2]], vertices[face[k - 1]]
            a, b = after - at, before - at
            if a @ a * (b @ b) > 0:
                normals[face[k]] += np.cross(a, b) / (a @ a * (b @ b))
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.divide(normals, length, out=np.zeros_like(normals), where=length > 0)


def opening_under_load(gap, lever, weight, load_N):
    """Return the opening at which linear gaps carry a load, by bisection."""

    def carried(turn):
        return sum(
            w * max(0.0, -(g + turn * v)) for g, v, w in zip(gap, lever, weight, strict=True)
        )

    low, high = -1.0, 1.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if carried(middle) > load_N else (low, middle)
    return 0.5 * (low + high)
