"""Fields as Python objects: values, gradients, projection, distances, and first triangles."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyvista as pv

from demo_arches.model import fields
from demo_arches.model.remesh import largest_piece, remesh
from demo_arches.model.teeth import Arch

NO_POSES = np.zeros((0, 4, 4))
CLOSED = np.eye(4)[None].copy()
CLOSED[0, 3] = 0.0  # group 0: the recorded bite wears everywhere
NO_WINDOWS = np.zeros((0, 5))
BITE_WEAR = (CLOSED, NO_WINDOWS)


class Field:
    """An implicit surface: negative inside. `what`: arch, teeth (no gingiva) or gum."""

    def __init__(self, arch, other=None, wear=(NO_POSES, NO_WINDOWS), what: str = "arch") -> None:
        self.teeth = arch.arrays() if isinstance(arch, Arch) else arch
        other = other.arrays() if isinstance(other, Arch) else other
        self.other = self.teeth if other is None else other
        self.poses, self.windows = (NO_POSES, NO_WINDOWS) if other is None else wear
        self.what = {"arch": 0, "teeth": 1, "gum": 2}[what]

    def value(self, points: np.ndarray) -> np.ndarray:
        """Return the field at points (n, 3)."""
        points = np.ascontiguousarray(points, dtype=np.float64)
        return fields.values(points, self.teeth, self.other, self.poses, self.windows, self.what)

    def gradient(self, points: np.ndarray):
        """Return the field (n,) and its gradient (n, 3)."""
        points = np.ascontiguousarray(points, dtype=np.float64)
        return fields.evaluate(points, self.teeth, self.other, self.poses, self.windows, self.what)

    def project(self, points: np.ndarray, steps: int):
        """Return points moved onto the surface by Newton steps, and unit normals."""
        return project(self.gradient, points, steps)

    def distance(self, points: np.ndarray, steps: int = 25):
        """Return signed distances (n,) by the closest point, found from the nearest start."""
        return closest(self.gradient, points, steps)[0]


def project(gradient: Callable, points: np.ndarray, steps: int):
    """Return points moved onto a field's zero set by Newton steps, and unit normals."""
    p = np.array(points, dtype=np.float64)
    g = np.zeros_like(p)
    for _ in range(steps):
        f, g = gradient(p)
        sq = np.maximum(np.einsum("ij,ij->i", g, g), 0.05)
        step = -(f / sq)[:, None] * g
        size = np.linalg.norm(step, axis=1)
        step *= np.minimum(1.0, 0.3 / np.maximum(size, 1e-12))[:, None]
        p += step
    return p, g / np.maximum(np.linalg.norm(g, axis=1), 1e-9)[:, None]


def closest(gradient: Callable, points: np.ndarray, steps: int = 25):
    """Return signed distances (n,) and the closest points (n, 3) on a field's zero set.

    Fixed point of the foot: slide the point of the surface along its tangent towards the foot of
    the query point, then Newton back onto the surface. Exact to about 1e-7 mm where it converges.
    """
    q = np.array(points, dtype=np.float64)
    x, n = project(gradient, q, 4)
    for _ in range(steps):
        d = q - x
        tangent = d - np.einsum("ij,ij->i", d, n)[:, None] * n
        x, n = project(gradient, x + 0.7 * tangent, 2)
    d = q - x
    return np.copysign(np.linalg.norm(d, axis=1), np.einsum("ij,ij->i", d, n)), x


def contour(value: Callable, bounds, step: float, phase: float = 0.0):
    """Return vertices and faces of a field's zero set on a regular grid."""
    lo, hi = np.array(bounds[0]) + phase * step, np.array(bounds[1])
    dims = np.ceil((hi - lo) / step).astype(int) + 1
    axes = [lo[k] + step * np.arange(dims[k]) for k in range(3)]
    f = _sparse_values(value, axes, step)
    image = pv.ImageData(dimensions=dims, spacing=(step,) * 3, origin=lo)
    image.point_data["f"] = f.ravel(order="F")
    return image.contour([0.0], scalars="f", method="flying_edges").triangulate().clean()


def _sparse_values(value: Callable, axes, step: float, every: int = 4) -> np.ndarray:
    """Return a field on a grid, exact near its zero set and filled from a coarse grid elsewhere."""
    coarse = [a[::every] for a in axes]
    rough = value(np.stack(np.meshgrid(*coarse, indexing="ij"), -1).reshape(-1, 3))
    rough = rough.reshape([len(a) for a in coarse])
    index = [np.minimum((np.arange(len(a)) + every // 2) // every, len(c) - 1)
             for a, c in zip(axes, coarse, strict=True)]  # fmt: skip
    f = rough[np.ix_(*index)]
    near = np.argwhere(np.abs(f) < 2.0 * every * step)
    f[tuple(near.T)] = value(np.stack([axes[k][near[:, k]] for k in range(3)], 1))
    return f


def trimmed(poly: pv.PolyData, keep: np.ndarray):
    """Return vertices and faces of the largest piece where `keep` (n,) is positive, outward."""
    poly.point_data["keep"] = keep
    cut = (
        poly.clip_scalar(scalars="keep", value=0.0, invert=False)
        .triangulate()
        .clean(tolerance=1e-5)
    )
    faces = cut.faces.reshape(-1, 4)[:, 1:].astype(np.int64)
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2])
                  & (faces[:, 2] != faces[:, 0])]  # fmt: skip
    return np.asarray(cut.points, dtype=np.float64), largest_piece(faces)


def oriented(gradient: Callable, vertices, faces):
    """Return the faces turned so that their normals point along the gradient."""
    tri = vertices[faces[:2000]]
    n = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    _, g = gradient(tri.mean(axis=1))
    return faces if np.sum(n * g) > 0 else faces[:, ::-1]


def mesh_of(field, bounds, step: float, keep: Callable, size_of: Callable,
            rounds: int = 6, phase: float = 0.0):  # fmt: skip
    """Return vertices and faces of even triangles on a field's surface where keep > 0."""
    poly = contour(field.value, bounds, step, phase)
    vertices, faces = trimmed(poly, keep(np.asarray(poly.points, dtype=np.float64)))
    faces = oriented(field.gradient, vertices, faces)
    return remesh(vertices, faces, field.project, size_of, rounds)
