"""The mesh after the cut: as it was moved, or with triangles exchanged where that would harm it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, any_corner
from occlusim.crown.clearance import Opposing, PathTable
from occlusim.crown.cutting import cut_stock, firmer, held, undo
from occlusim.crown.deepening import Cut, Removal
from occlusim.crown.each_spot import deepen_spots
from occlusim.crown.integrity import (
    FACING,
    SLIVER,
    bent_faces,
    crossing_faces,
    damaged_faces,
    facing,
    slimness,
)
from occlusim.crown.reduction_settings import ReductionSettings
from occlusim.crown.remesh import Mended, mend
from occlusim.crown.stock import Stock
from occlusim.crown.thickness import CrownWalls, facet_walls, hold_facets
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.ray import first_hits

ASIDE_MM = 1e-6
THINNER_MM = 5e-4
# More faces than these are a fold, which directions drawn together undo better.
MOST_MENDED = 60


@dataclass(frozen=True, slots=True)
class Adjusted:
    """A crown after the cut.

    Attributes
    ----------
    mesh : TriangleMesh
        V' vertices, F' faces.
    vertex_origin : (V',)
        Vertex of the stock.
    face_origin : (F',)
        Face of the stock that is the same but for its place, -1 for a new one.
    depth_mm : (V,)
        Taken off at the stock's vertices, those that are gone included.
    residual_mm : (F',)
        Least of gap minus wanted gap over each face that may have moved; NaN for the others.
    """

    mesh: TriangleMesh
    vertex_origin: Int64Array
    face_origin: Int64Array
    depth_mm: Float64Array
    residual_mm: Float64Array

    @staticmethod
    def of(stock: Stock, cut: Cut) -> Adjusted:
        """Return the stock's mesh as the cut moves it; the mesh itself where nothing was cut."""
        mesh = stock.mesh
        if (cut.depth_mm > 0).any():
            mesh = mesh.with_vertices(cut.removal.moved(cut.depth_mm))
        every = np.arange(len(mesh.vertices)), np.arange(len(mesh.faces))
        return Adjusted(mesh, *every, cut.depth_mm, cut.residual_mm)


@dataclass(frozen=True, slots=True)
class CutJob:
    """What a cut is made against: input surface, antagonist, paths, walls, rule, input's band."""

    outside: Surface
    antagonist: Opposing
    table: PathTable
    walls: CrownWalls | None
    rule: ReductionSettings
    field: Opposing | None

    def cut(self, stock: Stock) -> Cut:
        """Return the cut of a stock."""
        return cut_stock(stock, self.antagonist, self.table, self.walls, self.rule, self.field)


def sound_cut(stock: Stock, cut: Cut, job: CutJob) -> tuple[Stock, Cut, Adjusted, dict[int, str]]:
    """Return the stock, its cut, the crown after it, and why spots (by label) were not cut.

    Where the cut would harm the surface, faces are exchanged; where that is not enough, the
    directions of a spot are drawn together, so that neighbours cannot cross; and as the last
    resort the cut is taken back there.
    """
    weights = [] if job.rule.direction is not None else [0.5, 1.0]
    while True:
        moved = cut.removal.moved(cut.depth_mm)
        bad = damaged_faces(stock.mesh, moved, cut.depth_mm > 0, stock.directions)
        if len(bad) == 0:
            return stock, cut, Adjusted.of(stock, cut), {}
        if not weights or len(bad) <= MOST_MENDED:
            better = mended(stock, cut, bad, job)
            if better is not None:
                return stock, cut, better, {}
        hurt = np.unique(stock.regions.owner[stock.mesh.faces[bad]]).astype(np.int64)
        hurt = hurt[hurt >= 0]
        if not weights:
            break
        stock = firmer(stock, hurt, weights.pop(0))
        cut = job.cut(stock)
    undo(cut, stock.mesh, bad)
    blocked = dict.fromkeys(hurt.tolist(), "the cut would fold or pinch the surface")
    return stock, cut, Adjusted.of(stock, cut), blocked


def mended(stock: Stock, cut: Cut, bad: Int64Array, job: CutJob) -> Adjusted | None:
    """Return a sound crown after a cut that would pinch or fold some faces (n,), or None.

    Faces are exchanged first; then the new ones are deepened until they too keep the wanted gap, as
    far as the walls allow.
    """
    removal, rule, walls = cut.removal, job.rule, job.walls
    antagonist, table = job.antagonist, job.table
    moved = stock.mesh.with_vertices(removal.moved(cut.depth_mm))
    off_mm = 0.5 * rule.tolerance_mm
    found = mend(moved, bad, removal.directions, removal.allowed, job.outside, off_mm)
    if found is None:
        return None
    origin = found.vertex_origin
    cap = np.maximum(rule.max_depth_mm - cut.depth_mm[origin], 0.0)
    again = Removal(
        found.mesh.vertices,
        found.mesh.faces,
        removal.directions[origin],
        removal.allowed[origin],
        cap,
    )
    still = np.zeros(len(origin))
    owner = stock.regions.owner[origin]
    deeper, residual = deepen_spots(
        again, still, owner, antagonist, table, -rule.margin_mm, job.outside
    )
    if walls is not None and rule.min_thickness_mm > 0:
        again = held(again, deeper, walls, rule)
        deeper = np.minimum(deeper, again.cap_mm)
        deeper = hold_facets(walls, again, deeper, rule.min_thickness_mm)
        if _is_thinner(found, again.moved(deeper), walls, rule.min_thickness_mm):
            return None
    mesh = found.mesh.with_vertices(again.moved(deeper))
    if _is_unsound(stock, found, mesh, again):
        return None
    depth = cut.depth_mm.copy()
    depth[origin] += deeper
    gone = removal.allowed.copy()
    gone[origin] = False
    depth[gone] = _depth_to(mesh, again, stock.mesh.vertices[gone], removal.directions[gone])
    return Adjusted(mesh, origin, found.face_origin, depth, residual)


def _is_unsound(stock: Stock, found: Mended, mesh: TriangleMesh, removal: Removal) -> bool:
    """Return whether a face is bent, new and a sliver or turned away, or crosses another."""
    near = np.flatnonzero(any_corner(removal.allowed, mesh.faces))
    origin = found.face_origin[near]
    new, old = near[origin < 0], origin[origin >= 0]
    corners = mesh.vertices[mesh.faces[new]]
    if (slimness(corners) < SLIVER).any():
        return True
    if (facing(corners, removal.directions[mesh.faces[new]]) <= FACING).any():
        return True
    place = stock.mesh.vertices.copy()
    place[found.vertex_origin] = mesh.vertices
    directions = stock.directions
    if bent_faces(stock.mesh, place, old, directions).any():
        return True
    crossed = near[crossing_faces(mesh, near) >= 0]
    if len(crossed) == 0:
        return False
    before = found.face_origin[crossed]
    return bool((before < 0).any() or (crossing_faces(stock.mesh, before) < 0).any())


def _is_thinner(found: Mended, vertices: Float64Array, walls: CrownWalls, least_mm: float) -> bool:
    """Return whether a new face runs nearer to the inner surface than the wall's minimum."""
    new = found.mesh.faces[found.face_origin < 0]
    if walls.inner is None or len(new) == 0:
        return False
    return bool(facet_walls(walls, vertices[new]).min() < least_mm - THINNER_MM)


def _depth_to(
    mesh: TriangleMesh, removal: Removal, points: Float64Array, directions: Float64Array
) -> Float64Array:
    """Return the way (n,) from places of the input crown to the adjusted one, mm."""
    faces = removal.touching(removal.allowed).astype(np.int32)
    part = Surface.build(mesh.submesh(faces)[0])
    length = np.empty(len(points))
    first_hits(
        len(points),
        np.ascontiguousarray(points - ASIDE_MM * directions),
        np.ascontiguousarray(directions),
        0.0,
        part.boxes,
        part.links,
        part.corners,
        length,
    )
    nearest = part.closest(points).unsigned_mm
    return np.where(np.isfinite(length), np.maximum(length - ASIDE_MM, 0.0), nearest)


def face_parents(stock: Stock, adjusted: Adjusted) -> tuple[Int64Array, BoolArray]:
    """Return the input's face (F',) under each adjusted face, and whether it is that face whole."""
    same = adjusted.face_origin >= 0
    parent = np.full(len(same), -1, dtype=np.int64)
    parent[same] = stock.face_origin[adjusted.face_origin[same]]
    is_whole = same.copy()
    is_whole[same] = stock.is_whole[adjusted.face_origin[same]]
    new = np.flatnonzero(~same)
    if len(new):
        input_faces: Int32Array = stock.mesh.faces
        middles = adjusted.mesh.vertices[adjusted.mesh.faces[new]].mean(axis=1)
        nearest = Surface.build(TriangleMesh(stock.mesh.vertices, input_faces)).closest(middles)
        parent[new] = stock.face_origin[nearest.faces]
    return parent, is_whole
