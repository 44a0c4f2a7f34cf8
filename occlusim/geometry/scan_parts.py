"""Pieces, borders, turned faces, spikes and the outer side of a scan, measured.

What they mean for a scan is said by `occlusim.geometry.scan_check`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from occlusim.arrays import AnyArray, BoolArray, Float64Array, Int64Array
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.topology import MeshTopology, mesh_topology
from occlusim.kernels.topology import EDGE_FLIPPED, EDGE_OPEN, EDGE_SHARED, KEPT

WALL_NEAR_MM, WALL_FAR_MM = 3.0, 14.0
"""How far apart the two walls of a tooth or of the ridge stand.

Crowns measure 6 to 11 mm from cheek to tongue, and 5 to 9 mm along the arch (tooth anatomy, common
values); walls that face each other across a fissure are nearer, across the mouth further apart.
"""

SPIKE_HEIGHT_MM = 0.05
SPIKE_STEEPNESS = 1.5


@dataclass(frozen=True, slots=True)
class ScanParts:
    """A mesh with what touches what.

    Attributes
    ----------
    mesh, topology
    faces : (F, 3)
        Corners, vertices at the same place counted as one.
    is_kept : (F,)
        Neither collapsed nor a repetition.
    piece : (F,)
        Number of the piece a face belongs to, -1 where it is not kept; pieces that share a vertex
        are one.
    piece_area_mm2 : (n,)
    open_edges : (m, 2)
        Vertices of the edges that have one face only, in the direction of that face.
    loop : (m,)
        Number of the border loop of each open edge.
    loop_length_mm : (k,)
    """

    mesh: TriangleMesh
    topology: MeshTopology
    faces: AnyArray
    is_kept: BoolArray
    piece: Int64Array
    piece_area_mm2: Float64Array
    open_edges: Int64Array
    loop: Int64Array
    loop_length_mm: Float64Array


def scan_parts(mesh: TriangleMesh) -> ScanParts:
    """Return pieces and borders of a mesh.

    Raises
    ------
    MeshError
        If no face has an area.
    """
    topology = mesh_topology(mesh)
    faces = topology.vertex_of[mesh.faces]
    is_kept = topology.fate == KEPT
    n_vertices = len(mesh.vertices)
    kept = faces[is_kept]
    pairs = np.concatenate([kept[:, [0, 1]], kept[:, [1, 2]]])
    piece = np.full(len(faces), -1, dtype=np.int64)
    piece[is_kept] = _numbered(_groups(pairs, n_vertices)[kept[:, 0]])
    area = _summed(piece[is_kept], topology.face_area_mm2[is_kept])
    rows, k = np.nonzero(topology.edge_code == EDGE_OPEN)
    open_edges = np.stack([faces[rows, k], faces[rows, (k + 1) % 3]], axis=1).astype(np.int64)
    loop = _numbered(_groups(open_edges, n_vertices)[open_edges[:, 0]])
    span = mesh.vertices[open_edges[:, 1]] - mesh.vertices[open_edges[:, 0]]
    length = _summed(loop, np.linalg.norm(span, axis=1))
    return ScanParts(mesh, topology, faces, is_kept, piece, area, open_edges, loop, length)


def _groups(pairs: AnyArray, n: int) -> Int64Array:
    """Return a group number (n,) for each of `n` things linked by pairs (m, 2)."""
    ones = np.ones(len(pairs), dtype=np.int8)
    graph = coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _numbered(groups: Int64Array) -> Int64Array:
    """Return the groups numbered 0, 1, 2 ... without holes."""
    if len(groups) == 0:
        return groups
    is_used = np.zeros(groups.max() + 1, dtype=np.bool_)
    is_used[groups] = True
    return (np.cumsum(is_used) - 1)[groups]


def _summed(group: Int64Array, values: Float64Array) -> Float64Array:
    """Return the sum of the values (m,) of each group."""
    return np.bincount(group, values).astype(np.float64)


def turned_faces(parts: ScanParts) -> tuple[Int64Array, bool]:
    """Return the faces that disagree with the larger part of their sheet, and if that is solvable.

    Where two faces run along their common edge in the same direction, one of them is turned over.
    The smaller side, by area, is taken for the turned one. A one-sided sheet (Moebius) cannot
    be made to agree: then the second value is False.
    """
    code, across = parts.topology.edge_code, parts.topology.neighbours
    face, k = np.nonzero(code == EDGE_FLIPPED)
    if len(face) == 0:
        return np.empty(0, dtype=np.int64), True
    n_faces = len(parts.faces)
    same, j = np.nonzero(code == EDGE_SHARED)
    patch = _groups(np.stack([same, across[same, j]], axis=1), n_faces)
    links = np.unique(np.stack([patch[face], patch[across[face, k]]], axis=1), axis=0)
    area = np.bincount(patch, weights=parts.topology.face_area_mm2)
    is_turned = np.zeros(len(area), dtype=np.bool_)
    neighbours: dict[int, list[int]] = {}
    for a, b in links.tolist():
        neighbours.setdefault(a, []).append(b)
    seen: set[int] = set()
    is_solvable = True
    for start in neighbours:
        if start in seen:
            continue
        side = {start: False}
        stack = [start]
        while stack:
            a = stack.pop()
            for b in neighbours[a]:
                if b not in side:
                    side[b] = not side[a]
                    stack.append(b)
                elif side[b] == side[a]:
                    is_solvable = False
        seen |= set(side)
        sides = (
            [p for p in side if not side[p]],
            [p for p in side if side[p]],
        )
        smaller = min(sides, key=lambda patches: area[patches].sum())
        is_turned[smaller] = True
    return np.flatnonzero(is_turned[patch]), is_solvable


def outer_side(parts: ScanParts, piece: int) -> float:
    """Return how surely a piece's normals point out: above 0 outwards, below 0 inwards, 0 unknown.

    A piece that is closed, or nearly so, is judged by its signed volume. An open one is judged by
    its walls: those of a tooth or of the ridge face away from each other with 3 to 14 mm of
    material between them. Where too few such pairs are found (a scan of one side only), the
    border is closed by fans to the middle of each loop, and the sign of the volume tells, if
    there is enough of it. The mean of the normals tells nothing about a horseshoe, and the volume
    of the fans alone is misled by a palate, which rises above the border's plane.
    """
    mine = parts.piece == piece
    volume, fan_share = _closed_volume(parts, mine)
    if fan_share < 0.05:
        return volume
    walls = _wall_vote(parts.mesh, mine)
    if abs(walls) > 0.3:
        return walls
    return volume if abs(volume) > 0.05 else 0.0


def _closed_volume(parts: ScanParts, mine: BoolArray) -> tuple[float, float]:
    """Return the volume with fans over the border, and the fans' share of the area.

    The volume is given as part of a sphere's of the same area: 1 for a sphere, and for a sheet of
    area S that bulges by h about 3.8 h/sqrt(S).
    """
    vertices = parts.mesh.vertices
    faces = parts.faces[mine]
    origin = vertices[faces[:, 0]].mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - origin for k in range(3))
    six_volumes = float(np.sum(a * np.cross(b, c)))
    area = 0.5 * float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())
    fan_area = 0.0
    border = np.isin(parts.open_edges[:, 0], faces)
    if border.any():
        edges, loop = parts.open_edges[border], _numbered(parts.loop[border])
        start, end = (vertices[edges[:, k]] - origin for k in range(2))
        n = np.bincount(loop)
        apex = np.stack([np.bincount(loop, start[:, k]) / n for k in range(3)], axis=1)[loop]
        six_volumes += float(np.sum(end * np.cross(start, apex)))
        fan_area = 0.5 * float(np.linalg.norm(np.cross(end - start, apex - start), axis=1).sum())
    whole = area + fan_area
    if whole == 0.0:
        return 0.0, 0.0
    return six_volumes * float(np.sqrt(np.pi)) / whole**1.5, fan_area / whole


def _wall_vote(mesh: TriangleMesh, mine: BoolArray, n_samples: int = 1000) -> float:
    """Return the share of facing walls with material between minus that with a gap between.

    Samples lie at face centres, evenly over the area, chosen without chance. 0 where fewer than
    one sample in ten has a wall across from it.
    """
    normals = mesh.face_vectors()[mine]
    size = np.linalg.norm(normals, axis=1)
    total = np.cumsum(size)
    pick = np.unique(np.searchsorted(total, (np.arange(n_samples) + 0.5) / n_samples * total[-1]))
    points = mesh.vertices[mesh.faces[mine][pick]].mean(axis=1)
    normals = normals[pick] / size[pick, None]
    pairs = KDTree(points).query_pairs(WALL_FAR_MM, output_type="ndarray")
    p, q = pairs[:, 0], pairs[:, 1]
    away = points[q] - points[p]
    distance = np.linalg.norm(away, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        away /= distance[:, None]
    along_p = np.einsum("ij,ij->i", away, normals[p])
    along_q = -np.einsum("ij,ij->i", away, normals[q])
    is_far = distance > WALL_NEAR_MM
    solid = is_far & (along_p < -0.8) & (along_q < -0.8)
    hollow = is_far & (along_p > 0.8) & (along_q > 0.8)
    facing = solid | hollow
    if len(np.unique(pairs[facing])) < 0.1 * len(points):
        return 0.0
    return float((solid.sum() - hollow.sum()) / facing.sum())


def spikes(parts: ScanParts) -> Int64Array:
    """Return vertices that stand out alone from the ring of their neighbours.

    A spike is higher over its ring than 1.5 times the ring's radius (a point sharper than
    34 degrees to its axis) and than 0.05 mm. Vertices on a border are not judged.
    """
    vertices = parts.mesh.vertices
    n_vertices = len(vertices)
    kept = parts.faces[parts.is_kept]
    # Around an inner vertex every neighbour ends one edge that starts there, whatever its faces.
    at = kept.reshape(-1)
    other = np.roll(kept, -1, axis=1).reshape(-1)
    n = np.maximum(np.bincount(at, minlength=n_vertices), 1)
    offset = vertices[other] - vertices[at]
    mean = np.stack([np.bincount(at, offset[:, k], n_vertices) / n for k in range(3)], axis=1)
    spread = offset - mean[at]
    radius = np.sqrt(np.bincount(at, (spread**2).sum(axis=1), n_vertices) / n)
    height = np.linalg.norm(mean, axis=1)
    candidate = (height > SPIKE_HEIGHT_MM) & (height > SPIKE_STEEPNESS * radius) & (radius > 0)
    candidate[parts.open_edges.reshape(-1)] = False
    found = np.flatnonzero(candidate)
    if len(found) == 0:
        return found
    rank = np.full(n_vertices, -1, dtype=np.int64)
    rank[found] = np.arange(len(found))
    row = candidate[at]
    outer = spread[row, :, None] * spread[row, None, :]
    ring = np.stack(
        [np.bincount(rank[at[row]], outer[:, i, j]) for i in range(3) for j in range(3)], axis=1
    ).reshape(-1, 3, 3)
    normal = np.linalg.eigh(ring)[1][:, :, 0]
    out = np.abs(np.einsum("ij,ij->i", normal, mean[found]))
    return found[out > np.maximum(SPIKE_HEIGHT_MM, SPIKE_STEEPNESS * radius[found])]


def without_spikes(parts: ScanParts) -> TriangleMesh:
    """Return the mesh with its spikes laid down among their neighbours; every face stays.

    A spike goes to the mean of its ring, raised by half of what the ring's own planes rise to
    there, as a curved surface does. The mesh itself is returned where it has no spike.
    """
    found = spikes(parts)
    if len(found) == 0:
        return parts.mesh
    vertices = parts.mesh.vertices.copy()
    touches = np.isin(parts.faces, found).any(axis=1)
    around = parts.faces[parts.is_kept & touches]
    beyond = parts.faces[parts.is_kept & ~touches & np.isin(parts.faces, around).any(axis=1)]
    corner = vertices[beyond]
    normal = np.zeros_like(vertices)
    for k in range(3):
        cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        np.add.at(normal, beyond[:, k], cross)
    for spike in found:
        ring = np.setdiff1d(around[(around == spike).any(axis=1)], found)
        if len(ring) == 0:
            continue
        middle = vertices[ring].mean(axis=0)
        up = normal[ring].sum(axis=0)
        rise = np.einsum("ij,ij->i", normal[ring], vertices[ring] - middle)
        lean = normal[ring] @ up
        is_known = lean > 0
        if is_known.any():
            middle = middle + 0.5 * up * (rise[is_known] / lean[is_known]).mean()
        vertices[parts.topology.vertex_of == spike] = middle
    return parts.mesh.with_vertices(vertices)
