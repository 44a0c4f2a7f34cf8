"""Shapes with a distance in closed form: mesh and formula side by side."""

import numpy as np

from occlusim.geometry.mesh import TriangleMesh


def grid_faces(nu, nv, wrap_u=False, wrap_v=False):
    i, j = np.meshgrid(
        np.arange(nu if wrap_u else nu - 1), np.arange(nv if wrap_v else nv - 1), indexing="ij"
    )
    i, j = i.ravel(), j.ravel()
    a, b = i * nv + j, (i + 1) % nu * nv + j
    c, d = (i + 1) % nu * nv + (j + 1) % nv, i * nv + (j + 1) % nv
    return np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)


def merged(vertices, faces, decimals=9):
    """Return a mesh whose vertices that agree to `decimals` are one."""
    _, index, inverse = np.unique(
        np.round(vertices, decimals), axis=0, return_index=True, return_inverse=True
    )
    return TriangleMesh(vertices[index], inverse.reshape(-1)[faces].astype(np.int32))


def sphere(radius=1.0, n=12):
    """Return a sphere of 12 n^2 faces over a cube's grid."""
    t = np.tan(np.linspace(-np.pi / 4, np.pi / 4, n + 1))
    vertices, faces = [], []
    for axis in range(3):
        for side in (1.0, -1.0):
            a, b = np.meshgrid(t, t, indexing="ij")
            p = np.empty((n + 1, n + 1, 3))
            p[..., axis] = side
            p[..., (axis + 1) % 3] = a if side > 0 else b
            p[..., (axis + 2) % 3] = b if side > 0 else a
            faces.append(grid_faces(n + 1, n + 1) + len(vertices) * (n + 1) ** 2)
            vertices.append(p.reshape(-1, 3))
    v = np.concatenate(vertices)
    v = radius * v / np.linalg.norm(v, axis=1)[:, None]
    return merged(v, np.concatenate(faces))


def sphere_distance(points, radius=1.0):
    return np.linalg.norm(points, axis=1) - radius


def torus(ring=2.0, tube=0.7, nu=120, nv=48):
    u, v = np.meshgrid(
        np.arange(nu) / nu * 2 * np.pi, np.arange(nv) / nv * 2 * np.pi, indexing="ij"
    )
    r = ring + tube * np.cos(v)
    vertices = np.stack([r * np.cos(u), r * np.sin(u), tube * np.sin(v)], -1).reshape(-1, 3)
    return TriangleMesh(vertices, grid_faces(nu, nv, True, True))


def torus_distance(points, ring=2.0, tube=0.7):
    return np.hypot(np.hypot(points[:, 0], points[:, 1]) - ring, points[:, 2]) - tube


def capsule(radius=0.8, half=1.0, n=48):
    """Return a cylinder about z with round ends, poles as fans of n faces."""
    m = n // 2
    polar = np.linspace(0, np.pi, 2 * m + 1)[1:-1]
    z = np.concatenate([half + radius * np.cos(polar[:m]), -half + radius * np.cos(polar[m - 1 :])])
    r = np.concatenate([radius * np.sin(polar[:m]), radius * np.sin(polar[m - 1 :])])
    turn = np.arange(n) / n * 2 * np.pi
    rings = np.stack(
        [
            r[:, None] * np.cos(turn),
            r[:, None] * np.sin(turn),
            np.broadcast_to(z[:, None], (len(z), n)),
        ],
        -1,
    )
    k = len(z)
    vertices = np.concatenate(
        [rings.reshape(-1, 3), [[0, 0, half + radius], [0, 0, -half - radius]]]
    )
    j = np.arange(n)
    top = np.stack([np.full(n, k * n), j, (j + 1) % n], 1)
    bottom = np.stack([np.full(n, k * n + 1), (k - 1) * n + (j + 1) % n, (k - 1) * n + j], 1)
    sides = grid_faces(k, n, False, True)
    return TriangleMesh(vertices, np.concatenate([sides, top, bottom]).astype(np.int32))


def capsule_distance(points, radius=0.8, half=1.0):
    z = points[:, 2] - np.clip(points[:, 2], -half, half)
    return np.sqrt(points[:, 0] ** 2 + points[:, 1] ** 2 + z**2) - radius


def box(size=(2.0, 1.0, 0.6), n=1):
    """Return a box about the origin, each side cut into n x n."""
    t = np.linspace(-0.5, 0.5, n + 1)
    vertices, faces = [], []
    for axis in range(3):
        for side in (0.5, -0.5):
            a, b = np.meshgrid(t, t, indexing="ij")
            p = np.empty((n + 1, n + 1, 3))
            p[..., axis] = side
            p[..., (axis + 1) % 3] = a if side > 0 else b
            p[..., (axis + 2) % 3] = b if side > 0 else a
            faces.append(grid_faces(n + 1, n + 1) + len(vertices) * (n + 1) ** 2)
            vertices.append(p.reshape(-1, 3))
    return merged(np.concatenate(vertices) * np.asarray(size), np.concatenate(faces))


def box_distance(points, size=(2.0, 1.0, 0.6)):
    q = np.abs(points) - 0.5 * np.asarray(size)
    return np.linalg.norm(np.maximum(q, 0), axis=1) + np.minimum(q.max(axis=1), 0)


def plate(half=2.0, n=4):
    """Return an open square in z = 0 with normal +z."""
    t = np.linspace(-half, half, n + 1)
    x, y = np.meshgrid(t, t, indexing="ij")
    vertices = np.stack([x, y, np.zeros_like(x)], -1).reshape(-1, 3)
    return TriangleMesh(vertices, grid_faces(n + 1, n + 1))


def refined(mesh, times=1):
    """Return the mesh with each face cut in four at the middles of its edges."""
    for _ in range(times):
        edges = np.sort(np.stack([mesh.faces, np.roll(mesh.faces, -1, axis=1)], -1), axis=-1)
        unique, inverse = np.unique(edges.reshape(-1, 2), axis=0, return_inverse=True)
        middle = len(mesh.vertices) + inverse.reshape(-1, 3)
        vertices = np.concatenate([mesh.vertices, mesh.vertices[unique].mean(axis=1)])
        a, b, c = mesh.faces.T
        x, y, z = middle.T
        faces = np.concatenate(
            [np.stack(f, 1) for f in ((a, x, z), (x, b, y), (z, y, c), (x, y, z))]
        )
        mesh = TriangleMesh(vertices, faces.astype(np.int32))
    return mesh
