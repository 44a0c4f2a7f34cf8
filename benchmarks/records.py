"""Bite records good and bad, made of the demo arches: what the start must find, or refuse."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from demo_arches.noise import read_ply
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.geometry.transform import RigidTransform
from occlusim.jaw.orientation import orient_arches

DEMO = Path(__file__).resolve().parent.parent / "demo_arches"
CASE_OF_PAIR = {"a": "molar-46", "b": "molar-36-low"}
OUTSIDE_MM = 100.0


@dataclass(frozen=True)
class Record:
    """Arches and bite scans, each in its own frame, with the true poses."""

    upper: TriangleMesh
    lower: TriangleMesh
    bites: tuple[TriangleMesh, ...]
    T_upper_lower: RigidTransform
    T_upper_bites: tuple[RigidTransform, ...]

    def surfaces(self) -> tuple[Surface, Surface, list[Surface]]:
        """Return what registration is given."""
        return (
            Surface.build(self.upper),
            Surface.build(self.lower),
            [Surface.build(bite) for bite in self.bites],
        )

    def only(self, *kept: int) -> Record:
        """Return the record with some of its bite scans."""
        return replace(
            self,
            bites=tuple(self.bites[k] for k in kept),
            T_upper_bites=tuple(self.T_upper_bites[k] for k in kept),
        )

    def with_bites(self, *bites: TriangleMesh) -> Record:
        """Return the record with other bite scans in the places of its own."""
        return replace(self, bites=bites, T_upper_bites=self.T_upper_bites[: len(bites)])

    def error_um(self, T_upper_lower: RigidTransform) -> float:
        """Return the largest displacement of the lower arch from its true place, um."""
        found, true = (T.apply(self.lower.vertices) for T in (T_upper_lower, self.T_upper_lower))
        return 1000.0 * float(np.linalg.norm(found - true, axis=1).max())


def demo_record(pair: str = "a") -> Record:
    """Return the record of a pair of demo arches as shipped: right bite scan, then left."""
    truth = json.loads((DEMO / f"{CASE_OF_PAIR[pair]}.truth.json").read_text())
    names = [f"bite_{side}_{pair}.ply" for side in ("right", "left")]
    upper, lower, *bites = (
        TriangleMesh(*read_ply(DEMO / name))
        for name in (f"upper_{pair}.ply", f"lower_{pair}.ply", *names)
    )
    return Record(
        upper,
        lower,
        tuple(bites),
        RigidTransform.from_matrix(truth["T_upper_lower"]),
        tuple(RigidTransform.from_matrix(truth["T_upper_bite"][name]) for name in names),
    )


def random_pose(rng: np.random.Generator, reach_mm: float = OUTSIDE_MM) -> RigidTransform:
    """Return any rotation with the same chance (QR of normal numbers), shifted up to reach_mm."""
    turn, triangle = np.linalg.qr(rng.standard_normal((3, 3)))
    turn = turn * np.sign(np.diag(triangle))
    if np.linalg.det(turn) < 0:
        turn[:, 0] *= -1.0
    away = rng.standard_normal(3)
    return RigidTransform(turn, away * (reach_mm * rng.random() / np.linalg.norm(away)))


def scattered(record: Record, rng: np.random.Generator) -> Record:
    """Return the record with every scan in a random frame of its own."""
    to_upper, to_lower = random_pose(rng), random_pose(rng)
    to_bites = [random_pose(rng) for _ in record.bites]
    return Record(
        record.upper.transformed(to_upper),
        record.lower.transformed(to_lower),
        tuple(b.transformed(T) for b, T in zip(record.bites, to_bites, strict=True)),
        to_upper @ record.T_upper_lower @ to_lower.inverse(),
        tuple(
            to_upper @ T @ to_bite.inverse()
            for T, to_bite in zip(record.T_upper_bites, to_bites, strict=True)
        ),
    )


def some_faces(mesh: TriangleMesh, is_kept: np.ndarray) -> TriangleMesh:
    """Return the faces (F,) of a mesh that are kept."""
    return mesh.submesh(np.flatnonzero(is_kept).astype(np.int32))[0]


def middles(mesh: TriangleMesh) -> np.ndarray:
    """Return the middles (F, 3) of a mesh's faces."""
    return mesh.vertices[mesh.faces].mean(axis=1)


def deep(record: Record, height_mm: float) -> Record:
    """Return the record of a deep bite: of the lower teeth only what is near the upper shows."""
    upper, lower = Surface.build(record.upper), Surface.build(record.lower)
    T_lower_upper = record.T_upper_lower.inverse()
    bites = []
    for bite, T in zip(record.bites, record.T_upper_bites, strict=True):
        there = T.apply(middles(bite))
        to_upper = upper.closest(there).unsigned_mm
        is_lower = lower.closest(T_lower_upper.apply(there)).unsigned_mm < to_upper
        below, _ = cKDTree(there[~is_lower]).query(there)
        bites.append(some_faces(bite, ~is_lower | (below < height_mm)))
    return record.with_bites(*bites)


def joined(*meshes: TriangleMesh) -> TriangleMesh:
    """Return several meshes as one."""
    start = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return TriangleMesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.faces + np.int32(n) for m, n in zip(meshes, start, strict=True)]),
    )


def sheet(half_mm: tuple[float, float], rng: np.random.Generator, waves_mm: float) -> TriangleMesh:
    """Return a sheet about the origin, facing +z, with soft waves of a height; flat for 0."""
    x, y = np.meshgrid(*(np.arange(-half, half, 0.3) for half in half_mm))
    z = waves_mm * np.sin(x / 4 + 6 * rng.random()) * np.cos(y / 5 + 6 * rng.random())
    n = x.shape[1]
    low = (np.arange(x.shape[0] - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate(
        [np.column_stack([low, low + 1, low + n + 1]), np.column_stack([low, low + n + 1, low + n])]
    )
    return TriangleMesh(np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces.astype(np.int32))


def with_cheek(record: Record, rng: np.random.Generator) -> Record:
    """Return the record with a wavy sheet as large as the teeth beside every bite scan."""
    bites = []
    for bite in record.bites:
        outward = Surface.build(bite).vertex_normals.mean(axis=0)
        outward /= np.linalg.norm(outward)
        middle = bite.vertices.mean(axis=0)
        _, _, axes = np.linalg.svd(bite.vertices - middle, full_matrices=False)
        along = axes[0] - (axes[0] @ outward) * outward
        along /= np.linalg.norm(along)
        frame = np.column_stack([along, np.cross(outward, along), outward])
        place = middle + 1.5 * outward * np.max((bite.vertices - middle) @ outward) / 2
        cheek = sheet((18.0, 14.0), rng, 1.5).transformed(RigidTransform(frame, place))
        bites.append(joined(bite, cheek))
    return record.with_bites(*bites)


def mirrored(mesh: TriangleMesh) -> TriangleMesh:
    """Return the mirror image of a mesh, its faces still outside."""
    return TriangleMesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1])


def of_somebody_else(mesh: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
    """Return a mesh as another mouth of the same kind might have it.

    Its points are shifted by 0.5 mm, root mean square, in waves of 8 to 20 mm: teeth of other sizes
    at other places. Widths of one tooth differ by as much between people (from memory).
    """
    shift = np.zeros_like(mesh.vertices)
    for _ in range(12):
        direction = rng.standard_normal(3)
        direction /= np.linalg.norm(direction)
        wave = 2 * np.pi / rng.uniform(8.0, 20.0) * direction
        shift += rng.standard_normal(3) * np.sin(mesh.vertices @ wave + 6.3 * rng.random())[:, None]
    shift *= 0.5 / np.sqrt((shift**2).sum(axis=1).mean())
    return mesh.with_vertices(mesh.vertices + shift)


def one_tooth(mesh: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
    """Return what a bite scan shows within half a molar of one place: parts of two teeth."""
    there = middles(mesh)
    seat = there[rng.integers(len(there))]
    return some_faces(mesh, np.linalg.norm(there - seat, axis=1) < 5.0)


def flat(rng: np.random.Generator) -> TriangleMesh:
    """Return a flat patch of two sides, upper and lower 1 mm apart, with a scanner's noise."""
    parts = []
    for z, up in ((0.0, False), (-1.0, True)):
        patch = sheet((8.0, 5.0), rng, 0.0)
        noise = 0.01 * rng.standard_normal(len(patch.vertices))
        points = patch.vertices + np.array([0.0, 0.0, z]) + noise[:, None] * [0.0, 0.0, 1.0]
        parts.append(TriangleMesh(points, patch.faces if up else patch.faces[:, ::-1]))
    return joined(*parts)


def bad_records(record: Record, rng: np.random.Generator) -> dict[str, Record]:
    """Return records that nobody may trust, by name; one-sided and two-sided ones."""
    right, left = record.bites
    return {
        "mirrored": record.with_bites(mirrored(right), mirrored(left)),
        "one scan mirrored": record.with_bites(mirrored(right)),
        "of another mouth": record.with_bites(
            of_somebody_else(right, rng), of_somebody_else(left, rng)
        ),
        "one scan of another mouth": record.with_bites(right, of_somebody_else(left, rng)),
        "the lower arch of another mouth": replace(
            record, lower=of_somebody_else(record.lower, rng)
        ),
        "one tooth only": record.with_bites(one_tooth(right, rng)),
        "a flat patch": record.with_bites(flat(rng)),
        "cheek only": record.with_bites(sheet((15.0, 10.0), rng, 1.5)),
    }


def cut_record(
    upper: TriangleMesh, lower: TriangleMesh, rng: np.random.Generator, noise_mm: float = 0.015
) -> Record:
    """Return a record cut from two arches that stand in one frame, closed or nearly so.

    Each bite scan is what looks outwards on one side, from 12 mm beside the middle on and within
    6 mm of the layer where the arches meet, thinned to a triangulation of its own, with noise.
    """
    look = orient_arches(upper, lower, check_swap=False)
    bites = []
    for side in (1.0, -1.0):
        parts = []
        for arch in (upper, lower):
            place = look.to_patient(middles(arch))
            corner = arch.vertices[arch.faces]
            facing = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]) @ look.right
            seen = (side * place[:, 0] > 12.0) & (np.abs(place[:, 2]) < 6.0) & (side * facing > 0)
            parts.append(with_noise(thinned(some_faces(arch, seen)), noise_mm, rng))
        bites.append(joined(*parts))
    identity = RigidTransform.identity()
    return Record(upper, lower, tuple(bites), identity, (identity, identity))


def thinned(mesh: TriangleMesh) -> TriangleMesh:
    """Return a mesh of about its own number of faces, whose vertices lie elsewhere."""
    import pyvista  # noqa: PLC0415

    surface = pyvista.PolyData.from_regular_faces(mesh.vertices, mesh.faces)
    fine = surface.subdivide(1, "linear").decimate(0.75)
    return TriangleMesh(np.asarray(fine.points, float), fine.regular_faces.astype(np.int32))


def with_noise(mesh: TriangleMesh, sigma_mm: float, rng: np.random.Generator) -> TriangleMesh:
    """Return a mesh whose vertices stand off along their normals by normal noise."""
    away = sigma_mm * rng.standard_normal(len(mesh.vertices))
    return mesh.with_vertices(
        mesh.vertices + away[:, None] * np.asarray(Surface.build(mesh).vertex_normals)
    )
