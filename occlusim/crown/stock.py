"""The crown as it is cut: the input surface, with triangles halved where a cut is too coarse.

New vertices lie on the input's edges, so the surface is the same until it is cut; the input's
vertices keep their numbers and come first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, any_corner
from occlusim.crown.clearance import Opposing, SweptClearance, swept_clearance
from occlusim.crown.deepening import Cut
from occlusim.crown.integrity import SHRINK, SLIVER, slimness
from occlusim.crown.path import PathTable
from occlusim.crown.regions import Regions
from occlusim.geometry.mesh import TriangleMesh

SHORTEST_MM = 0.02
# Parts of one shape differ by rounding.
ALIKE = 1e-9


@dataclass(frozen=True, slots=True)
class Stock:
    """What is cut: a mesh with its clearances, spots and directions.

    Attributes
    ----------
    mesh : TriangleMesh
        V vertices, F faces.
    swept : SweptClearance
        Of its vertices.
    regions : Regions
        Label, owner, distance and height of its vertices; `poked` is that of the input crown.
    directions : (V, 3), unit length
    hidden : (V,)
        The cutter does not reach it along its axis.
    face_origin : (F,)
        Face of the input crown that each lies on.
    is_whole : (F,)
        A face of the input crown, not a part of one.
    """

    mesh: TriangleMesh
    swept: SweptClearance
    regions: Regions
    directions: Float64Array
    hidden: BoolArray
    face_origin: Int64Array
    is_whole: BoolArray

    @staticmethod
    def of(
        crown: TriangleMesh,
        swept: SweptClearance,
        regions: Regions,
        directions: Float64Array,
        hidden: BoolArray,
    ) -> Stock:
        """Return the input crown as it is."""
        n_faces = len(crown.faces)
        every = np.arange(n_faces)
        whole = np.ones(n_faces, dtype=np.bool_)
        return Stock(crown, swept, regions, directions, hidden, every, whole)

    def turned(self, directions: Float64Array) -> Stock:
        """Return the stock with other directions (V, 3)."""
        return replace(self, directions=directions)

    def coarse_edges(self, cut: Cut, most_mm: float) -> Int32Array:
        """Return the edges (n, 2) to halve: around vertices cut deeper than need by `most_mm`.

        What is beyond need was taken off since flat facets do not follow the cut. Only edges that
        can move at both ends and are longer than 0.02 mm are halved, as far as no sliver comes of
        it.
        """
        needed = cut.wanted_mm - cut.excess_mm
        is_coarse = cut.removal.allowed & (needed > cut.asked_mm + most_mm)
        faces = self.mesh.faces[any_corner(is_coarse, self.mesh.faces)]
        edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
        edges = np.unique(np.sort(edges, axis=1), axis=0)
        ends = self.mesh.vertices[edges]
        is_long = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1) > SHORTEST_MM
        return _sound_edges(self.mesh, edges[is_long & cut.removal.allowed[edges].all(axis=1)])

    def halved(self, edges: Int32Array, antagonist: Opposing, table: PathTable) -> Stock:
        """Return the stock with a vertex amid some edges (n, 2); their faces are divided."""
        a, b = edges[:, 0], edges[:, 1]
        vertices = self.mesh.vertices
        middle = 0.5 * (vertices[a] + vertices[b])
        new = swept_clearance(middle, antagonist, table, self.swept.limit_mm)
        faces, parent = divided(self.mesh.faces, edges, len(vertices))
        way = self.directions[a] + self.directions[b]
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        is_cut = np.bincount(parent, minlength=len(self.mesh.faces)) > 1
        return Stock(
            TriangleMesh(np.concatenate([vertices, middle]), faces),
            self.swept.extended(new),
            _between(self.regions, a, b, new),
            np.concatenate([self.directions, way]),
            np.concatenate([self.hidden, self.hidden[a] | self.hidden[b]]),
            self.face_origin[parent],
            self.is_whole[parent] & ~is_cut[parent],
        )


def _between(regions: Regions, a: Int32Array, b: Int32Array, new: SweptClearance) -> Regions:
    """Return the regions with what is amid pairs of vertices: the nearer one's owner."""
    nearer = np.where(regions.distance_mm[a] <= regions.distance_mm[b], a, b)
    height = np.maximum(-new.least_mm, 0.0)
    owner = regions.owner[nearer]
    distance = 0.5 * (regions.distance_mm[a] + regions.distance_mm[b])
    inside = (height > 0) & (regions.label[nearer] >= 0)
    # Amid two vertices in violation that is itself clear the ring begins at once.
    distance = np.where(inside, 0.0, np.maximum(distance, 1e-9))
    return Regions(
        np.concatenate([regions.label, np.where(inside, owner, -1).astype(np.int32)]),
        np.concatenate([regions.owner, owner]),
        np.concatenate([regions.distance_mm, distance]),
        np.concatenate([regions.height_mm, height]),
        regions.poked,
        regions.poked_mm,
    )


def _sound_edges(mesh: TriangleMesh, edges: Int32Array) -> Int32Array:
    """Return the edges (n, 2) but those that would leave slivers where they are halved.

    A part may be as slim as its face was, or so stout that a cut which makes a sliver of it is seen
    to pinch it. A face with a slimmer part keeps the shortest of its halved edges whole, and again.
    """
    length = np.linalg.norm(mesh.vertices[edges[:, 0]] - mesh.vertices[edges[:, 1]], axis=1)
    edges = edges[np.lexsort((edges[:, 1], edges[:, 0], length))]
    while len(edges):
        faces, parent = divided(mesh.faces, edges, len(mesh.vertices))
        part = np.flatnonzero(np.bincount(parent)[parent] > 1)
        parent = parent[part]
        places = np.concatenate([mesh.vertices, mesh.vertices[edges].mean(axis=1)])
        slim = slimness(places[faces[part]])
        before = slimness(mesh.vertices[mesh.faces[parent]])
        slimmer = parent[(slim < SLIVER / SHRINK) & (slim < (1.0 - ALIKE) * before)]
        if len(slimmer) == 0:
            break
        amid = _amid(mesh.faces[slimmer], edges)
        shortest = np.where(amid >= 0, amid, len(edges)).min(axis=1)
        edges = np.delete(edges, shortest, axis=0)
    return edges


def _amid(faces: Int32Array, edges: Int32Array) -> Int64Array:
    """Return which of some edges (n, 2) each side of faces (k, 3) is, -1 for none: (k, 3)."""
    base = int(max(faces.max(), edges.max())) + 1
    code = edges.min(axis=1).astype(np.int64) * base + edges.max(axis=1)
    order = np.argsort(code)
    ends = np.stack([faces, np.roll(faces, -1, axis=1)]).astype(np.int64)
    key = ends.min(axis=0) * base + ends.max(axis=0)
    at = np.minimum(np.searchsorted(code[order], key), len(code) - 1)
    return np.where(code[order][at] == key, order[at], -1)


def divided(faces: Int32Array, edges: Int32Array, first: int) -> tuple[Int32Array, Int64Array]:
    """Return faces (m, 3) with the vertices `first`, `first` + 1, ... amid edges, and parents (m,).

    One halved edge makes two faces, two make three, three make four. The faces that are not
    divided come first, in their order.
    """
    amid = _amid(faces, edges)
    amid = np.where(amid >= 0, first + amid, -1)
    count = (amid >= 0).sum(axis=1)
    out, parent = [faces[count == 0].astype(np.int64)], [np.flatnonzero(count == 0)]
    for n in (1, 2, 3):
        rows = np.flatnonzero(count == n)
        # Turned so that the first edge is halved (n = 1), or the last one is not (n = 2).
        sought = (amid[rows] >= 0) if n == 1 else (amid[rows] < 0)
        shift = (np.argmax(sought, axis=1) + (0 if n == 1 else 1)) % 3
        turn = (shift[:, None] + np.arange(3)) % 3
        c = np.take_along_axis(faces[rows].astype(np.int64), turn, axis=1)
        m = np.take_along_axis(amid[rows], turn, axis=1)
        for part in _parts(n, c, m):
            out.append(part)
            parent.append(rows)
    return np.concatenate(out).astype(np.int32), np.concatenate(parent)


def _parts(n: int, c: Int64Array, m: Int64Array) -> list[Int64Array]:
    """Return the parts of faces c (k, 3) whose edges have the vertices m (k, 3) amid them."""
    if n == 1:
        return [np.stack([c[:, 0], m[:, 0], c[:, 2]], 1), np.stack([m[:, 0], c[:, 1], c[:, 2]], 1)]
    if n == 2:
        return [
            np.stack([m[:, 0], c[:, 1], m[:, 1]], 1),
            np.stack([c[:, 0], m[:, 0], m[:, 1]], 1),
            np.stack([c[:, 0], m[:, 1], c[:, 2]], 1),
        ]
    return [
        np.stack([c[:, 0], m[:, 0], m[:, 2]], 1),
        np.stack([m[:, 0], c[:, 1], m[:, 1]], 1),
        np.stack([m[:, 2], m[:, 1], c[:, 2]], 1),
        np.stack([m[:, 0], m[:, 1], m[:, 2]], 1),
    ]
