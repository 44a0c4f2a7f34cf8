"""libigl's signed distance to one mesh, its tree and normals built once.

`igl.signed_distance` builds both anew at every call, which costs more than the answers to a few
thousand points. The closest places and the three kinds of normals are libigl's all the same; which
of them tells the side is read off the closest place, as there.
"""

from __future__ import annotations

import igl
import numpy as np

from occlusim.geometry.mesh import TriangleMesh

ON_FEATURE = 1e-9


class IglDistance:
    """Signed distances to a mesh by pseudonormals (Baerentzen and Aanaes 2005), mm.

    The face told with a distance is the nearest one, or of some faces (F,) the nearest.
    """

    def __init__(self, mesh: TriangleMesh, told: np.ndarray | None = None) -> None:
        self._vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
        self._faces = np.ascontiguousarray(mesh.faces, dtype=np.int64)
        self._tree = igl.AABB()
        self._tree.init(self._vertices, self._faces)
        self._face_normals = igl.per_face_normals(self._vertices, self._faces)
        weighting = igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_ANGLE
        self._vertex_normals = igl.per_vertex_normals(self._vertices, self._faces, weighting)
        even = igl.PER_EDGE_NORMALS_WEIGHTING_TYPE_UNIFORM
        normals, _, edge_of = igl.per_edge_normals(self._vertices, self._faces, even)
        self._edge_normals, self._edge_of = normals, edge_of.reshape(3, -1).T
        self._told = np.ones(len(self._faces), dtype=bool) if told is None else told
        if not self._told.all():
            self._part = igl.AABB()
            self._part.init(self._vertices, self._faces[self._told])

    def __call__(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return signed distances (n,), mm, and the nearest faces (n,) of points (n, 3)."""
        points = np.ascontiguousarray(points, dtype=np.float64)
        if len(points) == 0:
            return np.zeros(0), np.zeros(0, dtype=np.int64)
        squared, face, closest = self._tree.squared_distance(self._vertices, self._faces, points)
        side = np.einsum("ij,ij->i", points - closest, self._normals_at(face, closest))
        other = np.flatnonzero(~self._told[face])
        if len(other):
            part = self._faces[self._told]
            nearest = self._part.squared_distance(self._vertices, part, points[other])[1]
            face[other] = np.flatnonzero(self._told)[nearest]
        return np.copysign(np.sqrt(squared), side), face

    def _normals_at(self, face: np.ndarray, closest: np.ndarray) -> np.ndarray:
        """Return the pseudonormals (n, 3) of the corner, edge or face that a place lies on."""
        corners = self._vertices[self._faces[face]]
        weight = _barycentric(corners, closest)
        is_zero = weight < ON_FEATURE
        normal = self._face_normals[face].copy()
        row, corner = np.nonzero(is_zero & (is_zero.sum(axis=1) == 1)[:, None])
        # libigl's edge k of a face lies opposite its corner k.
        normal[row] = self._edge_normals[self._edge_of[face[row], corner]]
        row, corner = np.nonzero(~is_zero & (is_zero.sum(axis=1) == 2)[:, None])
        normal[row] = self._vertex_normals[self._faces[face[row], corner]]
        return normal


def _barycentric(corners: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the weights (n, 3) of corners (n, 3, 3) at places (n, 3) in their planes."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    w = places - corners[:, 0]
    uu, uv, vv = (np.einsum("ij,ij->i", a, b) for a, b in ((u, u), (u, v), (v, v)))
    wu, wv = np.einsum("ij,ij->i", w, u), np.einsum("ij,ij->i", w, v)
    across = uu * vv - uv * uv
    across[across == 0.0] = 1.0
    second, third = (vv * wu - uv * wv) / across, (uu * wv - uv * wu) / across
    return np.stack([1.0 - second - third, second, third], axis=1)
