"""Is a cut mesh still sound: faces turned over, new slivers, faces that cross."""

from __future__ import annotations

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, any_corner
from occlusim.geometry.mesh import TriangleMesh
from occlusim.kernels.bvh import build_tree
from occlusim.kernels.crossing import crossing_partner

MOST_TURN = np.cos(np.radians(75.0))
SLIVER = 0.02
SHRINK = 0.5
FACING = 0.05


def slimness(corners: Float64Array) -> Float64Array:
    """Return the lowest height of triangles (n, 3, 3) over their longest edge, (n,)."""
    edge = corners - np.roll(corners, 1, axis=1)
    longest = np.linalg.norm(edge, axis=2).max(axis=1)
    twice_area = np.linalg.norm(np.cross(edge[:, 0], edge[:, 1]), axis=1)
    return twice_area / np.maximum(longest, 1e-12) ** 2


def damaged_faces(
    before: TriangleMesh,
    vertices: Float64Array,
    moved: BoolArray,
    directions: Float64Array | None = None,
) -> Int64Array:
    """Return the faces that a move of some vertices (V,) would turn over, pinch or push through.

    A face is damaged where it is bent (see `bent_faces`), or where it passes through another and
    did not before.
    """
    face = np.flatnonzero(any_corner(moved, before.faces))
    if len(face) == 0:
        return face
    bent = bent_faces(before, vertices, face, directions)
    after = before.with_vertices(vertices)
    crossed = crossing_faces(after, face) >= 0
    if crossed.any():
        crossed[crossed] = crossing_faces(before, face[crossed]) < 0
    return face[bent | crossed]


def bent_faces(
    before: TriangleMesh,
    vertices: Float64Array,
    face: Int64Array,
    directions: Float64Array | None = None,
) -> BoolArray:
    """Return which of some faces (n,) a move of vertices turns over or pinches.

    A face is turned over where its normal turns by more than 75 degrees; not so, where the
    directions (V, 3) into the material are given, if it looks the cutter in the face afterwards: a
    steep flank may be cut flat. It is pinched where it becomes a sliver (height below 2 % of its
    longest edge) and was twice as stout before.
    """
    corner = before.faces[face]
    old, new = before.vertices[corner], vertices[corner]
    normals = [np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]) for c in (old, new)]
    lengths = [np.linalg.norm(n, axis=1) for n in normals]
    turn = np.einsum("ij,ij->i", *normals)
    turned = turn < MOST_TURN * lengths[0] * lengths[1]
    if directions is not None:
        turned &= facing(new, directions[corner]) <= FACING
    new_slim, old_slim = slimness(new), slimness(old)
    return turned | ((new_slim < SLIVER) & (new_slim < SHRINK * old_slim))


def facing(corners: Float64Array, directions: Float64Array) -> Float64Array:
    """Return the cosine (n,) between triangles' normals and the way back along their directions.

    corners and directions : (n, 3, 3)
    """
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    way = directions.sum(axis=1)
    size = np.linalg.norm(normal, axis=1) * np.linalg.norm(way, axis=1)
    return -np.einsum("ij,ij->i", normal, way) / np.maximum(size, 1e-30)


def crossing_faces(mesh: TriangleMesh, face: Int64Array) -> Int32Array:
    """Return for some faces (n,) another face that each passes through, or -1."""
    partner = np.empty(len(face), dtype=np.int32)
    every = np.flatnonzero(mesh.face_areas() > 0)
    boxes, links, _, slot_face = build_tree(mesh.vertices, mesh.faces, every)
    crossing_partner(len(face), mesh.vertices, mesh.faces, face, boxes, links, slot_face, partner)
    return partner


def is_watertight(mesh: TriangleMesh) -> bool:
    """Return whether every edge is shared by exactly two faces that run along it both ways."""
    f = mesh.faces
    half = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]).astype(np.int64)
    code = half[:, 0] * len(mesh.vertices) + half[:, 1]
    back = half[:, 1] * len(mesh.vertices) + half[:, 0]
    return len(np.unique(code)) == len(code) and bool(np.isin(back, code).all())
