"""What a cut takes off, as a closed mesh of its own.

It lies between the faces of the input crown that are gone and the faces of the adjusted crown that
took their place. Where the two surfaces meet along an edge inside the cut the body has no
thickness: there its sheets are told apart, so that every edge has two faces.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from occlusim.arrays import BoolArray, Int64Array
from occlusim.geometry.mesh import TriangleMesh


def removed_body(
    before: TriangleMesh, after: TriangleMesh, vertex_origin: Int64Array | None = None
) -> TriangleMesh | None:
    """Return the body between two crowns, normals outward, or None where nothing was taken off.

    Parameters
    ----------
    before : TriangleMesh
        V vertices; consistently wound, every edge with one or two faces.
    after : TriangleMesh
        V' vertices.
    vertex_origin : (V',)
        Which vertex of `before` each of `after` is, -1 for a new one; None where they are the same
        in the same order.

    Notes
    -----
    Its volume is the difference of the two crowns' volumes. Closed, except where an open edge of
    the crown was cut: the body is open there as the crown is.
    """
    n_before = len(before.vertices)
    origin = np.arange(n_before) if vertex_origin is None else vertex_origin
    known = origin >= 0
    kept = known.copy()
    kept[known] = (after.vertices[known] == before.vertices[origin[known]]).all(axis=1)
    # One numbering for both: vertices that stayed keep their old number, others get a new one.
    number = np.where(kept, origin, n_before + np.arange(len(origin)))
    new = number[after.faces].astype(np.int64)
    old = before.faces.astype(np.int64)
    upper = old[~_rows_among(old, new)]
    lower = new[~_rows_among(new, old)]
    if len(upper) == 0:
        return None
    places = np.concatenate([before.vertices, after.vertices])
    faces = _corners_joined(upper, lower, n_before)
    every = np.concatenate([upper, lower])
    vertices = np.empty((int(faces.max()) + 1, 3))
    vertices[faces] = places[every]
    faces[len(upper) :] = faces[len(upper) :, ::-1]
    return TriangleMesh(vertices, faces.astype(np.int32))


def _rows_among(faces: Int64Array, others: Int64Array) -> BoolArray:
    """Return which faces (n, 3) are also among others (m, 3), whatever corner comes first."""
    both = np.sort(np.concatenate([faces, others]), axis=1)
    _, code = np.unique(both, axis=0, return_inverse=True)
    code = code.reshape(-1)
    return np.isin(code[: len(faces)], code[len(faces) :])


def _corners_joined(upper: Int64Array, lower: Int64Array, n_before: int) -> Int64Array:
    """Return the vertex (n + m, 3) of each corner of two sheets that meet along shared edges.

    Corners of one sheet are one vertex across its own edges, except where the other sheet has the
    same edge: there the sheets are joined to each other, side by side.
    """
    faces = np.concatenate([upper, lower])
    start = faces.ravel()
    stop = np.roll(faces, -1, axis=1).ravel()
    base = int(faces.max()) + 1
    is_upper = np.repeat(np.arange(len(faces)) < len(upper), 3)
    ahead, back = start * base + stop, stop * base + start
    # A half edge that both sheets have, over vertices that stayed, is where they meet.
    in_both = np.where(is_upper, np.isin(ahead, ahead[~is_upper]), np.isin(ahead, ahead[is_upper]))
    in_both &= (start < n_before) & (stop < n_before)
    corner = np.arange(len(start))
    following = np.roll(corner.reshape(-1, 3), -1, axis=1).ravel()
    links: list[tuple[Int64Array, Int64Array]] = []
    for own, key in ((is_upper & ~in_both, back), (~is_upper & ~in_both, back)):
        one, other = _matched(ahead, key, np.flatnonzero(own), np.flatnonzero(own))
        links += [(corner[one], following[other]), (following[one], corner[other])]
    one, other = _matched(
        ahead, ahead, np.flatnonzero(is_upper & in_both), np.flatnonzero(~is_upper & in_both)
    )
    links += [(corner[one], corner[other]), (following[one], following[other])]
    a, b = (np.concatenate(part) for part in zip(*links, strict=True))
    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(start), len(start)))
    return connected_components(graph, directed=False)[1].astype(np.int64).reshape(-1, 3)


def _matched(
    key: Int64Array, wanted: Int64Array, these: Int64Array, among: Int64Array
) -> tuple[Int64Array, Int64Array]:
    """Return pairs of rows (of `these`, of `among`) where the one's `wanted` is the other's key."""
    order = among[np.argsort(key[among], kind="stable")]
    at = np.searchsorted(key[order], wanted[these])
    at = np.minimum(at, max(len(order) - 1, 0))
    hit = key[order[at]] == wanted[these] if len(order) else np.zeros(len(these), dtype=bool)
    return these[hit], order[at[hit]]
