"""What to take off a crown: depths, the adjusted mesh, and every high spot with its numbers.

The depth at a vertex is the least that clears it on the continuous path of every movement, found
by safe root-finding on the swept field, then increased until whole facets are clear. Outside the
spots and their blend rings, fixed before cutting, nothing moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import csr_matrix

from occlusim.arrays import BoolArray, Float64Array, Int32Array, Int64Array, any_corner, unit_vector
from occlusim.crown.clearance import (
    CrownPath,
    Opposing,
    PathTable,
    SweptClearance,
    TableSettings,
    facet_bounds,
    surface_of,
    swept_clearance,
    swept_facet_clearance,
    tabulate,
)
from occlusim.crown.deepening import Cut, Removal, deepen_facets, deepen_places, vertex_depths
from occlusim.crown.integrity import damaged_faces
from occlusim.crown.location import CrownOrientation
from occlusim.crown.measure import SpotFacts, SpotMap, measure_spots
from occlusim.crown.opposing import deepen_against
from occlusim.crown.spots import Spot, edge_graph, rings, split_regions
from occlusim.crown.thickness import CrownWalls, hold_facets
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface

DIRECTION_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class ReductionSettings:
    """How a crown is reduced; lengths in mm.

    Attributes
    ----------
    direction : (3,) or None
        Way of the cutter into the material, in the crown's frame; None takes the smoothed inward
        normal of each vertex.
    min_thickness_mm : float
        Of the material, after the cut.
    tolerance_mm : float
        Most that may be taken off beyond need.
    margin_mm : float
        Asked of vertices beyond the wanted gap; facets may fall as far short of it.
    noise_mm : float
        A region whose worst violation is not above this is no spot.
    blend_mm : float
        Width of the ring over which a cut fades out.
    seam_excess_mm : float
        Depth beyond need right at a spot's border, which rounds the crease there.
    saddle : float
        Two peaks are two spots where the way between falls below this share of the lower one.
    split_above_mm : float
        Only peaks above this are split from another.
    max_depth_mm : float
        No cut is deeper.
    clearance_limit_mm : float
        The clearance map is found below this.
    """

    direction: Float64Array | None = None
    min_thickness_mm: float = 0.0
    tolerance_mm: float = 0.010
    margin_mm: float = 0.0002
    noise_mm: float = 0.001
    blend_mm: float = 0.3
    seam_excess_mm: float = 0.0025
    saddle: float = 0.5
    split_above_mm: float = 0.010
    max_depth_mm: float = 1.5
    clearance_limit_mm: float = 0.1
    table: TableSettings = field(default_factory=TableSettings)

    def __post_init__(self) -> None:
        if self.direction is not None:
            object.__setattr__(self, "direction", unit_vector(self.direction, "direction"))
        if not 0 <= self.seam_excess_mm <= self.tolerance_mm:
            raise InputError(
                f"reduction: seam_excess_mm {self.seam_excess_mm} given, 0 to tolerance_mm "
                f"({self.tolerance_mm}) allowed"
            )
        if not 0 < self.margin_mm <= self.noise_mm <= 0.001 + self.margin_mm:
            raise InputError(
                f"reduction: margin_mm {self.margin_mm} and noise_mm {self.noise_mm} given; "
                "0 < margin <= noise <= 0.001 + margin is needed to keep the promised gap"
            )
        if self.min_thickness_mm < 0 or self.max_depth_mm <= 0 or self.blend_mm < 0:
            raise InputError("reduction: thickness, depth and blend width must not be negative")


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
    regions : _Regions
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
    regions: _Regions


@dataclass(frozen=True, slots=True)
class Remainder:
    """What a crown still violates: clearance (V,), mm, and the worst of each place (n,), mm."""

    clearance_mm: Float64Array
    depth_mm: Float64Array


@dataclass(frozen=True, slots=True)
class _Regions:
    """Spots as labelled vertices: label (V,), owner with rings (V,), distance (V,), height (V,).

    poked (k,) are the facets between clear vertices that stand in violation, poked_mm (k,) by how
    much.
    """

    label: Int32Array
    owner: Int32Array
    distance_mm: Float64Array
    height_mm: Float64Array
    poked: Int64Array
    poked_mm: Float64Array

    @property
    def count(self) -> int:
        return int(self.label.max()) + 1 if len(self.label) else 0


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
    regions = _find_regions(crown, antagonist, table, swept, graph, rule)
    directions = removal_directions(outside, graph, rule)
    before = walls.thickness_mm() if walls else np.full(len(crown.vertices), np.nan)
    blocked: dict[int, str] = {}
    for firmness in (0.0, 0.5, 1.0):
        cut = _cut(crown, antagonist, table, swept, regions, directions, walls, rule, surface)
        bad = damaged_faces(crown, cut.removal.moved(cut.depth_mm), cut.depth_mm > 0)
        if len(bad) == 0:
            break
        hurt = np.unique(regions.owner[crown.faces[bad]]).astype(np.int64)
        hurt = hurt[hurt >= 0]
        if firmness == 1.0:
            blocked = dict.fromkeys(hurt.tolist(), "the cut would fold or pinch the surface")
            _undo(cut, crown, bad)
        else:
            directions = _firmer(directions, regions, hurt, 0.5 + 0.5 * firmness)
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
    found = _find_regions(
        crown, antagonist, plan.table, swept, edge_graph(crown), settings,
        (plan.regions, any_corner(is_moved, crown.faces)),
    )  # fmt: skip
    depth = np.zeros(found.count)
    inside = found.label >= 0
    np.maximum.at(depth, found.label[inside], found.height_mm[inside])
    return Remainder(swept.least_mm, depth)


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


def _find_regions(
    crown: TriangleMesh,
    antagonist: Opposing,
    table: PathTable,
    swept: SweptClearance,
    graph: csr_matrix,
    rule: ReductionSettings,
    known: tuple[_Regions, BoolArray] | None = None,
) -> _Regions:
    """Return the spots of the input crown: its vertices, and facets between clear ones.

    `known`: the regions of another crown with the same faces, and which of them (F,) differ.
    """
    height = np.maximum(-swept.least_mm, 0.0)
    lowest = height[crown.faces].max(axis=1)
    corners = crown.vertices[crown.faces]
    bound = facet_bounds(crown.vertices, crown.faces, swept)
    doubtful = (bound < -rule.noise_mm) & (lowest <= rule.noise_mm)
    poked, poked_mm = np.empty(0, dtype=np.int64), np.empty(0)
    if known is not None:
        same = ~known[1][known[0].poked]
        poked, poked_mm = known[0].poked[same], known[0].poked_mm[same]
        doubtful &= known[1]
    look = np.flatnonzero(doubtful)
    if len(look):
        found = swept_facet_clearance(corners[look], antagonist, table, -rule.noise_mm)
        new = found.value_mm < -rule.noise_mm
        poked = np.concatenate([poked, look[new]])
        poked_mm = np.concatenate([poked_mm, -found.value_mm[new]])
    np.maximum.at(height, crown.faces[poked].ravel(), np.repeat(poked_mm, 3))
    label = split_regions(graph, height, height > 0, rule.saddle, rule.split_above_mm)
    label = _drop_noise(label, height, rule.noise_mm)
    owner, distance = rings(graph, label, rule.blend_mm)
    return _Regions(label, owner, distance, height, poked, poked_mm)


def _drop_noise(label: Int32Array, height: Float64Array, noise_mm: float) -> Int32Array:
    n = int(label.max()) + 1 if len(label) else 0
    if n == 0:
        return label
    worst = np.zeros(n)
    np.maximum.at(worst, label[label >= 0], height[label >= 0])
    kept = worst > noise_mm
    new = np.where(kept, np.cumsum(kept) - 1, -1).astype(np.int32)
    return np.where(label >= 0, new[label], -1).astype(np.int32)


def _cut(  # noqa: PLR0913
    crown: TriangleMesh,
    antagonist: Opposing,
    table: PathTable,
    swept: SweptClearance,
    regions: _Regions,
    directions: Float64Array,
    walls: CrownWalls | None,
    rule: ReductionSettings,
    field: Opposing | None,
) -> Cut:
    """Return the depths that clear every spot, as far as the walls allow."""
    n_vertices = len(crown.vertices)
    allowed = regions.owner >= 0
    free = Removal(
        crown.vertices, crown.faces, directions, allowed, np.full(n_vertices, rule.max_depth_mm)
    )
    core = np.flatnonzero(regions.label >= 0)
    need = -swept.least_mm.copy()
    settled = np.ones(n_vertices, dtype=bool)
    if len(core):
        need[core], settled[core] = vertex_depths(
            crown.vertices[core],
            directions[core],
            antagonist,
            table,
            rule.margin_mm,
            rule.max_depth_mm,
        )
    wanted = np.where(allowed, _rounded(need, regions.distance_mm, rule), 0.0)
    wanted, residual = deepen_facets(free, wanted, antagonist, table, -rule.margin_mm)
    wanted, residual = deepen_places(free, wanted, residual, antagonist, table, -rule.margin_mm)
    opposing = surface_of(antagonist)
    wanted = deepen_against(free, wanted, opposing, table, -rule.margin_mm, field)
    if walls is None or rule.min_thickness_mm <= 0 or not (wanted > 0).any():
        return Cut(free, wanted, wanted, residual, settled)
    most = np.zeros(n_vertices)
    moved = np.flatnonzero(wanted > 0)
    most[moved] = walls.most_removal_mm(
        crown.vertices[moved], directions[moved], wanted[moved], rule.min_thickness_mm
    )
    limited = Removal(crown.vertices, crown.faces, directions, allowed, most)
    depth = hold_facets(walls, limited, np.minimum(wanted, most), rule.min_thickness_mm)
    return Cut(limited, depth, wanted, residual, settled)


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


def _firmer(
    directions: Float64Array, regions: _Regions, spots: Int64Array, weight: float
) -> Float64Array:
    """Return directions drawn towards the mean of their spot, so that neighbours cannot cross."""
    new = directions.copy()
    for spot in spots:
        own = regions.owner == spot
        mean = directions[own].sum(axis=0)
        mixed = (1 - weight) * directions[own] + weight * mean / np.linalg.norm(mean)
        new[own] = mixed / np.linalg.norm(mixed, axis=1, keepdims=True)
    return new


def _undo(cut: Cut, crown: TriangleMesh, bad: Int64Array) -> None:
    """Take back, ring by ring, the cut around faces that it would damage."""
    keep = np.zeros(len(crown.vertices), dtype=bool)
    keep[crown.faces[bad]] = True
    for _ in range(20):
        cut.depth_mm[keep] = 0.0
        bad = damaged_faces(crown, cut.removal.moved(cut.depth_mm), cut.depth_mm > 0)
        if len(bad) == 0:
            return
        keep[crown.faces[bad]] = True
    cut.depth_mm[cut.removal.allowed] = 0.0


def _finish(
    crown: TriangleMesh,
    table: PathTable,
    swept: SweptClearance,
    regions: _Regions,
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
