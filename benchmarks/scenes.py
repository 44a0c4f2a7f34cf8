"""The meshes and points that the benchmarks share; lengths in mm.

Closed shapes with a distance in closed form, the two arches of the demo, and a smooth toothed sheet
in any fineness and length.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from reference import shapes

from occlusim.demo import demo_folder
from occlusim.files.mesh_files import read_mesh
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.transform import RigidTransform

ARCHES = ("upper_a", "lower_a")
PITCH_MM = 7.5
WIDTH_MM = 10.0


@dataclass(frozen=True)
class Scene:
    """A mesh; distance gives the exact one of the shape that it stands for, where there is one."""

    name: str
    mesh: TriangleMesh
    distance: Callable[[np.ndarray], np.ndarray] | None = None


def closed_shapes(n_faces: int) -> list[Scene]:
    """Return a sphere, a torus, a capsule and a box of about so many faces, tooth-sized and up."""
    n_sphere = max(2, round((n_faces / 12) ** 0.5))
    n_tube = max(8, round((n_faces / 8) ** 0.5))
    n_turn = max(8, 2 * round((n_faces / 4) ** 0.5))
    size = (24.0, 18.0, 12.0)
    return [
        Scene("sphere", shapes.sphere(20.0, n_sphere), lambda p: shapes.sphere_distance(p, 20.0)),
        Scene("torus", shapes.torus(20.0, 6.0, 4 * n_tube, n_tube),
              lambda p: shapes.torus_distance(p, 20.0, 6.0)),
        Scene("capsule", shapes.capsule(5.0, 8.0, n_turn),
              lambda p: shapes.capsule_distance(p, 5.0, 8.0)),
        Scene("box", shapes.box(size, n_sphere), lambda p: shapes.box_distance(p, size)),
    ]  # fmt: skip


def arch(name: str) -> Scene:
    """Return one of the demo's arches, as scanned: an open surface."""
    return Scene(name, read_mesh(demo_folder() / f"{name}.ply").mesh)


def demo_pose() -> RigidTransform:
    """Return T_upper_lower of the demo's true bite."""
    truth = json.loads((demo_folder() / "molar-46.truth.json").read_text(encoding="utf-8"))
    return RigidTransform.from_matrix(truth["T_upper_lower"])


def toothed_sheet(n_faces: int, times_longer: float = 1.0) -> TriangleMesh:
    """Return an open sheet of about n_faces: a row of teeth, smooth, on a half ellipse.

    Of one length its area is the same for every number of faces, but for what coarse faces cut
    off. The ellipse of length one is an arch's, 50 mm wide.
    """
    turn = np.linspace(0.0, np.pi, 20001)
    x, y = 25.0 * times_longer * np.cos(turn), 45.0 * times_longer * np.sin(turn)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    n_across = max(3, round((n_faces / 2 * WIDTH_MM / way[-1]) ** 0.5))
    n_along = max(3, round(n_faces / 2 / n_across))
    s, w = np.meshgrid(np.linspace(0, way[-1], n_along + 1),
                       np.linspace(-WIDTH_MM / 2, WIDTH_MM / 2, n_across + 1),
                       indexing="ij")  # fmt: skip
    at = np.interp(s, way, turn)
    normal = np.stack([45.0 * np.cos(at), 25.0 * np.sin(at)])
    normal /= np.linalg.norm(normal, axis=0)
    vertices = np.stack([
        25.0 * times_longer * np.cos(at) + w * normal[0],
        45.0 * times_longer * np.sin(at) + w * normal[1],
        _relief(s, w),
    ], -1).reshape(-1, 3)  # fmt: skip
    i, j = np.meshgrid(np.arange(n_along), np.arange(n_across), indexing="ij")
    a = (i * (n_across + 1) + j).ravel()
    b, c, d = a + n_across + 1, a + n_across + 2, a + 1
    faces = np.concatenate([np.stack([a, c, b], 1), np.stack([a, d, c], 1)])
    return TriangleMesh(vertices, faces.astype(np.int32))


def _relief(s: np.ndarray, w: np.ndarray) -> np.ndarray:
    """Return the height of the sheet: four cusps and a hollow a tooth, falling off at the sides."""
    u = 2 * np.pi * s / PITCH_MM
    height = 0.8 * np.cos(2 * u) * np.cos(2 * np.pi * w / 5.0) + 0.4 * np.cos(u)
    return height * np.exp(-((w / 4.0) ** 4)) - 6.0 * (np.abs(w) / 5.0) ** 4


def points_near(
    mesh: TriangleMesh, n: int, within_mm: float, rng: np.random.Generator
) -> np.ndarray:
    """Return points (n, 3) at random, evenly over the surface and up to so far along its normals.

    Float32 values, so that peers of single precision are asked for the very same places.
    """
    vector = mesh.face_vectors()
    twice_area = np.linalg.norm(vector, axis=1)
    face = np.searchsorted(np.cumsum(twice_area), rng.random(n) * twice_area.sum())
    face = np.minimum(face, len(mesh.faces) - 1)
    share = rng.dirichlet((1.0, 1.0, 1.0), n)
    on = np.einsum("nk,nkj->nj", share, mesh.vertices[mesh.faces[face]])
    normal = vector[face] / twice_area[face, None]
    points = on + normal * rng.uniform(-within_mm, within_mm, n)[:, None]
    return points.astype(np.float32).astype(np.float64)


def morton_order(points: np.ndarray) -> np.ndarray:
    """Return an order (n,) of points along a Morton curve of 1024 places a side."""
    low = points.min(axis=0)
    cell = max(float(np.ptp(points, axis=0).max()) / 1023, 1e-12)
    place = ((points - low) / cell).astype(np.int64)
    code = np.zeros(len(points), dtype=np.int64)
    for bit in range(10):
        for k in range(3):
            code |= ((place[:, k] >> bit) & 1) << (3 * bit + k)
    return np.argsort(code, kind="stable")


def faceting_um(scene: Scene) -> float:
    """Return how far the mesh lies from its shape at most, at the middles of faces and edges."""
    if scene.distance is None:
        return float("nan")
    corner = scene.mesh.vertices[scene.mesh.faces]
    middles = [corner.mean(axis=1), *(0.5 * (corner[:, k] + corner[:, k - 1]) for k in range(3))]
    return 1000 * max(float(np.abs(scene.distance(p)).max()) for p in middles)
