"""What to take off a crown: depths, the adjusted mesh, and every high spot with its numbers.

The depth at a vertex is the least that clears it on the continuous path of every movement, found
by safe root-finding on the swept field, then increased until whole facets are clear. Outside the
spots and their blend rings, fixed before cutting, nothing moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
from occlusim.crown.cutting import cut_spots, firmer, removal_directions, undo
from occlusim.crown.deepening import Cut
from occlusim.crown.integrity import damaged_faces
from occlusim.crown.location import CrownOrientation
from occlusim.crown.measure import SpotFacts, SpotMap, measure_spots
from occlusim.crown.reduction_settings import ReductionSettings
from occlusim.crown.regions import Regions, find_regions
from occlusim.crown.spots import Spot, edge_graph
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
        The input mesh itself where nothing was taken off.
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
    volume_mm3: float
    residual_mm: float
    has_unknown: BoolArray
    table: PathTable
    swept: SweptClearance
    regions: Regions


@dataclass(frozen=True, slots=True)
class Remainder:
    """What a crown still violates: clearance (V,), mm, and the worst of each place (n,), mm."""

    clearance_mm: Float64Array
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
    blocked: dict[int, str] = {}
    for firmness in (0.0, 0.5, 1.0):
        cut = cut_spots(crown, antagonist, table, swept, regions, directions, walls, rule, surface)
        bad = damaged_faces(crown, cut.removal.moved(cut.depth_mm), cut.depth_mm > 0)
        if len(bad) == 0:
            break
        hurt = np.unique(regions.owner[crown.faces[bad]]).astype(np.int64)
        hurt = hurt[hurt >= 0]
        if firmness == 1.0:
            blocked = dict.fromkeys(hurt.tolist(), "the cut would fold or pinch the surface")
            undo(cut, crown, bad)
        else:
            directions = firmer(directions, regions, hurt, 0.5 + 0.5 * firmness)
    return _finish(
        crown,
        table,
        swept,
        regions,
        cut,
        SpotFacts(outside, antagonist, walls, orientation, before),
        blocked,
    )


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
        The crown that was planned on, with the same faces.
    plan
        Its path table holds, for the crown has only lost material; so does the clearance of every
        vertex whose coordinates are the same to the bit. The others are swept again.
    """
    moved = np.flatnonzero((crown.vertices != before.vertices).any(axis=1))
    new = swept_clearance(crown.vertices[moved], antagonist, plan.table, plan.swept.limit_mm)
    swept = plan.swept.replaced(moved, new)
    is_moved = np.zeros(len(crown.vertices), dtype=bool)
    is_moved[moved] = True
    found = find_regions(
        crown, antagonist, plan.table, swept, edge_graph(crown), settings,
        (plan.regions, any_corner(is_moved, crown.faces)),
    )  # fmt: skip
    depth = np.zeros(found.count)
    inside = found.label >= 0
    np.maximum.at(depth, found.label[inside], found.height_mm[inside])
    return Remainder(swept.least_mm, depth)


def _finish(
    crown: TriangleMesh,
    table: PathTable,
    swept: SweptClearance,
    regions: Regions,
    cut: Cut,
    facts: SpotFacts,
    blocked: dict[int, str],
) -> ReductionPlan:
    touched = bool((cut.depth_mm > 0).any())
    adjusted = crown.with_vertices(cut.removal.moved(cut.depth_mm)) if touched else crown
    after = facts.thickness_after(adjusted, cut.removal.directions, cut.depth_mm)
    spot_map = SpotMap(regions.label, regions.owner, regions.height_mm, blocked)
    spots = measure_spots(facts, adjusted, swept, table, spot_map, cut, after)
    looked = cut.residual_mm[np.isfinite(cut.residual_mm)]
    return ReductionPlan(
        depth_mm=cut.depth_mm,
        wanted_depth_mm=cut.wanted_mm,
        directions=cut.removal.directions,
        clearance_mm=swept.least_mm,
        clearance_by_movement_mm=swept.value_mm,
        movement=swept.movement,
        movements=table.names,
        thickness_before_mm=facts.before_mm,
        thickness_after_mm=after,
        spots=spots,
        adjusted=adjusted,
        volume_mm3=float(sum(spot.volume_mm3 for spot in spots)),
        residual_mm=float(looked.min()) if len(looked) else float("nan"),
        has_unknown=np.asarray(swept.unknown.any(axis=1)),
        table=table,
        swept=swept,
        regions=regions,
    )
