"""Triangles of even shape on an implicit surface, with wanted edge lengths given by a field.

Split, collapse, flip and tangential smoothing in passes (Botsch & Kobbelt, "A remeshing approach
to multiresolution modeling", 2004; from memory), each followed by projection onto the surface.
Within a pass an operation locks the vertices around it, so that adjacency need not be updated.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from occlusim.kernels.jit import kernel

GRADING = 0.35


def edges_of(faces: np.ndarray):
    """Return edges (E, 2), their faces (E, 2; -1 none) and opposite vertices (E, 2)."""
    f = faces.astype(np.int64)
    a = np.concatenate([f[:, 0], f[:, 1], f[:, 2]])
    b = np.concatenate([f[:, 1], f[:, 2], f[:, 0]])
    o = np.concatenate([f[:, 2], f[:, 0], f[:, 1]])
    face = np.tile(np.arange(len(f)), 3)
    lo, hi = np.minimum(a, b), np.maximum(a, b)
    key = lo * (int(f.max()) + 1) + hi
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    count = np.diff(np.append(first, len(key)))
    if count.max() > 2:
        raise ValueError("non-manifold edge")
    i0 = order[first]
    second = np.where(count == 2, first + 1, first)
    i1 = order[second]
    two = count == 2
    return (np.stack([lo[i0], hi[i0]], 1), np.stack([face[i0], np.where(two, face[i1], -1)], 1),
            np.stack([o[i0], np.where(two, o[i1], -1)], 1))  # fmt: skip


def vertex_faces(faces: np.ndarray, n: int):
    """Return start (n + 1,) and list of the faces around every vertex."""
    order = np.argsort(faces.ravel(), kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(faces.ravel(), minlength=n))])
    return start, order // 3


def compact(vertices: np.ndarray, faces: np.ndarray):
    """Drop unused vertices."""
    used, new = np.unique(faces, return_inverse=True)
    return vertices[used], new.reshape(-1, 3)


def split_long(vertices, faces, size):
    """Split every edge longer than 4/3 of the wanted size, longest first, one a face."""
    edge, face, opp = edges_of(faces)
    length = np.linalg.norm(vertices[edge[:, 0]] - vertices[edge[:, 1]], axis=1)
    ratio = length / (0.5 * (size[edge[:, 0]] + size[edge[:, 1]]))
    todo = np.flatnonzero(ratio > 4 / 3)
    todo = todo[np.argsort(-ratio[todo], kind="stable")]
    chosen = _choose(todo, face, len(faces))
    if len(chosen) == 0:
        return vertices, faces, size, 0
    e, fc, op = edge[chosen], face[chosen], opp[chosen]
    new = len(vertices) + np.arange(len(chosen))
    vertices = np.concatenate([vertices, 0.5 * (vertices[e[:, 0]] + vertices[e[:, 1]])])
    size = np.concatenate([size, 0.5 * (size[e[:, 0]] + size[e[:, 1]])])
    faces = faces.copy()
    added = []
    for k in range(2):
        ok = fc[:, k] >= 0
        rows, o, m = fc[ok, k], op[ok, k], new[ok]
        tri = faces[rows]
        at = np.argmax(tri == o[:, None], axis=1)
        a = tri[np.arange(len(tri)), (at + 1) % 3]
        b = tri[np.arange(len(tri)), (at + 2) % 3]
        faces[rows] = np.stack([o, a, m], 1)
        added.append(np.stack([o, m, b], 1))
    return vertices, np.concatenate([faces, *added]), size, len(chosen)


@kernel
def _choose(todo, face, n_faces):
    locked = np.zeros(n_faces, np.uint8)
    out = np.empty(len(todo), np.int64)
    n = 0
    for e in todo:
        f, g = face[e, 0], face[e, 1]
        if locked[f] or (g >= 0 and locked[g]):
            continue
        locked[f] = 1
        if g >= 0:
            locked[g] = 1
        out[n] = e
        n += 1
    return out[:n]


@kernel
def _normal(v, a, b, c):
    ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
    wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
    return uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx


@kernel
def _collapse(v, faces, size, todo, edge, face, start, around, boundary):  # noqa: C901, PLR0915
    """Collapse edges in order; locks the ring of both ends; returns merged-into and alive."""
    n = len(v)
    locked = np.zeros(n, np.uint8)
    into = np.arange(n)
    alive = np.ones(len(faces), np.uint8)
    mark = np.zeros(n, np.int64)
    stamp = 0
    count = 0
    for e in todo:
        a, b = edge[e, 0], edge[e, 1]
        if locked[a] or locked[b]:
            continue
        if boundary[a] and not boundary[b]:
            a, b = b, a  # a is removed, b stays
        rim = boundary[a] and boundary[b]
        if rim and face[e, 1] >= 0:
            continue
        # link condition: exactly two common neighbours, one on the rim
        stamp += 1
        busy = False
        for k in range(start[a], start[a + 1]):
            f = around[k]
            for j in range(3):
                w = faces[f, j]
                mark[w] = stamp
                if locked[w]:
                    busy = True
        common = 0
        stamp2 = stamp + 1
        for k in range(start[b], start[b + 1]):
            f = around[k]
            for j in range(3):
                w = faces[f, j]
                if locked[w]:
                    busy = True
                if w != a and w != b and mark[w] == stamp:
                    mark[w] = stamp2
                    common += 1
        stamp = stamp2
        if busy or common != (1 if rim else 2):
            continue
        px, py, pz = v[b, 0], v[b, 1], v[b, 2]
        if rim or not boundary[b]:
            px = 0.5 * (v[a, 0] + px)
            py = 0.5 * (v[a, 1] + py)
            pz = 0.5 * (v[a, 2] + pz)
        good = True
        for end in range(2):
            c = a if end == 0 else b
            other = b if end == 0 else a
            for k in range(start[c], start[c + 1]):
                f = around[k]
                i, j, m = faces[f, 0], faces[f, 1], faces[f, 2]
                if i == other or j == other or m == other:
                    continue
                nx, ny, nz = _normal(v, i, j, m)
                ox, oy, oz = v[c, 0], v[c, 1], v[c, 2]
                v[c, 0], v[c, 1], v[c, 2] = px, py, pz
                qx, qy, qz = _normal(v, i, j, m)
                long = 0.0
                for w in (i, j, m):
                    d = np.sqrt((v[w, 0] - px) ** 2 + (v[w, 1] - py) ** 2 + (v[w, 2] - pz) ** 2)
                    if w != c:
                        long = max(long, d / (0.5 * (size[w] + size[b])))
                v[c, 0], v[c, 1], v[c, 2] = ox, oy, oz
                dot = nx * qx + ny * qy + nz * qz
                nn = np.sqrt(nx * nx + ny * ny + nz * nz)
                qq = np.sqrt(qx * qx + qy * qy + qz * qz)
                if dot < 0.5 * nn * qq or long > 1.32:
                    good = False
        if not good:
            continue
        v[b, 0], v[b, 1], v[b, 2] = px, py, pz
        into[a] = b
        count += 1
        for end in range(2):
            c = a if end == 0 else b
            for k in range(start[c], start[c + 1]):
                f = around[k]
                has = 0
                for j in range(3):
                    locked[faces[f, j]] = 1
                    if faces[f, j] == a or faces[f, j] == b:
                        has += 1
                if has == 2:
                    alive[f] = 0
    return into, alive, count


def collapse_short(vertices, faces, size):
    """Collapse edges shorter than 4/5 of the wanted size, shortest first."""
    edge, face, _opp = edges_of(faces)
    length = np.linalg.norm(vertices[edge[:, 0]] - vertices[edge[:, 1]], axis=1)
    ratio = length / (0.5 * (size[edge[:, 0]] + size[edge[:, 1]]))
    todo = np.flatnonzero(ratio < 0.8)
    todo = todo[np.argsort(ratio[todo], kind="stable")]
    boundary = np.zeros(len(vertices), np.uint8)
    boundary[edge[face[:, 1] < 0].ravel()] = 1
    start, around = vertex_faces(faces, len(vertices))
    vertices = vertices.copy()
    into, alive, count = _collapse(vertices, faces, size, todo, edge, face, start, around, boundary)
    faces = into[faces][alive == 1]
    used, new = np.unique(faces, return_inverse=True)
    return vertices[used], new.reshape(-1, 3), size[used], count


@kernel
def _flip(v, faces, edge, face, opp, todo, start, around, boundary):
    locked = np.zeros(len(v), np.uint8)
    count = 0
    for e in todo:
        a, b, c, d = edge[e, 0], edge[e, 1], opp[e, 0], opp[e, 1]
        if locked[a] or locked[b] or locked[c] or locked[d]:
            continue
        f, g = face[e, 0], face[e, 1]
        exists = False
        for k in range(start[c], start[c + 1]):
            h = around[k]
            if faces[h, 0] == d or faces[h, 1] == d or faces[h, 2] == d:
                exists = True
        if exists:
            continue
        # keep a low valence end from falling under three
        if start[a + 1] - start[a] <= 4 - boundary[a] or start[b + 1] - start[b] <= 4 - boundary[b]:
            continue
        at = 0
        for j in range(3):
            if faces[f, j] == c:
                at = j
        p, q = faces[f, (at + 1) % 3], faces[f, (at + 2) % 3]
        n1 = _normal(v, c, p, q)
        n2 = _normal(v, d, q, p)
        m1 = _normal(v, c, p, d)
        m2 = _normal(v, c, d, q)
        sx, sy, sz = n1[0] + n2[0], n1[1] + n2[1], n1[2] + n2[2]
        s = np.sqrt(sx * sx + sy * sy + sz * sz)
        l1 = np.sqrt(m1[0] ** 2 + m1[1] ** 2 + m1[2] ** 2)
        l2 = np.sqrt(m2[0] ** 2 + m2[1] ** 2 + m2[2] ** 2)
        if m1[0] * sx + m1[1] * sy + m1[2] * sz < 0.6 * s * l1 + 1e-14:
            continue
        if m2[0] * sx + m2[1] * sy + m2[2] * sz < 0.6 * s * l2 + 1e-14:
            continue
        faces[f, 0], faces[f, 1], faces[f, 2] = c, p, d
        faces[g, 0], faces[g, 1], faces[g, 2] = c, d, q
        locked[a] = locked[b] = locked[c] = locked[d] = 1
        count += 1
    return count


def _angle(p, a, b):
    u, w = a - p, b - p
    cross = np.linalg.norm(np.cross(u, w), axis=1)
    return np.arctan2(cross, np.einsum("ij,ij->i", u, w))


def flip_edges(vertices, faces):
    """Flip edges whose opposite angles add to more than 180 degrees (Delaunay)."""
    edge, face, opp = edges_of(faces)
    inner = np.flatnonzero(face[:, 1] >= 0)
    v = vertices
    total = sum(_angle(v[opp[inner, k]], v[edge[inner, 0]], v[edge[inner, 1]]) for k in range(2))
    todo = inner[total > np.pi + 1e-6]
    todo = todo[np.argsort(-total[total > np.pi + 1e-6], kind="stable")]
    boundary = np.zeros(len(vertices), np.int64)
    boundary[edge[face[:, 1] < 0].ravel()] = 1
    start, around = vertex_faces(faces, len(vertices))
    faces = faces.copy()
    return faces, _flip(vertices, faces, edge, face, opp, todo, start, around, boundary)


def smooth(vertices, faces, size, normals, boundary):
    """Move every inner vertex towards the weighted middle of its faces, along the surface."""
    tri = vertices[faces]
    area = 0.5 * np.linalg.norm(np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]), axis=1)
    weight = area / size[faces].mean(axis=1) ** 2
    middle = tri.mean(axis=1)
    n = len(vertices)
    total = np.zeros((n, 3))
    sums = np.zeros(n)
    for k in range(3):
        sums += np.bincount(faces[:, k], weight, n)
        for j in range(3):
            total[:, j] += np.bincount(faces[:, k], weight * middle[:, j], n)
    move = 0.6 * (total / np.maximum(sums, 1e-12)[:, None] - vertices)
    move -= np.einsum("ij,ij->i", move, normals)[:, None] * normals
    move[boundary] = 0.0
    return vertices + move


def bending(vertices, faces, normals):
    """Return the largest curvature (n,), 1/mm, along the edges at every vertex."""
    edge, _face, _opp = edges_of(faces)
    a, b = edge.T
    turn = np.linalg.norm(normals[a] - normals[b], axis=1)
    bend = turn / np.maximum(np.linalg.norm(vertices[a] - vertices[b], axis=1), 1e-6)
    most = np.zeros(len(vertices))
    np.maximum.at(most, a, bend)
    np.maximum.at(most, b, bend)
    return most


def graded(vertices, faces, size):
    """Return wanted edge lengths that grow by no more than GRADING of the way along an edge."""
    edge, _face, _opp = edges_of(faces)
    grow = GRADING * np.linalg.norm(vertices[edge[:, 0]] - vertices[edge[:, 1]], axis=1)
    out = size.copy()
    for _ in range(4):
        for a, b in ((0, 1), (1, 0)):
            np.minimum.at(out, edge[:, a], out[edge[:, b]] + grow)
    return out


def boundary_vertices(faces: np.ndarray, n: int) -> np.ndarray:
    """Return a mask (n,) of the vertices on open edges."""
    edge, face, _ = edges_of(faces)
    mask = np.zeros(n, bool)
    mask[edge[face[:, 1] < 0].ravel()] = True
    return mask


def largest_piece(faces: np.ndarray) -> np.ndarray:
    """Return the faces of the largest connected piece."""
    n = int(faces.max()) + 1
    i = np.concatenate([faces[:, 0], faces[:, 1]])
    j = np.concatenate([faces[:, 1], faces[:, 2]])
    _, label = connected_components(coo_matrix((np.ones(len(i)), (i, j)), (n, n)), directed=False)
    face_label = label[faces[:, 0]]
    return faces[face_label == np.bincount(face_label).argmax()]


def remesh(vertices, faces, project: Callable, size_of: Callable, rounds: int = 6):
    """Return vertices and faces of even triangles.

    project : points (n, 3) -> points on the surface and unit normals, (n, 3) each.
    size_of : points (n, 3), curvatures (n,) -> wanted edge lengths (n,), mm.
    """
    vertices, normals = project(vertices, 2)
    for r in range(rounds):
        size = size_of(vertices, bending(vertices, faces, normals))
        size = graded(vertices, faces, size)
        for _ in range(3 if r < 3 else 1):
            vertices, faces, size, _n = split_long(vertices, faces, size)
        for _ in range(5):
            vertices, faces, size, n = collapse_short(vertices, faces, size)
            if n < 50:
                break
        for _ in range(5):
            faces, n = flip_edges(vertices, faces)
            if n < 50:
                break
        vertices, normals = project(vertices, 1)
        for _ in range(3):
            edge = boundary_vertices(faces, len(vertices))
            vertices = smooth(vertices, faces, size, normals, edge)
            vertices, normals = project(vertices, 1)
            faces, _n = flip_edges(vertices, faces)
    for _ in range(4):
        faces, n = flip_edges(vertices, faces)
        if n == 0:
            break
    vertices, normals = project(vertices, 4)
    return compact(vertices, peeled(vertices, faces))


def smallest_angle_deg(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Return the smallest angle of every face (F,)."""
    v = vertices[faces]
    return np.degrees(np.min([_angle(v[:, k], v[:, (k + 1) % 3], v[:, (k + 2) % 3])
                              for k in range(3)], axis=0))  # fmt: skip


def peeled(vertices: np.ndarray, faces: np.ndarray, least_deg: float = 12.0) -> np.ndarray:
    """Return the faces without slivers on the rim, without pinched rims, largest piece only."""
    for _ in range(12):
        edge, face, _ = edges_of(faces)
        rim = face[:, 1] < 0
        if not rim.any():
            return faces
        bad = np.zeros(len(faces), bool)
        bad[face[rim, 0]] = True
        bad &= smallest_angle_deg(vertices, faces) < least_deg
        pinched = np.flatnonzero(np.bincount(edge[rim].ravel(), minlength=len(vertices)) > 2)
        bad |= np.isin(faces, pinched).any(axis=1)
        if not bad.any():
            break
        faces = largest_piece(faces[~bad])
    return faces
