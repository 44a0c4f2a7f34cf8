"""The relief of a biting surface: hills with their peaks, and pits closed in on all sides.

A hill is what the way of steepest ascent leads to the same peak. A peak counts where one has to
come down by at least its least prominence on every way to a higher one; lesser ones belong to the
hill that they are nearest to by the highest pass. A pit is a peak turned over that does not reach
the border of the surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array

PEAK_MM = 0.1
"""Least prominence of a cusp: a low one stands 0.15 mm over the ridge to its neighbour (the
distobuccal cusp of the demo's upper molar), roughness ten times less; our choice."""

PIT_MM = 0.1
"""Least depth of a fossa under the lowest way out of it; our choice."""


@dataclass(frozen=True, slots=True)
class Relief:
    """Hills and pits of a biting surface.

    Attributes
    ----------
    places : (k, 3), mm
        Its vertices: mesial, buccal, height.
    vertex : (k,)
        Their numbers in the crown's mesh.
    hill, pit : (k,)
        The hill of each, and the pit or -1.
    peaks, pits : (p, 3), (q, 3), mm
        Highest and lowest places, in the order of `hill` and `pit`.
    """

    places: Float64Array
    vertex: Int64Array
    hill: Int64Array
    pit: Int64Array
    peaks: Float64Array
    pits: Float64Array


def find_relief(places: Float64Array, faces: Int32Array, is_occlusal: BoolArray) -> Relief | None:
    """Return the relief of a crown's biting surface, or None where there is hardly any surface.

    Parameters
    ----------
    places : (V, 3), mm
        Vertices of the crown: mesial, buccal, height.
    faces : (F, 3)
    is_occlusal : (V,)
        Vertices of faces that look to the biting side; the connected part with the highest of them
        is taken.
    """
    used = faces[is_occlusal[faces].all(axis=1)]
    if len(used) < 10:
        return None
    vertex, compact = np.unique(used, return_inverse=True)
    compact = compact.reshape(-1, 3)
    edges = np.concatenate([compact[:, [0, 1]], compact[:, [1, 2]], compact[:, [2, 0]]])
    links = coo_matrix((np.ones(len(edges)), edges.T), shape=(len(vertex), len(vertex)))
    part = connected_components(links, directed=False)[1]
    own = part == part[np.argmax(places[vertex, 2])]
    number = np.cumsum(own) - 1
    edges = number[edges[own[edges].all(axis=1)]]
    found = places[vertex[own]]
    is_border = np.zeros(len(found), dtype=np.bool_)
    is_border[_border(edges)] = True
    hill, peak = hills(found[:, 2], edges, PEAK_MM)
    pit, low = hills(-found[:, 2], edges, PIT_MM)
    open_pits = np.unique(pit[is_border])
    kept = np.setdiff1d(np.arange(len(low)), open_pits)
    renamed = np.full(len(low), -1, dtype=np.int64)
    renamed[kept] = np.arange(len(kept))
    return Relief(
        found, vertex[own].astype(np.int64), hill, renamed[pit], found[peak], found[low[kept]]
    )


def hills(
    height: Float64Array, edges: Int64Array, prominence: float
) -> tuple[Int64Array, Int64Array]:
    """Return the hill of every vertex (k,) of a graph, and the peak (p,) of every hill.

    Parameters
    ----------
    height : (k,)
        Equal heights count as rising with the vertex' number.
    edges : (e, 2)
        Pairs of vertices; each in one direction or both.
    prominence
        A hill's peak stands at least so high above the highest pass to a higher one.
    """
    n = len(height)
    rank = np.empty(n, dtype=np.int64)
    rank[np.lexsort((np.arange(n), height))] = np.arange(n)
    both = np.concatenate([edges, edges[:, ::-1]])
    both = both[np.argsort(rank[both[:, 1]], kind="stable")]
    upward = np.arange(n)
    highest = np.arange(n)
    highest[both[:, 0]] = both[:, 1]  # of several, the last and so the highest stays
    rises = rank[highest] > rank[upward]
    upward[rises] = highest[rises]
    while not np.array_equal(upward, upward[upward]):
        upward = upward[upward]
    peak, basin = np.unique(upward, return_inverse=True)
    return _merged(height, rank, both, peak, basin.ravel(), prominence)


def _merged(
    height: Float64Array,
    rank: Int64Array,
    edges: Int64Array,
    peak: Int64Array,
    basin: Int64Array,
    prominence: float,
) -> tuple[Int64Array, Int64Array]:
    """Return hills and peaks once basins without prominence have joined their neighbours.

    Passes are gone through from the highest down; where two ranges meet the lower one's prominence
    is known.
    """
    between = edges[basin[edges[:, 0]] != basin[edges[:, 1]]]
    level = np.minimum(rank[between[:, 0]], rank[between[:, 1]])
    between, level = between[np.argsort(-level, kind="stable")], np.sort(level)[::-1]
    by_rank = np.argsort(rank)
    range_of, hill_of = list(range(len(peak))), list(range(len(peak)))
    top = list(peak)

    def root(parent: list[int], k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for (u, v), at in zip(between, level, strict=True):
        a, b = int(basin[u]), int(basin[v])
        ra, rb = root(range_of, a), root(range_of, b)
        if ra == rb:
            continue
        if rank[top[ra]] > rank[top[rb]]:
            a, b, ra, rb = b, a, rb, ra
        if height[top[ra]] - height[by_rank[at]] < prominence:
            hill_of[root(hill_of, a)] = root(hill_of, b)
        range_of[ra] = rb
    roots = np.array([root(hill_of, k) for k in range(len(peak))], dtype=np.int64)
    kept, hill = np.unique(roots, return_inverse=True)
    return hill.ravel()[basin], peak[kept]


def _border(edges: Int64Array) -> Int64Array:
    """Return the vertices of edges (e, 2) that run in one direction only."""
    n = int(edges.max()) + 1
    code = edges[:, 0].astype(np.int64) * n + edges[:, 1]
    back = edges[:, 1].astype(np.int64) * n + edges[:, 0]
    return np.unique(edges[~np.isin(code, back)])
