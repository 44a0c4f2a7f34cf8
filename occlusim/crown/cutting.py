"""The cut of a crown's spots: which way, how deep, and what to do where it would harm the mesh."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.sparse import csr_matrix

from occlusim.arrays import BoolArray, Float64Array, Int64Array
from occlusim.crown.clearance import Opposing, PathTable
from occlusim.crown.deepening import Cut, Removal, vertex_depths
from occlusim.crown.each_spot import deepen_spots
from occlusim.crown.integrity import FACING, damaged_faces
from occlusim.crown.reduction_settings import ReductionSettings
from occlusim.crown.stock import Stock
from occlusim.crown.thickness import CrownWalls, hold_facets
from occlusim.crown.tool import tool_depths
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.ray import first_hits

DIRECTION_ROUNDS = 3
ASIDE_MM = 1e-4
LEVEL = 1e-6


def removal_directions(
    surface: Surface, graph: csr_matrix, rule: ReductionSettings
) -> Float64Array:
    """Return unit directions (V, 3) into the material: the cutter's, or smoothed inward normals."""
    n_vertices = len(surface.mesh.vertices)
    if rule.direction is not None:
        return np.tile(rule.direction, (n_vertices, 1))
    links = csr_matrix((np.ones_like(graph.data), graph.indices, graph.indptr), shape=graph.shape)
    normals = np.array(surface.vertex_normals)
    for _ in range(DIRECTION_ROUNDS):
        mixed = normals + links @ normals
        length = np.linalg.norm(mixed, axis=1, keepdims=True)
        normals = np.where(length > 1e-6, mixed / np.maximum(length, 1e-6), normals)
    return -normals


def cut_stock(
    stock: Stock,
    antagonist: Opposing,
    table: PathTable,
    walls: CrownWalls | None,
    rule: ReductionSettings,
    field: Opposing | None,
) -> Cut:
    """Return the depths that clear every spot of a stock, as far as the walls allow.

    `field` is the input crown's surface or band.
    """
    mesh, regions, directions = stock.mesh, stock.regions, stock.directions
    n_vertices = len(mesh.vertices)
    hidden = stock.hidden & (regions.owner >= 0)
    allowed = (regions.owner >= 0) & ~hidden
    free = Removal(
        mesh.vertices, mesh.faces, directions, allowed, np.full(n_vertices, rule.max_depth_mm)
    )
    core = np.flatnonzero((regions.label >= 0) & ~hidden)
    need = -stock.swept.least_mm.copy()
    settled = np.ones(n_vertices, dtype=bool)
    if len(core):
        depth, settled[core] = vertex_depths(
            mesh.vertices[core],
            directions[core],
            antagonist,
            table,
            rule.margin_mm,
            rule.max_depth_mm,
        )
        # A clear corner of a facet that is too near between its corners asks for nothing itself.
        need[core] = np.where(depth > 0, depth, need[core])
    asked = np.where(allowed, _rounded(need, regions.distance_mm, rule), 0.0)
    accepted = -rule.margin_mm
    wanted, residual = deepen_spots(free, asked, regions.owner, antagonist, table, accepted, field)
    excess, stays = np.zeros(n_vertices), np.zeros(n_vertices)
    if rule.tool_radius_mm > 0 and (wanted > 0).any():
        round_cut = tool_depths(free, wanted, regions.owner, rule.tool_radius_mm)
        excess, stays = round_cut.depth_mm - wanted, round_cut.stays_mm
        wanted, residual = deepen_spots(
            free, round_cut.depth_mm, regions.owner, antagonist, table, accepted, field
        )
    depth, removal = wanted, free
    if walls is not None and rule.min_thickness_mm > 0 and (wanted > 0).any():
        removal = held(free, wanted, walls, rule)
        depth = np.minimum(wanted, removal.cap_mm)
        depth = hold_facets(walls, removal, depth, rule.min_thickness_mm)
    # What the cutter does not reach is asked for all the same: by how much it stands too high.
    unmet = hidden & (regions.label >= 0)
    wanted = np.where(unmet, regions.height_mm, wanted)
    return Cut(removal, depth, wanted, residual, settled, asked, hidden, excess, stays)


def hidden_vertices(outside: Surface, rule: ReductionSettings) -> BoolArray:
    """Return which vertices (V,) of a crown a cutter does not reach along its axis.

    They look away from it, or another part of the crown stands in its way. None without an axis.
    """
    mesh = outside.mesh
    if rule.direction is None:
        return np.zeros(len(mesh.vertices), dtype=np.bool_)
    towards = np.tile(-rule.direction, (len(mesh.vertices), 1))
    is_away = outside.vertex_normals @ rule.direction >= -FACING
    # Beside a face that looks away a vertex would be moved out of the material.
    undercut = mesh.faces[outside.face_normals @ rule.direction > LEVEL]
    is_away[undercut] = True
    length = np.empty(len(mesh.vertices))
    first_hits(
        len(length),
        mesh.vertices + ASIDE_MM * towards,
        towards,
        0.0,
        outside.boxes,
        outside.links,
        outside.corners,
        length,
    )
    return np.asarray(is_away | np.isfinite(length))


def held(
    removal: Removal, wanted_mm: Float64Array, walls: CrownWalls, rule: ReductionSettings
) -> Removal:
    """Return the removal, capped (V,) where the wall would become thinner than its minimum."""
    most = np.zeros(len(wanted_mm))
    moved = np.flatnonzero(wanted_mm > 0)
    most[moved] = walls.most_removal_mm(
        removal.vertices[moved],
        removal.directions[moved],
        wanted_mm[moved],
        rule.min_thickness_mm,
    )
    return replace(removal, cap_mm=most)


def _rounded(
    need_mm: Float64Array, distance_mm: Float64Array, rule: ReductionSettings
) -> Float64Array:
    """Return depths (V,) that follow the need and round its crease at a spot's border.

    max(0, need) becomes a parabola of height `seam_excess_mm` where |need| is below four times
    that; over the ring the rest fades to nothing.
    """
    width = 4.0 * rule.seam_excess_mm
    if width == 0:
        return np.maximum(need_mm, 0.0)
    parabola = (np.clip(need_mm, -width, width) + width) ** 2 / (4.0 * width)
    depth = np.where(need_mm >= width, need_mm, parabola)
    u = np.clip(np.nan_to_num(distance_mm, nan=np.inf) / max(rule.blend_mm, 1e-9), 0.0, 1.0)
    fade = 1.0 - u * u * (3.0 - 2.0 * u)
    return np.where(distance_mm == 0, depth, depth * fade)


def firmer(stock: Stock, spots: Int64Array, weight: float) -> Stock:
    """Return the stock with directions of spots drawn to their mean: neighbours cannot cross."""
    directions = stock.directions
    new = directions.copy()
    for spot in spots:
        own = stock.regions.owner == spot
        mean = directions[own].sum(axis=0)
        mixed = (1 - weight) * directions[own] + weight * mean / np.linalg.norm(mean)
        new[own] = mixed / np.linalg.norm(mixed, axis=1, keepdims=True)
    return stock.turned(new)


def undo(cut: Cut, mesh: TriangleMesh, bad: Int64Array) -> None:
    """Take back, ring by ring, the cut around faces that it would damage."""
    directions = cut.removal.directions
    keep = np.zeros(len(mesh.vertices), dtype=bool)
    keep[mesh.faces[bad]] = True
    for _ in range(20):
        cut.depth_mm[keep] = 0.0
        moved = cut.removal.moved(cut.depth_mm)
        bad = damaged_faces(mesh, moved, cut.depth_mm > 0, directions)
        if len(bad) == 0:
            return
        keep[mesh.faces[bad]] = True
    cut.depth_mm[cut.removal.allowed] = 0.0
