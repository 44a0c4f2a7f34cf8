"""What to take off a crown: depths, the adjusted mesh, and every high spot with its numbers.

The depth at a vertex is the least that clears it on the continuous path of every movement, found
by safe root-finding on the swept field, then increased until whole facets are clear. Outside the
spots and their blend rings, fixed before cutting, nothing moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from occlusim.arrays import BoolArray, Float64Array, Int64Array, any_corner
from occlusim.crown.clearance import (
    CrownPath,
    Opposing,
    PathTable,
    SweptClearance,
    surface_of,
    swept_clearance,
    tabulate,
)
from occlusim.crown.cutting import cut_stock, hidden_vertices, removal_directions
from occlusim.crown.deepening import Cut
from occlusim.crown.location import CrownOrientation
from occlusim.crown.measure import SpotFacts, SpotMap, measure_spots
from occlusim.crown.mending import Adjusted, CutJob, face_parents, sound_cut
from occlusim.crown.reduction_settings import ReductionSettings
from occlusim.crown.regions import KnownPokes, Regions, carried_clearance, find_regions
from occlusim.crown.spots import Spot, edge_graph
from occlusim.crown.stock import Stock
from occlusim.crown.thickness import CrownWalls
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

__all__ = [
    "ReductionPlan",
    "ReductionSettings",
    "Remainder",
    "plan_reduction",
    "remainder",
]

HALVINGS = 3


@dataclass(frozen=True, slots=True)
class ReductionPlan:
    """The reduction of one crown.

    Attributes
    ----------
    depth_mm : (V,)
        Taken off along `directions`; exactly 0 outside spots and rings.
    wanted_depth_mm : (V,)
        What the movements ask for, before the wall's minimum limits it.
    directions : (V, 3), unit length
    clearance_mm : (V,)
        Least of gap minus wanted gap on the input crown; at least the limit where it equals it.
    clearance_by_movement_mm : (V, M)
    movement : (V,)
        Index into `movements` of the least clearance; -1 beyond the limit.
    movements : tuple of str
    thickness_before_mm, thickness_after_mm : (V,)
        Wall thickness; NaN on the inner surface and where no walls were given.
    spots : tuple of Spot
    adjusted : TriangleMesh
        The input mesh itself where nothing was taken off. V' vertices, F' faces: as many as the
        input's, in the same order, unless triangles inside the spots were exchanged.
    vertex_origin, face_origin : (V',), (F',)
        Input vertex that each adjusted one is, -1 for a new one; input face that lies under each.
    face_is_whole : (F',)
        The face has the same corners as its input face, moved or not.
    adjusted_depth_mm : (V',)
        Taken off at the adjusted vertices.
    volume_mm3 : float
    residual_mm : float
        Least of gap minus wanted gap over the facets that were cut, on the continuous path,
        clipped at minus `margin_mm`. Lower only with a spot that is not feasible.
    has_unknown : (V,)
        Within the limit some pose met the antagonist's open edge.
    table : PathTable
    swept : SweptClearance
        The clearances of the input crown, by movement, on that table.
    regions : Regions
        The spots of the input crown; `remainder` asks them about what was left alone.
    """

    depth_mm: Float64Array
    wanted_depth_mm: Float64Array
    directions: Float64Array
    clearance_mm: Float64Array
    clearance_by_movement_mm: Float64Array
    movement: Int64Array
    movements: tuple[str, ...]
    thickness_before_mm: Float64Array
    thickness_after_mm: Float64Array
    spots: tuple[Spot, ...]
    adjusted: TriangleMesh
    vertex_origin: Int64Array
    face_origin: Int64Array
    face_is_whole: BoolArray
    adjusted_depth_mm: Float64Array
    volume_mm3: float
    residual_mm: float
    has_unknown: BoolArray
    table: PathTable
    swept: SweptClearance
    regions: Regions

    def untouched(self, crown: TriangleMesh) -> ReductionPlan:
        """Return the plan that takes nothing off the input crown."""
        return replace(
            self,
            depth_mm=np.zeros(len(crown.vertices)),
            thickness_after_mm=self.thickness_before_mm,
            spots=(),
            adjusted=crown,
            vertex_origin=np.arange(len(crown.vertices)),
            face_origin=np.arange(len(crown.faces)),
            face_is_whole=np.ones(len(crown.faces), dtype=np.bool_),
            adjusted_depth_mm=np.zeros(len(crown.vertices)),
            volume_mm3=0.0,
        )


@dataclass(frozen=True, slots=True)
class Remainder:
    """What a crown still violates.

    Clearance (V,) and by movement (V, M), mm, and the worst of each place (n,), mm.
    """

    clearance_mm: Float64Array
    clearance_by_movement_mm: Float64Array
    depth_mm: Float64Array


def plan_reduction(
    crown: TriangleMesh,
    antagonist: Opposing,
    paths: Sequence[CrownPath],
    settings: ReductionSettings | None = None,
    *,
    walls: CrownWalls | None = None,
    orientation: CrownOrientation | None = None,
    surface: Opposing | None = None,
) -> ReductionPlan:
    """Return what to take off a crown so that it keeps the wanted gap in every movement.

    Parameters
    ----------
    crown : TriangleMesh
        In its own coordinates, normals out of the material.
    antagonist : Surface or GapField
        The opposing teeth, in the frame that the paths lead to.
    paths : sequence of CrownPath
        One may be named `centric`.
    settings : ReductionSettings
    walls : CrownWalls
        Needed where `min_thickness_mm` is above 0.
    orientation : CrownOrientation
        For the words that say where a spot is.
    surface : Surface or GapField
        The crown's, if it is built already.

    Raises
    ------
    InputError
        If a minimum thickness is set and no walls are given, or the paths are not usable.

    Notes
    -----
    Promise: gap >= wanted - 1 um on the continuous path over the whole surface of every feasible
    spot; wall >= minimum wherever something was taken off; other vertices keep every bit.
    """
    rule = settings or ReductionSettings()
    if rule.min_thickness_mm > 0 and walls is None:
        raise InputError("reduction: min_thickness_mm is set, so the crown's walls are needed")
    outside = surface_of(surface) if surface else Surface.build(crown)
    table = tabulate(paths, crown.vertices, rule.table)
    swept = swept_clearance(crown.vertices, antagonist, table, rule.clearance_limit_mm)
    graph = edge_graph(crown)
    regions = find_regions(crown, antagonist, table, swept, graph, rule)
    directions = removal_directions(outside, graph, rule)
    before = walls.thickness_mm() if walls else np.full(len(crown.vertices), np.nan)
    stock = Stock.of(crown, swept, regions, directions, hidden_vertices(outside, rule))
    given = surface or outside
    cut = cut_stock(stock, antagonist, table, walls, rule, given)
    for _ in range(HALVINGS):
        edges = stock.coarse_edges(cut, rule.tolerance_mm)
        if len(edges) == 0:
            break
        stock = stock.halved(edges, antagonist, table)
        cut = cut_stock(stock, antagonist, table, walls, rule, given)
    job = CutJob(outside, antagonist, table, walls, rule, given)
    stock, cut, adjusted, blocked = sound_cut(stock, cut, job)
    facts = SpotFacts(outside, antagonist, walls, orientation, before)
    return _finish(crown, stock, cut, adjusted, regions, facts, blocked, table, swept)


def remainder(
    crown: TriangleMesh,
    antagonist: Opposing,
    settings: ReductionSettings,
    before: TriangleMesh,
    plan: ReductionPlan,
) -> Remainder:
    """Return what is left of the violations on the crown that came of a plan.

    Parameters
    ----------
    crown
        The adjusted crown, as read back from its file.
    antagonist, settings
        As for the plan.
    before
        The crown that was planned on.
    plan
        Its path table holds, for the crown has only lost material; so does the clearance of every
        vertex whose coordinates are the same to the bit. The others are swept again.
    """
    swept, is_new = carried_clearance(crown, before, plan.vertex_origin, plan.swept)
    new = swept_clearance(crown.vertices[is_new], antagonist, plan.table, plan.swept.limit_mm)
    swept = swept.replaced(np.flatnonzero(is_new), new)
    differs = any_corner(is_new, crown.faces) | ~plan.face_is_whole
    known = KnownPokes.on(plan.regions, plan.face_origin, differs)
    found = find_regions(crown, antagonist, plan.table, swept, edge_graph(crown), settings, known)
    depth = np.zeros(found.count)
    inside = found.label >= 0
    np.maximum.at(depth, found.label[inside], found.height_mm[inside])
    return Remainder(swept.least_mm, swept.value_mm, depth)


def _finish(  # noqa: PLR0913
    crown: TriangleMesh,
    stock: Stock,
    cut: Cut,
    adjusted: Adjusted,
    regions: Regions,
    facts: SpotFacts,
    blocked: dict[int, str],
    table: PathTable,
    swept: SweptClearance,
) -> ReductionPlan:
    n = len(crown.vertices)
    depth = adjusted.depth_mm[:n]
    directions = cut.removal.directions[:n]
    after = facts.thickness_after(depth, directions)
    spot_map = SpotMap(
        stock.regions.label,
        stock.regions.owner,
        stock.regions.height_mm,
        stock.regions.owner[adjusted.vertex_origin],
        adjusted.residual_mm,
        adjusted.depth_mm,
        blocked,
    )
    spots = measure_spots(facts, adjusted.mesh, swept, table, spot_map, cut, after)
    looked = adjusted.residual_mm[np.isfinite(adjusted.residual_mm)]
    face_origin, face_is_whole = face_parents(stock, adjusted)
    return ReductionPlan(
        depth_mm=depth,
        wanted_depth_mm=cut.wanted_mm[:n],
        directions=directions,
        clearance_mm=swept.least_mm,
        clearance_by_movement_mm=swept.value_mm,
        movement=swept.movement,
        movements=table.names,
        thickness_before_mm=facts.before_mm,
        thickness_after_mm=after,
        spots=spots,
        adjusted=adjusted.mesh if (depth > 0).any() or len(stock.mesh.vertices) > n else crown,
        vertex_origin=np.where(adjusted.vertex_origin < n, adjusted.vertex_origin, -1),
        face_origin=face_origin,
        face_is_whole=face_is_whole,
        adjusted_depth_mm=adjusted.depth_mm[adjusted.vertex_origin],
        volume_mm3=float(sum(spot.volume_mm3 for spot in spots)),
        residual_mm=float(looked.min()) if len(looked) else float("nan"),
        has_unknown=np.asarray(swept.unknown.any(axis=1)),
        table=table,
        swept=swept,
        regions=regions,
    )
