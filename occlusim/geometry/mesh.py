"""Triangle meshes as checked, read-only arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from occlusim.arrays import Float64Array, Int32Array, frozen
from occlusim.errors import MeshError
from occlusim.geometry.transform import RigidTransform


@dataclass(frozen=True, slots=True)
class TriangleMesh:
    """Vertices (V, 3) in mm and faces (F, 3), counter-clockwise seen from outside.

    Raises
    ------
    MeshError
        If there is no face, a coordinate is not finite, or a face names a missing vertex.
    """

    vertices: Float64Array
    faces: Int32Array

    def __post_init__(self) -> None:
        vertices = frozen(self.vertices, np.float64)
        faces = frozen(self.faces, np.int32)
        if vertices.ndim != 2 or vertices.shape[1:] != (3,):
            raise MeshError(f"mesh: vertices of shape {vertices.shape} given, (V, 3) wanted")
        if faces.ndim != 2 or faces.shape[1:] != (3,) or len(faces) == 0:
            raise MeshError(f"mesh: faces of shape {faces.shape} given, (F, 3) with F > 0 wanted")
        if not np.isfinite(vertices).all():
            bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
            raise MeshError(f"mesh: {len(bad)} vertices are not finite, the first is {bad[0]}")
        if faces.min() < 0 or faces.max() >= len(vertices):
            raise MeshError(
                f"mesh: faces name vertices {faces.min()} to {faces.max()}, "
                f"but there are {len(vertices)}"
            )
        object.__setattr__(self, "vertices", vertices)
        object.__setattr__(self, "faces", faces)

    def transformed(self, T_new_old: RigidTransform) -> TriangleMesh:
        """Return the mesh carried by a rigid transform."""
        return TriangleMesh(T_new_old.apply(self.vertices), self.faces)

    def with_vertices(self, vertices: Float64Array) -> TriangleMesh:
        """Return a mesh of the same faces over other vertices (V, 3)."""
        return TriangleMesh(vertices, self.faces)

    def face_vectors(self) -> Float64Array:
        """Return face normals times twice the area, (F, 3), mm2."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return np.cross(b - a, c - a)

    def face_areas(self) -> Float64Array:
        """Return face areas (F,), mm2."""
        return 0.5 * np.linalg.norm(self.face_vectors(), axis=1)

    def volume(self) -> float:
        """Return the signed volume in mm3; meaningful for a closed mesh only.

        Divergence theorem: one sixth of the sum of a . (b x c).
        """
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return float(np.sum(a * np.cross(b, c)) / 6.0)

    def submesh(self, face_index: Int32Array) -> tuple[TriangleMesh, Int32Array]:
        """Return the mesh of some faces and the old index (n,) of each of its vertices."""
        faces = self.faces[face_index]
        used, new = np.unique(faces, return_inverse=True)
        mesh = TriangleMesh(self.vertices[used], new.reshape(-1, 3).astype(np.int32))
        return mesh, used.astype(np.int32)


@dataclass(frozen=True, slots=True)
class PaintedMesh:
    """A mesh with named numbers on its vertices, such as ``gap_um``; NaN means unknown."""

    mesh: TriangleMesh
    fields: Mapping[str, Float64Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        fields = {name: frozen(values, np.float64) for name, values in self.fields.items()}
        for name, values in fields.items():
            if values.shape != (len(self.mesh.vertices),):
                raise MeshError(f"mesh: field {name} has {values.shape}, one per vertex wanted")
        object.__setattr__(self, "fields", fields)
