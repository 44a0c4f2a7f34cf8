"""Which part of each surface a scan shows, and how fine its triangles are."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from demo_arches.model.motion import apply
from demo_arches.model.remesh import bending, edges_of, flip_edges, graded, smooth, split_long
from demo_arches.model.surface import BITE_WEAR, Field, mesh_of
from demo_arches.model.teeth import Arch

OCCLUSAL_MM = 0.200
CONTACT_MM = 0.110
NEAR_MM = 0.15
CHORD_MM = 0.65e-3
FINEST_MM = 0.03
FARTHEST_MM = 4.0
COARSEST_MM = 2.0
FOCUS_MM = 0.6
FOCUS_CHORD_MM = 0.3e-3
BOUNDS = {"upper": ((-38, 32, -44), (38, 97, -18)), "lower": ((-38, 32, -53), (38, 97, -28))}


def arch_rim(jaw: str):
    """Return the function that is positive where a scan of the arch is kept."""

    def keep(p: np.ndarray) -> np.ndarray:
        x, y, z = p.T
        wave = 0.35 * np.sin(0.35 * x + 0.21 * y) + 0.25 * np.sin(0.8 * x - 0.3 * y)
        front = np.clip((y - 50.0) / 36.0, 0.0, 1.0)
        if jaw == "upper":
            return -24.8 + 3.0 * front + wave - z
        return z - (-49.0 - 1.3 * front + wave)

    return keep


def nearest_crown(arch: Arch, p: np.ndarray):
    """Return how far points lie below the cusps of the nearest tooth, as a share of its length."""
    best = np.full(len(p), np.inf)
    depth = np.full(len(p), 2.0)
    for i in range(len(arch.numbers)):
        local = (p - arch.origin[i]) @ arch.axes[i].T
        far = np.hypot(local[:, 0], local[:, 1])
        near = far < best
        best[near] = far[near]
        depth[near] = -local[near, 2] / arch.shapes[i].length
    return depth


def nearest_tooth(arch: Arch, p: np.ndarray) -> np.ndarray:
    """Return the number of the tooth whose axis is nearest, (n,)."""
    far = np.stack([np.linalg.norm(((p - o) @ a.T)[:, :2], axis=1)
                    for o, a in zip(arch.origin, arch.axes, strict=True)])  # fmt: skip
    return np.array(arch.numbers)[far.argmin(axis=0)]


class Nearness:
    """How near places on one arch come to the other arch in any movement."""

    def __init__(self, opponent: Field, poses: list[np.ndarray]) -> None:
        """`poses` carry this arch into the frame of the opponent's field."""
        self.opponent, self.poses = opponent, poses
        self.tree, self.found = None, np.zeros(0)

    def __call__(self, p: np.ndarray) -> np.ndarray:
        """Return the least gaps (n,), mm; interpolated after the first call."""
        if self.tree is None:
            self.tree, self.found = cKDTree(p), self._least(p)
            return self.found
        far, row = self.tree.query(p, 3)
        weight = 1.0 / np.maximum(far, 1e-6)
        return np.sum(weight * self.found[row], axis=1) / weight.sum(axis=1)

    def _least(self, p: np.ndarray) -> np.ndarray:
        least = self.opponent.value(p)
        rows = np.flatnonzero(least < FARTHEST_MM)
        for T in self.poses:
            least[rows] = np.minimum(least[rows], self.opponent.value(apply(T, p[rows])))
        return least


def nearness(upper: Arch, lower: Arch, poses: list[np.ndarray]) -> dict[str, Nearness]:
    """Return both jaws' nearness to the other at poses of the natural arches.

    For one pair of arches: it remembers the first places that it is asked for, and on another
    pair's abutments and stumps those lie elsewhere.
    """
    back = [np.linalg.inv(T) for T in poses]
    return {"lower": Nearness(Field(upper, what="teeth"), poses),
            "upper": Nearness(Field(lower, upper, BITE_WEAR, what="teeth"), back)}  # fmt: skip


def arch_sizes(arch: Arch, near: Nearness):
    """Return the function that gives wanted edge lengths (n,) at points and their curvatures.

    Where the arches come near in a movement, edges are so short that a face leaves the surface by
    no more than CHORD_MM: a face of edge e spans a sphere of curvature c at a height of c e^2 / 6.
    """

    def size_of(p: np.ndarray, bend: np.ndarray) -> np.ndarray:
        t = nearest_crown(arch, p)
        size = np.interp(t, [0.0, 0.28, 0.55, 0.95, 1.25, 1.6],
                         [OCCLUSAL_MM, OCCLUSAL_MM * 1.05, 0.28, 0.40, 0.62, 0.95])  # fmt: skip
        gap = near(p)
        size = np.minimum(size, CONTACT_MM + 0.16 * np.maximum(gap - NEAR_MM, 0.0))
        rows = np.flatnonzero(gap < NEAR_MM + 0.5)
        chord = CHORD_MM + 0.04 * np.maximum(gap[rows] - NEAR_MM, 0.0)
        fine = np.sqrt(6.0 * chord / np.maximum(bend[rows], 1e-3))
        size[rows] = np.minimum(size[rows], np.maximum(fine, FINEST_MM))
        return size

    return size_of


def arch_mesh(arch: Arch, field: Field, near: Nearness, phase: float = 0.0):
    """Return vertices (V, 3) and faces of an arch's scan in the building frame, noise-free."""
    return mesh_of(field, BOUNDS[arch.jaw], 0.3, arch_rim(arch.jaw),
                   arch_sizes(arch, near), rounds=5, phase=phase)  # fmt: skip


def focused(vertices: np.ndarray, faces: np.ndarray, field: Field, places: np.ndarray):
    """Return a mesh refined around some places, where its faces then fit to FOCUS_CHORD_MM.

    A crown's raised spot meets its antagonist where the natural tooth would not come near, so the
    arch is not fine there. Beyond the places' neighbourhood the mesh keeps its triangles.
    """
    if len(places) == 0:
        return vertices, faces
    tree = cKDTree(places)
    normals = field.project(vertices, 1)[1]
    for _ in range(4):
        far = tree.query(vertices)[0]
        fine = np.sqrt(6.0 * FOCUS_CHORD_MM / np.maximum(bending(vertices, faces, normals), 1e-3))
        size = np.where(far < FOCUS_MM, np.clip(fine, FINEST_MM, CONTACT_MM), COARSEST_MM)
        size = graded(vertices, faces, size)
        for _ in range(3):
            vertices, faces, size, _n = split_long(vertices, faces, size)
        faces, _n = flip_edges(vertices, faces)
        for _ in range(3):
            vertices, normals = field.project(vertices, 1)
            still = tree.query(vertices)[0] > 2 * FOCUS_MM
            vertices = smooth(vertices, faces, size, normals, still)
            faces, _n = flip_edges(vertices, faces)
        vertices, normals = field.project(vertices, 2)
    return vertices, faces


def quality(vertices: np.ndarray, faces: np.ndarray) -> dict[str, float]:
    """Return counts and the worst shapes: smallest angle (degrees), boundary loops."""
    v = vertices[faces]
    angles = []
    for k in range(3):
        a, b = v[:, (k + 1) % 3] - v[:, k], v[:, (k + 2) % 3] - v[:, k]
        c = np.einsum("ij,ij->i", a, b) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
        angles.append(np.degrees(np.arccos(np.clip(c, -1, 1))))
    low = np.min(angles, axis=0)
    edge, face, _ = edges_of(faces)
    rim = edge[face[:, 1] < 0]
    loops = 0
    if len(rim):
        used, new = np.unique(rim, return_inverse=True)
        new = new.reshape(-1, 2)
        graph = coo_matrix((np.ones(len(new)), (new[:, 0], new[:, 1])), (len(used),) * 2)
        loops = int(connected_components(graph, directed=False)[0])
    return {"vertices": len(vertices), "faces": len(faces), "min_angle_deg": float(low.min()),
            "below_15_deg": int(np.sum(low < 15)), "loops": loops}  # fmt: skip


def bite_mesh(side: str, upper: Arch, lower: Arch, fu: Field, fl: Field, tu: Field, tl: Field):
    """Return one mesh of two sheets: buccal views of both jaws' teeth 4 to 7 in the bite."""
    sign = 1.0 if side == "right" else -1.0
    sheets = []
    for arch, field, other in ((upper, fu, tl), (lower, fl, tu)):
        keep = bite_view(arch, other, sign)
        low, high = (-42.0, -22.0) if arch.jaw == "upper" else (-50.0, -31.0)
        x = sorted((sign * 6.0, sign * 38.0))
        sheets.append(mesh_of(field, ((x[0], 36, low), (x[1], 86, high)), 0.33, keep,
                              lambda p, _bend: np.full(len(p), 0.265), 5, phase=0.37))  # fmt: skip
    (v1, f1), (v2, f2) = sheets
    return np.concatenate([v1, v2]), np.concatenate([f1, f2 + len(v1)])


def bite_view(arch: Arch, other: Field, sign: float):
    """Return the function that is positive where a buccal view shows the arch."""

    def keep(p: np.ndarray) -> np.ndarray:
        best, view = np.full(len(p), np.inf), np.full(len(p), -1.0)
        for i, number in enumerate(arch.numbers):
            local = (p - arch.origin[i]) @ arch.axes[i].T
            far = np.hypot(local[:, 0], local[:, 1])
            near = far < best
            best[near] = far[near]
            wanted = number % 10 >= 3 and (arch.origin[i, 0] * sign > 0)
            length = arch.shapes[i].length
            shown = np.minimum(local[:, 1] - 1.0, 1.28 * length + local[:, 2])
            view[near] = np.where(wanted, shown, -1.0)[near]
        view = np.minimum(view, p[:, 1] - 42.0)
        return np.minimum(view, other.value(p) - 0.2)

    return keep
