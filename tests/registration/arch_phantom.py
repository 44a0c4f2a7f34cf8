"""Two facing toothed arches with a closed form, and bite scans of their outer faces.

A U-shaped profile is swept along a parabola; its width and height wave along the arch like teeth.
Vertices lie exactly on the closed form, every part is triangulated on its own from a jittered
grid, and every part lies in its own frame. Invented shapes, in the size of an arch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import Delaunay, cKDTree

from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform

TOOTH_MM = 8.0
MOLARS = np.array([[24.0, -30.0, 0.0], [-24.0, -30.0, 0.0]])
"""Places of both first molars, mm, in the upper frame: x right, y forward, z up."""


@dataclass(frozen=True)
class Row:
    """One jaw's teeth: `up` -1 for the upper (tips point down), +1 for the lower."""

    up: float
    width: float
    shift: float
    inset: float

    def at(self, s: np.ndarray, theta: np.ndarray) -> np.ndarray:
        """Return points (n, 3) at places s (mm along x) and profile angles theta (rad)."""
        x = s
        y = -0.045 * x**2
        tangent = np.stack([np.ones_like(x), -0.09 * x], axis=1)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        outward = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
        arc = np.where(x > 0, 1.0, -1.0) * arc_length(np.abs(x))
        phase = 2 * np.pi * (arc + self.shift) / TOOTH_MM
        wide = self.width * (1 + 0.10 * np.cos(phase)) * np.sin(theta) - self.inset
        fossa = 0.9 * np.exp(-((np.sin(theta) / 0.35) ** 2)) * (1 + 0.3 * np.cos(phase))
        tall = 6.0 * (np.cos(theta) - 1) + 0.6 * np.cos(phase) * np.cos(theta / 2) - fossa
        tall = tall + 0.25 * np.cos(2 * phase + 1) * np.exp(-((theta / 0.8) ** 2))
        z = self.up * (tall - 0.6)
        return np.stack([x + outward[:, 0] * wide, y + outward[:, 1] * wide, z], axis=1)


UPPER = Row(-1.0, 4.4, 0.0, 0.0)
LOWER = Row(+1.0, 4.2, 4.0, 0.8)


def arc_length(x: np.ndarray) -> np.ndarray:
    """Return the length along the parabola from its middle to places x >= 0, mm."""
    k = 0.09
    return 0.5 * (x * np.sqrt(1 + (k * x) ** 2) + np.arcsinh(k * x) / k)


def patch(
    row: Row, s_range: tuple, theta_range: tuple, edge_mm: float, rng: np.random.Generator
) -> TriangleMesh:
    """Return an independent triangulation of part of a row, vertices on the closed form."""
    radius = 6.0
    dense = np.linspace(*s_range, 400)
    arc = np.concatenate([[0], np.cumsum(np.diff(np.sign(dense) * arc_length(np.abs(dense))))])
    height = edge_mm * np.sqrt(3) / 2
    along = np.arange(0, arc[-1], edge_mm)
    across = np.arange(theta_range[0] * radius, theta_range[1] * radius, height)
    u, v = np.meshgrid(along, across)
    u = u + 0.5 * edge_mm * (np.arange(len(across)) % 2)[:, None]
    u = u + rng.uniform(-0.25, 0.25, u.shape) * edge_mm
    v = v + rng.uniform(-0.25, 0.25, v.shape) * edge_mm
    flat = np.stack([u.ravel(), v.ravel()], axis=1)
    faces = Delaunay(flat).simplices.astype(np.int32)
    inside = (flat[faces] - flat[faces].mean(axis=1, keepdims=True)) ** 2
    faces = faces[np.sqrt(inside.sum(axis=2)).max(axis=1) < 1.2 * edge_mm]
    s = np.interp(flat[:, 0], arc, dense)
    theta = flat[:, 1] / radius
    points = row.at(s, theta)
    normal = np.cross(
        row.at(s + 1e-4, theta) - points, row.at(s, theta + 1e-4) - points
    )  # along x, then outward and away from the tip
    normal *= -row.up
    face_normal = np.cross(points[faces[:, 1]] - points[faces[:, 0]],
                           points[faces[:, 2]] - points[faces[:, 0]])  # fmt: skip
    flip = np.einsum("ij,ij->i", face_normal, normal[faces[:, 0]]) < 0
    faces[flip] = faces[flip][:, ::-1]
    used, new = np.unique(faces, return_inverse=True)
    return TriangleMesh(points[used], new.reshape(-1, 3).astype(np.int32))


def join(*meshes: TriangleMesh) -> TriangleMesh:
    """Return several meshes as one."""
    start = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return TriangleMesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + np.int32(n) for m, n in zip(meshes, start, strict=True)]),
    )


def noisy(
    mesh: TriangleMesh, sigma_mm: float, length_mm: float, rng: np.random.Generator
) -> TriangleMesh:
    """Return the mesh with normal noise of a Gaussian correlation exp(-d^2 / (2 length^2)).

    White noise, independent from vertex to vertex, for a length of 0.
    """
    surface = Surface.build(mesh)
    white = rng.standard_normal(len(mesh.vertices))
    if length_mm == 0:
        return mesh.with_vertices(
            mesh.vertices + (sigma_mm * white)[:, None] * surface.vertex_normals
        )
    kernel_mm = length_mm / np.sqrt(2)
    tree = cKDTree(mesh.vertices)
    pairs = tree.sparse_distance_matrix(tree, 3 * kernel_mm, output_type="coo_matrix")
    k = np.exp(-0.5 * (pairs.data / kernel_mm) ** 2)
    n = len(white)
    field = np.bincount(pairs.row, k * white[pairs.col], minlength=n)
    field /= np.sqrt(np.bincount(pairs.row, k * k, minlength=n))
    return mesh.with_vertices(mesh.vertices + (sigma_mm * field)[:, None] * surface.vertex_normals)


BUCCAL = (0.45, 1.6)
WHOLE = (-1.7, 1.7)
RIGHT, LEFT, WIDE = (12.0, 27.0), (-27.0, -12.0), (-30.0, 30.0)


@dataclass(frozen=True)
class Phantom:
    """Meshes in their own frames and the true poses in the upper frame."""

    upper: TriangleMesh
    lower: TriangleMesh
    bites: tuple[TriangleMesh, ...]
    T_upper_lower: RigidTransform
    T_upper_bites: tuple[RigidTransform, ...]


TRUE_LOWER = RigidTransform.exp([0.012, -0.015, 0.01, 0.4, -0.3, 0.5])
TRUE_BITES = (
    RigidTransform.exp([-0.01, 0.012, 0.015, -0.3, 0.2, 0.4]),
    RigidTransform.exp([0.015, 0.008, -0.012, 0.3, 0.4, -0.3]),
)


def build_phantom(
    edge_mm: float,
    seed: int,
    *,
    sigma_mm: float = 0.0,
    bite_sigma_mm: float | None = None,
    length_mm: float = 0.3,
    bite_edge_mm: float | None = None,
    sides: tuple = (RIGHT, LEFT),
    buccal: tuple = BUCCAL,
    arch_theta: tuple = WHOLE,
    arch_range: tuple = WIDE,
    upper_row: Row = UPPER,
    opened: tuple = (RigidTransform.identity(), RigidTransform.identity()),
) -> Phantom:
    """Return arches and bite scans, each triangulated and disturbed on its own.

    `bite_sigma_mm` and `bite_edge_mm` are those of the arches unless given.
    `opened` moves the lower teeth within each bite scan: a jaw that was not quite closed.
    """
    rng = np.random.default_rng(seed)

    bite_edge = edge_mm if bite_edge_mm is None else bite_edge_mm
    bite_sigma = sigma_mm if bite_sigma_mm is None else bite_sigma_mm

    def part(row: Row, s_range: tuple, theta: tuple, edge: float, sigma: float) -> TriangleMesh:
        mesh = patch(row, s_range, theta, edge, rng)
        return noisy(mesh, sigma, length_mm, rng) if sigma > 0 else mesh

    def taken(row: Row, side: tuple) -> TriangleMesh:
        return part(row, side, buccal, bite_edge, bite_sigma)

    upper = part(upper_row, arch_range, arch_theta, edge_mm, sigma_mm)
    lower = part(LOWER, arch_range, arch_theta, edge_mm, sigma_mm)
    bites = tuple(
        join(taken(UPPER, side), taken(LOWER, side).transformed(T_closed_taken)).transformed(
            T.inverse()
        )
        for side, T, T_closed_taken in zip(sides, TRUE_BITES, opened, strict=False)
    )
    return Phantom(
        upper, lower.transformed(TRUE_LOWER.inverse()), bites, TRUE_LOWER, TRUE_BITES[: len(sides)]
    )


def build_shared_phantom(edge_mm: float, seed: int) -> Phantom:
    """Return arches and bite scans cut out of them: all parts share their triangles."""
    p = build_phantom(edge_mm, seed)
    lower = p.lower.transformed(p.T_upper_lower)
    bites = []
    for sign, T_upper_bite in zip((1, -1), p.T_upper_bites, strict=True):
        parts = []
        for mesh in (p.upper, lower):
            middle = mesh.vertices[mesh.faces].mean(axis=1)
            outer = (sign * middle[:, 0] > 12) & (sign * middle[:, 0] < 30)
            parts.append(mesh.submesh(np.flatnonzero(outer).astype(np.int32))[0])
        bites.append(join(*parts).transformed(T_upper_bite.inverse()))
    return Phantom(p.upper, p.lower, tuple(bites), p.T_upper_lower, p.T_upper_bites)


def molar_error_um(found: RigidTransform, true: RigidTransform) -> float:
    """Return the largest displacement of both first molars between two poses of the lower jaw."""
    there = (found @ true.inverse()).apply(MOLARS)
    return 1000.0 * float(np.linalg.norm(there - MOLARS, axis=1).max())
