"""High spots: connected regions of the crown that stand in the antagonist's way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array
from occlusim.geometry.mesh import TriangleMesh

CENTRIC = "centric"
"""Name of the movement that is the closure."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One high spot and what taking it off means.

    Attributes
    ----------
    id : int
        From 1, in the order of `depth_mm`, deepest first.
    movement : str
        The movement that makes it: `centric` where the closure explains it, else the worst one.
    depth_mm : float
        Largest depth asked for along the removal direction, whether it may be taken off or not.
    normal_depth_mm : float
        Wanted gap minus gap at the worst place.
    area_mm2, volume_mm3 : float
        Area in violation on the input crown; volume taken off, blend ring included.
    centroid : (3,), mm
        Of the violation, weighted by it, in the crown's coordinates.
    worst_point : (3,), mm
        The vertex of the largest depth.
    vertices : (k,)
        Vertices in violation; `ring` (r,) those of the blend ring.
    thickness_left_mm : float
        Least wall thickness under the spot after cutting; NaN where the wall is not known.
    feasible : bool
        The material stays thick enough and nothing else limited the cut.
    shortfall_mm : float
        Depth that could not be taken off.
    wall_shortfall_mm : float
        Of it, what the wall's minimum forbids.
    tool_excess_mm : float
        Most that was taken off beyond need since the cutter is round.
    reasons : tuple of str
        What limited the cut.
    location : str
        Where it is, in words; empty without an orientation.
    """

    id: int
    movement: str
    depth_mm: float
    normal_depth_mm: float
    area_mm2: float
    volume_mm3: float
    centroid: Float64Array
    worst_point: Float64Array
    vertices: Int64Array
    ring: Int64Array
    thickness_left_mm: float
    feasible: bool
    shortfall_mm: float
    reasons: tuple[str, ...] = ()
    location: str = ""
    wall_shortfall_mm: float = 0.0
    tool_excess_mm: float = 0.0
    depth_by_movement_mm: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WorkStep:
    """A spot's place in the work, from 1, and how high the crown is left if it stops after it."""

    order: int
    left_high_mm: float


def work_order(spots: Sequence[Spot]) -> dict[int, WorkStep]:
    """Return in which order spots are worked on, by their id.

    What is high in closing goes first, deepest first, since the jaw must close before it can be
    moved; then what is high in movements, deepest first (common practice). What is left high is
    the deepest of the later spots, or what had to stay of those worked on.
    """
    row = sorted(spots, key=lambda spot: (spot.movement != CENTRIC, -spot.depth_mm, spot.id))
    steps, stays_mm = {}, 0.0
    for k, spot in enumerate(row):
        stays_mm = max(stays_mm, spot.shortfall_mm)
        later_mm = max((other.depth_mm for other in row[k + 1 :]), default=0.0)
        steps[spot.id] = WorkStep(k + 1, max(later_mm, stays_mm))
    return steps


def edge_graph(mesh: TriangleMesh) -> csr_matrix:
    """Return the (V, V) symmetric matrix of edge lengths, mm."""
    f = mesh.faces
    a = np.concatenate([f[:, 0], f[:, 1], f[:, 2]])
    b = np.concatenate([f[:, 1], f[:, 2], f[:, 0]])
    n = len(mesh.vertices)
    key = np.unique(np.minimum(a, b).astype(np.int64) * n + np.maximum(a, b))
    a, b = key // n, key % n
    length = np.maximum(np.linalg.norm(mesh.vertices[a] - mesh.vertices[b], axis=1), 1e-9)
    half = coo_matrix((length, (a, b)), shape=(n, n))
    return (half + half.T).tocsr()


def split_regions(
    graph: csr_matrix, height: Float64Array, member: BoolArray, saddle: float, noise: float
) -> Int32Array:
    """Return the region (V,) of every member vertex, from 0; -1 elsewhere.

    Parameters
    ----------
    graph : (V, V)
    height : (V,)
        How far a vertex stands in violation.
    member : (V,)
        Vertices to divide.
    saddle
        Two peaks stay apart where the highest way between them falls below this share of the
        lower peak.
    noise
        Peaks not above this never stand on their own beside another.
    """
    order = np.flatnonzero(member)
    order = order[np.lexsort((order, -height[order]))]
    label = np.full(len(height), -1, dtype=np.int32)
    parent: list[int] = []
    peak: list[float] = []

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for v in order:
        around = graph.indices[graph.indptr[v] : graph.indptr[v + 1]]
        known = around[label[around] >= 0]
        if len(known) == 0:
            label[v] = len(parent)
            parent.append(len(parent))
            peak.append(float(height[v]))
            continue
        label[v] = label[known[np.argmax(height[known])]]
        for other in {root(int(k)) for k in label[known]}:
            own = root(int(label[v]))
            low, high = sorted((own, other), key=lambda k: (peak[k], -k))
            if low != high and (peak[low] <= noise or height[v] >= saddle * peak[low]):
                parent[low] = high
    members = label >= 0
    roots = np.array([root(int(k)) for k in label[members]], dtype=np.int64)
    label[members] = np.unique(roots, return_inverse=True)[1].astype(np.int32)
    return label


def rings(graph: csr_matrix, label: Int32Array, width_mm: float) -> tuple[Int32Array, Float64Array]:
    """Return owner (V,) and distance (V,), mm, of vertices within a width of labelled ones.

    Distance is along edges; a labelled vertex owns itself at 0; beyond the width the owner is -1
    and the distance NaN.
    """
    owner = label.copy()
    distance = np.where(label >= 0, 0.0, np.nan)
    sources = np.flatnonzero(label >= 0)
    if len(sources) == 0:
        return owner, distance
    reached, _, nearest = dijkstra(
        graph, indices=sources, limit=width_mm, min_only=True, return_predecessors=True
    )
    ring = np.isfinite(reached) & (label < 0)
    owner[ring] = label[nearest[ring]]
    distance[ring] = reached[ring]
    return owner, distance


def clipped_integrals(
    corners: Float64Array, height: Float64Array
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Return area, integral of height, and its first moment over where a linear height is positive.

    Parameters
    ----------
    corners : (n, 3, 3), mm
    height : (n, 3)
        At the corners; linear between.

    Returns
    -------
    area_mm2 : (n,)
    integral : (n,)
        Of the positive part of the height, mm2 times its unit.
    moment : (n, 3)
        Of the positive part times position.

    Notes
    -----
    Exact: a triangle is its positive corner pieces. With one positive corner a the piece is the
    corner triangle cut at the zeros of the two edges; with two it is the whole less the negative
    corner's piece, for the signed height.
    """
    total = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    n_positive = (height > 0).sum(axis=1)
    area, integral, moment = _whole(corners, height, total)
    for count, sign in ((1, 1.0), (2, -1.0)):
        rows = np.flatnonzero(n_positive == count)
        lone = np.argmax(sign * height[rows], axis=1)
        a, i, m = _corner_piece(corners[rows], height[rows], total[rows], lone)
        if count == 1:
            area[rows], integral[rows], moment[rows] = a, i, m
        else:
            area[rows] -= a
            integral[rows] -= i
            moment[rows] -= m
    none = n_positive == 0
    area[none], integral[none], moment[none] = 0.0, 0.0, 0.0
    return area, integral, moment


def _whole(
    corners: Float64Array, height: Float64Array, area: Float64Array
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Return area, integral and moment of linear heights over whole triangles, exactly."""
    mean = height.mean(axis=1)
    # Integral of b_i b_j over a triangle: area / 12 for i != j, area / 6 for i = j.
    weighted = (height + height.sum(axis=1, keepdims=True)) / 12.0
    moment = np.einsum("ni,nij->nj", weighted, corners) * area[:, None]
    return area.copy(), area * mean, moment


def _corner_piece(
    corners: Float64Array, height: Float64Array, total: Float64Array, lone: Int64Array
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Return the integrals over the corner of a triangle whose height has a sign of its own."""
    rows = np.arange(len(corners))
    p, h = corners[rows, lone], height[rows, lone]
    piece, share = [p], np.ones(len(p))
    for k in (1, 2):
        other = (lone + k) % 3
        u = h / (h - height[rows, other])
        piece.append(p + u[:, None] * (corners[rows, other] - p))
        share = share * u
    zero = np.zeros(len(p))
    return _whole(np.stack(piece, axis=1), np.stack([h, zero, zero], axis=1), total * share)
