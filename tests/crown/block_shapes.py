"""Blocks, hollow caps and antagonists whose cuts have closed forms."""

from collections.abc import Callable

import numpy as np
import trimesh

from occlusim.crown.path import CrownPath
from occlusim.geometry.mesh import TriangleMesh


def block(n: int, width: float, height: float, relief: Callable | None = None) -> TriangleMesh:
    """A closed block: n x n vertices on top at z = relief(x, y), flat bottom at -height."""
    line = np.linspace(-width / 2, width / 2, n)
    x, y = (a.ravel() for a in np.meshgrid(line, line, indexing="ij"))
    z = np.zeros(n * n) if relief is None else relief(x, y)
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    top = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    rim = np.concatenate([i[:, 0], i[-1, 1:], i[-2::-1, -1], i[0, -2:0:-1]])
    ahead = np.roll(rim, -1)
    side = np.concatenate(
        [np.stack([rim, rim + n * n, ahead], 1), np.stack([ahead, rim + n * n, ahead + n * n], 1)]
    )
    vertices = np.concatenate([np.stack([x, y, z], 1), np.stack([x, y, 0 * x - height], 1)])
    faces = np.concatenate([top, top[:, ::-1] + n * n, side])
    return TriangleMesh(vertices, faces.astype(np.int32))


def ball(radius: float, centre: tuple, detail: int = 5) -> TriangleMesh:
    mesh = trimesh.creation.icosphere(subdivisions=detail, radius=radius)
    return TriangleMesh(mesh.vertices + np.array(centre), mesh.faces.astype(np.int32))


def rod(radius: float, length: float, height: float, sections: int = 256) -> TriangleMesh:
    """A closed cylinder along x whose axis lies at z = height."""
    mesh = trimesh.creation.cylinder(radius=radius, height=length, sections=sections)
    vertices = mesh.vertices[:, [2, 0, 1]] + np.array([0.0, 0.0, height])
    return TriangleMesh(vertices, mesh.faces.astype(np.int32))


def spike(height: float, at: tuple) -> TriangleMesh:
    """A closed four-sided pyramid that points down to `at`."""
    base = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], dtype=float)
    ring = np.column_stack([base * 0.5, np.full(4, height)])
    vertices = np.concatenate([[[0.0, 0.0, 0.0]], ring]) + np.array(at)
    faces = [[0, 2, 1], [0, 3, 2], [0, 4, 3], [0, 1, 4], [1, 2, 3], [1, 3, 4]]
    mesh = TriangleMesh(vertices, np.array(faces, dtype=np.int32))
    return mesh if mesh.volume() > 0 else TriangleMesh(vertices, mesh.faces[:, ::-1])


def cap(outer: float, inner: float, detail: int = 4) -> TriangleMesh:
    """A closed hemispherical shell, open to below: a cap over a stump."""
    mesh = trimesh.creation.icosphere(subdivisions=detail, radius=1.0)
    keep = mesh.vertices[mesh.faces].mean(axis=1)[:, 2] > 0.0
    mesh.update_faces(keep)
    mesh.remove_unreferenced_vertices()
    n = len(mesh.vertices)
    half = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    known = {(int(a), int(b)) for a, b in half}
    rim = np.array([e for e in known if (e[1], e[0]) not in known])
    side = np.concatenate(
        [
            np.column_stack([rim[:, 1], rim[:, 0], rim[:, 0] + n]),
            np.column_stack([rim[:, 1], rim[:, 0] + n, rim[:, 1] + n]),
        ]
    )
    vertices = np.concatenate([outer * mesh.vertices, inner * mesh.vertices])
    faces = np.concatenate([mesh.faces, mesh.faces[:, ::-1] + n, side])
    return TriangleMesh(vertices, faces.astype(np.int32))


def path(
    name: str,
    knots: np.ndarray | list,
    place: Callable | None = None,
    wanted: float | Callable = 0.0,
) -> CrownPath:
    """A path of translations place(s) (m, 3)."""

    def poses(s):
        s = np.atleast_1d(s)
        moved = np.zeros((len(s), 3)) if place is None else place(s)
        return np.tile(np.eye(3), (len(s), 1, 1)), moved

    gap = wanted if callable(wanted) else lambda s: np.full(np.shape(s), float(wanted))
    return CrownPath(name, np.asarray(knots, float), poses, gap)


def along(direction: tuple) -> Callable:
    return lambda s: s[:, None] * np.array(direction, dtype=float)
