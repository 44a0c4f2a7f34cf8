"""Faces of four and more corners cut into triangles.

A quad is cut along its shorter valid diagonal, a larger polygon by cutting off ears in the plane
of its Newell normal (Meisters, Polygons have ears, 1975; Newell's normal as in Ericson,
Real-Time Collision Detection, 2004, section 12.4.2; both from memory).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from occlusim.arrays import Float64Array, Int64Array
from occlusim.files.raw_mesh import broken

MOST_CORNERS = 256


def triangulate(
    vertices: Float64Array, corners: Int64Array, n_corners: Int64Array
) -> tuple[Int64Array, int]:
    """Return the triangles of a list of polygons, and how many polygons had fewer than 3 corners.

    Parameters
    ----------
    vertices : (V, 3), any unit
    corners : (n_corners.sum(),)
        Vertex indices of all polygons one after the other; all must exist.
    n_corners : (P,)
        Number of corners of each polygon.

    Returns
    -------
    faces : (F, 3)
        In the order of the polygons; polygons of fewer than three corners are left out.
    n_left_out : int
    """
    start = np.concatenate([[0], np.cumsum(n_corners)])[:-1]
    owners: list[Int64Array] = []
    parts: list[Int64Array] = []
    for count in np.unique(n_corners):
        polygon = np.flatnonzero(n_corners == count)
        if count < 3:
            continue
        table = corners[start[polygon][:, None] + np.arange(count)]
        if count == 3:
            faces = table
        elif count == 4:
            faces = _cut_quads(vertices, table)
        else:
            faces = np.array([_cut_ears(vertices[row], row) for row in table]).reshape(-1, 3)
        parts.append(faces.astype(np.int64))
        owners.append(np.repeat(polygon, count - 2))
    n_left_out = int((n_corners < 3).sum())
    if not parts:
        return np.empty((0, 3), dtype=np.int64), n_left_out
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(parts)[order], n_left_out


def _cut_quads(vertices: Float64Array, quads: Int64Array) -> Int64Array:
    """Return two triangles (2n, 3) for each of the quads (n, 4)."""
    a, b, c, d = (vertices[quads[:, k]] for k in range(4))
    normal = np.cross(c - a, d - b)

    def worst(first: Float64Array, second: Float64Array) -> Float64Array:
        return np.minimum(
            np.einsum("ij,ij->i", first, normal), np.einsum("ij,ij->i", second, normal)
        )

    along_ac = worst(np.cross(b - a, c - a), np.cross(c - a, d - a))
    along_bd = worst(np.cross(c - b, d - b), np.cross(d - b, a - b))
    shorter_ac = ((c - a) ** 2).sum(axis=1) <= ((d - b) ** 2).sum(axis=1)
    both_valid = (along_ac > 0) & (along_bd > 0)
    use_ac = np.where(both_valid, shorter_ac, along_ac >= along_bd)
    ac = quads[:, [0, 1, 2, 0, 2, 3]]
    bd = quads[:, [1, 2, 3, 1, 3, 0]]
    return np.where(use_ac[:, None], ac, bd).reshape(-1, 3)


def _cut_ears(points: Float64Array, index: Int64Array) -> list[tuple[int, int, int]]:
    """Return the n - 2 triangles of one polygon of points (n, 3) and vertex indices (n,)."""
    following = np.roll(points, -1, axis=0)
    normal = np.cross(points, following).sum(axis=0)
    drop = int(np.argmax(np.abs(normal)))
    flat = np.delete(points, drop, axis=1)
    if normal[drop] * (-1) ** drop < 0:
        flat = flat[:, ::-1]
    left = list(range(len(points)))
    triangles: list[tuple[int, int, int]] = []
    while len(left) > 3:
        k = _find_ear(flat, left)
        before, ear, after = left[k - 1], left[k], left[(k + 1) % len(left)]
        triangles.append((int(index[before]), int(index[ear]), int(index[after])))
        del left[k]
    triangles.append((int(index[left[0]]), int(index[left[1]]), int(index[left[2]])))
    return triangles


def _find_ear(flat: Float64Array, left: list[int]) -> int:
    """Return the position in `left` of a convex corner whose triangle holds no other corner."""
    best, best_turn = 0, -np.inf
    for k in range(len(left)):
        a, b, c = flat[left[k - 1]], flat[left[k]], flat[left[(k + 1) % len(left)]]
        turn = _turn(a, b, c)
        if turn <= 0:
            continue
        if turn > best_turn:
            best, best_turn = k, turn
        others = [
            flat[j]
            for j in left
            if not any(np.array_equal(flat[j], corner) for corner in (a, b, c))
        ]
        inside = (min(_turn(a, b, p), _turn(b, c, p), _turn(c, a, p)) >= 0 for p in others)
        if not any(inside):
            return k
    return best


def _turn(a: Float64Array, b: Float64Array, c: Float64Array) -> float:
    """Return twice the signed area of a triangle in the plane, positive to the left."""
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def check_corners(corners: Int64Array, n_corners: Int64Array, n_vertices: int, path: Path) -> None:
    """Raise `MeshError` where a face names a missing vertex or has absurdly many corners."""
    if len(n_corners) and n_corners.max() > MOST_CORNERS:
        raise broken(path, f"a face of {n_corners.max()} corners is absurd")
    bad = np.flatnonzero((corners < 0) | (corners >= n_vertices))
    if len(bad):
        raise broken(
            path,
            f"{len(bad)} corners of faces name a vertex that is not there, the first is "
            f"{corners[bad[0]]}; the file holds vertices 0 to {n_vertices - 1}",
        )


def remark_polygons(
    n_corners: Int64Array, n_left_out: int, remarks: list[tuple[str, str, str, int]]
) -> None:
    """Add what was cut into triangles and what was left out."""
    n_polygons = int((n_corners > 3).sum())
    if n_polygons:
        message = f"{n_polygons} faces of more than three corners were cut into triangles"
        remarks.append(("info", "polygons_cut", message, n_polygons))
    if n_left_out:
        message = f"{n_left_out} faces of fewer than three corners were left out"
        remarks.append(("warning", "faces_without_area", message, n_left_out))
