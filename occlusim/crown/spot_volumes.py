"""How much volume each spot loses; together exactly what the crown loses."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from occlusim.arrays import Float64Array, Int32Array, Int64Array
from occlusim.geometry.mesh import TriangleMesh


def spot_volumes(
    before: TriangleMesh,
    after: TriangleMesh,
    owner: Int32Array,
    after_owner: Int32Array,
    removal_mm: Float64Array,
    n_spots: int,
) -> Float64Array:
    """Return the volume (n_spots,), mm3, that each spot loses, blend ring included.

    Parameters
    ----------
    before, after : TriangleMesh
        V and V' vertices.
    owner, after_owner : (V,), (V',)
        Spot of each vertex, -1 outside.
    removal_mm : (V, 3)
        Depth taken off, as a vector.

    Notes
    -----
    Divergence theorem over the faces of a group of spots whose cuts touch, both surfaces closing on
    the same unmoved border. Within a group the volume is shared out by depth times projected area,
    first-order volumes, so that the sum stays exact.
    """
    group = _groups(before, after, owner, after_owner, removal_mm, n_spots)
    origin = before.vertices[owner >= 0].mean(axis=0)
    volume = np.zeros(int(group.max()) + 1)
    for mesh, own, sign in ((before, owner, 1.0), (after, after_owner, -1.0)):
        face_owner = own[mesh.faces].max(axis=1)
        faces = np.flatnonzero(face_owner >= 0)
        a, b, c = (mesh.vertices[mesh.faces[faces, k]] - origin for k in range(3))
        parts = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
        np.add.at(volume, group[face_owner[faces]], sign * parts)
    weight = np.zeros(n_spots)
    vectors = before.face_vectors()
    for k in range(3):
        vertex = before.faces[:, k]
        mine = owner[vertex] >= 0
        parts = -np.einsum("ij,ij->i", vectors[mine], removal_mm[vertex[mine]]) / 6.0
        np.add.at(weight, owner[vertex[mine]], parts)
    weight = np.maximum(weight, 0.0)
    total = np.bincount(group, weight)
    return volume[group] * weight / np.maximum(total[group], 1e-300)


def _groups(
    before: TriangleMesh,
    after: TriangleMesh,
    owner: Int32Array,
    after_owner: Int32Array,
    removal_mm: Float64Array,
    n_spots: int,
) -> Int64Array:
    """Return the group (n_spots,) of each spot: those whose cut faces touch are one."""
    moved = (removal_mm != 0).any(axis=1)
    cut = owner[before.faces[moved[before.faces].any(axis=1)]]
    pairs = np.concatenate([cut, after_owner[after.faces]])
    ends = np.concatenate([pairs[:, [0, 1]], pairs[:, [1, 2]], pairs[:, [2, 0]]])
    ends = ends[(ends >= 0).all(axis=1) & (ends[:, 0] != ends[:, 1])]
    graph = coo_matrix((np.ones(len(ends)), tuple(ends.T)), shape=(n_spots, n_spots))
    return connected_components(graph, directed=False)[1].astype(np.int64)
